//! The note beside a dropped folder: what the radiographer does next, while the patient is still there.
//! Series number, description and clock time, never an identity.

use crate::intake::claim::{Manifest, Ticket};
use crate::intake::durable;
use crate::intake::watch::NOTE_SUFFIX;
use crate::study::{Digest, text};
use serde_json::Value;
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
pub fn of_results(ticket: &Ticket, results: &[Value], when: &str) -> String {
    frame(when, &results.iter().map(of_result).collect::<Vec<_>>().join("\n\n"), Some(ticket))
}

/// The note for a delivery that gave no result.
pub fn of_quarantine(ticket: &Ticket, reason: &str, when: &str) -> String {
    let body = format!(
        "STILL WAITING. Nothing here could be measured: {reason}. Check that the multi-echo liver series was \
         exported whole, as DICOM, and drop it again."
    );
    frame(when, &body, Some(ticket))
}

/// The note for a delivery that is not complete yet.
pub fn of_missing(missing: &[String], seconds_left: u64, when: &str) -> String {
    const SHOWN: usize = 6;
    let mut list: Vec<String> = missing.iter().take(SHOWN).map(|what| text::safe(what, 160)).collect();
    if missing.len() > SHOWN {
        list.push(format!("{} more", missing.len() - SHOWN));
    }
    let what = if list.is_empty() { "images that can be read".to_owned() } else { list.join("; ") };
    let body = format!(
        "STILL WAITING for {what}. Export what is missing into the same folder. If nothing more comes, what is \
         here is measured in about {seconds_left} s."
    );
    frame(when, &body, None)
}

/// The note for a delivery that waits its turn.
pub fn of_queue(ticket: &Ticket, before: usize, when: &str) -> String {
    let body = format!("STILL WAITING for the measurement; {before} deliveries are before this one.");
    frame(when, &body, Some(ticket))
}

fn of_result(result: &Value) -> String {
    let room = &result["scanner_room"];
    let answer = match room["answer"].as_str() {
        Some("may-leave") => "MAY LEAVE",
        Some("repeat-now") => "REPEAT NOW",
        Some("do-not-repeat") => "DO NOT REPEAT",
        _ => "STILL WAITING",
    };
    let message = text::safe(room["message"].as_str().unwrap_or_default(), 600);
    let series = result["input"]["series"].as_array().map(Vec::as_slice).unwrap_or_default();
    let lines: Vec<String> = series.iter().map(of_series).collect();
    format!("{}\n{answer}. {message}", lines.join("\n"))
}

fn of_series(series: &Value) -> String {
    let number = series["number"].as_i64().map_or_else(|| "Series".to_owned(), |number| format!("Series {number}"));
    let description = series["description"].as_str().map(|d| format!(", {}", text::safe(d, 64))).unwrap_or_default();
    let time = series["time"].as_str().map(|time| format!(", {}", text::safe(time, 8))).unwrap_or_default();
    format!("{number}{description}{time}")
}

fn frame(when: &str, body: &str, ticket: Option<&Ticket>) -> String {
    let reference = ticket.map(|ticket| format!("Reference {ticket}\n")).unwrap_or_default();
    format!(
        "Siderolog, {when}\n\n{body}\n\nFor review by a qualified person; not a certified medical device.\n{reference}"
    )
}
