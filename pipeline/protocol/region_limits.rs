//! What a profile asks of the liver region.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Limits on the liver region. Below the sizes there is no number; beyond the others a person must look.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct RegionLimits {
    /// Smallest area of the region in its largest slice, mm². Below it there is no number. The trade's
    /// smallest region of interest is 1 cm² (common practice, no source).
    #[serde(rename = "min area mm2")]
    pub min_area_mm2: f64,
    /// Smallest volume, ml, where the slice spacing is known. Below it there is no number.
    #[serde(rename = "min volume ml")]
    pub min_volume_ml: f64,
    /// Fewest voxels. Below it there is no number.
    #[serde(rename = "min voxels")]
    pub min_voxels: usize,
    /// Fewest slices with part of the region.
    #[serde(rename = "min slices")]
    pub min_slices: usize,
    /// Smallest share of the trunk's cross-section, over the slices that hold part of the region.
    #[serde(rename = "min body share")]
    pub min_body_share: f64,
    /// Largest share of the trunk's cross-section.
    #[serde(rename = "max body share")]
    pub max_body_share: f64,
    /// Largest robust coefficient of variation of R2* inside the region beyond what noise explains.
    #[serde(rename = "max heterogeneity")]
    pub max_heterogeneity: f64,
    /// Largest share of the variance of ln R2* that a split into two classes explains. 0.64 for one normal
    /// population; near 1 for two separate ones.
    #[serde(rename = "max bimodality")]
    pub max_bimodality: f64,
    /// Largest relative difference between the medians of the right and left parts.
    #[serde(rename = "max lobe difference")]
    pub max_lobe_difference: f64,
    /// Largest relative change of the median when the region is eroded or dilated by one voxel.
    #[serde(rename = "max instability")]
    pub max_instability: f64,
    /// Smallest agreement (Dice) between two independent starts. Below it a person must look.
    #[serde(rename = "min agreement")]
    pub min_agreement: f64,
    /// Agreement below which there is no number.
    #[serde(rename = "stop agreement")]
    pub stop_agreement: f64,
    /// Largest amount of tissue like the liver's that was left out, as a share of the liver.
    #[serde(rename = "max left out")]
    pub max_left_out: f64,
    /// Largest share of the liver that lies where a liver seldom does.
    #[serde(rename = "max unlikely place")]
    pub max_unlikely_place: f64,
    /// Largest share of the liver's outline that follows no edge in the images. There the outline is a guess.
    #[serde(rename = "max open border")]
    pub max_open_border: f64,
}

impl Default for RegionLimits {
    fn default() -> Self {
        Self {
            min_area_mm2: 400.0,
            min_volume_ml: 4.0,
            min_voxels: 100,
            min_slices: 1,
            min_body_share: 0.06,
            max_body_share: 0.55,
            max_heterogeneity: 0.35,
            max_bimodality: 0.82,
            max_lobe_difference: 0.25,
            max_instability: 0.05,
            min_agreement: 0.85,
            stop_agreement: 0.5,
            max_left_out: 0.25,
            max_unlikely_place: 0.25,
            max_open_border: 0.14,
        }
    }
}

impl RegionLimits {
    /// The first limit that is not a number a region could have, as a sentence.
    pub(super) fn complaint(&self) -> Option<String> {
        let limits = [
            ("min area mm2", self.min_area_mm2, 1e6),
            ("min volume ml", self.min_volume_ml, 1e4),
            ("min body share", self.min_body_share, 1.0),
            ("max body share", self.max_body_share, 1.0),
            ("max heterogeneity", self.max_heterogeneity, 10.0),
            ("max bimodality", self.max_bimodality, 1.0),
            ("max lobe difference", self.max_lobe_difference, 10.0),
            ("max instability", self.max_instability, 10.0),
            ("min agreement", self.min_agreement, 1.0),
            ("stop agreement", self.stop_agreement, 1.0),
            ("max left out", self.max_left_out, 10.0),
            ("max unlikely place", self.max_unlikely_place, 1.0),
            ("max open border", self.max_open_border, 1.0),
        ];
        limits
            .iter()
            .find(|(_, value, highest)| !(0.0..=*highest).contains(value))
            .map(|(key, value, highest)| format!("`{key}` is {value}; it must lie between 0 and {highest}"))
    }
}
