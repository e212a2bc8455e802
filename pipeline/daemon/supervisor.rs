//! The daemon: scans, takes, measures, and stops without losing anything. Every task does its blocking work
//! on a thread of its own and shares only what `shared.rs` holds.

use super::arrivals::{self, Errand};
use super::events::Event;
use super::health::{self, Health};
use super::ledger::{Ledger, LedgerError};
use super::postman;
use super::profiles::Profiles;
use super::runner::Runner;
use super::settings::{SettingsError, Site};
use super::shared::{Shared, hold, timestamp};
use super::spool::{Spool, SpoolError};
use super::work;
use notify::{EventKind, RecommendedWatcher, RecursiveMode, Watcher as _};
use sd_notify::NotifyState;
use std::io;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::Semaphore;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

/// How long work under way may go on after the signal to stop.
const GRACE: Duration = Duration::from_secs(20);

/// Surveys and claims at the same time: one may hang on a slow share.
const ERRANDS_AT_ONCE: usize = 4;

/// Events come in bursts; one scan answers all that come within this time.
const BURST: Duration = Duration::from_millis(200);

/// How often the health file is written, and how often old inputs are looked for.
const HEALTH_EVERY: Duration = Duration::from_secs(2);
const EXPIRE_EVERY: Duration = Duration::from_secs(24 * 3600);

/// Age of the oldest open delivery that needs a person.
const OPEN_TOO_LONG_S: u64 = 1800;

/// Age of the oldest object on its way to a destination that needs a person.
const UNSENT_TOO_LONG_S: u64 = 3600;

/// Free space below which a person must act, in bytes.
const FREE_TOO_LITTLE: u64 = 2 << 30;

/// Why the daemon could not run.
#[derive(Debug, thiserror::Error)]
pub enum WatchError {
    /// A profile.
    #[error(transparent)]
    Settings(#[from] SettingsError),
    /// Its folders.
    #[error(transparent)]
    Spool(#[from] SpoolError),
    /// Its record.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// The system.
    #[error("the daemon cannot run: {0}")]
    System(#[from] io::Error),
}

/// When the daemon ends by itself; it always ends at SIGTERM or SIGINT.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Until {
    /// Never.
    Stopped,
    /// Once this many deliveries have an outcome, or the time is up. For the demonstration.
    Outcomes(u64, Duration),
}

/// Runs the daemon to its end.
pub async fn watch(site: Site, runner: Runner, until: Until) -> Result<(), WatchError> {
    let spool = Spool::open(site.folders.clone())?;
    let ledger = Ledger::open(&site.folders.state.join(super::ledger::FILE_NAME))?;
    let profiles = Profiles::open(&site)?;
    let shared = Arc::new(Shared::new(site, spool, runner, ledger, profiles));
    resume(&shared)?;
    let at_once = shared.site.child.at_once;
    Event::Started { drops: shared.drops.len(), at_once }.log();

    let stop = CancellationToken::new();
    let tasks = TaskTracker::new();
    let _watchers = watch_events(&shared);
    let stop_sending = Arc::new(AtomicBool::new(false));
    postman::start(&shared.site, &stop_sending)?;
    tasks.spawn(scan_loop(shared.clone(), stop.clone(), tasks.clone()));
    tasks.spawn(work_loop(shared.clone(), stop.clone(), tasks.clone()));
    tasks.spawn(health_loop(shared.clone(), stop.clone(), timestamp()));
    tell_manager(&[NotifyState::Ready]);

    stop_signal(&shared, until).await?;
    tell_manager(&[NotifyState::Stopping]);
    Event::Stopping { under_way: hold(&shared.running).len() }.log();
    shared.stopping.store(true, Ordering::Relaxed);
    stop_sending.store(true, Ordering::Relaxed);
    stop.cancel();
    tasks.close();
    let mut again = signal(SignalKind::terminate())?;
    tokio::select! {
        () = tasks.wait() => {}
        () = tokio::time::sleep(GRACE) => {}
        _ = again.recv() => {}
    }
    shared.cancel.store(true, Ordering::Relaxed);
    tasks.wait().await;
    Event::Stopped.log();
    Ok(())
}

/// Takes up what an earlier run left at whatever point it ended.
fn resume(shared: &Shared) -> Result<(), WatchError> {
    let found = shared.spool.sweep()?;
    let mut adopted = 0;
    for delivery in &found.deliveries {
        if shared.ledger().outcome(delivery.ticket())?.is_none() {
            // Claimed, then broken off before the ledger knew.
            shared.ledger().claimed(delivery.manifest())?;
            adopted += 1;
        }
    }
    let unarchived = shared.ledger().unarchived()?;
    for ticket in unarchived {
        if let Ok(manifest) = shared.spool.manifest(&ticket) {
            work::write_note(shared, &ticket, &manifest);
        }
        let _ = work::post(shared, &ticket);
        let _ = work::put_away(shared, &ticket);
    }
    for drop in &shared.drops {
        *hold(&drop.taken) = shared.ledger().places(&drop.path)?.into_iter().collect();
    }
    let open = shared.ledger().open_deliveries()?;
    Event::Resumed { open: open.len(), drafts_removed: found.drafts_removed, adopted }.log();
    for ticket in open {
        shared.enqueue(ticket, Duration::ZERO);
    }
    Ok(())
}

/// Resolves at a signal to stop, or when `until` is reached.
async fn stop_signal(shared: &Shared, until: Until) -> io::Result<()> {
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    let began = Instant::now();
    loop {
        tokio::select! {
            _ = terminate.recv() => return Ok(()),
            _ = interrupt.recv() => return Ok(()),
            () = tokio::time::sleep(Duration::from_millis(200)) => {}
        }
        if let Until::Outcomes(wanted, longest) = until {
            let tally = shared.ledger().tally().unwrap_or_default();
            if tally.reported + tally.refused + tally.quarantined >= wanted || began.elapsed() > longest {
                return Ok(());
            }
        }
    }
}

async fn scan_loop(shared: Arc<Shared>, stop: CancellationToken, tasks: TaskTracker) {
    let errands_at_once = Arc::new(Semaphore::new(ERRANDS_AT_ONCE));
    let mut thorough_at = Instant::now();
    loop {
        let thorough = thorough_at <= Instant::now();
        if thorough {
            thorough_at = Instant::now() + shared.site.settle.recheck();
        }
        let scanning = shared.clone();
        let errands = tokio::task::spawn_blocking(move || arrivals::scan(&scanning, thorough)).await;
        for errand in errands.unwrap_or_default() {
            tasks.spawn(do_errand(shared.clone(), errand, errands_at_once.clone()));
        }
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(until_next_look(&shared)) => {}
            () = shared.arrival.notified() => tokio::time::sleep(BURST.min(shared.site.settle.scan())).await,
        }
    }
}

/// The regular interval, or less where a delivery is due before.
fn until_next_look(shared: &Shared) -> Duration {
    let now = shared.now();
    let due = shared.drops.iter().filter_map(|drop| hold(&drop.settling).next_due(now)).min();
    // A delivery that cannot be taken yet stays due; that must not turn into a busy loop.
    let soonest = BURST.min(shared.site.settle.scan());
    due.map_or(shared.site.settle.scan(), |due| due.clamp(soonest, shared.site.settle.scan()))
}

async fn do_errand(shared: Arc<Shared>, errand: Errand, at_once: Arc<Semaphore>) {
    // The semaphore is never closed.
    let Ok(_permit) = at_once.acquire_owned().await else { return };
    let _ = tokio::task::spawn_blocking(move || arrivals::run(&shared, errand)).await;
}

async fn work_loop(shared: Arc<Shared>, stop: CancellationToken, tasks: TaskTracker) {
    let at_once = Arc::new(Semaphore::new(shared.site.child.at_once));
    loop {
        let permit = tokio::select! {
            () = stop.cancelled() => return,
            permit = at_once.clone().acquire_owned() => permit,
        };
        let Ok(permit) = permit else { return };
        let ticket = loop {
            if stop.is_cancelled() {
                return;
            }
            if let Some(ticket) = shared.next() {
                break ticket;
            }
            tokio::select! {
                () = stop.cancelled() => return,
                () = shared.work.notified() => {}
                () = tokio::time::sleep(Duration::from_secs(1)) => {}
            }
        };
        let shared = shared.clone();
        tasks.spawn(async move {
            let _ = tokio::task::spawn_blocking(move || work::run(&shared, &ticket)).await;
            drop(permit);
        });
    }
}

async fn health_loop(shared: Arc<Shared>, stop: CancellationToken, started_at: String) {
    let mut expire_at = Instant::now();
    loop {
        let looking = shared.clone();
        let (started_at, expire) = (started_at.clone(), expire_at <= Instant::now());
        if expire {
            expire_at = Instant::now() + EXPIRE_EVERY;
        }
        let _ = tokio::task::spawn_blocking(move || {
            if expire {
                expire_inputs(&looking);
            }
            looking.profiles.look();
            let _ = health::write(&look(&looking, started_at), &looking.site.folders.state);
        })
        .await;
        tell_manager(&[NotifyState::Watchdog]);
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(HEALTH_EVERY) => {}
        }
    }
}

fn expire_inputs(shared: &Shared) {
    let kept = jiff::SignedDuration::from_hours(i64::from(shared.site.archive_days) * 24);
    if let Ok(limit) = jiff::Timestamp::now().checked_sub(kept)
        && shared.spool.expire(limit).is_err()
    {
        shared.trouble("the archive cannot be read");
    }
}

fn look(shared: &Shared, started_at: String) -> Health {
    let tally = shared.ledger().tally().unwrap_or_default();
    let (mut settling, mut oldest_settling_s) = (0, 0);
    for drop in &shared.drops {
        for (_, _, first) in hold(&drop.settling).waiting() {
            settling += 1;
            oldest_settling_s = oldest_settling_s.max(shared.now().saturating_sub(first).as_secs());
        }
    }
    let age = |at: &String| {
        let at = at.parse::<jiff::Timestamp>().ok()?;
        u64::try_from(jiff::Timestamp::now().duration_since(at).as_secs()).ok()
    };
    let oldest_open_s = tally.oldest_open.as_ref().and_then(age).unwrap_or(0);
    let absent_shares = shared.drops.iter().filter(|drop| drop.absent.load(Ordering::Relaxed)).count();
    let free_bytes =
        rustix::fs::statvfs(&shared.site.folders.spool).map_or(0, |disk| disk.f_bavail.saturating_mul(disk.f_frsize));
    let mut complaints = shared.troubles();
    if absent_shares > 0 {
        complaints.push("a drop folder is not there".to_owned());
    }
    if oldest_open_s > OPEN_TOO_LONG_S {
        complaints.push("a delivery has waited too long for its result".to_owned());
    }
    let profiles = shared.profiles.health();
    for profile in profiles.iter() {
        let Some(fault) = &profile.fault else { continue };
        let kept = profile.revision.map_or_else(
            || "no text of it is in force".to_owned(),
            |revision| format!("its last good text, revision {revision}, stays in force"),
        );
        complaints.push(format!("the profile {} is wrong, {fault}; {kept}", profile.file));
    }
    if free_bytes < FREE_TOO_LITTLE {
        complaints.push("the spool's disk is nearly full".to_owned());
    }
    let destinations = shared.ledger().destinations().unwrap_or_default();
    let oldest_unsent_s = destinations.iter().filter_map(|d| age(d.oldest_waiting.as_ref()?)).max().unwrap_or(0);
    if oldest_unsent_s > UNSENT_TOO_LONG_S {
        complaints.push("a destination has not taken its objects for too long".to_owned());
    }
    if destinations.iter().any(|d| d.refused > 0) {
        complaints.push("a destination refused objects; `siderolog send --status` names them".to_owned());
    }
    Health {
        schema_version: 1,
        version: env!("CARGO_PKG_VERSION"),
        pid: std::process::id(),
        started_at,
        at: timestamp(),
        healthy: complaints.is_empty(),
        complaints,
        settling,
        oldest_settling_s,
        oldest_open_s,
        measuring: hold(&shared.running).len(),
        absent_shares,
        profiles,
        free_bytes,
        tally,
        destinations,
        oldest_unsent_s,
    }
}

/// Without a service manager there is nobody to tell.
fn tell_manager(state: &[NotifyState<'_>]) {
    let _ = sd_notify::notify(state);
}

/// File events hasten a scan. On a network share none come, and where the kernel's watches are used up none
/// can be had: the scans find everything without them.
fn watch_events(shared: &Arc<Shared>) -> Vec<RecommendedWatcher> {
    let mut watchers = Vec::new();
    for (index, drop) in shared.drops.iter().enumerate() {
        if is_remote(&drop.path) {
            Event::Remote { drop: index }.log();
            continue;
        }
        // A watcher's thread may outlive us by a moment; it must not keep the spool's lock.
        let told = Arc::downgrade(shared);
        let heard = move |event: notify::Result<notify::Event>| {
            let Some(told) = told.upgrade() else { return };
            match event {
                // Our own reading makes access events; they would never end.
                Ok(event) if matches!(event.kind, EventKind::Access(_)) => {}
                Ok(event) => {
                    let drop = &told.drops[index];
                    let names = event.paths.iter().filter_map(|path| path.strip_prefix(&drop.path).ok()?.iter().next());
                    hold(&drop.hints).extend(names.map(std::ffi::OsStr::to_os_string));
                    told.arrival.notify_one();
                }
                Err(_) => told.arrival.notify_one(),
            }
        };
        let watcher = notify::recommended_watcher(heard).and_then(|mut watcher| {
            watcher.watch(&drop.path, RecursiveMode::Recursive)?;
            Ok(watcher)
        });
        match watcher {
            Ok(watcher) => watchers.push(watcher),
            Err(_) => Event::WatchLost.log(),
        }
    }
    watchers
}

/// NFS, SMB 2, CIFS and FUSE by their file-system numbers (Linux statfs(2)).
fn is_remote(path: &Path) -> bool {
    const REMOTE: [i64; 4] = [0x6969, 0xFE53_4D42, 0xFF53_4D42, 0x6573_5546];
    rustix::fs::statfs(path).is_ok_and(|disk| REMOTE.contains(&(disk.f_type & 0xFFFF_FFFF)))
}
