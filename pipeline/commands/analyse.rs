//! `siderolog analyse`: reads and measures what it is given, in the same child process as the daemon.

use super::chain::Rules;
use super::summary;
use crate::daemon::earlier::Earlier;
use crate::daemon::job::{Amendment, Job, PatientKey, Said, SetAside, Task};
use crate::daemon::runner::{Desk, Ended, Runner, own_pid};
use crate::daemon::segmenter::Ran;
use crate::daemon::settings::Site;
use crate::daemon::spool::{INTAKE_FILE, RUN_FILE, results};
use crate::intake::durable;
use crate::intake::foreign::escape;
use crate::reading;
use crate::report::{RESULT, ResultDocument};
use anyhow::Context as _;
use indicatif::{ProgressBar, ProgressStyle};
use serde_json::{Value, json};
use std::fs;
use std::io::{self, IsTerminal as _};
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, Instant};

/// Status for arguments, inputs or configuration that cannot be used; nothing was analysed.
pub(super) const UNUSABLE: u8 = 2;

/// Measure exported series and write one folder for each acquisition.
#[derive(clap::Args)]
pub struct Args {
    /// Folders, files or zip archives.
    #[arg(required = true)]
    inputs: Vec<PathBuf>,
    /// The site file; without it the shipped profiles, calibrations and rules apply.
    #[arg(long, env = "SIDEROLOG_SITE")]
    site: Option<PathBuf>,
    /// Where the results go.
    #[arg(long)]
    out: PathBuf,
    /// The patient's earlier readings, one JSON object a line.
    #[arg(long)]
    history: Option<PathBuf>,
    /// Results of an earlier run that the new ones replace, as the service keeps them.
    #[arg(long, hide = true)]
    earlier: Option<PathBuf>,
    /// End with one JSON object naming every result.
    #[arg(long)]
    json: bool,
}

/// Runs it.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let (site, history, earlier) = match prepare(&args) {
        Ok(prepared) => prepared,
        Err(message) => {
            eprintln!("{message}");
            return Ok(ExitCode::from(UNUSABLE));
        }
    };
    let work = Work { inputs: &args.inputs, out: &args.out, history, earlier, amended: None };
    let placed = measure(site, work, |_| true)?;
    for (path, result) in &placed {
        if !args.json {
            let (verdict, lic) = (summary::verdict(result.verdict), summary::lic(result));
            println!("{verdict}: {}, {lic}, {}: {}", summary::r2star(result), summary::series(result), path.display());
        }
    }
    if args.json {
        let paths: Vec<_> = placed.iter().map(|(path, _)| path.display().to_string()).collect();
        println!("{}", json!({ "results": paths }));
    } else if placed.is_empty() {
        println!("no acquisition that can be read; {} says why", args.out.join(INTAKE_FILE).display());
    }
    Ok(summary::status(placed.iter().map(|(_, result)| result)))
}

/// What a command has measured.
pub(super) struct Work<'a> {
    /// Folders, files or archives.
    pub inputs: &'a [PathBuf],
    /// Where the results go; made where it is not there.
    pub out: &'a Path,
    /// The earlier readings, one JSON object a line.
    pub history: String,
    /// Results of an earlier run that the new ones replace.
    pub earlier: Vec<Earlier>,
    /// A person's region for one of the acquisitions.
    pub amended: Option<Amendment>,
}

/// Measures in a child process and gives the results that are `wanted` their places.
pub(super) fn measure(
    site: Site,
    work: Work<'_>,
    wanted: impl Fn(&ResultDocument) -> bool,
) -> anyhow::Result<Vec<(PathBuf, ResultDocument)>> {
    fs::create_dir_all(work.out).with_context(|| format!("cannot make {}", work.out.display()))?;
    let out = work.out.canonicalize().with_context(|| format!("cannot use {}", work.out.display()))?;
    let began = Instant::now();
    let inputs: Vec<_> = work.inputs.iter().map(|input| input.as_path().into()).collect();
    let mut below = inputs.clone();
    below.extend(work.amended.as_ref().map(|amended| amended.region.clone()));
    let job = Job {
        task: Task::Measure,
        below,
        inputs,
        out: out.as_path().into(),
        set_aside: Vec::new(),
        limits: site.child,
        documents: site.documents,
        intake: site.limits,
        outputs: site.outputs,
        default_issuer: site.default_issuer,
        earlier: work.earlier,
        parent: own_pid(),
        amended: work.amended,
        segmenter: site.segmenter,
    };
    let mut desk = Terminal {
        out: out.clone(),
        history: work.history,
        attempt: None,
        bar: bar(),
        files: 0,
        segmented: Vec::new(),
    };
    let ended = Runner::own()?.run(job, &mut desk)?;
    desk.bar.finish_and_clear();
    match ended {
        Ended::Finished { out: attempt, attempts, set_aside, .. } => {
            tell_set_aside(&set_aside);
            let mut run = json!({
                "schema_version": 1,
                "finished_at": jiff::Timestamp::now().to_string(),
                "took_s": began.elapsed().as_secs_f64(),
                "attempts": attempts,
                "version": env!("CARGO_PKG_VERSION"),
            });
            if !desk.segmented.is_empty() {
                run["segmenter"] = desk.segmented.into();
            }
            place(&attempt, &out, &run, wanted)
        }
        Ended::GivenUp { reason, set_aside } => {
            tell_set_aside(&set_aside);
            eprintln!("nothing was measured: {reason}");
            write_account(&out, &set_aside)?;
            Ok(Vec::new())
        }
        Ended::Surveyed { .. } | Ended::Cancelled => anyhow::bail!("the analysis ended without an answer"),
    }
}

/// Everything that can be wrong before anything is analysed.
fn prepare(args: &Args) -> Result<(Site, String, Vec<Earlier>), String> {
    let site = site(args.site.as_deref())?;
    for input in &args.inputs {
        fs::metadata(input).map_err(|error| format!("{}: {error}", input.display()))?;
    }
    let earlier = match &args.earlier {
        Some(path) => {
            let at = |error: &dyn std::fmt::Display| format!("{}: {error}", path.display());
            serde_json::from_slice(&fs::read(path).map_err(|e| at(&e))?).map_err(|e| at(&e))?
        }
        None => Vec::new(),
    };
    Ok((site, history(args.history.as_deref())?, earlier))
}

/// The site as its file has it, or as shipped, with rules that can be used.
pub(super) fn site(file: Option<&Path>) -> Result<Site, String> {
    let site = match file {
        Some(path) => Site::load(path).map_err(|error| error.to_string())?,
        None => Site::shipped(Path::new(".")),
    };
    Rules::of(&site.documents)?;
    Ok(site)
}

/// Earlier readings from a file that can be used; none without one.
pub(super) fn history(file: Option<&Path>) -> Result<String, String> {
    let Some(path) = file else { return Ok(String::new()) };
    let text = fs::read_to_string(path).map_err(|error| format!("{}: {error}", path.display()))?;
    reading::history(&path.display().to_string(), &text).map_err(|errors| errors.to_string())?;
    Ok(text)
}

/// The command line's side of the conversation with the child.
struct Terminal {
    out: PathBuf,
    history: String,
    attempt: Option<tempfile::TempDir>,
    bar: ProgressBar,
    files: u64,
    /// What became of the site's own segmenter in every attempt, for `run.json`.
    segmented: Vec<Value>,
}

impl Desk for Terminal {
    fn attempt(&mut self, number: usize) -> io::Result<PathBuf> {
        let prefix = format!(".attempt-{number}-");
        let folder = tempfile::Builder::new().prefix(&prefix).tempdir_in(&self.out)?;
        let path = folder.path().to_path_buf();
        self.attempt = Some(folder);
        Ok(path)
    }

    fn history(&mut self, _patients: &[PatientKey], path: &Path) -> io::Result<()> {
        fs::write(path, &self.history)
    }

    fn heard(&mut self, said: &Said) {
        match said {
            Said::Done { .. } => {
                self.files += 1;
                self.bar.set_message(format!("reading, {} looks at files", self.files));
            }
            Said::Stage { name, done, total } => self.bar.set_message(format!("{name}, {done} of {total}")),
            Said::Panicked { place } => eprintln!("the analysis panicked at {place}"),
            _ => {}
        }
    }

    fn segmented(&mut self, ran: &Ran) {
        if let Some(failure) = &ran.failure {
            eprintln!("the site's segmenter {}; run.json has what it printed", failure.how);
        }
        self.segmented.push(ran.account());
    }

    fn cancelled(&self) -> bool {
        false
    }
}

fn bar() -> ProgressBar {
    if !io::stderr().is_terminal() {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new_spinner();
    // A template that does not parse would only lose its looks.
    if let Ok(style) = ProgressStyle::with_template("{spinner} {elapsed} {msg}") {
        bar.set_style(style);
    }
    bar.enable_steady_tick(Duration::from_millis(120));
    bar
}

fn tell_set_aside(files: &[SetAside]) {
    for file in files {
        eprintln!("set aside: {}: {}", escape(file.path.path()), file.reason);
    }
}

/// Gives the results of an attempt their final places below `out`. A result of an earlier run is replaced.
fn place(
    attempt: &Path,
    out: &Path,
    run: &Value,
    wanted: impl Fn(&ResultDocument) -> bool,
) -> anyhow::Result<Vec<(PathBuf, ResultDocument)>> {
    let mut placed = Vec::new();
    for folder in results(attempt)? {
        let name = folder.file_name().context("a result without a name")?;
        let target = out.join(name);
        let result = serde_json::from_slice(&fs::read(folder.join(RESULT))?).context("cannot read back a result")?;
        if !wanted(&result) {
            continue;
        }
        fs::write(folder.join(RUN_FILE), serde_json::to_vec_pretty(run)?)?;
        if target.exists() {
            fs::remove_dir_all(&target).with_context(|| format!("cannot replace {}", target.display()))?;
        }
        durable::publish_dir(&folder, &target).with_context(|| format!("cannot write {}", target.display()))?;
        placed.push((target.join(RESULT), result));
    }
    let account = fs::read(attempt.join(INTAKE_FILE)).context("cannot read the account of the files")?;
    durable::write(&out.join(INTAKE_FILE), &account).context("cannot write intake.json")?;
    Ok(placed)
}

/// The account of a delivery that could not be read to its end: the files that brought it down.
fn write_account(out: &Path, set_aside: &[SetAside]) -> anyhow::Result<()> {
    let files: Vec<_> = set_aside
        .iter()
        .map(|aside| json!({"path": escape(aside.path.path()), "outcome": "unreadable", "reason": aside.reason}))
        .collect();
    let text = serde_json::to_vec_pretty(&json!({"schema_version": 1, "files": files}))?;
    durable::write(&out.join(INTAKE_FILE), &text).context("cannot write intake.json")
}
