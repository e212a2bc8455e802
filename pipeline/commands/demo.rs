//! `siderolog demo`: an invented service's week, from the drop folder to the results, through the real daemon.

use super::watch::block_on;
use super::{confirmed, summary};
use crate::daemon::note;
use crate::daemon::runner::Runner;
use crate::daemon::settings::Site;
use crate::daemon::spool::results;
use crate::daemon::supervisor::{self, Until};
use crate::intake::claim::read_manifest;
use crate::phantom;
use crate::report::ResultDocument;
use crate::study::text::safe;
use anyhow::Context as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Duration;

/// Run a small invented week through the daemon and show where the results lie.
#[derive(clap::Args)]
pub struct Args {
    /// Where everything goes; a new temporary folder by default.
    #[arg(long)]
    dir: Option<PathBuf>,
}

/// The week, in order: name of the dropped folder, and the recipe's name.
const WEEK: [(&str, &str); 6] = [
    (LAST_YEAR, "stable-patient"),
    ("2-monday-stable-patient", "stable-patient"),
    ("3-tuesday-loaded-child", "loaded-child"),
    ("4-wednesday-late-first-echo", "late-first-echo"),
    ("5-thursday-missing-slice", "missing-slice"),
    ("6-friday-moving-patient", "moving-patient"),
];

/// The stable patient's earlier scan: the same body, other noise.
const LAST_YEAR: &str = "1-a-year-ago-stable-patient";

/// Settings of the demonstration: a week is short, so are the quiet times.
const SITE: &str = "\
# The demonstration's settings. Run the service on with: siderolog watch --site THIS FILE
folders: {drop: [drop], spool: spool, outbox: outbox, archive: archive, quarantine: quarantine, state: state}
settle: {scan_s: 0.2, quiet_s: 0.8, incomplete_s: 3}
calibrations: calibrations.yaml
";

/// How long the week may take.
const LONGEST: Duration = Duration::from_secs(300);

/// Runs it.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let dir = match args.dir {
        Some(dir) => dir,
        None => tempfile::Builder::new().prefix("siderolog-demo-").tempdir().context("cannot make a folder")?.keep(),
    };
    let drop = dir.join("drop");
    fs::create_dir_all(&drop).with_context(|| format!("cannot make {}", drop.display()))?;
    let dir = dir.canonicalize().context("cannot use the folder")?;
    let settings = dir.join("site.yaml");
    fs::write(&settings, SITE).context("cannot write the demonstration's settings")?;
    fs::write(dir.join("calibrations.yaml"), confirmed::calibrations()).context("cannot write the calibrations")?;
    start_log(&dir)?;
    let site = Site::load(&settings)?;
    println!("An invented service's week, in {}", dir.display());
    println!("Invented patients, an invented hospital, an invented scanner. Not a certified medical device.\n");

    let scanner = std::thread::spawn({
        let drop = dir.join("drop");
        move || scan_week(&drop)
    });
    block_on(supervisor::watch(site, Runner::own()?, Until::Outcomes(WEEK.len() as u64, LONGEST)))??;
    scanner.join().map_err(|_| anyhow::anyhow!("the simulated scanner failed"))??;
    show(&dir)?;
    Ok(ExitCode::SUCCESS)
}

/// Simulates each patient and drops the export into the watched folder.
fn scan_week(drop: &Path) -> anyhow::Result<()> {
    for (name, recipe) in WEEK {
        let mut recipe = phantom::shipped(recipe).context("a recipe is missing from the program")??;
        if name == LAST_YEAR {
            recipe.body.seed = Some(recipe.seed);
            recipe.seed += 1000;
            recipe.patient.study_date = "2025-03-10".to_owned();
            recipe.liver.r2star *= 0.97;
        }
        println!("  dropped {name}: {}", recipe.description);
        let scan = phantom::scan(&recipe);
        phantom::write(&scan, &drop.join(name)).with_context(|| format!("cannot write {name}"))?;
    }
    Ok(())
}

/// The daemon's log goes beside the results; a demonstration's terminal is for its table.
fn start_log(dir: &Path) -> anyhow::Result<()> {
    let file = fs::File::create(dir.join("siderolog.log")).context("cannot write the log")?;
    let log = tracing_subscriber::fmt().json().flatten_event(true).with_target(false).with_writer(file);
    // Another log of this process would do as well.
    let _ = log.try_init();
    Ok(())
}

fn show(dir: &Path) -> anyhow::Result<()> {
    let mut rows = Vec::new();
    for entry in fs::read_dir(dir.join("outbox"))? {
        let published = entry?.path();
        let ticket = published.file_name().unwrap_or_default().to_os_string();
        let manifest = read_manifest(&dir.join("archive").join(&ticket)).context("a result without its inputs")?;
        let name = manifest.sender_name.map(|name| name.path().display().to_string()).unwrap_or_default();
        for folder in results(&published)? {
            let result: ResultDocument = serde_json::from_slice(&fs::read(folder.join("result.json"))?)?;
            rows.push((name.clone(), result, folder));
        }
    }
    rows.sort_by(|a, b| a.0.cmp(&b.0));
    println!("\n{:<28} {:<8} {:<14} LIC", "delivery", "verdict", "R2*");
    for (name, result, folder) in &rows {
        let (verdict, r2star) = (summary::verdict(result.verdict), summary::r2star(result));
        println!("{:<28} {verdict:<8} {r2star:<14} {}", safe(name, 28), summary::lic(result));
        println!("    scanner room: {}", safe(&result.scanner_room.message, 400));
        if let Some(change) = &result.course.change {
            println!("    course: {}", safe(&change.text, 400));
        }
        match result.files.get("qc_image") {
            Some(image) => println!("    picture: {}", folder.join(image).display()),
            None => println!("    result: {}", folder.join("result.json").display()),
        }
    }
    let note = note::path(&dir.join("drop"), Some(WEEK[2].0.as_ref()));
    println!("\nWhat the radiographer reads beside a dropped folder ({}):\n", note.display());
    print!("{}", fs::read_to_string(&note).unwrap_or_default());
    println!("\nResults: {}\nLog: {}", dir.join("outbox").display(), dir.join("siderolog.log").display());
    Ok(())
}
