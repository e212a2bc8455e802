//! Everything the service tells its log. An event holds tickets, counts, codes and durations and has no
//! place for a name, so that none can get into a log.

use super::ledger::Outcome;
use crate::intake::claim::Ticket;
use crate::study::Digest;
use std::io;
use std::time::Duration;
use tracing::{error, info, warn};

/// A place in a drop folder, as far as a log may know it: the start of a digest of its path.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlaceMark(String);

impl From<&Digest> for PlaceMark {
    fn from(place: &Digest) -> Self {
        Self(place.short().to_owned())
    }
}

/// A place in the program's source, `file:line:column`; anything else becomes `unknown`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SourceMark(String);

impl SourceMark {
    /// What a child said about where it panicked.
    pub fn of(text: &str) -> Self {
        let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '_' | '-' | '.' | '/' | ':');
        let numbers = text.rsplit(':').take(2).all(|part| part.parse::<u32>().is_ok());
        let ok = text.len() <= 160 && text.chars().all(plain) && numbers && text.contains(".rs:");
        Self(if ok { text.to_owned() } else { "unknown".to_owned() })
    }
}

/// A system's answer without the path it was about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fault(io::ErrorKind);

impl From<&io::Error> for Fault {
    fn from(error: &io::Error) -> Self {
        Self(error.kind())
    }
}

impl From<io::ErrorKind> for Fault {
    fn from(kind: io::ErrorKind) -> Self {
        Self(kind)
    }
}

/// Something that happened.
#[derive(Clone, Debug, PartialEq, Eq)]
#[expect(missing_docs, reason = "each variant's message below is its documentation")]
pub enum Event {
    Started { drops: usize, at_once: usize },
    Resumed { open: usize, drafts_removed: usize, adopted: usize },
    Remote { drop: usize },
    ShareAbsent { drop: usize },
    ShareBack { drop: usize },
    ScanFailed { drop: usize, fault: Fault },
    WatchLost,
    ProfileCheck { profile: usize, faults: usize, line: usize, kept: bool },
    Waiting { place: PlaceMark, missing: usize },
    Vanished { place: PlaceMark },
    Claimed { ticket: Ticket, place: PlaceMark, files: usize, complete: bool, late: bool },
    Repeated { ticket: Ticket, place: PlaceMark },
    ClaimFailed { place: PlaceMark, code: &'static str },
    SenderFilesStay { ticket: Ticket, fault: Fault },
    Unfenced { landlock: bool, seccomp: bool },
    Panicked { ticket: Ticket, at: SourceMark },
    SetAside { ticket: Ticket, files: usize },
    Segmented { ticket: Ticket, took: Duration },
    SegmenterFailed { ticket: Ticket, code: &'static str, took: Duration },
    Finished { ticket: Ticket, outcome: Outcome, acquisitions: usize, took: Duration },
    AnalysisFailed { ticket: Ticket, code: &'static str },
    NoteFailed { ticket: Ticket, fault: Fault },
    StorageFailed { ticket: Ticket, fault: Fault },
    LedgerFailed,
    Stopping { under_way: usize },
    RolledBack { ticket: Ticket },
    Sent { destination: usize, delivered: usize, refused: usize },
    SendingFailed { destination: usize, code: &'static str },
    Stopped,
}

impl Event {
    /// Writes it to the log.
    pub fn log(self) {
        match self {
            Self::Started { drops, at_once } => info!(event = "started", drops, at_once, "watching"),
            Self::Resumed { open, drafts_removed, adopted } => {
                info!(event = "resumed", open, drafts_removed, adopted, "took up where it stopped");
            }
            Self::Remote { drop } => {
                info!(event = "remote-share", drop, "a network share sends no file events; scans alone find arrivals");
            }
            Self::ShareAbsent { drop } => warn!(event = "share-absent", drop, "the drop folder is not there"),
            Self::ShareBack { drop } => info!(event = "share-back", drop, "the drop folder is there again"),
            Self::ScanFailed { drop, fault } => {
                warn!(event = "scan-failed", drop, fault = ?fault.0, "the drop folder cannot be read");
            }
            Self::WatchLost => warn!(event = "watch-lost", "file events are not to be had; scans alone find arrivals"),
            Self::ProfileCheck { profile, faults: 0, .. } => {
                info!(event = "profile-check", profile, faults = 0, "a profile is in force");
            }
            Self::ProfileCheck { profile, faults, line, kept } => {
                warn!(
                    event = "profile-check",
                    profile,
                    faults,
                    line,
                    kept,
                    "a profile is wrong; its last good text, if there is one, stays in force"
                );
            }
            Self::Waiting { place, missing } => {
                info!(event = "waiting", place = place.0, missing, "a delivery is not complete yet");
            }
            Self::Vanished { place } => {
                info!(event = "vanished", place = place.0, "a delivery is gone before it was taken")
            }
            Self::Claimed { ticket, place, files, complete, late } => {
                info!(event = "claimed", %ticket, place = place.0, files, complete, late, "took a delivery");
            }
            Self::Repeated { ticket, place } => {
                info!(event = "repeated", %ticket, place = place.0, "the same files were delivered before");
            }
            Self::ClaimFailed { place, code } => {
                warn!(event = "claim-failed", place = place.0, code, "a delivery could not be taken yet");
            }
            Self::SenderFilesStay { ticket, fault } => {
                warn!(event = "sender-files-stay", %ticket, fault = ?fault.0, "the sender's files could not be moved");
            }
            Self::Unfenced { landlock, seccomp } => {
                warn!(event = "unfenced", landlock, seccomp, "the kernel lacks a fence for the analysing process");
            }
            Self::Panicked { ticket, at } => error!(event = "panicked", %ticket, at = at.0, "the analysis panicked"),
            Self::SetAside { ticket, files } => {
                warn!(event = "set-aside", %ticket, files, "files brought the analysis down and were set aside");
            }
            Self::Segmented { ticket, took } => {
                let took_ms = u64::try_from(took.as_millis()).unwrap_or(u64::MAX);
                info!(event = "segmented", %ticket, took_ms, "the site's own segmenter has ended");
            }
            Self::SegmenterFailed { ticket, code, took } => {
                let took_ms = u64::try_from(took.as_millis()).unwrap_or(u64::MAX);
                warn!(event = "segmenter-failed", %ticket, code, took_ms, "the site's own segmenter gave no region; run.json has what it printed");
            }
            Self::Finished { ticket, outcome, acquisitions, took } => {
                let took_ms = u64::try_from(took.as_millis()).unwrap_or(u64::MAX);
                info!(event = "finished", %ticket, outcome = outcome.word(), acquisitions, took_ms, "finished a delivery");
            }
            Self::AnalysisFailed { ticket, code } => {
                error!(event = "analysis-failed", %ticket, code, "an analysis could not be run; it is tried again");
            }
            Self::NoteFailed { ticket, fault } => {
                warn!(event = "note-failed", %ticket, fault = ?fault.0, "the note for the scanner room was not written");
            }
            Self::StorageFailed { ticket, fault } => {
                error!(event = "storage-failed", %ticket, fault = ?fault.0, "a folder of ours cannot be written; it is tried again");
            }
            Self::LedgerFailed => error!(event = "ledger-failed", "the ledger cannot be written"),
            Self::Stopping { under_way } => info!(event = "stopping", under_way, "finishing what is under way"),
            Self::RolledBack { ticket } => {
                info!(event = "rolled-back", %ticket, "an analysis was stopped; it starts again next time")
            }
            Self::Sent { destination, delivered, refused } => {
                info!(event = "sent", destination, delivered, refused, "sent what was due");
            }
            Self::SendingFailed { destination, code } => {
                warn!(
                    event = "sending-failed",
                    destination, code, "a destination could not be served; it is tried again"
                );
            }
            Self::Stopped => info!(event = "stopped", "stopped"),
        }
    }
}
