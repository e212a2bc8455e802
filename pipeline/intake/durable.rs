//! Files that are there after a power cut: write, sync, rename, sync the folder. Everything the service
//! publishes goes through here.

use std::fs::{self, File, Permissions};
use std::io::{self, Write as _};
use std::os::unix::fs::PermissionsExt as _;
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

/// Removes a folder with all that is in it, also where whoever made a folder in it has closed it. Links are not followed.
pub fn remove_dir(folder: &Path) -> io::Result<()> {
    match fs::remove_dir_all(folder) {
        Err(error) if error.kind() == io::ErrorKind::PermissionDenied => {
            open_up(folder)?;
            fs::remove_dir_all(folder)
        }
        other => other,
    }
}

fn open_up(folder: &Path) -> io::Result<()> {
    let mut waiting = vec![folder.to_path_buf()];
    while let Some(folder) = waiting.pop() {
        fs::set_permissions(&folder, Permissions::from_mode(0o700))?;
        for entry in fs::read_dir(&folder)? {
            let entry = entry?;
            if entry.file_type()?.is_dir() {
                waiting.push(entry.path());
            }
        }
    }
    Ok(())
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
    fn closed_folders_are_removed_and_links_out_of_them_lead_nowhere() {
        let folder = tempfile::tempdir().unwrap();
        let (gone, kept) = (folder.path().join("gone"), folder.path().join("kept"));
        fs::create_dir_all(gone.join("closed/deep")).unwrap();
        fs::create_dir(&kept).unwrap();
        fs::write(kept.join("x"), b"x").unwrap();
        std::os::unix::fs::symlink(&kept, gone.join("closed/link")).unwrap();
        fs::set_permissions(gone.join("closed/deep"), Permissions::from_mode(0o000)).unwrap();
        fs::set_permissions(gone.join("closed"), Permissions::from_mode(0o000)).unwrap();
        remove_dir(&gone).unwrap();
        assert!(!gone.exists() && kept.join("x").exists());
        assert!(remove_dir(&gone).is_err_and(|error| error.kind() == io::ErrorKind::NotFound));
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
