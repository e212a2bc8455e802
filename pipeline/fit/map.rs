//! The fitted map: the chosen model inside and around the region.

use super::Sigma;
use super::batch::Maps;
use super::choose::Choice;
use super::complex::fit_complex;
use super::fat;
use super::model::{Model, ModelSettings, fit};
use super::noise::Noise;
use super::shared_fat::{SharedFat, shared_fat};
use super::survey::Survey;
use crate::protocol::CheckedAcquisition;
use crate::study::{Acquisition, Finding, Mask, ModelKind, Severity, Stage};
use ndarray::Axis;

/// Voxels fitted beyond the region's edge, in the plane, so that a picture shows its surroundings.
const MARGIN: usize = 4;
/// Voxels of the region that are asked for the fat they share: more would change it by less than its error.
const ASKED: usize = 3000;

/// R2* with standard error and state for every voxel in and around the region. Made only by [`map`].
#[derive(Debug)]
pub struct FittedMap {
    checked: CheckedAcquisition,
    noise: Noise,
    survey: Survey,
    choice: Choice,
    maps: Maps,
    shared_fat: Option<SharedFat>,
    fat_told: bool,
    findings: Vec<Finding>,
}

impl FittedMap {
    /// The checked acquisition.
    pub fn checked(&self) -> &CheckedAcquisition {
        &self.checked
    }
    /// The acquisition.
    pub fn acquisition(&self) -> &Acquisition {
        self.checked.acquisition()
    }
    /// Its noise.
    pub fn noise(&self) -> &Noise {
        &self.noise
    }
    /// The survey of the whole image.
    pub fn survey(&self) -> &Survey {
        &self.survey
    }
    /// The model and why.
    pub fn choice(&self) -> &Choice {
        &self.choice
    }
    /// Maps on the full grid; not tried outside the neighbourhood of the region.
    pub fn maps(&self) -> &Maps {
        &self.maps
    }
    /// What the region's voxels said of their fat together, and were then fitted with; fat-corrected model only.
    pub fn shared_fat(&self) -> Option<&SharedFat> {
        self.shared_fat.as_ref()
    }
    /// Whether the map's fat fraction may be told; a finding says why not.
    pub fn fat_told(&self) -> bool {
        self.fat_told
    }
    /// What the noise estimate and the fit noticed.
    pub fn findings(&self) -> &[Finding] {
        &self.findings
    }
}

/// Fits the chosen model in the region and four voxels around it; without a region, wherever the survey saw a decay,
/// so that a refused study still has its map. Where the model cannot run on these images the acquisition comes back
/// with the finding that says why.
pub fn map(
    checked: CheckedAcquisition,
    noise: Noise,
    survey: Survey,
    around: Option<&Mask>,
    choice: Choice,
) -> Result<FittedMap, Box<(CheckedAcquisition, Finding)>> {
    let acquisition = checked.acquisition();
    let voxels = around.map_or_else(|| survey.decaying(), neighbourhood);
    let region: Vec<usize> = around.map_or_else(|| voxels.clone(), |mask| mask.indices().collect());
    let fitted = fit_voxels(acquisition, &noise, &choice, &voxels, &region);
    let Part { maps: part, shared_fat, finding: more } = match fitted {
        Ok(found) => found,
        Err(reason) => {
            let finding = Finding::new(
                Stage::Fit,
                Severity::Stop,
                "model-impossible",
                format!("The {} model cannot be fitted to these images: {reason}.", choice.kind),
            )
            .attribute("signal model")
            .advice("Let the profile choose the model (model: auto), or acquire what the model needs.");
            return Err(Box::new((checked, finding)));
        }
    };
    let mut maps = Maps::untried(acquisition.grid().voxels());
    maps.place(&part, voxels.iter().copied());
    let mut findings = noise.findings.clone();
    findings.extend(more);
    let untold = fat::untold(&maps, &region, choice.kind, shared_fat.as_ref());
    let fat_told = untold.is_none();
    findings.extend(untold);
    Ok(FittedMap { checked, noise, survey, choice, maps, shared_fat, fat_told, findings })
}

/// Maps of some voxels, and what was noticed.
struct Part {
    maps: Maps,
    shared_fat: Option<SharedFat>,
    finding: Option<Finding>,
}

/// Maps of the listed voxels; those of the region share their fat.
fn fit_voxels(
    acquisition: &Acquisition,
    noise: &Noise,
    choice: &Choice,
    voxels: &[usize],
    region: &[usize],
) -> Result<Part, String> {
    let times = acquisition.echo_seconds();
    let field_strength = acquisition.header().scanner.field_strength.map(|t| t.0);
    let settings = ModelSettings { field_strength, ..ModelSettings::default() };
    let model = Model::new(choice.kind, &times, &settings).map_err(|error| error.to_string())?;
    if choice.kind == ModelKind::Complex {
        let images = acquisition.complex().ok_or("there are no phase or real and imaginary images")?;
        let grid = acquisition.grid();
        let shape = [grid.slices(), grid.rows(), grid.columns()];
        let (real, imaginary) = (images.real.view(), images.imaginary.view());
        let (maps, swaps) = fit_complex(&model, real, imaginary, noise.level(), shape, voxels);
        return Ok(Part { maps, shared_fat: None, finding: fat::swaps(&swaps) });
    }
    let chosen = |voxels: &[usize]| {
        let samples = acquisition.magnitude().select(Axis(1), voxels);
        let local: Option<Vec<f32>> = noise.local.as_ref().map(|map| voxels.iter().map(|&v| map[v]).collect());
        (samples, local)
    };
    let uniform = Sigma::Uniform(noise.sigma);
    let shared_fat = (choice.kind == ModelKind::FatCorrected).then(|| {
        let asked: Vec<usize> = region.iter().copied().step_by(region.len().div_ceil(ASKED).max(1)).collect();
        let (samples, local) = chosen(&asked);
        shared_fat(
            &times,
            &settings,
            samples.view(),
            local.as_deref().map_or(uniform, Sigma::PerVoxel),
            noise.coil_elements,
        )
    });
    let shared_fat = shared_fat.flatten();
    let settings = ModelSettings { fat_prior: shared_fat.map(|s| s.prior), ..settings };
    let model = Model::new(choice.kind, &times, &settings).map_err(|error| error.to_string())?;
    let (samples, local) = chosen(voxels);
    let maps = fit(&model, samples.view(), local.as_deref().map_or(uniform, Sigma::PerVoxel), noise.coil_elements);
    Ok(Part { maps, shared_fat, finding: None })
}

/// Voxels of the region and within the margin of it in its plane, ascending.
fn neighbourhood(around: &Mask) -> Vec<usize> {
    let [slices, rows, columns] = around.shape();
    let mut near = vec![false; slices * rows * columns];
    for index in around.indices() {
        let (slice, row, column) = (index / (rows * columns), index / columns % rows, index % columns);
        // Only the ends of the span matter for a run of voxels, but filling is cheap enough.
        for r in row.saturating_sub(MARGIN)..(row + MARGIN + 1).min(rows) {
            let line = (slice * rows + r) * columns;
            near[line + column.saturating_sub(MARGIN)..line + (column + MARGIN + 1).min(columns)].fill(true);
        }
    }
    near.iter().enumerate().filter_map(|(index, &inside)| inside.then_some(index)).collect()
}
