//! Finding the files: folders within folders, archives, and what is left alone.

use super::limits::Limits;
use super::outcome::{IntakeError, Request};
use crate::study::text::safe;
use std::collections::BTreeSet;
use std::io::{Cursor, Read as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;

type Archive = zip::ZipArchive<Cursor<Arc<[u8]>>>;

/// A file that may be of use, or the reason why it is not opened.
pub struct Candidate {
    /// How it is announced and reported: its path, or its archive's path and its place and name inside.
    pub path: PathBuf,
    /// Where its bytes come from.
    pub place: Place,
}

/// Where bytes come from.
pub enum Place {
    /// A regular file.
    File,
    /// An entry of an archive that is held in memory.
    Entry {
        /// The archive; cheap to clone.
        archive: Archive,
        /// Index of the entry.
        index: usize,
    },
    /// Nowhere: not to be opened, and why. `bad` where that makes it unreadable rather than ignored.
    Closed {
        /// What a person reads.
        reason: String,
        /// Whether the file is at fault.
        bad: bool,
    },
}

/// A file of fewer bytes is read at once; of a longer one only this much is read to tell what it is.
pub const HEAD: u64 = 1 << 20;

/// Why bytes could not be had.
pub enum ReadError {
    /// Longer than the limit.
    TooLong(u64),
    /// The system or the archive failed.
    Failed(String),
}

impl Candidate {
    fn closed(path: PathBuf, reason: impl Into<String>) -> Self {
        Self { path, place: Place::Closed { reason: reason.into(), bad: false } }
    }

    fn bad(path: PathBuf, reason: impl Into<String>) -> Self {
        Self { path, place: Place::Closed { reason: reason.into(), bad: true } }
    }

    /// The first bytes, to tell what it is before all of it is read; all of them where the file is small.
    pub fn head(&self) -> Result<Vec<u8>, ReadError> {
        self.bytes_up_to(HEAD, false)
    }

    /// All bytes, within the limits.
    pub fn bytes(&self, limits: &Limits) -> Result<Vec<u8>, ReadError> {
        let limit = match &self.place {
            Place::Entry { archive, index } => {
                let packed = archive.clone().by_index_raw(*index).map(|e| e.compressed_size()).unwrap_or(0);
                limits.inflated(packed).min(limits.file_bytes)
            }
            _ => limits.file_bytes,
        };
        self.bytes_up_to(limit, true)
    }

    fn bytes_up_to(&self, limit: u64, whole: bool) -> Result<Vec<u8>, ReadError> {
        let mut out = Vec::new();
        // One byte more than the limit tells a file that is too long from one that just fits.
        let take = limit.saturating_add(u64::from(whole));
        match &self.place {
            Place::File => {
                let file = std::fs::File::open(&self.path).map_err(|e| ReadError::Failed(e.to_string()))?;
                let length = file.metadata().map_or(0, |m| m.len());
                if whole && length > limit {
                    return Err(ReadError::TooLong(limit));
                }
                out.reserve_exact(length.min(take) as usize + 1);
                file.take(take).read_to_end(&mut out).map_err(|e| ReadError::Failed(e.to_string()))?;
            }
            Place::Entry { archive, index } => {
                let mut archive = archive.clone();
                let entry = archive.by_index(*index).map_err(|e| ReadError::Failed(e.to_string()))?;
                entry.take(take).read_to_end(&mut out).map_err(|e| ReadError::Failed(e.to_string()))?;
            }
            Place::Closed { reason, .. } => return Err(ReadError::Failed(reason.clone())),
        }
        if whole && out.len() as u64 > limit { Err(ReadError::TooLong(limit)) } else { Ok(out) }
    }
}

/// Names that systems and viewers leave behind.
fn is_litter(name: &str) -> bool {
    matches!(name, ".DS_Store" | "Thumbs.db" | "desktop.ini" | "__MACOSX") || name.starts_with("._")
}

/// Lists everything below the inputs, in order of path.
pub fn gather(request: &Request<'_>) -> Result<Vec<Candidate>, IntakeError> {
    let mut out = Vec::new();
    for input in request.inputs {
        let failed = |source| IntakeError::Input { path: input.clone(), source };
        // An input that is itself a link was named by a person and is followed; links inside are not.
        let kind = std::fs::metadata(input).map_err(failed)?;
        if kind.is_dir() {
            std::fs::read_dir(input).map_err(failed)?;
            folder(input, request, &mut out);
        } else if kind.is_file() {
            file(input.clone(), request, &mut out);
        } else {
            out.push(Candidate::closed(input.clone(), "not a regular file"));
        }
    }
    out.sort_by(|a, b| a.path.cmp(&b.path));
    out.dedup_by(|a, b| a.path == b.path);
    for candidate in out.iter_mut().skip(request.limits.files) {
        let reason = format!("beyond the limit of {} files in one reading", request.limits.files);
        candidate.place = Place::Closed { reason, bad: false };
    }
    Ok(out)
}

/// Walks a folder without recursion: a loop of folders cannot exhaust the stack, and depth is limited.
fn folder(root: &Path, request: &Request<'_>, out: &mut Vec<Candidate>) {
    let mut waiting = vec![(root.to_path_buf(), 0usize)];
    while let Some((path, depth)) = waiting.pop() {
        let entries = match std::fs::read_dir(&path) {
            Ok(entries) => entries,
            Err(error) => {
                out.push(Candidate::bad(path, format!("the folder cannot be listed: {error}")));
                continue;
            }
        };
        for entry in entries.flatten() {
            let path = entry.path();
            let litter = entry.file_name().to_str().is_some_and(is_litter);
            match entry.file_type() {
                _ if litter => out.push(Candidate::closed(path, "left behind by a system or viewer")),
                Ok(kind) if kind.is_dir() && depth < request.limits.folder_depth => waiting.push((path, depth + 1)),
                Ok(kind) if kind.is_dir() => out.push(Candidate::closed(path, "folders are nested too deep")),
                Ok(kind) if kind.is_file() => file(path, request, out),
                Ok(kind) if kind.is_symlink() => out.push(Candidate::closed(path, "a symbolic link")),
                Ok(_) => out.push(Candidate::closed(path, "not a regular file")),
                Err(error) => out.push(Candidate::bad(path, error.to_string())),
            }
            // A folder of millions of files is cut off rather than listed to the end.
            if out.len() > request.limits.files.saturating_mul(2) {
                return;
            }
        }
    }
}

fn file(path: PathBuf, request: &Request<'_>, out: &mut Vec<Candidate>) {
    if let Some(reason) = request.set_aside.get(&path) {
        out.push(Candidate::bad(path, reason.clone()));
        return;
    }
    let extension = path.extension().map(|e| e.to_ascii_lowercase());
    let may_be_archive = extension.is_none_or(|e| e == "zip");
    let candidate = Candidate { path, place: Place::File };
    if !(may_be_archive && begins_as_archive(&candidate.path)) {
        out.push(candidate);
        return;
    }
    request.announce.opening(&candidate.path);
    entries(&candidate, request, out);
    request.announce.done(&candidate.path);
}

fn begins_as_archive(path: &Path) -> bool {
    let mut head = [0; 4];
    std::fs::File::open(path).and_then(|mut file| file.read_exact(&mut head)).is_ok_and(|()| head == *b"PK\x03\x04")
}

/// Lists the entries of an archive. It is held in memory, so that entries can be read at the same time.
fn entries(candidate: &Candidate, request: &Request<'_>, out: &mut Vec<Candidate>) {
    let path = &candidate.path;
    let bytes = match candidate.bytes(request.limits) {
        Ok(bytes) => bytes,
        Err(ReadError::TooLong(limit)) => {
            return out.push(Candidate::bad(path.clone(), format!("longer than the limit of {limit} bytes")));
        }
        Err(ReadError::Failed(error)) => return out.push(Candidate::bad(path.clone(), error)),
    };
    let archive = match Archive::new(Cursor::new(Arc::from(bytes))) {
        Ok(archive) => archive,
        Err(_) => return out.push(Candidate::bad(path.clone(), "a damaged archive")),
    };
    let mut archive = archive;
    let mut seen = BTreeSet::new();
    for index in 0..archive.len().min(request.limits.files.saturating_mul(2)) {
        let Ok(entry) = archive.by_index_raw(index) else {
            out.push(Candidate::bad(path.join(index.to_string()), "a damaged archive entry"));
            continue;
        };
        if entry.is_dir() {
            continue;
        }
        let name = entry.name().map_or_else(|_| index.to_string(), std::borrow::Cow::into_owned);
        let (encrypted, link) = (entry.encrypted(), entry.is_symlink());
        drop(entry);
        let last = name.rsplit(['/', '\\']).next().unwrap_or_default().to_owned();
        // Only for people and for telling entries apart; no entry is ever written to disk.
        let parts = name.split(['/', '\\']).filter(|p| !matches!(*p, "" | "." | ".."));
        let mut shown = path.join(parts.map(|p| safe(p, 120)).collect::<PathBuf>());
        if !seen.insert(shown.clone()) {
            shown.push(index.to_string());
        }
        let place = match request.set_aside.get(&shown) {
            Some(reason) => Place::Closed { reason: reason.clone(), bad: true },
            None if is_litter(&last) => {
                Place::Closed { reason: "left behind by a system or viewer".into(), bad: false }
            }
            None if encrypted => Place::Closed { reason: "encrypted".into(), bad: true },
            None if link => Place::Closed { reason: "a symbolic link".into(), bad: false },
            None => Place::Entry { archive: archive.clone(), index },
        };
        out.push(Candidate { path: shown, place });
    }
}
