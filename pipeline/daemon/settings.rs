//! The site file: where things are, what is measured how, and the limits of every process.

use super::profiles;
use super::segmenter::Segmenter;
use crate::intake::Limits;
use crate::report::Outputs;
use crate::sending::{Destination, Retry, destination};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize, de::DeserializeOwned};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// A configuration file as it was read: its name for messages and digests, and its text.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Document {
    /// As the site file names it, or the embedded name.
    pub name: String,
    /// Its text.
    pub text: String,
    /// Of a profile, those beside it that it builds on, by profile name.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub bases: Vec<Document>,
}

impl Document {
    /// A text that builds on nothing beside it.
    pub fn of(name: impl Into<String>, text: impl Into<String>) -> Self {
        Self { name: name.into(), text: text.into(), bases: Vec::new() }
    }
    /// The text of a profile beside it that it builds on.
    pub fn base(&self, name: &str) -> Option<String> {
        self.bases.iter().find(|base| base.name == name).map(|base| base.text.clone())
    }
}

/// Everything a site sets, checked. [`Site::load`] reads it from a file; [`Site::shipped`] needs none.
#[derive(Clone, Debug)]
pub struct Site {
    /// Where files come from and go to.
    pub folders: Folders,
    /// What is measured how.
    pub documents: Documents,
    /// Where each of its profiles was read, in the same order.
    pub profile_files: Vec<PathBuf>,
    /// What becomes of the sender's files once our copy is durable.
    pub sender_files: SenderFiles,
    /// How long inputs are kept.
    pub archive_days: u32,
    /// When a delivery is taken.
    pub settle: Settle,
    /// Limits of the analysing process.
    pub child: ChildLimits,
    /// What reading a delivery may cost.
    pub limits: Limits,
    /// What is composed beside `result.json`.
    pub outputs: Outputs,
    /// Issuer of patient identifiers where a header names none.
    pub default_issuer: Option<String>,
    /// The site's own segmenter, where it has one.
    pub segmenter: Option<Segmenter>,
    /// Where results are sent.
    pub destinations: Vec<Destination>,
    /// When an object that could not be sent is tried again.
    pub sending: Retry,
}

/// The texts that decide what is measured how. A child process gets them from its parent, so that both see
/// the same whatever happens to the files meanwhile.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Documents {
    /// Profiles, in the order the site names them; none where those shipped in the program apply.
    pub profiles: Vec<Document>,
    /// Calibrations; `None` where those shipped in the program apply.
    pub calibrations: Option<Document>,
    /// Follow-up rules; `None` where those shipped in the program apply.
    pub follow_up: Option<Document>,
}

/// Where files come from and go to, absolute.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Folders {
    /// Watched folders.
    pub drop: Vec<PathBuf>,
    /// Deliveries under way.
    pub spool: PathBuf,
    /// One folder for each result.
    pub outbox: PathBuf,
    /// Inputs of finished deliveries.
    pub archive: PathBuf,
    /// Deliveries that gave no result.
    pub quarantine: PathBuf,
    /// Ledger, health file, metrics.
    pub state: PathBuf,
    /// Where delivered folders are moved, if they are.
    pub taken: Option<PathBuf>,
    /// Name of the file that shows a drop folder is mounted.
    pub marker: Option<String>,
}

/// What becomes of the sender's files.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum SenderFiles {
    /// They stay where they were put.
    #[default]
    Leave,
    /// They are moved to `folders.taken` once our copy is durable.
    Move,
}

/// When a delivery is taken.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Settle {
    /// Seconds between two looks at the drop folders.
    pub scan_s: f64,
    /// Seconds without a change after which a complete delivery is taken.
    pub quiet_s: f64,
    /// Seconds without a change after which an incomplete one is taken.
    pub incomplete_s: f64,
    /// Seconds between two looks for late files in a folder that was taken.
    pub recheck_s: f64,
}

impl Default for Settle {
    fn default() -> Self {
        Self { scan_s: 1.0, quiet_s: 5.0, incomplete_s: 60.0, recheck_s: 30.0 }
    }
}

/// Limits of the process that reads and measures one delivery. It sets them on itself before it reads a
/// byte, each clamped to what it inherited.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct ChildLimits {
    /// Address space in MiB.
    pub memory_mb: u64,
    /// Processor seconds.
    pub cpu_s: u64,
    /// Seconds by the clock, kept by the parent.
    pub wall_s: f64,
    /// Seconds a single file may be in flight, kept by the parent.
    pub file_s: f64,
    /// Largest file it may write, in MiB.
    pub output_mb: u64,
    /// Threads it computes with.
    pub threads: usize,
    /// Deliveries measured at the same time.
    pub at_once: usize,
}

impl Default for ChildLimits {
    fn default() -> Self {
        Self { memory_mb: 4096, cpu_s: 300, wall_s: 180.0, file_s: 20.0, output_mb: 1024, threads: 2, at_once: 1 }
    }
}

/// The site file as it is written.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "Site")]
struct Written {
    #[serde(default)]
    folders: WrittenFolders,
    profiles: Option<Vec<String>>,
    calibrations: Option<String>,
    follow_up: Option<String>,
    #[serde(default)]
    sender_files: SenderFiles,
    archive_days: Option<u32>,
    #[serde(default)]
    settle: Settle,
    #[serde(default)]
    child: ChildLimits,
    #[serde(default)]
    limits: Limits,
    #[serde(default)]
    outputs: Outputs,
    default_issuer: Option<String>,
    segmenter: Option<Segmenter>,
    #[serde(default)]
    destinations: Vec<destination::Written>,
    #[serde(default)]
    sending: Retry,
}

#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Folders")]
struct WrittenFolders {
    drop: Option<Vec<PathBuf>>,
    spool: Option<PathBuf>,
    outbox: Option<PathBuf>,
    archive: Option<PathBuf>,
    quarantine: Option<PathBuf>,
    state: Option<PathBuf>,
    taken: Option<PathBuf>,
    marker: Option<String>,
}

/// The JSON schema of the site file, as `config/schema/site.json` holds it.
pub fn schema() -> String {
    let mut text = serde_json::to_string_pretty(&schemars::schema_for!(Written)).unwrap_or_default();
    text.push('\n');
    text
}

/// A configuration file that cannot be used: one line for each fault, `FILE:LINE:COL: what`.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}", .0.join("\n"))]
pub struct SettingsError(pub Vec<String>);

impl SettingsError {
    fn at(file: &str, what: impl std::fmt::Display) -> Self {
        Self(vec![format!("{file}:1:1: {what}")])
    }
}

/// Parses a YAML document strictly: unknown and repeated keys are errors, `yes` is not a boolean, and the
/// message begins `FILE:LINE:COL`.
pub fn parse_yaml<T: DeserializeOwned>(file: &str, text: &str) -> Result<T, SettingsError> {
    let options = serde_yaml::options! { strict_booleans: true };
    serde_yaml::from_str_with_options(text, options).map_err(|error| {
        let (line, column) = error.location().map_or((1, 1), |at| (at.line().max(1), at.column().max(1)));
        let text = error.without_snippet().to_string();
        SettingsError(vec![format!("{file}:{line}:{column}: {}", without_place(&text))])
    })
}

/// The parser repeats the place after its sentence and names its own options; neither helps the reader.
fn without_place(text: &str) -> &str {
    let text = text.lines().next().unwrap_or(text);
    let text = text.split(" at line ").next().unwrap_or(text);
    text.split(", set DuplicateKeyPolicy").next().unwrap_or(text)
}

/// Line and column, from 1, of the last part of a dotted key, each part looked for behind the one before; where the
/// key is absent, the start.
fn place_of(text: &str, key: &str) -> (usize, usize) {
    let (mut from_line, mut from_byte) = (0, 0);
    let mut place = (1, 1);
    for name in key.split('.') {
        let found = text.lines().enumerate().skip(from_line).find_map(|(index, line)| {
            let line = line.split('#').next().unwrap_or(line);
            let behind = if index == from_line { from_byte } else { 0 };
            let starts = |at: usize| !line[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_');
            let word = format!("{name}:");
            let at = line.match_indices(&word).map(|(at, _)| at).find(|&at| at >= behind && starts(at))?;
            Some((index, at + word.len(), line[..at].chars().count() + 1))
        });
        let Some((index, end, column)) = found else { return (1, 1) };
        (from_line, from_byte) = (index, end);
        place = (index + 1, column);
    }
    place
}

impl Site {
    /// Reads a site file and what it names. Relative paths are relative to the file.
    pub fn load(path: &Path) -> Result<Self, SettingsError> {
        let file = path.display().to_string();
        let text = fs::read_to_string(path).map_err(|error| SettingsError::at(&file, error))?;
        let absolute = std::path::absolute(path).map_err(|error| SettingsError::at(&file, error))?;
        let base = absolute.parent().unwrap_or(Path::new("/"));
        let written: Written = parse_yaml(&file, &text)?;
        Self::resolve(&file, &text, written, base)
    }

    /// The shipped profiles, calibrations and defaults, with working folders below `base`.
    pub fn shipped(base: &Path) -> Self {
        let written = WrittenFolders::default();
        Self {
            folders: written.resolve(base),
            documents: Documents::default(),
            profile_files: Vec::new(),
            sender_files: SenderFiles::default(),
            archive_days: ARCHIVE_DAYS,
            settle: Settle::default(),
            child: ChildLimits::default(),
            limits: Limits::default(),
            outputs: Outputs::default(),
            default_issuer: None,
            segmenter: None,
            destinations: Vec::new(),
            sending: Retry::default(),
        }
    }

    fn resolve(file: &str, text: &str, written: Written, base: &Path) -> Result<Self, SettingsError> {
        let mut faults = Vec::new();
        let mut fault = |key: &str, what: String| {
            let (line, column) = place_of(text, key);
            faults.push(format!("{file}:{line}:{column}: `{key}` {what}"));
        };
        let settle = written.settle;
        for (key, value) in [
            ("settle.scan_s", settle.scan_s),
            ("settle.quiet_s", settle.quiet_s),
            ("settle.incomplete_s", settle.incomplete_s),
            ("settle.recheck_s", settle.recheck_s),
            ("child.wall_s", written.child.wall_s),
            ("child.file_s", written.child.file_s),
            ("sending.first_wait_s", written.sending.first_wait_s),
            ("sending.longest_wait_s", written.sending.longest_wait_s),
        ] {
            if !(value.is_finite() && value > 0.0 && value < 1e7) {
                fault(key, format!("is {value}; it must be a number of seconds above 0"));
            }
        }
        if settle.incomplete_s < settle.quiet_s {
            fault("settle.incomplete_s", "must not be shorter than `settle.quiet_s`".to_owned());
        }
        for (key, value) in [("child.threads", written.child.threads), ("child.at_once", written.child.at_once)] {
            if !(1..=1024).contains(&value) {
                fault(key, format!("is {value}; it must be 1 to 1024"));
            }
        }
        if written.child.memory_mb < 256 {
            fault("child.memory_mb", format!("is {}; the program itself needs 256", written.child.memory_mb));
        }
        if written.sender_files == SenderFiles::Move && written.folders.taken.is_none() {
            fault("sender_files", "`move` needs `folders.taken`, the folder to move them to".to_owned());
        }
        if written.folders.marker.as_deref().is_some_and(|name| name.is_empty() || name.contains('/')) {
            fault("folders.marker", "must be a plain file name".to_owned());
        }
        let segmenter = written.segmenter.map(|segmenter| segmenter.check(base)).transpose();
        let segmenter = segmenter.unwrap_or_else(|faults| {
            faults.into_iter().for_each(|(key, what)| fault(key, what));
            None
        });
        let mut or_fault = |key: &str, name: &str, read: io::Result<Document>| {
            read.map_err(|error| fault(key, format!("names `{name}`, which cannot be read: {error}"))).ok()
        };
        let names = written.profiles.unwrap_or_default();
        let profile_files: Vec<PathBuf> = names.iter().map(|name| base.join(name)).collect();
        let mut profiles = Vec::new();
        for (name, path) in names.iter().zip(&profile_files) {
            profiles.extend(or_fault("profiles", name, profiles::read(path, name)));
        }
        let mut other = |key: &str, name: Option<&str>| {
            let name = name?;
            or_fault(key, name, fs::read_to_string(base.join(name)).map(|text| Document::of(name, text)))
        };
        let calibrations = other("calibrations", written.calibrations.as_deref());
        let follow_up = other("follow_up", written.follow_up.as_deref());
        let destinations = checked(file, text, written.destinations, base, &mut faults);
        if !faults.is_empty() {
            return Err(SettingsError(faults));
        }
        Ok(Self {
            folders: written.folders.resolve(base),
            documents: Documents { profiles, calibrations, follow_up },
            profile_files,
            sender_files: written.sender_files,
            archive_days: written.archive_days.unwrap_or(ARCHIVE_DAYS),
            settle,
            child: written.child,
            limits: written.limits,
            outputs: written.outputs,
            default_issuer: written.default_issuer,
            segmenter,
            destinations,
            sending: written.sending,
        })
    }
}

/// The destinations, each fault at the line that names the destination.
fn checked(
    file: &str,
    text: &str,
    written: Vec<destination::Written>,
    base: &Path,
    faults: &mut Vec<String>,
) -> Vec<Destination> {
    let mut sound: Vec<Destination> = Vec::new();
    for destination in written {
        let name = destination.name.clone();
        let line = text.lines().position(|line| line.contains("name:") && line.contains(name.as_str()));
        let checked = destination.check(base).and_then(|checked| match sound.iter().any(|d| d.name == checked.name) {
            true => Err("has the name of another".to_owned()),
            false => Ok(checked),
        });
        match checked {
            Ok(checked) => sound.push(checked),
            Err(what) => faults.push(format!("{file}:{}:1: destination `{name}` {what}", line.unwrap_or(0) + 1)),
        }
    }
    sound
}

/// Ten years, a common retention time for medical records; common practice, no source.
const ARCHIVE_DAYS: u32 = 3650;

impl WrittenFolders {
    fn resolve(self, base: &Path) -> Folders {
        let at = |path: Option<PathBuf>, name: &str| base.join(path.unwrap_or_else(|| PathBuf::from(name)));
        Folders {
            drop: self.drop.unwrap_or_else(|| vec![PathBuf::from("drop")]).iter().map(|p| base.join(p)).collect(),
            spool: at(self.spool, "spool"),
            outbox: at(self.outbox, "outbox"),
            archive: at(self.archive, "archive"),
            quarantine: at(self.quarantine, "quarantine"),
            state: at(self.state, "state"),
            taken: self.taken.map(|path| base.join(path)),
            marker: self.marker,
        }
    }
}

impl Settle {
    /// Time between two scans.
    pub fn scan(&self) -> Duration {
        Duration::from_secs_f64(self.scan_s)
    }
    /// Quiet time of a complete delivery.
    pub fn quiet(&self) -> Duration {
        Duration::from_secs_f64(self.quiet_s)
    }
    /// Quiet time of an incomplete delivery.
    pub fn incomplete(&self) -> Duration {
        Duration::from_secs_f64(self.incomplete_s)
    }
    /// Time between two looks for late files.
    pub fn recheck(&self) -> Duration {
        Duration::from_secs_f64(self.recheck_s)
    }
}
