//! What the supervisor's tasks share.

use super::job::PatientKey;
use super::ledger::Ledger;
use super::profiles::Profiles;
use super::runner::Runner;
use super::settings::Site;
use super::spool::Spool;
use crate::intake::claim::Ticket;
use crate::intake::settle::{Patience, Settling};
use crate::intake::watch::Unit;
use crate::study::Digest;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::ffi::OsString;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::Notify;

/// How long a trouble stays in the health file after it was last seen.
const TROUBLE_LASTS: Duration = Duration::from_secs(60);

/// One drop folder.
pub(super) struct Drop {
    pub path: PathBuf,
    /// Deliveries that have not been taken.
    pub settling: Mutex<Settling>,
    /// Units with a survey or a claim under way, or a claim to be tried again later.
    pub busy: Mutex<BTreeMap<Unit, Option<Duration>>>,
    /// Fingerprints under which places were taken, so that no scan has to ask the ledger.
    pub taken: Mutex<BTreeMap<Digest, Digest>>,
    /// Names that a file event mentioned since the last scan.
    pub hints: Mutex<BTreeSet<OsString>>,
    pub absent: AtomicBool,
}

/// Everything the tasks share.
pub(super) struct Shared {
    pub site: Site,
    pub spool: Spool,
    pub runner: Runner,
    pub profiles: Profiles,
    pub drops: Vec<Drop>,
    ledger: Mutex<Ledger>,
    /// Claimed deliveries that wait to be measured, each with the time before which it is not tried.
    pub queue: Mutex<VecDeque<(Ticket, Duration)>>,
    pub running: Mutex<BTreeSet<Ticket>>,
    /// Patients with a measurement under way: two studies of one patient follow each other, so that the
    /// later sees the earlier.
    patients: Mutex<BTreeSet<PatientKey>>,
    patients_free: Condvar,
    troubles: Mutex<BTreeMap<&'static str, Instant>>,
    /// No new work is begun.
    pub stopping: AtomicBool,
    /// Work under way is broken off.
    pub cancel: AtomicBool,
    /// Something may have arrived.
    pub arrival: Notify,
    /// Something may be measured.
    pub work: Notify,
    started: Instant,
}

impl Shared {
    pub fn new(site: Site, spool: Spool, runner: Runner, ledger: Ledger, profiles: Profiles) -> Self {
        let patience = Patience { complete: site.settle.quiet(), incomplete: site.settle.incomplete() };
        let drop = |path: &PathBuf| Drop {
            path: path.clone(),
            settling: Mutex::new(Settling::new(patience)),
            busy: Mutex::default(),
            taken: Mutex::default(),
            hints: Mutex::default(),
            absent: AtomicBool::new(false),
        };
        Self {
            drops: site.folders.drop.iter().map(drop).collect(),
            site,
            spool,
            runner,
            profiles,
            ledger: Mutex::new(ledger),
            queue: Mutex::default(),
            running: Mutex::default(),
            patients: Mutex::default(),
            patients_free: Condvar::new(),
            troubles: Mutex::default(),
            stopping: AtomicBool::new(false),
            cancel: AtomicBool::new(false),
            arrival: Notify::new(),
            work: Notify::new(),
            started: Instant::now(),
        }
    }

    /// Time since the service started: the clock of settling and of second tries.
    pub fn now(&self) -> Duration {
        self.started.elapsed()
    }

    pub fn ledger(&self) -> MutexGuard<'_, Ledger> {
        hold(&self.ledger)
    }

    pub fn stopping(&self) -> bool {
        self.stopping.load(Ordering::Relaxed)
    }

    pub fn cancelled(&self) -> bool {
        self.cancel.load(Ordering::Relaxed)
    }

    /// Queues a delivery, to be measured not before `delay` has passed.
    pub fn enqueue(&self, ticket: Ticket, delay: Duration) {
        let mut queue = hold(&self.queue);
        if !queue.iter().any(|(queued, _)| *queued == ticket) && !hold(&self.running).contains(&ticket) {
            queue.push_back((ticket, self.now() + delay));
        }
        drop(queue);
        self.work.notify_one();
    }

    /// The next delivery to be measured, which from now on counts as running.
    pub fn next(&self) -> Option<Ticket> {
        let mut queue = hold(&self.queue);
        let now = self.now();
        let index = queue.iter().position(|(_, not_before)| *not_before <= now)?;
        let (ticket, _) = queue.remove(index)?;
        hold(&self.running).insert(ticket.clone());
        Some(ticket)
    }

    /// Waits until no other measurement concerns these patients, then holds them. `false` when cancelled.
    pub fn hold_patients(&self, wanted: &[PatientKey]) -> bool {
        let mut busy = hold(&self.patients);
        while wanted.iter().any(|patient| busy.contains(patient)) {
            if self.cancelled() {
                return false;
            }
            let waited = self.patients_free.wait_timeout(busy, Duration::from_millis(200));
            busy = waited.unwrap_or_else(PoisonError::into_inner).0;
        }
        busy.extend(wanted.iter().cloned());
        true
    }

    /// Lets go of patients held before.
    pub fn release_patients(&self, held: &[PatientKey]) {
        hold(&self.patients).retain(|patient| !held.contains(patient));
        self.patients_free.notify_all();
    }

    /// Remembers a trouble for the health file; the text holds no name.
    pub fn trouble(&self, what: &'static str) {
        hold(&self.troubles).insert(what, Instant::now());
    }

    /// Troubles of the last minute.
    pub fn troubles(&self) -> Vec<String> {
        let mut troubles = hold(&self.troubles);
        troubles.retain(|_, since| since.elapsed() < TROUBLE_LASTS);
        troubles.keys().map(|&what| what.to_owned()).collect()
    }
}

/// A lock whose holder may have panicked: what it guards is replaced whole, so it is still sound.
pub(super) fn hold<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Now, RFC 3339, whole seconds.
pub(super) fn timestamp() -> String {
    let now = jiff::Timestamp::now();
    now.round(jiff::Unit::Second).unwrap_or(now).to_string()
}

/// Now by the clock on the room's wall.
pub(super) fn clock_time() -> String {
    jiff::ZonedDateTime::now().strftime("%H:%M").to_string()
}
