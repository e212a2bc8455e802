//! Files that are there after a power cut: write, sync, rename, sync the folder. Everything the service
//! publishes goes through here.

use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::Path;

/// Writes a file so that after a crash either the old or the whole new content is there.
pub fn write(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let folder = parent(path)?;
    let mut draft = tempfile::Builder::new().prefix(".draft-").tempfile_in(folder)?;
    draft.write_all(bytes)?;
    draft.as_file().sync_all()?;
    draft.persist(path).map_err(|error| error.error)?;
    sync_dir(folder)
}

/// Gives a finished folder its final name. Every file in it is synced first, so that the name never
/// stands for half a result; `to` must not exist or be empty.
pub fn publish_dir(from: &Path, to: &Path) -> io::Result<()> {
    sync_tree(from)?;
    fs::rename(from, to)?;
    sync_dir(parent(to)?)?;
    sync_dir(parent(from)?)
}

/// Syncs every file and folder below `folder`, and the folder itself.
pub fn sync_tree(folder: &Path) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let kind = entry.file_type()?;
        if kind.is_dir() {
            sync_tree(&entry.path())?;
        } else if kind.is_file() {
            File::open(entry.path())?.sync_all()?;
        }
    }
    sync_dir(folder)
}

/// Makes the names in a folder durable.
pub fn sync_dir(folder: &Path) -> io::Result<()> {
    File::open(folder)?.sync_all()
}

fn parent(path: &Path) -> io::Result<&Path> {
    match path.parent() {
        Some(folder) if folder.as_os_str().is_empty() => Ok(Path::new(".")),
        Some(folder) => Ok(folder),
        None => Err(io::Error::new(io::ErrorKind::InvalidInput, "the path has no parent folder")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_write_replaces_the_whole_file_and_leaves_no_draft() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.json");
        write(&path, b"a long first content").unwrap();
        write(&path, b"short").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"short");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_published_folder_is_never_merged_into_another() {
        let folder = tempfile::tempdir().unwrap();
        let (from, to) = (folder.path().join("from"), folder.path().join("to"));
        for place in [&from, &to] {
            fs::create_dir_all(place.join("deep")).unwrap();
            fs::write(place.join("deep/x"), b"x").unwrap();
        }
        assert!(publish_dir(&from, &to).is_err());
        fs::remove_dir_all(&to).unwrap();
        publish_dir(&from, &to).unwrap();
        assert_eq!(fs::read(to.join("deep/x")).unwrap(), b"x");
        assert!(!from.exists());
    }
}
