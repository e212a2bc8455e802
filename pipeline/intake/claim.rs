//! Takes a delivery into our own spool: a copy with neutral names, each file verified by digest, durable
//! before anything of the sender's is touched.

use super::durable;
use super::foreign::{ForeignPath, open_below};
use super::watch::{self, Sighting, Unit};
use crate::study::Digest;
use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};
use std::fs::{self, File};
use std::io::{self, Read, Write as _};
use std::path::{Path, PathBuf};

/// Folder of the copied files in a delivery's spool folder.
pub const INPUT: &str = "input";
/// Name of the manifest there.
pub const MANIFEST: &str = "delivery.json";
/// Prefix of a claim under way; after a crash it is removed, the sender still has everything.
pub const DRAFT_PREFIX: &str = ".claim-";

/// A delivery's name: the first twenty hex digits of its digest, so that the same files always get the same
/// ticket and a name can never hold anything else.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String")]
pub struct Ticket(String);

/// Not a ticket.
#[derive(Debug, thiserror::Error)]
#[error("not a ticket")]
pub struct NotATicket;

impl TryFrom<String> for Ticket {
    type Error = NotATicket;
    fn try_from(text: String) -> Result<Self, NotATicket> {
        let plain = text.len() == 20 && text.bytes().all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b));
        if plain { Ok(Self(text)) } else { Err(NotATicket) }
    }
}

impl Ticket {
    fn of(digest: &Digest) -> Self {
        Self(digest.hex().chars().take(20).collect())
    }
    /// As text.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl std::fmt::Display for Ticket {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

/// One file of a delivery.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Taken {
    /// Its name in our `input` folder.
    pub name: String,
    /// Its path below the drop folder.
    pub original: ForeignPath,
    /// Its length.
    pub bytes: u64,
    /// Its digest.
    pub digest: Digest,
}

/// What was taken, from where: kept beside the files.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Manifest {
    /// 1.
    pub schema_version: u32,
    /// The delivery's name.
    pub ticket: Ticket,
    /// Digest over the sorted digests of its files.
    pub digest: Digest,
    /// Identifies the place it lay at.
    pub place: Digest,
    /// The drop folder.
    pub drop: ForeignPath,
    /// Its name there; `None` for loose files.
    pub sender_name: Option<ForeignPath>,
    /// Fingerprint of the place when it was taken.
    pub print: Digest,
    /// Whether it was complete.
    pub complete: bool,
    /// The delivery taken earlier from the same place, of which this holds late files.
    pub predecessor: Option<Ticket>,
    /// When, as RFC 3339.
    pub claimed_at: String,
    /// Its files.
    pub files: Vec<Taken>,
}

/// Files in our own spool, digest taken, bytes no longer change. Made only here.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Delivery {
    folder: PathBuf,
    manifest: Manifest,
}

impl Delivery {
    /// Its spool folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }
    /// The copied files.
    pub fn input(&self) -> PathBuf {
        self.folder.join(INPUT)
    }
    /// What was taken, from where.
    pub fn manifest(&self) -> &Manifest {
        &self.manifest
    }
    /// Its name.
    pub fn ticket(&self) -> &Ticket {
        &self.manifest.ticket
    }

    /// A delivery claimed earlier, from its folder.
    pub fn reopen(folder: &Path) -> io::Result<Self> {
        let manifest = read_manifest(folder)?;
        Ok(Self { folder: folder.to_path_buf(), manifest })
    }
}

/// The manifest in a spool, archive or quarantine folder.
pub fn read_manifest(folder: &Path) -> io::Result<Manifest> {
    Ok(serde_json::from_slice(&fs::read(folder.join(MANIFEST))?)?)
}

/// Why a delivery was not taken. It stays where it is and is tried again.
#[derive(Debug, thiserror::Error)]
pub enum ClaimError {
    /// Something about its files changed while they were copied.
    #[error("it changed while it was being copied")]
    Changed,
    /// The disk has no room for it.
    #[error("the spool has {free} bytes free, it needs {needed}")]
    NoRoom {
        /// Free bytes.
        free: u64,
        /// Bytes needed.
        needed: u64,
    },
    /// A sender's file could not be read.
    #[error("a file cannot be read: {0}")]
    Sender(#[source] io::Error),
    /// Our copy could not be written.
    #[error("cannot write to the spool: {0}")]
    Spool(#[source] io::Error),
    /// A copy read back differs from what was written.
    #[error("a copy in the spool differs from what was written; the disk may be failing")]
    Corrupt,
}

/// What is taken, and what is known about it.
pub struct Wanted<'a> {
    /// The drop folder.
    pub drop: &'a Path,
    /// Its marker file, if any.
    pub marker: Option<&'a str>,
    /// As it was seen when it settled.
    pub sighting: &'a Sighting,
    /// Whether a survey found it complete.
    pub complete: bool,
    /// The delivery taken earlier from the same place.
    pub predecessor: Option<Ticket>,
    /// Now, as RFC 3339.
    pub now: String,
}

/// Bytes left free on the spool's disk whatever arrives, for results and the ledger.
const RESERVE: u64 = 256 << 20;

/// Copies a delivery into the spool. On return its folder there is complete and durable, under its ticket;
/// a delivery with the same bytes that is there already is returned instead.
pub fn claim(wanted: &Wanted<'_>, spool: &Path) -> Result<Delivery, ClaimError> {
    let sighting = wanted.sighting;
    let free = room(spool).map_err(ClaimError::Spool)?;
    let needed = sighting.bytes.saturating_add(RESERVE);
    if free < needed {
        return Err(ClaimError::NoRoom { free, needed });
    }
    let draft = tempfile::Builder::new().prefix(DRAFT_PREFIX).tempdir_in(spool).map_err(ClaimError::Spool)?;
    let input = draft.path().join(INPUT);
    fs::create_dir(&input).map_err(ClaimError::Spool)?;
    let mut files = Vec::with_capacity(sighting.files.len());
    for (index, original) in sighting.files.iter().enumerate() {
        let name = neutral_name(index, original);
        let source = open_below(wanted.drop, original).map_err(ClaimError::Sender)?;
        let (digest, bytes) = copy(source, &input.join(&name))?;
        files.push(Taken { name, original: original.as_path().into(), bytes, digest });
    }
    // Nothing about the sender's files may have changed while they were read.
    let again = watch::look_at(wanted.drop, wanted.marker, &sighting.unit).map_err(ClaimError::Sender)?;
    if again.as_ref().map(|again| &again.print) != Some(&sighting.print) {
        return Err(ClaimError::Changed);
    }
    for file in &files {
        let copy = File::open(input.join(&file.name)).map_err(ClaimError::Spool)?;
        if digest_of(copy).map_err(ClaimError::Spool)?.0 != file.digest {
            return Err(ClaimError::Corrupt);
        }
    }
    let digest = delivery_digest(&files);
    let ticket = Ticket::of(&digest);
    let manifest = Manifest {
        schema_version: 1,
        ticket: ticket.clone(),
        digest,
        place: sighting.unit.place(wanted.drop),
        drop: wanted.drop.into(),
        sender_name: sighting.unit.name().map(|name| Path::new(name).into()),
        print: sighting.print.clone(),
        complete: wanted.complete,
        predecessor: wanted.predecessor.clone().filter(|earlier| *earlier != ticket),
        claimed_at: wanted.now.clone(),
        files,
    };
    let text = serde_json::to_vec_pretty(&manifest).map_err(|error| ClaimError::Spool(error.into()))?;
    durable::write(&draft.path().join(MANIFEST), &text).map_err(ClaimError::Spool)?;
    // One call for thousands of files; a sync for each would take a second for each few hundred.
    let handle = File::open(draft.path()).map_err(ClaimError::Spool)?;
    rustix::fs::syncfs(&handle).map_err(|error| ClaimError::Spool(error.into()))?;
    let folder = spool.join(ticket.as_str());
    if !folder.join(MANIFEST).exists() {
        fs::rename(draft.path(), &folder).map_err(ClaimError::Spool)?;
        durable::sync_dir(spool).map_err(ClaimError::Spool)?;
        // The draft has its final name now; there is nothing left to remove.
        let _ = draft.keep();
    }
    Ok(Delivery { folder, manifest })
}

/// Digest over the sorted digests of the files: names and order do not matter.
fn delivery_digest(files: &[Taken]) -> Digest {
    let mut digests: Vec<&str> = files.iter().map(|file| file.digest.as_str()).collect();
    digests.sort_unstable();
    Digest::of_parts(digests.into_iter().map(str::as_bytes))
}

/// A running number and, where the ending decides how a file is read, that ending.
fn neutral_name(index: usize, original: &Path) -> String {
    let name = original.file_name().unwrap_or_default().to_string_lossy().to_ascii_lowercase();
    let ending = ["zip", "yaml", "yml", "nii", "nii.gz"].into_iter().find(|e| name.ends_with(&format!(".{e}")));
    match ending {
        Some(ending) => format!("{:06}.{ending}", index + 1),
        None => format!("{:06}", index + 1),
    }
}

fn room(folder: &Path) -> io::Result<u64> {
    let disk = rustix::fs::statvfs(folder)?;
    Ok(disk.f_bavail.saturating_mul(disk.f_frsize))
}

fn copy(mut source: File, to: &Path) -> Result<(Digest, u64), ClaimError> {
    let mut target = File::create_new(to).map_err(ClaimError::Spool)?;
    let mut hasher = Sha256::new();
    let mut bytes = 0;
    let mut buffer = vec![0; 1 << 17];
    loop {
        let read = source.read(&mut buffer).map_err(ClaimError::Sender)?;
        let Some(chunk) = buffer.get(..read).filter(|chunk| !chunk.is_empty()) else { break };
        hasher.update(chunk);
        target.write_all(chunk).map_err(ClaimError::Spool)?;
        bytes += read as u64;
    }
    Ok((Digest::finish(hasher), bytes))
}

fn digest_of(mut file: File) -> io::Result<(Digest, u64)> {
    let mut hasher = Sha256::new();
    let mut buffer = vec![0; 1 << 17];
    let mut bytes = 0;
    loop {
        let read = file.read(&mut buffer)?;
        let Some(chunk) = buffer.get(..read).filter(|chunk| !chunk.is_empty()) else { break };
        hasher.update(chunk);
        bytes += read as u64;
    }
    Ok((Digest::finish(hasher), bytes))
}

/// Moves what the sender put there to `taken`, under the ticket. Only once our copy is durable and recorded.
pub fn move_sender_files(manifest: &Manifest, unit: &Unit, taken: &Path) -> io::Result<()> {
    let place = taken.join(manifest.ticket.as_str());
    fs::create_dir_all(&place)?;
    let drop = manifest.drop.path();
    match unit.name() {
        Some(name) => rename_if_there(&drop.join(name), &place.join(name))?,
        None => {
            for file in &manifest.files {
                let name = file.original.path();
                rename_if_there(&drop.join(name), &place.join(name))?;
            }
        }
    }
    durable::sync_dir(&place)?;
    durable::sync_dir(drop)
}

fn rename_if_there(from: &Path, to: &Path) -> io::Result<()> {
    match fs::rename(from, to) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Bench {
        _root: tempfile::TempDir,
        drop: PathBuf,
        spool: PathBuf,
    }

    fn bench() -> Bench {
        let root = tempfile::tempdir().unwrap();
        let (drop, spool) = (root.path().join("drop"), root.path().join("spool"));
        for folder in [&drop.join("Doe^Jane/s1"), &spool] {
            fs::create_dir_all(folder).unwrap();
        }
        fs::write(drop.join("Doe^Jane/s1/b.dcm"), b"bb").unwrap();
        fs::write(drop.join("Doe^Jane/s1/a.dcm"), b"a").unwrap();
        Bench { _root: root, drop, spool }
    }

    fn take(bench: &Bench) -> Result<Delivery, ClaimError> {
        let sighting = watch::look_at(&bench.drop, None, &Unit::Folder("Doe^Jane".into())).unwrap().unwrap();
        take_as(bench, &sighting)
    }

    fn take_as(bench: &Bench, sighting: &Sighting) -> Result<Delivery, ClaimError> {
        let wanted = Wanted {
            drop: &bench.drop,
            marker: None,
            sighting,
            complete: true,
            predecessor: None,
            now: "2026-03-14T09:00:00Z".to_owned(),
        };
        claim(&wanted, &bench.spool)
    }

    #[test]
    fn the_spool_holds_copies_under_neutral_names() {
        let bench = bench();
        let delivery = take(&bench).unwrap();
        assert_eq!(fs::read(delivery.input().join("000001")).unwrap(), b"a");
        assert_eq!(delivery.manifest().files[1].original.path(), Path::new("Doe^Jane/s1/b.dcm"));
        assert!(!delivery.folder().display().to_string().contains("Doe"));
        assert_eq!(Delivery::reopen(delivery.folder()).unwrap(), delivery);
        assert!(bench.drop.join("Doe^Jane/s1/a.dcm").exists());
    }

    #[test]
    fn the_same_bytes_get_the_same_ticket_and_one_folder() {
        let bench = bench();
        let first = take(&bench).unwrap();
        fs::rename(bench.drop.join("Doe^Jane/s1/a.dcm"), bench.drop.join("Doe^Jane/z.dcm")).unwrap();
        assert_eq!(take(&bench).unwrap().ticket(), first.ticket());
        assert_eq!(fs::read_dir(&bench.spool).unwrap().count(), 1);
    }

    #[test]
    fn a_change_during_the_copy_is_noticed_and_leaves_nothing_behind() {
        let bench = bench();
        let mut sighting = watch::look_at(&bench.drop, None, &Unit::Folder("Doe^Jane".into())).unwrap().unwrap();
        sighting.print = Digest::of(b"as it was before");
        assert!(matches!(take_as(&bench, &sighting), Err(ClaimError::Changed)));
        assert_eq!(fs::read_dir(&bench.spool).unwrap().count(), 0);
    }

    #[test]
    fn sender_files_move_under_the_ticket() {
        let bench = bench();
        let delivery = take(&bench).unwrap();
        let taken = bench.spool.join("../taken");
        let unit = Unit::Folder("Doe^Jane".into());
        for _ in 0..2 {
            move_sender_files(delivery.manifest(), &unit, &taken).unwrap();
        }
        assert!(taken.join(delivery.ticket().as_str()).join("Doe^Jane/s1/a.dcm").exists());
        assert!(!bench.drop.join("Doe^Jane").exists());
    }

    #[test]
    fn a_ticket_is_hex_and_nothing_else() {
        for bad in ["", "../../../../etc/pass", "ABCDEFABCDEFABCDEFAB", "0123456789012345678"] {
            assert!(Ticket::try_from(bad.to_owned()).is_err(), "{bad}");
        }
    }
}
