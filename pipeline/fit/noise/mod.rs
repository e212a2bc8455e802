//! The noise level of one real channel, from the images themselves.
//!
//! Tried in this order: background air in the corners; where a scanner has blanked the background, the plateau of
//! late echoes in fast-decaying voxels; else the residuals of fits. Then [`Noise::locally`] looks whether the body has
//! another level than that, or one that varies, as parallel imaging makes it.

mod background;
mod chi;
mod local;
mod plateau;
mod residuals;

use super::survey::Survey;
use crate::study::{Acquisition, Finding, Mask, Severity, Stage};
use chi::Tally;
use serde::{Deserialize, Serialize};

/// How the noise level was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoiseMethod {
    /// From air in the corners of the images.
    Background,
    /// From late echoes of voxels that have decayed into the noise.
    Plateau,
    /// From what fits leave over.
    Residuals,
    /// Given, not measured.
    Given,
}

impl NoiseMethod {
    /// The word used in results.
    pub fn word(self) -> &'static str {
        match self {
            Self::Background => "background",
            Self::Plateau => "plateau",
            Self::Residuals => "residuals",
            Self::Given => "given",
        }
    }
}

/// The noise of an acquisition.
#[derive(Clone, Debug)]
pub struct Noise {
    /// Standard deviation of one real channel, in the units of the magnitude; where it varies, the median over what is
    /// being measured.
    pub sigma: f64,
    /// Effective number of coil elements.
    pub coil_elements: f64,
    /// How it was found.
    pub method: NoiseMethod,
    /// One standard error of `sigma` over `sigma`.
    pub relative_uncertainty: f64,
    /// The noise level at each voxel, where it could be seen to vary.
    pub local: Option<Vec<f32>>,
    /// What was noticed.
    pub findings: Vec<Finding>,
}

impl Noise {
    /// A known noise level, exact.
    pub fn given(sigma: f64, coil_elements: f64) -> Self {
        Self {
            sigma,
            coil_elements,
            method: NoiseMethod::Given,
            relative_uncertainty: 0.0,
            local: None,
            findings: Vec::new(),
        }
    }

    /// With a level for each voxel, where the body's own differences say that it varies or is not that of the air.
    pub fn locally(self, acquisition: &Acquisition, survey: &Survey) -> Self {
        match local::estimate(&self, acquisition, survey) {
            Some(found) => found.applied_to(self),
            None => self,
        }
    }

    /// With `sigma` for this region.
    pub fn over(mut self, region: Option<&Mask>) -> Self {
        if let (Some(map), Some(mask)) = (&self.local, region) {
            let mut levels: Vec<f32> = mask.indices().map(|voxel| map[voxel]).collect();
            levels.sort_by(f32::total_cmp);
            self.sigma = levels.get(levels.len() / 2).map_or(self.sigma, |&level| f64::from(level));
        }
        self
    }

    /// For the fit: everywhere the same, or at each voxel.
    pub fn level(&self) -> super::Sigma<'_> {
        match &self.local {
            Some(map) => super::Sigma::PerVoxel(map),
            None => super::Sigma::Uniform(self.sigma),
        }
    }
}

/// The noise of an acquisition. `coil_elements` is what the profile knows; without it the number is estimated from
/// the shape of the background's distribution, and is 1 where there is no background.
pub fn estimate_noise(acquisition: &Acquisition, coil_elements: Option<f64>) -> Noise {
    let normalised = acquisition.header().intensity_normalised == Some(true);
    let background = if normalised { None } else { background::estimate(acquisition) };
    if let Some(tally) = background {
        return from_tally(&tally, NoiseMethod::Background, coil_elements);
    }
    if let Some(tally) = plateau::estimate(acquisition) {
        return from_tally(&tally, NoiseMethod::Plateau, coil_elements);
    }
    residuals::estimate(acquisition, coil_elements.unwrap_or(1.0))
}

/// Quantile of the squared differences that is still noise where edges, vessels and movement make some of them large,
/// and its normal deviate.
const QUANTILE: f64 = 0.3;
const DEVIATE: f64 = -0.5244;

/// Variance behind values that are, but for large ones, chi-squared over its degrees of freedom (quantile by Wilson and
/// Hilferty, PNAS 1931). `None` without values or freedom.
fn robust_variance(values: &mut [f64], freedom: f64) -> Option<f64> {
    if freedom < 1.0 || values.is_empty() {
        return None;
    }
    values.sort_by(f64::total_cmp);
    let value = values[((values.len() - 1) as f64 * QUANTILE) as usize];
    let part = 2.0 / (9.0 * freedom);
    Some(value / (1.0 - part + DEVIATE * part.sqrt()).powi(3))
}

/// Level and number of elements from samples of pure noise.
fn from_tally(tally: &Tally, method: NoiseMethod, coil_elements: Option<f64>) -> Noise {
    let shape = tally.coil_elements();
    let n = coil_elements.unwrap_or_else(|| shape.clamp(1.0, 64.0));
    let mut noise = Noise { method, relative_uncertainty: tally.uncertainty(n), ..Noise::given(tally.sigma(n), n) };
    if let Some(given) = coil_elements {
        // A shape this far from the profile's number is not explained by chance.
        if (shape / given).max(given / shape) > 1.5 {
            noise.findings.push(
                Finding::new(
                    Stage::Fit,
                    Severity::Note,
                    "coil-elements-differ",
                    "The distribution of the noise does not look like that of the number of coil elements in the \
                     profile.",
                )
                .expected(format!("{} coil elements", crate::study::text::plain(given)))
                .found(format!("about {}", crate::study::text::plain(shape)))
                .attribute("effective number of coil elements"),
            );
        }
    }
    noise
}
