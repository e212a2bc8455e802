//! The note beside a dropped folder: what the radiographer does next, while the patient is still there.
//! Series number, description and clock time, never an identity.

use crate::intake::claim::{Manifest, Ticket};
use crate::intake::durable;
use crate::intake::watch::NOTE_SUFFIX;
use crate::report::{ResultDocument, scanner_room_note, unusable_note, waiting_note};
use crate::study::{Digest, text};
use std::ffi::{OsStr, OsString};
use std::io;
use std::os::unix::ffi::OsStrExt as _;
use std::path::{Path, PathBuf};

/// Longest file name of every file system a share may use.
const NAME_LIMIT: usize = 255;

/// Where the note for a delivery lies: beside the folder or archive, named after it.
pub fn path(drop: &Path, sender_name: Option<&OsStr>) -> PathBuf {
    let mut name = sender_name.map_or_else(|| OsString::from("loose-files"), OsStr::to_os_string);
    if name.len() + NOTE_SUFFIX.len() > NAME_LIMIT {
        name = Digest::of(name.as_bytes()).short().into();
    }
    name.push(NOTE_SUFFIX);
    drop.join(name)
}

/// Writes the note where the delivery lay.
pub fn write(manifest: &Manifest, body: &str) -> io::Result<()> {
    let name = manifest.sender_name.as_ref().map(|name| name.path().as_os_str());
    durable::write(&path(manifest.drop.path(), name), body.as_bytes())
}

/// The note for a delivery with results.
pub fn of_results(ticket: &Ticket, results: &[ResultDocument], clock: &str) -> String {
    let notes: Vec<String> = results.iter().map(|result| scanner_room_note(result, clock)).collect();
    referring(&notes.join("\n"), ticket)
}

/// The note for a delivery that gave no result.
pub fn of_quarantine(ticket: &Ticket, reason: &str, clock: &str) -> String {
    referring(&unusable_note(reason, clock), ticket)
}

/// The note for a delivery that is not complete yet.
pub fn of_missing(missing: &[String], seconds_left: u64, clock: &str) -> String {
    const SHOWN: usize = 6;
    let mut list: Vec<String> = missing.iter().take(SHOWN).map(|what| text::safe(what, 160)).collect();
    if missing.len() > SHOWN {
        list.push(format!("{} more", missing.len() - SHOWN));
    }
    let what = if list.is_empty() { "images that can be read".to_owned() } else { list.join("; ") };
    let then = format!("{what}. If nothing more comes, what is here is measured in about {seconds_left} s");
    waiting_note(&[], &then, clock)
}

/// The note for a delivery that waits its turn.
pub fn of_queue(ticket: &Ticket, before: usize, clock: &str) -> String {
    let missing = format!("the measurement; deliveries before this one: {before}");
    referring(&waiting_note(&[], &missing, clock), ticket)
}

fn referring(note: &str, ticket: &Ticket) -> String {
    format!("{note}Reference {ticket}\n")
}
