//! Finds deliveries in the drop folders, waits until they have settled and takes them.

use super::events::Event;
use super::job::{Job, PatientKey, Said, Task};
use super::note;
use super::runner::{Desk, Ended};
use super::segmenter::Ran;
use super::settings::SenderFiles;
use super::shared::{Drop, Shared, clock_time, hold, timestamp};
use super::work;
use crate::intake::claim::{self, ClaimError, Delivery, Wanted};
use crate::intake::durable;
use crate::intake::settle::{Step, Survey};
use crate::intake::watch::{self, Look, Sighting, Unit};
use crate::study::Digest;
use std::collections::BTreeSet;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;
use std::time::Duration;

/// How long a delivery that could not be taken rests before the next try.
const CLAIM_AGAIN: Duration = Duration::from_secs(10);

/// What a scan asks for: a survey or a claim of one unit of one drop folder.
pub(super) enum Errand {
    Survey { drop: usize, sighting: Sighting },
    Take { drop: usize, sighting: Sighting, complete: bool },
}

/// Looks at every drop folder once. `thorough` also looks for late files in what was taken.
pub(super) fn scan(shared: &Shared, thorough: bool) -> Vec<Errand> {
    (0..shared.drops.len()).flat_map(|index| scan_one(shared, index, thorough)).collect()
}

fn scan_one(shared: &Shared, index: usize, thorough: bool) -> Vec<Errand> {
    let drop = &shared.drops[index];
    let marker = shared.site.folders.marker.as_deref();
    let hints = std::mem::take(&mut *hold(&drop.hints));
    let taken = hold(&drop.taken).clone();
    let waiting: BTreeSet<Unit> = hold(&drop.settling).waiting().map(|(unit, ..)| unit.clone()).collect();
    let skip = |unit: &Unit| {
        !thorough
            && !waiting.contains(unit)
            && !unit.name().is_some_and(|name| hints.contains(name))
            && taken.contains_key(&unit.place(&drop.path))
    };
    let sightings = match watch::look(&drop.path, marker, &skip) {
        Ok(Look::Here(sightings)) => {
            if drop.absent.swap(false, Ordering::Relaxed) {
                Event::ShareBack { drop: index }.log();
            }
            sightings
        }
        Ok(Look::Absent) => return absent(drop, index),
        Err(error) if error.kind() == io::ErrorKind::NotFound => return absent(drop, index),
        Err(error) => {
            Event::ScanFailed { drop: index, fault: (&error).into() }.log();
            shared.trouble("a drop folder cannot be read");
            return Vec::new();
        }
    };
    if thorough {
        forget_vanished(shared, drop, &sightings);
    }
    let now = shared.now();
    let print = |unit: &Unit| taken.get(&unit.place(&drop.path)).cloned();
    let steps = hold(&drop.settling).observe(now, &sightings, &print);
    let mut errands = Vec::new();
    let mut busy = hold(&drop.busy);
    busy.retain(|_, until| until.is_none_or(|until| until > now));
    for step in steps {
        let (unit, take) = match step {
            Step::Vanished(unit) => {
                Event::Vanished { place: (&unit.place(&drop.path)).into() }.log();
                continue;
            }
            Step::Survey(unit) => (unit, None),
            Step::Take { unit, complete } => (unit, Some(complete)),
        };
        let Some(sighting) = sightings.iter().find(|sighting| sighting.unit == unit) else { continue };
        if busy.contains_key(&unit) {
            continue;
        }
        busy.insert(unit, None);
        let sighting = sighting.clone();
        errands.push(match take {
            Some(complete) => Errand::Take { drop: index, sighting, complete },
            None => Errand::Survey { drop: index, sighting },
        });
    }
    errands
}

fn absent(drop: &Drop, index: usize) -> Vec<Errand> {
    if !drop.absent.swap(true, Ordering::Relaxed) {
        Event::ShareAbsent { drop: index }.log();
    }
    Vec::new()
}

/// What was taken and has gone since is no longer waited for: the next delivery of that name is a new one.
/// Files that we moved ourselves may be followed by late ones, so those places are kept.
fn forget_vanished(shared: &Shared, drop: &Drop, sightings: &[Sighting]) {
    if shared.site.sender_files == SenderFiles::Move {
        return;
    }
    let here: BTreeSet<Digest> = sightings.iter().map(|sighting| sighting.unit.place(&drop.path)).collect();
    let gone: Vec<Digest> = hold(&drop.taken).keys().filter(|place| !here.contains(place)).cloned().collect();
    for place in gone {
        if shared.ledger().forget_place(&place).is_ok() {
            hold(&drop.taken).remove(&place);
        }
    }
}

/// Does one errand. Blocks; a child of it dies with the thread that calls this.
pub(super) fn run(shared: &Shared, errand: Errand) {
    let (drop, unit) = match &errand {
        Errand::Survey { drop, sighting } | Errand::Take { drop, sighting, .. } => (*drop, sighting.unit.clone()),
    };
    let drop = &shared.drops[drop];
    let rest = match errand {
        _ if shared.stopping() => None,
        Errand::Survey { sighting, .. } => {
            survey(shared, drop, &sighting);
            None
        }
        Errand::Take { sighting, complete, .. } => take(shared, drop, &sighting, complete),
    };
    let mut busy = hold(&drop.busy);
    busy.remove(&unit);
    if let Some(rest) = rest {
        busy.insert(unit, Some(shared.now() + rest));
    }
    shared.arrival.notify_one();
}

/// A survey writes nothing, asks for no history and is told to nobody.
struct SurveyDesk<'a> {
    shared: &'a Shared,
    folder: tempfile::TempDir,
}

impl Desk for SurveyDesk<'_> {
    fn attempt(&mut self, _number: usize) -> io::Result<PathBuf> {
        Ok(self.folder.path().to_path_buf())
    }
    fn history(&mut self, _patients: &[PatientKey], path: &Path) -> io::Result<()> {
        std::fs::write(path, b"")
    }
    fn heard(&mut self, _said: &Said) {}
    fn segmented(&mut self, _ran: &Ran) {}
    fn cancelled(&self) -> bool {
        self.shared.stopping()
    }
}

fn survey(shared: &Shared, drop: &Drop, sighting: &Sighting) {
    let prefix = claim::DRAFT_PREFIX;
    let Ok(folder) = tempfile::Builder::new().prefix(prefix).tempdir_in(&shared.site.folders.spool) else {
        shared.trouble("the spool cannot be written");
        return;
    };
    let below = sighting.unit.name().map_or_else(|| drop.path.clone(), |name| drop.path.join(name));
    let job = Job {
        task: Task::Survey,
        inputs: sighting.files.iter().map(|file| drop.path.join(file).as_path().into()).collect(),
        below: vec![below.as_path().into()],
        ..work::job(shared)
    };
    let survey = match shared.runner.run(job, &mut SurveyDesk { shared, folder }) {
        Ok(Ended::Surveyed { acquisitions, missing }) if acquisitions > 0 && missing.is_empty() => Survey::Complete,
        Ok(Ended::Surveyed { missing, .. }) => Survey::Missing(missing),
        // Whatever it was, the long quiet time applies and the measurement will tell.
        Ok(_) | Err(_) => Survey::Missing(Vec::new()),
    };
    if let Survey::Missing(missing) = &survey
        && !shared.stopping()
    {
        Event::Waiting { place: (&sighting.unit.place(&drop.path)).into(), missing: missing.len() }.log();
        let left = shared.site.settle.incomplete().saturating_sub(shared.site.settle.quiet() / 2).as_secs();
        let text = note::of_missing(missing, left, &clock_time());
        // Beside a read-only share there is no note; the ledger and the health file still tell.
        let _ = durable::write(&note::path(&drop.path, sighting.unit.name()), text.as_bytes());
    }
    hold(&drop.settling).surveyed(&sighting.unit, &sighting.print, survey);
}

/// Takes a delivery. Gives the time to rest before the next try where it could not be taken.
fn take(shared: &Shared, drop: &Drop, sighting: &Sighting, complete: bool) -> Option<Duration> {
    let place = sighting.unit.place(&drop.path);
    let Ok(earlier) = shared.ledger().place(&place) else {
        Event::LedgerFailed.log();
        shared.trouble("the ledger cannot be read");
        return Some(CLAIM_AGAIN);
    };
    let late = earlier.is_some();
    let wanted = Wanted {
        drop: &drop.path,
        marker: shared.site.folders.marker.as_deref(),
        sighting,
        complete,
        predecessor: earlier.map(|(_, ticket)| ticket),
        now: timestamp(),
    };
    let delivery = match claim::claim(&wanted, &shared.site.folders.spool) {
        Ok(delivery) => delivery,
        Err(error) => {
            let (code, trouble) = match &error {
                ClaimError::Changed => return None,
                ClaimError::NoRoom { .. } => ("no-room", "the spool's disk is full"),
                ClaimError::Sender(_) => ("sender", "a delivery cannot be read"),
                ClaimError::Spool(_) => ("spool", "the spool cannot be written"),
                ClaimError::Corrupt => ("corrupt", "a copy in the spool differs from what was written"),
            };
            Event::ClaimFailed { place: (&place).into(), code }.log();
            shared.trouble(trouble);
            return Some(CLAIM_AGAIN);
        }
    };
    if record(shared, drop, &delivery, late).is_none() {
        return Some(CLAIM_AGAIN);
    }
    if shared.site.sender_files == SenderFiles::Move
        && let Some(taken) = &shared.site.folders.taken
        && let Err(error) = claim::move_sender_files(delivery.manifest(), &sighting.unit, taken)
    {
        Event::SenderFilesStay { ticket: delivery.ticket().clone(), fault: (&error).into() }.log();
        shared.trouble("the sender's files cannot be moved");
    }
    None
}

/// Enters a claimed delivery into the ledger and the queue. From here on it cannot be lost.
fn record(shared: &Shared, drop: &Drop, delivery: &Delivery, late: bool) -> Option<()> {
    let manifest = delivery.manifest();
    let ticket = delivery.ticket().clone();
    let recorded = shared.ledger().claimed(manifest);
    let Ok(new) = recorded else {
        Event::LedgerFailed.log();
        shared.trouble("the ledger cannot be written");
        return None;
    };
    hold(&drop.taken).insert(manifest.place.clone(), manifest.print.clone());
    let place = (&manifest.place).into();
    if new {
        let (files, complete) = (manifest.files.len(), manifest.complete);
        Event::Claimed { ticket: ticket.clone(), place, files, complete, late }.log();
        let before = hold(&shared.queue).len() + hold(&shared.running).len();
        if before >= shared.site.child.at_once {
            let _ = note::write(manifest, &note::of_queue(&ticket, before, &clock_time()));
        }
        shared.enqueue(ticket, Duration::ZERO);
        return Some(());
    }
    Event::Repeated { ticket: ticket.clone(), place }.log();
    match shared.ledger().outcome(&ticket) {
        Ok(Some(Some(_))) => {
            work::write_note(shared, &ticket, manifest);
            // The files are in the archive already; this second copy goes.
            let _ = shared.spool.put_away(&ticket);
        }
        _ => shared.enqueue(ticket, Duration::ZERO),
    }
    Some(())
}
