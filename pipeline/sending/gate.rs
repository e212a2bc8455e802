//! Which files of a result go to a destination, and which of them may leave before a person has released it.

use super::destination::{Destination, Unreleased, Way};
use crate::report::{RESULT, ResultDocument, RoleKind};
use crate::study::Verdict;

/// What an archive may take UNVERIFIED. The page as a document is not among them: it leaves as the page does.
const ARCHIVE: [&str; 6] = ["excluded", "roi", "r2star_map", "lic_map", "qc_capture", "structured_report"];

/// One file for one destination.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Planned {
    /// What it is.
    pub purpose: String,
    /// Its name in the result's folder.
    pub file: String,
    /// Whether it leaves without being released.
    pub leaves: bool,
}

/// What goes to a destination, in the order it is sent: a report follows the objects it refers to.
pub fn plan(result: &ResultDocument, destination: &Destination) -> Vec<Planned> {
    let document = ("result".to_owned(), RESULT.to_owned());
    let files = result.files.iter().map(|(purpose, file)| (purpose.clone(), file.clone())).chain([document]);
    let mut planned: Vec<Planned> = files
        .filter(|(purpose, file)| carries(&destination.way, purpose, file))
        .filter(|(purpose, _)| destination.files.is_empty() || destination.files.contains(purpose))
        .map(|(purpose, file)| Planned { leaves: leaves(result, destination, &purpose), purpose, file })
        .collect();
    planned.sort_by_key(|p| ARCHIVE.iter().position(|a| *a == p.purpose).unwrap_or(ARCHIVE.len()));
    planned
}

fn carries(way: &Way, purpose: &str, file: &str) -> bool {
    match way {
        Way::CStore(_) | Way::Stow(_) => file.ends_with(".dcm"),
        Way::Fhir(_) => purpose == "fhir",
        Way::Mllp(_) => purpose == "hl7",
        Way::Folder(_) => true,
    }
}

/// An acquisition that does not stand for its study never leaves by itself: two values for one study would compete.
fn leaves(result: &ResultDocument, destination: &Destination, purpose: &str) -> bool {
    let archive = ARCHIVE.contains(&purpose);
    result.role == RoleKind::Primary
        && match destination.unreleased {
            Unreleased::Nothing => false,
            Unreleased::ArchiveObjects => archive,
            Unreleased::ClearResults => archive || result.verdict == Verdict::Clear,
        }
}
