//! Measures one claimed delivery and brings it to its end: published, recorded, told, put away.

use super::earlier;
use super::events::{Event, SourceMark};
use super::job::{Job, PatientKey, Said, Task};
use super::ledger::{CourseEntry, LedgerError, Outcome};
use super::note;
use super::postman::{self, PostError};
use super::runner::{self, Desk, Ended, RunError};
use super::segmenter::Ran;
use super::settings::Documents;
use super::shared::{Shared, clock_time, timestamp};
use super::spool::{self, READINGS_FILE, REASON_FILE};
use crate::intake::claim::{Delivery, Manifest, Ticket};
use crate::intake::foreign::escape;
use crate::report::ResultDocument;
use crate::study::Verdict;
use serde_json::{Value, json};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// How long a delivery that failed through no fault of its own rests before the next try.
const AGAIN: Duration = Duration::from_secs(30);

/// What a delivery without any acquisition is told.
const NOTHING: &str = "it holds no acquisition that can be read";

/// Why a delivery could not be brought to its end now.
pub(super) enum Setback {
    Disk(io::Error),
    Ledger,
    Run(RunError),
}

impl From<io::Error> for Setback {
    fn from(error: io::Error) -> Self {
        Self::Disk(error)
    }
}

impl From<PostError> for Setback {
    fn from(error: PostError) -> Self {
        match error {
            PostError::Result(error) => Self::Disk(error),
            PostError::Ledger(_) => Self::Ledger,
        }
    }
}

impl From<LedgerError> for Setback {
    fn from(_: LedgerError) -> Self {
        Self::Ledger
    }
}

/// A job with everything the site sets filled in.
pub(super) fn job(shared: &Shared) -> Job {
    Job {
        task: Task::Measure,
        inputs: Vec::new(),
        below: Vec::new(),
        out: Path::new("").into(),
        set_aside: Vec::new(),
        limits: shared.site.child,
        documents: Documents { profiles: shared.profiles.in_force(), ..shared.site.documents.clone() },
        intake: shared.site.limits.clone(),
        outputs: shared.site.outputs.clone(),
        default_issuer: shared.site.default_issuer.clone(),
        earlier: Vec::new(),
        parent: runner::own_pid(),
        amended: None,
        segmenter: shared.site.segmenter.clone(),
    }
}

struct WorkDesk<'a> {
    shared: &'a Shared,
    ticket: &'a Ticket,
    held: Vec<PatientKey>,
    /// What became of the site's own segmenter in every attempt, for `run.json`.
    segmented: Vec<Value>,
}

impl WorkDesk<'_> {
    fn release(&mut self) {
        self.shared.release_patients(&std::mem::take(&mut self.held));
    }
}

impl Desk for WorkDesk<'_> {
    fn attempt(&mut self, number: usize) -> io::Result<PathBuf> {
        self.release();
        self.shared.spool.attempt(self.ticket, number)
    }

    fn history(&mut self, patients: &[PatientKey], path: &Path) -> io::Result<()> {
        if !self.shared.hold_patients(patients) {
            return Err(io::ErrorKind::Interrupted.into());
        }
        self.held = patients.to_vec();
        let mut text = String::new();
        for patient in patients {
            let lines = self.shared.ledger().history(patient).map_err(io::Error::other)?;
            for line in lines {
                text.push_str(&line);
                text.push('\n');
            }
        }
        fs::write(path, text)
    }

    fn heard(&mut self, said: &Said) {
        match said {
            Said::Fenced { landlock, seccomp } if !(*landlock && *seccomp) => {
                Event::Unfenced { landlock: *landlock, seccomp: *seccomp }.log();
            }
            Said::Panicked { place } => {
                Event::Panicked { ticket: self.ticket.clone(), at: SourceMark::of(place) }.log();
            }
            _ => {}
        }
    }

    fn segmented(&mut self, ran: &Ran) {
        let (ticket, took) = (self.ticket.clone(), ran.took);
        match &ran.failure {
            None => Event::Segmented { ticket, took }.log(),
            Some(failure) => Event::SegmenterFailed { ticket, code: failure.code, took }.log(),
        }
        self.segmented.push(ran.account());
    }

    fn cancelled(&self) -> bool {
        self.shared.cancelled()
    }
}

/// Measures a delivery or, after a crash, only does what was left undone.
pub(super) fn run(shared: &Shared, ticket: &Ticket) {
    let again = |code| {
        Event::AnalysisFailed { ticket: ticket.clone(), code }.log();
        shared.trouble("an analysis could not be run");
        Some(AGAIN)
    };
    let rest = match measure(shared, ticket) {
        Ok(()) => None,
        Err(Setback::Disk(error)) => {
            Event::StorageFailed { ticket: ticket.clone(), fault: (&error).into() }.log();
            shared.trouble("a folder of the service cannot be written");
            Some(AGAIN)
        }
        Err(Setback::Ledger) => {
            Event::LedgerFailed.log();
            shared.trouble("the ledger cannot be written");
            Some(AGAIN)
        }
        Err(Setback::Run(RunError::Process(_))) => again("process"),
        Err(Setback::Run(RunError::Desk(_))) => again("desk"),
        Err(Setback::Run(RunError::Child(_))) => again("child"),
    };
    super::shared::hold(&shared.running).remove(ticket);
    if let Some(rest) = rest {
        shared.enqueue(ticket.clone(), rest);
    }
    shared.work.notify_one();
}

fn measure(shared: &Shared, ticket: &Ticket) -> Result<(), Setback> {
    if shared.spool.published(ticket).exists() || shared.spool.quarantined(ticket).exists() {
        return conclude(shared, ticket, Duration::ZERO);
    }
    let began = Instant::now();
    let delivery = Delivery::reopen(&shared.spool.under_way(ticket))?;
    let input = delivery.input();
    let earlier = delivery.manifest().predecessor.as_ref().map(|old| earlier::published(&shared.spool.published(old)));
    let job = Job {
        inputs: vec![input.as_path().into()],
        below: vec![input.as_path().into()],
        earlier: earlier.unwrap_or_default(),
        ..job(shared)
    };
    let mut desk = WorkDesk { shared, ticket, held: Vec::new(), segmented: Vec::new() };
    let ended = shared.runner.run(job, &mut desk);
    let concluded = match ended {
        Ok(ended) => settle_end(shared, &delivery, ended, &desk.segmented, began),
        Err(error) => {
            // What the attempt left is of no use; the next start would remove it as well.
            let _ = shared.spool.roll_back(ticket);
            Err(Setback::Run(error))
        }
    };
    // Only now may the next study of the same patient look at the ledger.
    desk.release();
    concluded
}

fn settle_end(
    shared: &Shared,
    delivery: &Delivery,
    ended: Ended,
    segmented: &[Value],
    began: Instant,
) -> Result<(), Setback> {
    let ticket = delivery.ticket();
    let now = timestamp();
    match ended {
        Ended::Cancelled => {
            Event::RolledBack { ticket: ticket.clone() }.log();
            return Ok(shared.spool.roll_back(ticket)?);
        }
        Ended::Finished { out, acquisitions, set_aside, attempts } => {
            if !set_aside.is_empty() {
                Event::SetAside { ticket: ticket.clone(), files: set_aside.len() }.log();
            }
            if acquisitions == 0 {
                shared.spool.quarantine(delivery, Some(&out), NOTHING, &set_aside, &now)?;
            } else {
                let mut run = run_document(shared, delivery, &now, attempts, began.elapsed(), &set_aside);
                if !segmented.is_empty() {
                    run["segmenter"] = segmented.into();
                }
                shared.spool.publish(delivery, &out, &run)?;
            }
        }
        Ended::GivenUp { reason, set_aside } => {
            Event::SetAside { ticket: ticket.clone(), files: set_aside.len() }.log();
            shared.spool.quarantine(delivery, None, &reason, &set_aside, &now)?;
        }
        Ended::Surveyed { .. } => return Err(Setback::Run(RunError::Child("a survey was not asked for".to_owned()))),
    }
    conclude(shared, ticket, began.elapsed())
}

fn run_document(
    shared: &Shared,
    delivery: &Delivery,
    now: &str,
    attempts: usize,
    took: Duration,
    set_aside: &[super::job::SetAside],
) -> Value {
    let manifest = delivery.manifest();
    json!({
        "schema_version": 1,
        "ticket": manifest.ticket,
        "delivery_digest": manifest.digest,
        "complete": manifest.complete,
        "predecessor": manifest.predecessor,
        "claimed_at": manifest.claimed_at,
        "finished_at": now,
        "took_s": (took.as_secs_f64() * 1000.0).round() / 1000.0,
        "attempts": attempts,
        "files_set_aside": set_aside.iter().map(|aside| {
            let name = aside.path.path().file_name().map(Path::new);
            let original = manifest.files.iter().find(|file| Some(Path::new(&file.name)) == name);
            json!({"path": original.map(|file| escape(file.original.path())), "reason": aside.reason})
        }).collect::<Vec<_>>(),
        "threads": shared.site.child.threads,
        "version": env!("CARGO_PKG_VERSION"),
    })
}

/// Records, tells and puts away what is published or in quarantine. Done again after a crash, it changes
/// nothing that was done.
pub(super) fn conclude(shared: &Shared, ticket: &Ticket, took: Duration) -> Result<(), Setback> {
    let folder = shared.spool.published(ticket);
    let now = timestamp();
    let (outcome, acquisitions) = if folder.exists() {
        let results = read_results(&folder)?;
        let refused = |result: &ResultDocument| result.verdict == Verdict::Refused;
        let outcome = if results.iter().all(refused) { Outcome::Refused } else { Outcome::Reported };
        shared.ledger().finished(ticket, outcome, None, &now, &read_readings(&folder)?)?;
        (outcome, results.len())
    } else {
        let reason = read_reason(&shared.spool.quarantined(ticket))?;
        shared.ledger().finished(ticket, Outcome::Quarantined, Some(&reason), &now, &[])?;
        (Outcome::Quarantined, 0)
    };
    if let Ok(manifest) = shared.spool.manifest(ticket) {
        write_note(shared, ticket, &manifest);
    }
    post(shared, ticket)?;
    put_away(shared, ticket)?;
    Event::Finished { ticket: ticket.clone(), outcome, acquisitions, took }.log();
    Ok(())
}

/// Queues every published result for the destinations. What waits for a person of the delivery that this one
/// corrects is taken back.
pub(super) fn post(shared: &Shared, ticket: &Ticket) -> Result<(), Setback> {
    let folder = shared.spool.published(ticket);
    if shared.site.destinations.is_empty() || !folder.exists() {
        return Ok(());
    }
    if let Some(earlier) = shared.spool.manifest(ticket)?.predecessor {
        let why = "a corrected result took its place";
        shared.ledger().withdraw(earlier.as_str(), None, false, why, &timestamp())?;
    }
    for result in spool::results(&folder)? {
        postman::post(&mut shared.ledger(), &shared.site, &result)?;
    }
    Ok(())
}

/// Puts the inputs of a finished delivery away and records that.
pub(super) fn put_away(shared: &Shared, ticket: &Ticket) -> Result<(), Setback> {
    shared.spool.put_away(ticket)?;
    Ok(shared.ledger().archived(ticket)?)
}

/// Writes the note beside the folder that `manifest` was taken from.
pub(super) fn write_note(shared: &Shared, ticket: &Ticket, manifest: &Manifest) {
    let folder = shared.spool.published(ticket);
    let when = clock_time();
    let text = if folder.exists() {
        read_results(&folder).map(|results| note::of_results(ticket, &results, &when))
    } else {
        read_reason(&shared.spool.quarantined(ticket)).map(|reason| note::of_quarantine(ticket, &reason, &when))
    };
    if let Err(error) = text.and_then(|text| note::write(manifest, &text)) {
        Event::NoteFailed { ticket: ticket.clone(), fault: (&error).into() }.log();
        shared.trouble("a note for the scanner room cannot be written");
    }
}

fn read_results(folder: &Path) -> io::Result<Vec<ResultDocument>> {
    let read = |result: &PathBuf| Ok(serde_json::from_slice(&fs::read(result.join("result.json"))?)?);
    spool::results(folder)?.iter().map(read).collect()
}

fn read_readings(folder: &Path) -> io::Result<Vec<CourseEntry>> {
    match fs::read_to_string(folder.join(READINGS_FILE)) {
        Ok(text) => Ok(text.lines().filter_map(CourseEntry::of).collect()),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(Vec::new()),
        Err(error) => Err(error),
    }
}

fn read_reason(folder: &Path) -> io::Result<String> {
    let document: Value = serde_json::from_slice(&fs::read(folder.join(REASON_FILE))?)?;
    Ok(document["reason"].as_str().unwrap_or("no reason was recorded").to_owned())
}
