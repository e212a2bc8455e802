//! What the room hands on: the measured region, what was left out of the organ and why, and how sure it is.

use super::supplied::NamedRegion;
use crate::study::{Finding, Mask};
use serde::{Deserialize, Serialize};

/// Why a voxel of the organ is not measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[repr(u8)]
pub enum Exclusion {
    /// Measured, or not part of the organ.
    None = 0,
    /// A hepatic or portal vessel.
    Vessel = 1,
    /// Gallbladder or a bile duct: fluid, long-lived signal.
    BileOrGallbladder = 2,
    /// A focal lesion.
    Lesion = 3,
    /// The organ's edge, shared with its neighbour.
    Edge = 4,
    /// Under the lung, where the field changes steeply.
    Dome = 5,
    /// Beside gas, where the field changes steeply.
    NearGas = 6,
    /// Padding or a saturated sample.
    Flawed = 7,
    /// The survey gave no decay rate.
    Unfitted = 8,
    /// A decay rate far from its surroundings for no reason above.
    Outlier = 9,
}

impl Exclusion {
    /// Every reason, in order of code.
    pub const REASONS: [Self; 9] = [
        Self::Vessel,
        Self::BileOrGallbladder,
        Self::Lesion,
        Self::Edge,
        Self::Dome,
        Self::NearGas,
        Self::Flawed,
        Self::Unfitted,
        Self::Outlier,
    ];

    /// The stable kebab-case word used in documents.
    pub fn word(self) -> &'static str {
        match self {
            Self::None => "none",
            Self::Vessel => "vessel",
            Self::BileOrGallbladder => "bile-or-gallbladder",
            Self::Lesion => "lesion",
            Self::Edge => "edge",
            Self::Dome => "dome",
            Self::NearGas => "near-gas",
            Self::Flawed => "flawed",
            Self::Unfitted => "unfitted",
            Self::Outlier => "outlier",
        }
    }

    /// The reason with this code.
    pub fn from_code(code: u8) -> Option<Self> {
        std::iter::once(Self::None).chain(Self::REASONS).find(|reason| *reason as u8 == code)
    }
}

/// How many organ voxels were left out for one reason.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ExcludedCount {
    /// The reason.
    pub reason: Exclusion,
    /// Voxels of the whole grid.
    pub voxels: usize,
}

/// One slice of the region.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SliceStatistics {
    /// Index of the slice in the grid.
    pub slice: usize,
    /// Voxels of the region in it.
    pub voxels: usize,
    /// Area of the region, mm².
    pub area_mm2: f64,
    /// Median R2* of the survey, 1/s.
    pub median_r2star: f64,
}

/// What can be said of the region as a whole. `None` where it was not measured.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RegionMeasures {
    /// Voxels measured.
    pub voxels: usize,
    /// Voxels of the organ, measured or not.
    pub organ_voxels: usize,
    /// Slices with at least one measured voxel.
    pub slices: usize,
    /// Area in the largest slice, mm².
    pub area_mm2: f64,
    /// Volume, ml.
    pub volume_ml: Option<f64>,
    /// Share of the trunk's cross-section taken by the organ, over the slices that hold it.
    pub body_share: Option<f64>,
    /// Centre in body-normalised coordinates: -1 at the patient's right skin to 1 at the left, -1 at the front
    /// skin to 1 at the back.
    pub position: Option<[f64; 2]>,
    /// Median R2* of the survey over the region, 1/s.
    pub median_r2star: Option<f64>,
    /// Robust coefficient of variation of R2* beyond noise.
    pub heterogeneity: Option<f64>,
    /// Share of the variance of ln R2* explained by the best split into two classes (Otsu 1979).
    pub bimodality: Option<f64>,
    /// Median of the left part over that of the right part, minus one.
    pub lobe_difference: Option<f64>,
    /// Largest relative change of the median under erosion and dilation by one voxel.
    pub instability: Option<f64>,
    /// Dice of the organs found from two independent starts.
    pub agreement: Option<f64>,
    /// Tissue like the organ's that was left out, as a share of the organ.
    pub left_out: Option<f64>,
    /// Share of the organ that lies where a liver seldom does.
    pub unlikely_place: Option<f64>,
    /// Share of the organ's outline that follows no edge in the images.
    pub open_border: Option<f64>,
    /// What was left out, by reason; reasons with no voxel are absent.
    pub excluded: Vec<ExcludedCount>,
    /// Slice by slice, for slices with part of the region.
    pub by_slice: Vec<SliceStatistics>,
}

/// The liver region of one acquisition. Made only by this room.
#[derive(Clone, Debug)]
pub struct Region {
    pub(super) mask: Option<Mask>,
    pub(super) excluded: Vec<u8>,
    pub(super) organ: Vec<bool>,
    pub(super) measures: RegionMeasures,
    pub(super) named: Vec<NamedRegion>,
    pub(super) findings: Vec<Finding>,
}

impl Region {
    /// The same region with one more finding.
    pub(super) fn with(mut self, finding: Finding) -> Self {
        self.findings.push(finding);
        self
    }
    /// The measured voxels; `None` where there is no region fit to give a number, with a `stop` among the findings.
    pub fn mask(&self) -> Option<&Mask> {
        self.mask.as_ref()
    }
    /// For each voxel of the grid, an [`Exclusion`] as its code; 0 outside the organ and where measured.
    pub fn excluded(&self) -> &[u8] {
        &self.excluded
    }
    /// Whether each voxel of the grid belongs to the organ, measured or not.
    pub fn organ(&self) -> &[bool] {
        &self.organ
    }
    /// What can be said of the region.
    pub fn measures(&self) -> &RegionMeasures {
        &self.measures
    }
    /// Every region of the file it was read from with at least one square centimetre; none where it was found.
    pub fn named(&self) -> &[NamedRegion] {
        &self.named
    }
    /// What the room noticed.
    pub fn findings(&self) -> &[Finding] {
        &self.findings
    }
}

/// Dice coefficient 2|A∩B|/(|A|+|B|) (Dice 1945); 1 where both are empty.
pub fn dice(a: &[bool], b: &[bool]) -> f64 {
    let both = a.iter().zip(b).filter(|&(&a, &b)| a && b).count();
    let sum = a.iter().filter(|&&v| v).count() + b.iter().filter(|&&v| v).count();
    if sum == 0 { 1.0 } else { 2.0 * both as f64 / sum as f64 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_and_reasons_are_inverse() {
        for reason in Exclusion::REASONS {
            assert_eq!(Exclusion::from_code(reason as u8), Some(reason));
        }
        assert_eq!(Exclusion::from_code(0), Some(Exclusion::None));
        assert_eq!(Exclusion::from_code(10), None);
    }

    #[test]
    fn dice_of_known_sets() {
        assert_eq!(dice(&[true, true, false], &[true, false, false]), 2.0 / 3.0);
        assert_eq!(dice(&[false; 3], &[false; 3]), 1.0);
        assert_eq!(dice(&[true, false], &[false, true]), 0.0);
    }
}
