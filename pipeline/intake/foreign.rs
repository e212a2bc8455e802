//! Paths with names that others chose: any bytes, never trusted, never followed through a link.

use rustix::fs::{CWD, FileType, Mode, OFlags};
use rustix::io::Errno;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::ffi::OsString;
use std::fmt::Write as _;
use std::fs::File;
use std::io;
use std::os::fd::OwnedFd;
use std::os::unix::ffi::{OsStrExt as _, OsStringExt as _};
use std::path::{Component, Path, PathBuf};

/// A path whose name may be any bytes. In JSON everything but plain ASCII is `%XX`.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ForeignPath(pub PathBuf);

impl ForeignPath {
    /// The path itself.
    pub fn path(&self) -> &Path {
        &self.0
    }
}

impl From<&Path> for ForeignPath {
    fn from(path: &Path) -> Self {
        Self(path.to_path_buf())
    }
}

/// A path as plain ASCII, reversible.
pub fn escape(path: &Path) -> String {
    let mut text = String::new();
    for &byte in path.as_os_str().as_bytes() {
        if (byte.is_ascii_graphic() || byte == b' ') && byte != b'%' {
            text.push(char::from(byte));
        } else {
            // Writing to a String cannot fail.
            let _ = write!(text, "%{byte:02X}");
        }
    }
    text
}

fn unescape(text: &str) -> Option<PathBuf> {
    let mut bytes = Vec::with_capacity(text.len());
    let mut rest = text.as_bytes();
    while let [first, tail @ ..] = rest {
        rest = tail;
        if *first == b'%' {
            let digits = std::str::from_utf8(tail.get(..2)?).ok()?;
            bytes.push(u8::from_str_radix(digits, 16).ok()?);
            rest = &tail[2..];
        } else {
            bytes.push(*first);
        }
    }
    Some(PathBuf::from(OsString::from_vec(bytes)))
}

impl Serialize for ForeignPath {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&escape(&self.0))
    }
}

impl<'de> Deserialize<'de> for ForeignPath {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        unescape(&text).map(Self).ok_or_else(|| serde::de::Error::custom("a path with a broken escape"))
    }
}

/// Opens a regular file below `root`. No component of `relative` may be a symbolic link, and a FIFO or a
/// device is refused without waiting for its other end.
pub fn open_below(root: &Path, relative: &Path) -> io::Result<File> {
    let refused = |what: &str| io::Error::new(io::ErrorKind::InvalidInput, what.to_owned());
    let folder_flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
    let mut folder: OwnedFd = rustix::fs::openat(CWD, root, folder_flags, Mode::empty())?;
    let mut components = relative.components().peekable();
    while let Some(component) = components.next() {
        let Component::Normal(name) = component else { return Err(refused("not a plain relative path")) };
        if components.peek().is_some() {
            folder = rustix::fs::openat(&folder, name, folder_flags | OFlags::NOFOLLOW, Mode::empty())?;
            continue;
        }
        let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::CLOEXEC;
        let file = rustix::fs::openat(&folder, name, flags, Mode::empty()).map_err(|error| match error {
            Errno::LOOP => refused("a symbolic link"),
            other => other.into(),
        })?;
        let stat = rustix::fs::fstat(&file)?;
        if FileType::from_raw_mode(stat.st_mode) != FileType::RegularFile {
            return Err(refused("not a regular file"));
        }
        return Ok(File::from(file));
    }
    Err(refused("an empty path"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn links_and_pipes_are_never_opened() {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path();
        std::fs::create_dir(root.join("real")).unwrap();
        std::fs::write(root.join("real/a"), b"a").unwrap();
        std::os::unix::fs::symlink("real", root.join("linked")).unwrap();
        std::os::unix::fs::symlink("real/a", root.join("b")).unwrap();
        rustix::fs::mknodat(CWD, root.join("fifo"), FileType::Fifo, Mode::RUSR | Mode::WUSR, 0).unwrap();
        assert!(open_below(root, Path::new("real/a")).is_ok());
        for bad in ["linked/a", "b", "fifo", "real", "../x", "/etc/passwd", "", "real/../real/a"] {
            assert!(open_below(root, Path::new(bad)).is_err(), "{bad}");
        }
    }

    #[test]
    fn any_file_name_survives_the_line_between_the_processes() {
        for bytes in [b"/a/b.dcm".to_vec(), b"/x/\n\"%41\xff\xc3\xa9 \\".to_vec(), (1..=255).collect()] {
            let path = ForeignPath(PathBuf::from(OsString::from_vec(bytes)));
            let line = serde_json::to_string(&path).unwrap();
            assert!(line.is_ascii() && !line.contains('\n'));
            assert_eq!(serde_json::from_str::<ForeignPath>(&line).unwrap(), path);
        }
        assert!(serde_json::from_str::<ForeignPath>("\"%4\"").is_err());
    }
}
