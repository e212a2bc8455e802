//! What one reading is asked for and what it gives back.

use super::limits::Limits;
use crate::study::{Acquisition, Digest, Finding, Grid, Header, Seconds, Source};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Told of each file before it is opened and after it is done with, so that whoever watches this process knows
/// which file it was in when it died. A file is announced once for its header and once more for its pixels.
pub trait Announce: Sync {
    /// About to touch this file.
    fn opening(&self, path: &Path);
    /// Done with this file.
    fn done(&self, path: &Path);
}

impl Announce for () {
    fn opening(&self, _path: &Path) {}
    fn done(&self, _path: &Path) {}
}

/// What to read.
pub struct Request<'a> {
    /// Folders, files and zip archives.
    pub inputs: &'a [PathBuf],
    /// What it may cost.
    pub limits: &'a Limits,
    /// Files not to be opened, as announced, with the reason a person reads.
    pub set_aside: &'a BTreeMap<PathBuf, String>,
    /// Who is told of each file.
    pub announce: &'a dyn Announce,
}

/// Everything found in the inputs.
#[derive(Debug, Default)]
pub struct Intake {
    /// Every acquisition, sorted by study, series number and digest.
    pub found: Vec<Found>,
    /// Every file, sorted by path.
    pub files: Vec<FileRecord>,
    /// Regions delivered beside the series; not used here.
    pub regions: Vec<RegionFile>,
    /// Course events delivered beside the series; not used here.
    pub events: Vec<EventsFile>,
}

/// An acquisition as the headers tell it.
#[derive(Debug)]
pub enum Found {
    /// With its images.
    Acquisition(Box<Acquisition>),
    /// Its images cannot be used.
    Unreadable(Box<Unreadable>),
}

impl Found {
    /// What the headers say.
    pub fn header(&self) -> &Header {
        match self {
            Self::Acquisition(a) => a.header(),
            Self::Unreadable(u) => &u.header,
        }
    }
    /// Where it came from.
    pub fn source(&self) -> &Source {
        match self {
            Self::Acquisition(a) => a.source(),
            Self::Unreadable(u) => &u.source,
        }
    }
    /// What is missing, in plain words: empty where every position has every echo and the header's counts are met.
    pub fn missing(&self) -> Vec<String> {
        let lacking = self.findings().iter().filter(|f| super::consistency::LACKING.contains(&f.code.as_ref()));
        let said = |f: &Finding| if f.images.is_empty() { vec![f.message.clone()] } else { f.images.clone() };
        lacking.flat_map(said).collect()
    }
    /// What intake noticed.
    pub fn findings(&self) -> &[Finding] {
        match self {
            Self::Acquisition(a) => a.findings(),
            Self::Unreadable(u) => &u.findings,
        }
    }
}

/// An acquisition whose images cannot be decoded or scaled; at least one finding is a stop.
#[derive(Debug)]
pub struct Unreadable {
    /// What the headers say.
    pub header: Header,
    /// Where it came from.
    pub source: Source,
    /// Its grid, where one can be told.
    pub grid: Option<Grid>,
    /// Its echo times.
    pub echo_times: Vec<Seconds>,
    /// Why it cannot be used, and what else was noticed.
    pub findings: Vec<Finding>,
}

/// What became of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FileOutcome {
    /// At least one of its frames is part of an acquisition.
    Used,
    /// Not needed; the reason says why.
    Ignored,
    /// Cannot be used; the reason says why.
    Unreadable,
}

/// One line of `intake.json`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FileRecord {
    /// Where it was found; the entry after the archive's name in archives. Control characters are shown as `·`.
    pub path: String,
    /// What became of it.
    pub outcome: FileOutcome,
    /// Why it was not used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// The first acquisition it is part of.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub acquisition: Option<Digest>,
}

/// What a region file is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RegionFileKind {
    /// DICOM segmentation.
    Seg,
    /// NIfTI-1, perhaps compressed.
    Nifti,
}

/// A region delivered beside the series.
#[derive(Clone, Debug)]
pub struct RegionFile {
    /// Where it was found.
    pub path: PathBuf,
    /// Its bytes.
    pub bytes: Vec<u8>,
    /// What it is.
    pub kind: RegionFileKind,
}

/// A course-events file delivered beside the series.
#[derive(Clone, Debug)]
pub struct EventsFile {
    /// Where it was found.
    pub path: PathBuf,
    /// Its text.
    pub text: String,
}

/// An input that cannot be read at all.
#[derive(Debug, thiserror::Error)]
pub enum IntakeError {
    /// It does not exist or cannot be listed.
    #[error("{}: {source}", path.display())]
    Input {
        /// The input as given.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
}
