//! A folder that another system reads. Each result has its own folder in it, named by a digest, and each file
//! appears whole.

use super::parcel::{Outcome, Parcel};
use crate::intake::durable;
use std::fs;
use std::io;
use std::path::Path;

/// Puts one object there.
pub(super) fn put(folder: &Path, parcel: &Parcel) -> Outcome {
    if !folder.is_dir() {
        return Outcome::Away("the folder is not there".to_owned());
    }
    match write(folder, parcel) {
        Ok(()) => Outcome::delivered(),
        Err(error) => Outcome::Away(format!("the folder cannot be written: {}", error.kind())),
    }
}

fn write(folder: &Path, parcel: &Parcel) -> io::Result<()> {
    let shelf = folder.join(&parcel.shelf);
    if !shelf.is_dir() {
        fs::create_dir(&shelf)?;
        durable::sync_dir(folder)?;
    }
    let path = shelf.join(&parcel.file);
    if fs::read(&path).is_ok_and(|there| there == parcel.bytes) {
        return Ok(());
    }
    durable::write(&path, &parcel.bytes)
}
