//! Looks at a drop folder: which deliveries lie there, and a fingerprint of each that changes whenever
//! anything about its files does. Reads names, sizes and times, never content.

use super::foreign::escape;
use crate::study::Digest;
use std::ffi::{OsStr, OsString};
use std::fs::{self, Metadata};
use std::io;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};

/// The note for the scanner room ends so; scans pass over it.
pub const NOTE_SUFFIX: &str = ".siderolog.txt";

/// Files of one delivery beyond which it is not taken: a mistaken drop of a whole disk.
const FILES_LIMIT: usize = 200_000;

/// Folders within folders beyond which nothing is looked at.
const DEPTH_LIMIT: usize = 24;

/// Endings of files that a copy under way leaves until it is done; common practice, no source.
const TEMPORARY: &[&str] = &[".tmp", ".temp", ".part", ".partial", ".filepart", ".crdownload", ".swp", ".lock"];

/// Files that desktops leave in every folder they show, beside those beginning `._`.
const LITTER: &[&str] = &[".ds_store", "thumbs.db", "desktop.ini", ".localized", ".directory"];

/// What lies in a drop folder under one name.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Unit {
    /// A folder with everything in it.
    Folder(OsString),
    /// A zip archive.
    Archive(OsString),
    /// All loose files at the top together.
    Loose,
}

impl Unit {
    /// The name it lies under; loose files have none.
    pub fn name(&self) -> Option<&OsStr> {
        match self {
            Self::Folder(name) | Self::Archive(name) => Some(name),
            Self::Loose => None,
        }
    }

    /// Identifies the place across restarts without telling its name.
    pub fn place(&self, drop: &Path) -> Digest {
        let name = self.name().unwrap_or_default();
        let kind: &[u8] = if *self == Self::Loose { b"loose" } else { b"named" };
        Digest::of_parts([drop.as_os_str().as_bytes(), kind, name.as_bytes()])
    }
}

/// One delivery as it lies there now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sighting {
    /// Which.
    pub unit: Unit,
    /// Files to be taken, relative to the drop folder, sorted.
    pub files: Vec<PathBuf>,
    /// Their bytes.
    pub bytes: u64,
    /// Changes whenever a name, a size or a time does, temporary files included.
    pub print: Digest,
    /// Whether a file's name says that a copy is under way.
    pub copying: bool,
}

/// What a look at a drop folder found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Look {
    /// The share is there.
    Here(Vec<Sighting>),
    /// The marker file is missing: not mounted, or mounted on something else.
    Absent,
}

/// Whether a file of this name is one to take, one that announces a copy, or none of ours.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Sort {
    Take,
    Copying,
    Ignore,
}

fn sort(name: &OsStr) -> Sort {
    let bytes = name.as_bytes().to_ascii_lowercase();
    let litter = LITTER.iter().any(|name| bytes == name.as_bytes()) || bytes.starts_with(b"._");
    // Our own notes, and those being written.
    let ours = bytes.ends_with(NOTE_SUFFIX.as_bytes()) || bytes.starts_with(b".draft-");
    if litter || ours {
        return Sort::Ignore;
    }
    if bytes.starts_with(b".") || bytes.starts_with(b"~") || TEMPORARY.iter().any(|t| bytes.ends_with(t.as_bytes())) {
        return Sort::Copying;
    }
    Sort::Take
}

/// Looks at everything in `drop`. `skip` tells which units need no closer look this time (their files are
/// not walked and they are not in the answer).
pub fn look(drop: &Path, marker: Option<&str>, skip: &dyn Fn(&Unit) -> bool) -> io::Result<Look> {
    if let Some(marker) = marker
        && !drop.join(marker).is_file()
    {
        return Ok(Look::Absent);
    }
    let mut sightings = Vec::new();
    let mut loose = Walk::default();
    for entry in fs::read_dir(drop)? {
        let entry = entry?;
        let name = entry.file_name();
        if marker.is_some_and(|marker| name == marker) || sort(&name) == Sort::Ignore {
            continue;
        }
        // Of links, pipes, sockets and devices nothing is ever taken.
        let Ok(kind) = entry.file_type() else { continue };
        if kind.is_dir() && sort(&name) == Sort::Take {
            let unit = Unit::Folder(name.clone());
            if !skip(&unit) {
                let mut walk = Walk::default();
                walk.folder(drop, Path::new(&name), 1);
                sightings.extend(walk.sighting(unit));
            }
        } else if kind.is_file() {
            let Ok(metadata) = entry.metadata() else { continue };
            if is_archive(&name) {
                let unit = Unit::Archive(name.clone());
                let mut walk = Walk::default();
                walk.file(PathBuf::from(&name), &metadata);
                sightings.extend(walk.sighting(unit));
            } else {
                loose.file(PathBuf::from(&name), &metadata);
            }
        }
    }
    sightings.extend(loose.sighting(Unit::Loose));
    sightings.sort_by(|a, b| a.unit.cmp(&b.unit));
    Ok(Look::Here(sightings))
}

/// One unit as it lies there now; `None` once it is gone.
pub fn look_at(drop: &Path, marker: Option<&str>, unit: &Unit) -> io::Result<Option<Sighting>> {
    match look(drop, marker, &|other| other != unit)? {
        Look::Here(sightings) => Ok(sightings.into_iter().find(|sighting| sighting.unit == *unit)),
        Look::Absent => Ok(None),
    }
}

fn is_archive(name: &OsStr) -> bool {
    Path::new(name).extension().is_some_and(|extension| extension.eq_ignore_ascii_case("zip"))
}

#[derive(Default)]
struct Walk {
    lines: Vec<String>,
    files: Vec<PathBuf>,
    bytes: u64,
    copying: bool,
}

impl Walk {
    /// A folder that cannot be read now may be readable at the next look; what is in it is then a change.
    fn folder(&mut self, drop: &Path, relative: &Path, depth: usize) {
        if depth > DEPTH_LIMIT {
            return;
        }
        let Ok(entries) = fs::read_dir(drop.join(relative)) else { return };
        for entry in entries.flatten() {
            if self.lines.len() >= FILES_LIMIT {
                return;
            }
            let path = relative.join(entry.file_name());
            let Ok(kind) = entry.file_type() else { continue };
            if kind.is_dir() {
                self.folder(drop, &path, depth + 1);
            } else if kind.is_file()
                && let Ok(metadata) = entry.metadata()
            {
                self.file(path, &metadata);
            }
        }
    }

    fn file(&mut self, path: PathBuf, metadata: &Metadata) {
        let kind = path.file_name().map_or(Sort::Ignore, sort);
        if kind == Sort::Ignore {
            return;
        }
        let name = escape(&path);
        self.lines.push(format!("{name}\t{}\t{}.{}", metadata.size(), metadata.mtime(), metadata.mtime_nsec()));
        if kind == Sort::Copying {
            self.copying |= metadata.size() > 0;
        } else {
            self.bytes += metadata.size();
            self.files.push(path);
        }
    }

    /// Nothing to take is no delivery, and a drop beyond any export is none either.
    fn sighting(mut self, unit: Unit) -> Option<Sighting> {
        if self.files.is_empty() || self.lines.len() >= FILES_LIMIT {
            return None;
        }
        self.lines.sort_unstable();
        self.files.sort_unstable();
        let print = Digest::of_parts(self.lines.iter().map(String::as_bytes));
        Some(Sighting { unit, files: self.files, bytes: self.bytes, print, copying: self.copying })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(drop: &Path) -> Vec<Sighting> {
        match look(drop, None, &|_| false).unwrap() {
            Look::Here(sightings) => sightings,
            Look::Absent => panic!("absent"),
        }
    }

    #[test]
    fn folders_archives_and_loose_files_are_deliveries_and_nothing_else_is() {
        let root = tempfile::tempdir().unwrap();
        let drop = root.path();
        for path in ["export/deep/1.dcm", "export/deep/.hidden", "export/half.dcm.part", "empty/.keep"] {
            fs::create_dir_all(drop.join(path).parent().unwrap()).unwrap();
            fs::write(drop.join(path), b"x").unwrap();
        }
        for path in ["a.zip", "IM1", "IM2", "export.siderolog.txt", "Thumbs.db", ".DS_Store", ".IM3.Xa81bc"] {
            fs::write(drop.join(path), b"x").unwrap();
        }
        std::os::unix::fs::symlink("/etc", drop.join("linked")).unwrap();
        std::os::unix::fs::symlink("/etc/passwd", drop.join("export/passwd")).unwrap();
        let seen = seen(drop);
        let units: Vec<_> = seen.iter().map(|s| (s.unit.clone(), s.files.len(), s.copying)).collect();
        let expected = [
            (Unit::Folder("export".into()), 1, true),
            (Unit::Archive("a.zip".into()), 1, false),
            (Unit::Loose, 2, true),
        ];
        assert_eq!(units, expected);
    }

    #[test]
    fn a_print_changes_with_size_time_and_name() {
        let root = tempfile::tempdir().unwrap();
        let file = root.path().join("x/1");
        fs::create_dir(root.path().join("x")).unwrap();
        fs::write(&file, b"12").unwrap();
        let first = seen(root.path())[0].print.clone();
        assert_eq!(seen(root.path())[0].print, first);
        let time = fs::metadata(&file).unwrap().modified().unwrap();
        fs::write(&file, b"34").unwrap();
        let handle = fs::File::options().append(true).open(&file).unwrap();
        handle.set_modified(time + std::time::Duration::from_secs(1)).unwrap();
        let second = seen(root.path())[0].print.clone();
        assert_ne!(second, first);
        fs::rename(&file, root.path().join("x/2")).unwrap();
        assert_ne!(seen(root.path())[0].print, second);
    }

    #[test]
    fn a_marker_tells_an_empty_share_from_an_absent_one() {
        let root = tempfile::tempdir().unwrap();
        assert_eq!(look(root.path(), Some(".share"), &|_| false).unwrap(), Look::Absent);
        fs::write(root.path().join(".share"), b"").unwrap();
        assert_eq!(look(root.path(), Some(".share"), &|_| false).unwrap(), Look::Here(Vec::new()));
    }
}
