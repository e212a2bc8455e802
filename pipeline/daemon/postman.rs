//! Takes what is due from the outbox to its destination: one thread for each destination, so that a slow one holds up
//! no other. It may end at any moment: what has no recorded end is sent again, the same bytes under the same UID.

use super::events::Event;
use super::ledger::{FILE_NAME, Ledger, LedgerError};
use super::outbox::{Posting, Shipment};
use super::settings::Site;
use super::shared::timestamp;
use crate::report::{RESULT, ResultDocument};
use crate::sending::{self, Destination, Outcome, Parcel, Retry, gate};
use crate::study::Digest;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::{Duration, Instant};

/// Objects of one round: one association, one connection.
const MOST: usize = 16;
/// How long an object stays reserved for whoever took it up, in units of the allowed silence.
const LEASE: u32 = 20;
/// How often an idle postman looks into the outbox.
const LOOK: Duration = Duration::from_millis(500);

/// What a round did.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Round {
    /// Objects that were due.
    pub due: usize,
    /// Delivered.
    pub delivered: usize,
    /// Refused.
    pub refused: usize,
    /// Why the destination counts as away, if it does.
    pub away: Option<String>,
}

/// Queues a result for every destination. Queued already, it stays as it is.
pub fn post(ledger: &mut Ledger, site: &Site, folder: &Path) -> Result<usize, PostError> {
    let result: ResultDocument = serde_json::from_slice(&fs::read(folder.join(RESULT))?).map_err(io::Error::from)?;
    let mut postings = Vec::new();
    for destination in &site.destinations {
        for planned in gate::plan(&result, destination) {
            let Ok(bytes) = fs::read(folder.join(&planned.file)) else { continue };
            postings.push(Posting {
                destination: destination.name.clone(),
                digest: Digest::of(&bytes).to_string(),
                file: planned.file,
                purpose: planned.purpose,
                leaves: planned.leaves,
            });
        }
    }
    Ok(ledger.post(&key(&site.folders.outbox, folder)?, &postings, &timestamp())?)
}

/// Queues a result that takes the place of another. Whatever of the other has not left is taken back first, so that
/// no destination gets a value that a person has already replaced.
pub fn replace(ledger: &mut Ledger, site: &Site, old: &Path, new: &Path, why: &str) -> Result<usize, PostError> {
    ledger.withdraw(&key(&site.folders.outbox, old)?, None, true, why, &timestamp())?;
    post(ledger, site, new)
}

/// Why a result could not be queued.
#[derive(Debug, thiserror::Error)]
pub enum PostError {
    /// Its folder.
    #[error("the result cannot be read: {0}")]
    Result(#[from] io::Error),
    /// The ledger.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
}

/// How the ledger names a result's folder: relative to the outbox where it lies in it, otherwise whole.
pub fn key(outbox: &Path, folder: &Path) -> io::Result<String> {
    let (outbox, folder) = (fs::canonicalize(outbox).unwrap_or_else(|_| outbox.to_owned()), fs::canonicalize(folder)?);
    let name = folder.strip_prefix(&outbox).unwrap_or(&folder);
    name.to_str().map(str::to_owned).ok_or_else(|| io::Error::other("its path is not UTF-8"))
}

/// Starts a postman for every destination. They end with the process, or soon after `stop` is set.
pub(super) fn start(site: &Site, stop: &Arc<AtomicBool>) -> Result<(), LedgerError> {
    let path = site.folders.state.join(FILE_NAME);
    Ledger::open(&path)?.all_due()?;
    for (index, destination) in site.destinations.iter().enumerate() {
        let postman = Postman {
            ledger: Ledger::open(&path)?,
            index,
            destination: destination.clone(),
            retry: site.sending,
            outbox: site.folders.outbox.clone(),
            stop: stop.clone(),
        };
        // Without a thread nothing is lost: the outbox waits, and the health file says how long.
        if thread::Builder::new().name("postman".to_owned()).spawn(|| postman.work()).is_err() {
            Event::SendingFailed { destination: index, code: "no-thread" }.log();
        }
    }
    Ok(())
}

struct Postman {
    ledger: Ledger,
    index: usize,
    destination: Destination,
    retry: Retry,
    outbox: PathBuf,
    stop: Arc<AtomicBool>,
}

impl Postman {
    fn work(mut self) {
        let (mut failures, mut rest_until) = (0, Instant::now());
        while !self.stop.load(Ordering::Relaxed) {
            if rest_until > Instant::now() {
                thread::sleep(LOOK.min(rest_until - Instant::now()));
                continue;
            }
            let round = round(&mut self.ledger, &self.destination, self.retry, &self.outbox, None);
            let index = self.index;
            match round {
                Ok(Round { due: 0, .. }) => thread::sleep(LOOK),
                Ok(Round { delivered, refused, away: None, .. }) => {
                    failures = 0;
                    Event::Sent { destination: index, delivered, refused }.log();
                }
                Ok(Round { .. }) => {
                    failures += 1;
                    if failures == 1 {
                        Event::SendingFailed { destination: index, code: "away" }.log();
                    }
                    rest_until = Instant::now() + self.retry.wait(failures);
                }
                Err(_) => {
                    Event::SendingFailed { destination: index, code: "ledger" }.log();
                    rest_until = Instant::now() + self.retry.wait(1);
                }
            }
        }
    }
}

/// Sends what a destination is due, of one result or of all.
pub fn round(
    ledger: &mut Ledger,
    destination: &Destination,
    retry: Retry,
    outbox: &Path,
    folder: Option<&str>,
) -> Result<Round, LedgerError> {
    let lease = destination.timeout * LEASE;
    let due = ledger.due(&destination.name, folder, now_ms(), lease, MOST)?;
    let mut done = Round { due: due.len(), ..Round::default() };
    let mut fault = None;
    let mut tried = vec![false; due.len()];
    let (mut parcels, mut places) = (Vec::new(), Vec::new());
    let mut record = |index: usize, outcome: &Outcome| {
        let Some(shipment) = due.get(index) else { return };
        tried[index] = true;
        match outcome {
            Outcome::Delivered { .. } => done.delivered += 1,
            Outcome::Refused(_) => done.refused += 1,
            Outcome::Away(why) => done.away = Some(why.clone()),
            Outcome::Later(_) => {}
        }
        let wait = i64::try_from(retry.wait(shipment.attempts + 1).as_millis()).unwrap_or(i64::MAX);
        let recorded = ledger.attempted(shipment.id, outcome, now_ms().saturating_add(wait), &timestamp());
        fault = fault.take().or(recorded.err());
    };
    for (index, shipment) in due.iter().enumerate() {
        match pack(outbox, shipment) {
            Ok(parcel) => {
                parcels.push(parcel);
                places.push(index);
            }
            Err(why) => record(index, &Outcome::Refused(why)),
        }
    }
    sending::deliver(destination, &parcels, &mut |parcel, outcome| {
        if let Some(&index) = places.get(parcel) {
            record(index, &outcome);
        }
    });
    let untried = due.iter().zip(&tried).filter(|(_, tried)| !**tried).map(|(shipment, _)| shipment.id);
    ledger.not_tried(&untried.collect::<Vec<_>>())?;
    fault.map_or(Ok(done), Err)
}

/// Reads a file as it was when it was queued, or says why it cannot be sent.
fn pack(outbox: &Path, shipment: &Shipment) -> Result<Parcel, String> {
    // An absolute folder replaces the outbox in the join.
    let folder = outbox.join(&shipment.folder);
    let bytes = fs::read(folder.join(&shipment.file)).map_err(|error| format!("our file: {}", error.kind()))?;
    if Digest::of(&bytes).to_string() != shipment.digest {
        return Err("our file is not what it was when it was queued".to_owned());
    }
    let document = fs::read(folder.join(RESULT)).map_err(|error| format!("our result document: {}", error.kind()))?;
    Ok(Parcel {
        purpose: shipment.purpose.clone(),
        file: shipment.file.clone(),
        shelf: Digest::of(&document).short().to_owned(),
        bytes,
        taken_as: shipment.taken_as.clone(),
    })
}

fn now_ms() -> i64 {
    jiff::Timestamp::now().as_millisecond()
}
