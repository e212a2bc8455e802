//! `siderolog amend`: reads the kept inputs of a result once more with a person's region, as a new result that names
//! the old one and says who and why. The old result stays as it is; with a site file, what had not left of it is taken
//! back, and the new one is queued for the site's destinations.

use super::analyse::{self, UNUSABLE, Work};
use super::kept::{Kept, Place, parent};
use super::summary;
use crate::daemon::earlier;
use crate::daemon::job::Amendment;
use crate::daemon::ledger::{FILE_NAME, Ledger};
use crate::daemon::postman;
use crate::daemon::settings::Site;
use crate::report::ResultDocument;
use anyhow::Context as _;
use serde_json::json;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// How the method of a region that a person amended is called.
const AMENDED: &str = "amended";

/// Measure a result's kept inputs again with a person's region.
#[derive(clap::Args)]
pub struct Args {
    #[command(flatten)]
    place: Place,
    /// The region: a DICOM Segmentation or a NIfTI label image on the acquisition's grid. Of several regions the whole
    /// liver decides, and all with at least 1 cm² are reported.
    #[arg(long)]
    region: PathBuf,
    /// Who amended it.
    #[arg(long, value_parser = said)]
    by: String,
    /// Why it was amended.
    #[arg(long, value_parser = said)]
    why: String,
    /// Where the new result goes; without it a new folder beside the old result.
    #[arg(long)]
    out: Option<PathBuf>,
    /// End with one JSON object naming the new result.
    #[arg(long)]
    json: bool,
}

fn said(text: &str) -> Result<String, String> {
    let text = text.trim();
    if text.is_empty() { Err("it must say something".to_owned()) } else { Ok(text.to_owned()) }
}

/// Runs it.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let unusable = |message: String| {
        eprintln!("{message}");
        Ok(ExitCode::from(UNUSABLE))
    };
    let Kept { folder, document, inputs, history, .. } = match args.place.open() {
        Ok(kept) => kept,
        Err(message) => return unusable(message),
    };
    if !args.region.is_file() {
        return unusable(format!("{}: there is no such file", args.region.display()));
    }
    let prepared =
        analyse::site(args.place.site.as_deref()).and_then(|site| Ok((site, analyse::history(history.as_deref())?)));
    let (site, history) = match prepared {
        Ok(prepared) => prepared,
        Err(message) => return unusable(message),
    };
    let Some(old) = earlier::of_result(&folder) else {
        return unusable(format!("{}: not every file of the result can be read", folder.display()));
    };
    let acquisition = document.input.digest.clone();
    let amended = Amendment {
        acquisition: acquisition.clone(),
        region: args.region.canonicalize()?.as_path().into(),
        by: args.by,
        why: args.why,
        predecessor: old.report,
    };
    // Written apart first: a region that is refused leaves no result behind.
    let beside = parent(&folder.canonicalize()?);
    let out = args.out.unwrap_or_else(|| unused(&beside, &folder));
    if out.exists() {
        return unusable(format!("{}: there is something already; a result is never replaced", out.display()));
    }
    let home = std::path::absolute(&out).map(|out| parent(&out))?;
    std::fs::create_dir_all(&home)?;
    let draft = tempfile::Builder::new().prefix(".amend-").tempdir_in(&home)?;
    let work = Work { inputs: &inputs, out: draft.path(), history, earlier: Vec::new(), amended: Some(amended) };
    let made = analyse::measure(site.clone(), work, |result| result.input.digest == acquisition)?;
    let [(path, result)] = made.as_slice() else {
        return unusable("the inputs no longer hold this acquisition".to_owned());
    };
    if result.roi.as_ref().is_none_or(|roi| roi.method != AMENDED) {
        return unusable(refusals(result));
    }
    crate::intake::durable::publish_dir(&parent(path), &out)?;
    if args.place.site.is_some() && !site.destinations.is_empty() {
        queue(&site, &folder, &out).with_context(|| {
            format!("{} is written but not queued; `siderolog send` queues and sends it", out.display())
        })?;
    }
    let path = out.join(crate::report::RESULT);
    if args.json {
        println!("{}", json!({ "results": [path.display().to_string()] }));
    } else {
        let (verdict, lic) = (summary::verdict(result.verdict), summary::lic(result));
        println!("{verdict}: {}, {lic}, {}: {}", summary::r2star(result), summary::series(result), path.display());
    }
    Ok(summary::status(std::iter::once(result)))
}

/// The running service, or the next one, sends it.
fn queue(site: &Site, old: &Path, new: &Path) -> anyhow::Result<()> {
    std::fs::create_dir_all(&site.folders.state)?;
    let mut ledger = Ledger::open(&site.folders.state.join(FILE_NAME))?;
    postman::replace(&mut ledger, site, old, new, "a result with an amended region took its place")?;
    Ok(())
}

/// Why no amended result came out, as the findings of the region have it.
fn refusals(result: &ResultDocument) -> String {
    let of_region = result.findings.iter().filter(|finding| finding.code.starts_with("region-"));
    let lines: Vec<&str> = of_region.map(|finding| finding.message.as_str()).collect();
    if lines.is_empty() { "the acquisition cannot be measured in any region".to_owned() } else { lines.join("\n") }
}

/// A folder beside the old result that is not there yet.
fn unused(beside: &Path, folder: &Path) -> PathBuf {
    let name = folder.canonicalize().ok().and_then(|f| Some(f.file_name()?.to_string_lossy().into_owned()));
    let name = name.unwrap_or_else(|| "result".to_owned());
    let free = (1..).map(|number| beside.join(format!("{name}-amended-{number}"))).find(|path| !path.exists());
    free.unwrap_or_else(|| beside.join(name))
}
