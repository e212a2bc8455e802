//! Results that a new run over the same place replaces: late files make a new run that names the old.

use super::spool::results;
use crate::report::result::{Predecessor, PredecessorObject};
use crate::report::{RESULT, ResultDocument, RoleKind};
use crate::study::{Digest, Source};
use dicom_dictionary_std::tags;
use serde::{Deserialize, Serialize};
use std::fs;
use std::path::Path;

/// Kept beside the results of a run that replaces others, so that `verify` sees the same.
pub const EARLIER_FILE: &str = "earlier.json";

/// One result of an earlier run.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Earlier {
    /// Study Instance UID.
    pub study_uid: Option<String>,
    /// Series Instance UIDs.
    pub series_uids: Vec<String>,
    /// Whether it stood for its study.
    pub role: RoleKind,
    /// How the new result names it.
    pub report: Predecessor,
}

/// The results published in this folder. One that cannot be read is not named: the new run does not fail for it.
pub fn published(folder: &Path) -> Vec<Earlier> {
    results(folder).unwrap_or_default().iter().filter_map(|result| of_result(result)).collect()
}

/// The result in this folder; `None` where it cannot be read.
pub fn of_result(folder: &Path) -> Option<Earlier> {
    let bytes = fs::read(folder.join(RESULT)).ok()?;
    let document: ResultDocument = serde_json::from_slice(&bytes).ok()?;
    // A report's digest is over its files by name, the result document among them.
    let mut files: Vec<(&str, Vec<u8>)> = vec![(RESULT, bytes)];
    for name in document.file_digests.keys().filter(|name| !name.contains('/')) {
        files.push((name, fs::read(folder.join(name)).ok()?));
    }
    files.sort_by_key(|(name, _)| *name);
    let digest = Digest::of_parts(files.iter().flat_map(|(name, bytes)| [name.as_bytes(), bytes.as_slice()]));
    let written = document.files.get("structured_report").filter(|name| !name.contains('/'));
    Some(Earlier {
        study_uid: document.input.study_uid.clone(),
        series_uids: document.input.series_uids.clone(),
        role: document.role,
        report: Predecessor {
            digest: digest.to_string(),
            structured_report: written.and_then(|name| identity(&folder.join(name))),
        },
    })
}

/// The UIDs of an object that this program wrote.
fn identity(path: &Path) -> Option<PredecessorObject> {
    // Series Instance UID comes right before Study ID; nothing after it is of interest.
    let object = dicom_object::OpenFileOptions::new().read_until(tags::STUDY_ID).open_file(path).ok()?;
    let trimmed = |uid: &str| uid.trim_end_matches(['\0', ' ']).to_owned();
    Some(PredecessorObject {
        class_uid: trimmed(object.meta().media_storage_sop_class_uid()),
        uid: trimmed(object.meta().media_storage_sop_instance_uid()),
        series_uid: trimmed(&object.element(tags::SERIES_INSTANCE_UID).ok()?.to_str().ok()?),
    })
}

/// The one of these that an acquisition replaces: of the same study and with the most series in common, the primary
/// first.
pub fn replaced(earlier: &[Earlier], study_uid: &str, source: &Source) -> Option<Predecessor> {
    let shared = |old: &Earlier| {
        let ours = |uid: &&String| source.instances.iter().any(|instance| instance.series_uid == **uid);
        old.series_uids.iter().filter(ours).count()
    };
    earlier
        .iter()
        .filter(|old| old.study_uid.as_deref() == Some(study_uid) && shared(old) > 0)
        .max_by_key(|old| (shared(old), old.role == RoleKind::Primary))
        .map(|old| old.report.clone())
}
