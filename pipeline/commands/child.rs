//! `siderolog child`: reads and measures one delivery for a parent process that outlives whatever happens
//! here. Not for people.

use super::chain::{self, Rules, Setting};
use super::region::{Amended, Segment};
use super::segmenter::Asker;
use crate::daemon::earlier::EARLIER_FILE;
use crate::daemon::fence;
use crate::daemon::job::{HISTORY_FILE, Job, PatientKey, Said, Task};
use crate::daemon::spool::{INTAKE_FILE, READINGS_FILE};
use crate::daemon::voice::{self, Announcer, say};
use crate::intake::{self, Intake, Request};
use crate::reading::{self, PastReading};
use crate::report::{RESULT, Report};
use anyhow::Context as _;
use serde_json::json;
use std::collections::BTreeSet;
use std::fs;
use std::io::{BufRead, stdin};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Stack of a computing thread in bytes: decoders recurse into nested sequences.
const STACK: usize = 8 << 20;

/// Status after a panic; what panicked was said before.
const PANICKED: u8 = 101;

/// Takes its job on standard input.
#[derive(clap::Args)]
pub struct Args {}

/// Does the job. What goes wrong is said to the parent, never printed.
pub fn run(_args: Args) -> anyhow::Result<ExitCode> {
    let mut from_parent = stdin().lock();
    let mut line = String::new();
    from_parent.read_line(&mut line)?;
    let job: Job = serde_json::from_str(&line)?;
    voice::hush_panics();
    match catch_unwind(AssertUnwindSafe(|| work(&job, &mut from_parent))) {
        Ok(Ok(())) => Ok(ExitCode::SUCCESS),
        Ok(Err(error)) => {
            say(&Said::Failed { message: format!("{error:#}") });
            Ok(ExitCode::FAILURE)
        }
        Err(_) => Ok(ExitCode::from(PANICKED)),
    }
}

fn work(job: &Job, from_parent: &mut dyn BufRead) -> anyhow::Result<()> {
    let fenced = fence::enclose(job)?;
    say(&Said::Fenced { landlock: fenced.landlock, seccomp: fenced.seccomp });
    let pool = rayon::ThreadPoolBuilder::new().num_threads(job.limits.threads).stack_size(STACK);
    pool.build_global().context("cannot start the computing threads")?;
    let inputs: Vec<PathBuf> = job.inputs.iter().map(|input| input.path().to_path_buf()).collect();
    let set_aside = job.set_aside.iter().map(|aside| (aside.path.path().to_path_buf(), aside.reason.clone())).collect();
    let request = Request { inputs: &inputs, limits: &job.intake, set_aside: &set_aside, announce: &Announcer };
    let found = intake::read(&request)?;
    match job.task {
        Task::Survey => survey(&found),
        Task::Measure => measure(job, found, from_parent)?,
    }
    Ok(())
}

fn survey(intake: &Intake) {
    let missing = intake.found.iter().flat_map(intake::Found::missing).collect();
    say(&Said::Surveyed { acquisitions: intake.found.len(), missing });
}

fn measure(job: &Job, mut intake: Intake, from_parent: &mut dyn BufRead) -> anyhow::Result<()> {
    let out = job.out.path();
    let files = json!({"schema_version": 1, "files": intake.files});
    fs::write(out.join(INTAKE_FILE), serde_json::to_vec_pretty(&files)?).context("cannot write intake.json")?;
    let acquisitions = intake.found.len();
    let history = earlier(job, &intake, from_parent)?;
    let rules = Rules::of(&job.documents).map_err(anyhow::Error::msg)?;
    let progress = |done, total| say(&Said::Stage { name: "measuring".to_owned(), done, total });
    let amended = job.amended.as_ref().map(Amended::read).transpose()?;
    let mut readings = String::new();
    if !job.earlier.is_empty() {
        fs::write(out.join(EARLIER_FILE), serde_json::to_vec_pretty(&job.earlier)?)
            .context("cannot write earlier.json")?;
    }
    let files = std::mem::take(&mut intake.files);
    let segmenter = job.segmenter.as_ref().map(|own| Asker::new(own, job, &files, from_parent));
    let setting = Setting {
        rules: &rules,
        outputs: &job.outputs,
        history: &history,
        default_issuer: job.default_issuer.as_deref(),
        earlier: &job.earlier,
        amended: amended.as_ref(),
        segmenter: segmenter.as_ref().map(|asker| asker as &dyn Segment),
    };
    for analysed in chain::analyse(intake, &setting, &progress) {
        write(&analysed.report, out)?;
        if let Some(past) = analysed.past {
            readings.push_str(&serde_json::to_string(&past)?);
            readings.push('\n');
        }
    }
    segmenter.as_ref().map_or(Ok(()), Asker::clear).context("cannot remove the segmenter's folder")?;
    fs::write(out.join(READINGS_FILE), readings).context("cannot write the readings")?;
    say(&Said::Finished { acquisitions });
    Ok(())
}

/// Earlier readings of everybody in this delivery.
fn earlier(job: &Job, intake: &Intake, from_parent: &mut dyn BufRead) -> anyhow::Result<Vec<PastReading>> {
    let patients: BTreeSet<PatientKey> = intake
        .found
        .iter()
        .filter_map(|found| {
            let patient = &found.header().patient;
            let issuer = patient.issuer.clone().or_else(|| job.default_issuer.clone());
            Some(PatientKey { issuer, id: patient.id.clone()? })
        })
        .collect();
    voice::ask_history(patients.into_iter().collect(), from_parent)?;
    let text = fs::read_to_string(job.out.path().join(HISTORY_FILE)).context("cannot read the earlier readings")?;
    reading::history(HISTORY_FILE, &text).map_err(|errors| anyhow::anyhow!("{errors}"))
}

/// Writes one acquisition's folder, named by its digest, `result.json` last. Two acquisitions of one multi-frame
/// file have one digest; the second gets a number.
fn write(report: &Report, out: &Path) -> anyhow::Result<()> {
    let digest = report.result.input.digest.trim_start_matches("sha256:");
    let plain = digest.len() == 64 && digest.bytes().all(|byte| byte.is_ascii_hexdigit());
    anyhow::ensure!(plain, "an acquisition without a digest");
    let mut folder = out.join(digest);
    let mut number = 1;
    while folder.exists() {
        number += 1;
        folder = out.join(format!("{digest}-{number}"));
    }
    fs::create_dir(&folder).context("cannot make a result's folder")?;
    for (name, bytes) in report.files.iter().filter(|(name, _)| *name != RESULT) {
        fs::write(folder.join(name), bytes).with_context(|| format!("cannot write {name}"))?;
    }
    let result = report.files.get(RESULT).context("a report without a result document")?;
    fs::write(folder.join(RESULT), result).context("cannot write result.json")
}
