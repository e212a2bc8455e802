//! The service's own folders: what is under way, what is published, what is put away. Every step can be
//! broken off at any point and done again.

use super::job::SetAside;
use super::settings::Folders;
use crate::intake::claim::{DRAFT_PREFIX, Delivery, INPUT, MANIFEST, Manifest, Ticket, read_manifest};
use crate::intake::durable;
use crate::study::text::safe;
use rustix::fs::{FlockOperation, flock};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};

/// Lists every file of a delivery as used, ignored or unreadable.
pub const INTAKE_FILE: &str = "intake.json";
/// Clock times and durations of a run.
pub const RUN_FILE: &str = "run.json";
/// Readings for the ledger, one JSON object a line.
pub const READINGS_FILE: &str = "readings.jsonl";
/// Why a delivery is in quarantine.
pub const REASON_FILE: &str = "reason.json";

/// Prefix of an attempt's folder.
const ATTEMPT: &str = "attempt-";

/// Why the folders cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum SpoolError {
    /// Another daemon works in them.
    #[error("another siderolog is at work in {0}")]
    Locked(PathBuf),
    /// Renames between them would not be atomic.
    #[error("{0} and {1} are on different file systems; results could not appear at once and whole")]
    Apart(PathBuf, PathBuf),
    /// One cannot be made or written.
    #[error("{0}: {1}")]
    Io(PathBuf, #[source] io::Error),
}

/// The folders, held by this process alone.
pub struct Spool {
    folders: Folders,
    _lock: File,
}

/// What a restart found.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Found {
    /// Claims that were broken off; the sender still has the files.
    pub drafts_removed: usize,
    /// Every delivery in the spool.
    pub deliveries: Vec<Delivery>,
}

impl Spool {
    /// Makes the folders where they are missing and takes hold of them.
    pub fn open(folders: Folders) -> Result<Self, SpoolError> {
        let ours = [&folders.spool, &folders.outbox, &folders.archive, &folders.quarantine, &folders.state];
        for folder in ours.into_iter().chain(&folders.taken) {
            fs::create_dir_all(folder).map_err(|error| SpoolError::Io(folder.clone(), error))?;
        }
        let device = |folder: &PathBuf| {
            fs::metadata(folder).map(|m| m.dev()).map_err(|error| SpoolError::Io(folder.clone(), error))
        };
        for other in [&folders.outbox, &folders.archive, &folders.quarantine] {
            if device(other)? != device(&folders.spool)? {
                return Err(SpoolError::Apart(folders.spool.clone(), other.clone()));
            }
        }
        let path = folders.spool.join(".lock");
        let lock = File::options().create(true).append(true).open(&path);
        let lock = lock.map_err(|error| SpoolError::Io(path, error))?;
        flock(&lock, FlockOperation::NonBlockingLockExclusive)
            .map_err(|_| SpoolError::Locked(folders.spool.clone()))?;
        Ok(Self { folders, _lock: lock })
    }

    /// The folders.
    pub fn folders(&self) -> &Folders {
        &self.folders
    }

    /// A delivery's folder while it is under way.
    pub fn under_way(&self, ticket: &Ticket) -> PathBuf {
        self.folders.spool.join(ticket.as_str())
    }

    /// A delivery's published folder.
    pub fn published(&self, ticket: &Ticket) -> PathBuf {
        self.folders.outbox.join(ticket.as_str())
    }

    /// A delivery's folder in quarantine.
    pub fn quarantined(&self, ticket: &Ticket) -> PathBuf {
        self.folders.quarantine.join(ticket.as_str())
    }

    /// Removes what a crash left half done and tells what is under way.
    pub fn sweep(&self) -> io::Result<Found> {
        let mut found = Found::default();
        for entry in fs::read_dir(&self.folders.spool)? {
            let path = entry?.path();
            let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            if name.starts_with(DRAFT_PREFIX) {
                fs::remove_dir_all(&path)?;
                found.drafts_removed += 1;
            } else if path.is_dir()
                && let Ok(delivery) = Delivery::reopen(&path)
            {
                self.remove_attempts(&path)?;
                found.deliveries.push(delivery);
            }
        }
        found.deliveries.sort_by(|a, b| a.ticket().cmp(b.ticket()));
        Ok(found)
    }

    fn remove_attempts(&self, delivery: &Path) -> io::Result<()> {
        for entry in fs::read_dir(delivery)? {
            let entry = entry?;
            if entry.file_name().to_string_lossy().starts_with(ATTEMPT) {
                durable::remove_dir(&entry.path())?;
            }
        }
        Ok(())
    }

    /// A new empty folder for an attempt.
    pub fn attempt(&self, ticket: &Ticket, number: usize) -> io::Result<PathBuf> {
        let path = self.under_way(ticket).join(format!("{ATTEMPT}{number}"));
        if path.exists() {
            durable::remove_dir(&path)?;
        }
        fs::create_dir(&path)?;
        Ok(path)
    }

    /// Undoes the attempts of a delivery whose analysis was stopped.
    pub fn roll_back(&self, ticket: &Ticket) -> io::Result<()> {
        self.remove_attempts(&self.under_way(ticket))
    }

    /// Publishes a finished attempt: names restored, clock times added, then one rename.
    pub fn publish(&self, delivery: &Delivery, attempt: &Path, run: &Value) -> io::Result<()> {
        restore_names(attempt, delivery)?;
        let text = serde_json::to_vec_pretty(run)?;
        fs::write(attempt.join(RUN_FILE), &text)?;
        for folder in results(attempt)? {
            fs::write(folder.join(RUN_FILE), &text)?;
        }
        let target = self.published(delivery.ticket());
        if target.exists() {
            // Published before a crash; the same input and rules gave the same numbers.
            return fs::remove_dir_all(attempt);
        }
        durable::publish_dir(attempt, &target)
    }

    /// Puts the reason of a delivery without a result into quarantine; the files follow in [`Self::put_away`].
    pub fn quarantine(
        &self,
        delivery: &Delivery,
        attempt: Option<&Path>,
        reason: &str,
        set_aside: &[SetAside],
        now: &str,
    ) -> io::Result<()> {
        let target = self.quarantined(delivery.ticket());
        if target.exists() {
            return Ok(());
        }
        let draft = match attempt {
            Some(attempt) => attempt.to_path_buf(),
            None => self.attempt(delivery.ticket(), 0)?,
        };
        restore_names(&draft, delivery)?;
        let names = original_names(delivery);
        let files: Vec<Value> = set_aside
            .iter()
            .map(|aside| json!({"path": original(&names, &shown(aside.path.path())), "reason": aside.reason}))
            .collect();
        let document = json!({"schema_version": 1, "ticket": delivery.ticket(), "reason": reason,
            "files_set_aside": files, "quarantined_at": now});
        fs::write(draft.join(REASON_FILE), serde_json::to_vec_pretty(&document)?)?;
        durable::publish_dir(&draft, &target)
    }

    /// Puts the inputs of a finished delivery into the archive, or beside their reason in quarantine, and
    /// removes what is left in the spool.
    pub fn put_away(&self, ticket: &Ticket) -> io::Result<()> {
        let from = self.under_way(ticket);
        if !from.exists() {
            return Ok(());
        }
        let quarantined = self.quarantined(ticket);
        let to = if quarantined.exists() { quarantined } else { self.folders.archive.join(ticket.as_str()) };
        fs::create_dir_all(&to)?;
        if !to.join(INPUT).exists() && from.join(INPUT).exists() {
            durable::write(&to.join(MANIFEST), &fs::read(from.join(MANIFEST))?)?;
            fs::rename(from.join(INPUT), to.join(INPUT))?;
            durable::sync_dir(&to)?;
            durable::sync_dir(to.parent().unwrap_or(&to))?;
        }
        durable::remove_dir(&from)?;
        durable::sync_dir(&self.folders.spool)
    }

    /// The manifest of a delivery, wherever it is now.
    pub fn manifest(&self, ticket: &Ticket) -> io::Result<Manifest> {
        let archived = self.folders.archive.join(ticket.as_str());
        [self.under_way(ticket), archived, self.quarantined(ticket)]
            .iter()
            .map(|folder| read_manifest(folder))
            .find(Result::is_ok)
            .unwrap_or_else(|| Err(io::ErrorKind::NotFound.into()))
    }

    /// Removes inputs older than the site keeps them. Results are never removed.
    pub fn expire(&self, older_than: jiff::Timestamp) -> io::Result<usize> {
        let mut removed = 0;
        for entry in fs::read_dir(&self.folders.archive)? {
            let path = entry?.path();
            let claimed = read_manifest(&path).ok().and_then(|m| m.claimed_at.parse::<jiff::Timestamp>().ok());
            if claimed.is_some_and(|at| at < older_than) {
                fs::remove_dir_all(&path)?;
                removed += 1;
            }
        }
        Ok(removed)
    }
}

/// The folders below `folder` that hold a `result.json`, sorted. What is hidden is under way, never a result.
pub fn results(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let mut results = Vec::new();
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let path = entry.path();
        if !entry.file_name().as_bytes().starts_with(b".") && path.join("result.json").is_file() {
            results.push(path);
        }
    }
    results.sort();
    Ok(results)
}

fn original_names(delivery: &Delivery) -> BTreeMap<String, String> {
    let input = delivery.input();
    let manifest = delivery.manifest();
    manifest.files.iter().map(|file| (shown(&input.join(&file.name)), shown(file.original.path()))).collect()
}

/// A path as intake writes it.
fn shown(path: &Path) -> String {
    safe(&path.to_string_lossy(), 4096)
}

/// The name the sender gave, also for an entry of an archive (`…/000001.zip` followed by more).
fn original(names: &BTreeMap<String, String>, path: &str) -> String {
    if let Some(name) = names.get(path) {
        return name.clone();
    }
    let longest = names.iter().filter(|(ours, _)| path.starts_with(ours.as_str())).max_by_key(|(ours, _)| ours.len());
    longest.map_or_else(|| path.to_owned(), |(ours, name)| format!("{name}{}", &path[ours.len()..]))
}

/// In `intake.json`, our neutral names become the sender's again.
fn restore_names(attempt: &Path, delivery: &Delivery) -> io::Result<()> {
    let path = attempt.join(INTAKE_FILE);
    if !path.exists() {
        return Ok(());
    }
    let names = original_names(delivery);
    let mut document: Value = serde_json::from_slice(&fs::read(&path)?)?;
    let files = document.get_mut("files").and_then(Value::as_array_mut);
    for file in files.into_iter().flatten() {
        if let Some(Value::String(path)) = file.get_mut("path") {
            *path = original(&names, path);
        }
    }
    fs::write(path, serde_json::to_vec_pretty(&document)?)
}
