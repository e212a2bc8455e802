//! What the parent asks of a child process, and what the child says while it works: one JSON object a line.

use super::earlier::Earlier;
use super::segmenter::Segmenter;
use super::settings::{ChildLimits, Documents};
use crate::intake::Limits;
use crate::intake::foreign::ForeignPath;
use crate::report::Outputs;
use crate::report::result::Predecessor;
use serde::{Deserialize, Serialize};

/// One piece of work, sent on the child's standard input.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Job {
    /// What to do.
    pub task: Task,
    /// Folders, files or archives to read.
    pub inputs: Vec<ForeignPath>,
    /// The only places the child may read.
    pub below: Vec<ForeignPath>,
    /// The only folder the child may write to; it exists and is empty.
    pub out: ForeignPath,
    /// Files not to be opened, each with the reason.
    pub set_aside: Vec<SetAside>,
    /// Limits the child sets on itself.
    pub limits: ChildLimits,
    /// Profiles and rules, as the parent checked them.
    pub documents: Documents,
    /// What reading may cost.
    pub intake: Limits,
    /// What is composed beside `result.json`.
    pub outputs: Outputs,
    /// Issuer of patient identifiers where a header names none.
    pub default_issuer: Option<String>,
    /// Results of an earlier run over the same place.
    pub earlier: Vec<Earlier>,
    /// The process it must not outlive.
    pub parent: i32,
    /// A person's region for one of the acquisitions.
    #[serde(default)]
    pub amended: Option<Amendment>,
    /// The site's own segmenter, which the parent runs when asked.
    #[serde(default)]
    pub segmenter: Option<Segmenter>,
}

/// A region that a person drew or corrected for an acquisition that was read before.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Amendment {
    /// Digest of the acquisition.
    pub acquisition: String,
    /// The region's file.
    pub region: ForeignPath,
    /// Who.
    pub by: String,
    /// Why.
    pub why: String,
    /// The report that the new one corrects.
    pub predecessor: Predecessor,
}

/// What a child is asked to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Task {
    /// Read, measure, write the results to `out`.
    Measure,
    /// Read only, and say whether anything is still missing.
    Survey,
}

/// A file that is not opened again.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SetAside {
    /// The file, as the child announced it.
    pub path: ForeignPath,
    /// What happened when it was open, for a person.
    pub reason: String,
}

/// What a child says.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "say")]
pub enum Said {
    /// Its limits are set; what of the kernel's fences holds.
    Fenced {
        /// Landlock confines its file access.
        landlock: bool,
        /// A system-call filter is in place.
        seccomp: bool,
    },
    /// It is about to open this file.
    Opening {
        /// The file.
        path: ForeignPath,
    },
    /// It is done with this file.
    Done {
        /// The file.
        path: ForeignPath,
    },
    /// It reached a stage.
    Stage {
        /// The stage.
        name: String,
        /// Acquisitions finished.
        done: usize,
        /// Acquisitions in all.
        total: usize,
    },
    /// It found these patients and waits for [`HISTORY_READY`] before it goes on.
    Patients {
        /// Each patient once.
        patients: Vec<PatientKey>,
    },
    /// It filled [`SEGMENTER_FOLDER`] for the site's own segmenter and waits for a [`Segmented`] before it goes on.
    Segment,
    /// What a survey saw.
    Surveyed {
        /// Acquisitions found.
        acquisitions: usize,
        /// What is missing, in plain words; empty where every position has every echo.
        missing: Vec<String>,
    },
    /// Something panicked here; the payload is not told.
    Panicked {
        /// File, line and column in the program.
        place: String,
    },
    /// It could not go on for a reason that is not the input's, such as a full disk.
    Failed {
        /// What and where.
        message: String,
    },
    /// Everything is written.
    Finished {
        /// Acquisitions written.
        acquisitions: usize,
    },
}

/// The line the parent sends once `history.jsonl` is in the child's folder.
pub const HISTORY_READY: &str = "history";

/// Name of the file with earlier readings, in the child's folder.
pub const HISTORY_FILE: &str = "history.jsonl";

/// Who an earlier reading belongs to.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct PatientKey {
    /// Issuer of Patient ID.
    pub issuer: Option<String>,
    /// Patient ID.
    pub id: String,
}

/// The folder that a site's own segmenter is given, in the child's folder. Hidden, so that nothing takes it for a result.
pub const SEGMENTER_FOLDER: &str = ".segmenter";

/// The line the parent sends once the site's own segmenter has ended.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "segmenter")]
pub enum Segmented {
    /// By itself, with status 0.
    Ended,
    /// In any other way.
    Failed {
        /// What happened, as the rest of a sentence about it.
        how: String,
    },
}
