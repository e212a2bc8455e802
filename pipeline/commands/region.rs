//! Which region an acquisition is measured in: one delivered beside it where it fits, else the one found.

use crate::fit::{Noise, Survey};
use crate::intake::{RegionFile, RegionFileKind};
use crate::protocol::RegionLimits;
use crate::roi::{self, Region, RegionFormat, SuppliedFile};
use crate::study::{Acquisition, Finding};

/// The region, and why delivered ones were not used. The first delivered region that lies on the acquisition's grid
/// replaces the automatic one; where none does, the liver is searched for and every refusal is a finding.
pub fn of_acquisition(
    acquisition: &Acquisition,
    survey: &Survey,
    noise: &Noise,
    limits: &RegionLimits,
    files: &[RegionFile],
) -> (Region, Vec<Finding>) {
    let mut refused = Vec::new();
    for file in files {
        let name = file.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let format = match file.kind {
            RegionFileKind::Seg => RegionFormat::Seg,
            RegionFileKind::Nifti => RegionFormat::Nifti,
        };
        let supplied = SuppliedFile { name: &name, format, bytes: &file.bytes };
        match roi::supplied(acquisition, survey, limits, &supplied) {
            Ok(given) => return (given.whole, Vec::new()),
            Err(finding) => refused.push(finding),
        }
    }
    (roi::find(acquisition, survey, noise, limits), refused)
}
