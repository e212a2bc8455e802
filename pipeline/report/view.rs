//! What pictures, pages and objects are drawn from: plain data, so that each can be looked at with made-up values.

use super::result::ResultDocument;
use crate::study::{Grid, Header, Source};
use ndarray::ArrayView2;

/// One study as the composers see it.
pub struct View<'a> {
    /// The numbers and words.
    pub result: ResultDocument,
    /// What the headers say.
    pub header: &'a Header,
    /// The instances and frames it was made from.
    pub source: &'a Source,
    /// The grid, where there is one.
    pub grid: Option<&'a Grid>,
    /// Magnitude, echo × voxel.
    pub magnitude: Option<ArrayView2<'a, f32>>,
    /// The measured region, one flag a voxel.
    pub region: Option<&'a [bool]>,
    /// Code of the reason a voxel of the organ was left out, 0 for none.
    pub excluded: &'a [u8],
    /// The reasons that occur, in order of code.
    pub exclusions: Vec<Exclusion>,
    /// Fitted R2*, 1/s; NaN where not fitted.
    pub r2star: Option<&'a [f32]>,
    /// Residual of the fit relative to the first echo; NaN where not fitted.
    pub residual: Option<&'a [f32]>,
    /// R2* through the calibration, mg/g, where a LIC map is wanted.
    pub lic_map: Option<Vec<f32>>,
    /// The region's decay.
    pub decay: Option<Decay>,
    /// Where a LIC is seen against: thresholds of the follow-up rules, ascending.
    pub thresholds: Vec<Threshold>,
    /// What the uncertainty is made of.
    pub budget: Vec<BudgetLine>,
    /// The equation of the calibration in words.
    pub equation: Option<String>,
    /// Named parameters of the calibration, for the record.
    pub calibration_parameters: Vec<(String, f64)>,
    /// Reviewer, or `None` when nobody has reviewed it.
    pub reviewer: Option<String>,
}

/// A reason for leaving voxels of the organ out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Exclusion {
    /// The code in [`View::excluded`].
    pub code: u8,
    /// Stable word.
    pub word: String,
    /// Number of voxels.
    pub voxels: usize,
}

/// The region's decay: what was measured, what was fitted, what the noise alone would give.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Decay {
    /// Echo times, ms.
    pub times_ms: Vec<f64>,
    /// Median signal over the region.
    pub median: Vec<f64>,
    /// First quartile.
    pub q25: Vec<f64>,
    /// Third quartile.
    pub q75: Vec<f64>,
    /// The fitted curve: time in ms, signal.
    pub curve: Vec<(f64, f64)>,
    /// The fitted signal at each echo time.
    pub fitted: Vec<f64>,
    /// Mean signal of noise alone.
    pub floor: Option<f64>,
}

/// A threshold with what it means.
#[derive(Clone, Debug, PartialEq)]
pub struct Threshold {
    /// mg/g.
    pub lic_mg_per_g: f64,
    /// Of whom it speaks.
    pub condition: String,
    /// What it means, in a few words.
    pub meaning: String,
    /// Where it is published.
    pub source: String,
    /// Probability that the tissue's LIC lies above it.
    pub above: Option<f64>,
}

/// One contribution to the uncertainty.
#[derive(Clone, Debug, PartialEq)]
pub struct BudgetLine {
    /// What it is.
    pub what: String,
    /// Standard uncertainty of R2*, 1/s, where it acts on R2*.
    pub r2star_per_s: Option<f64>,
    /// Standard uncertainty of LIC, mg/g.
    pub lic_mg_per_g: Option<f64>,
    /// Where it comes from.
    pub source: String,
}

impl View<'_> {
    /// Slices, rows, columns; zeros without a grid.
    pub fn shape(&self) -> [usize; 3] {
        self.grid.map_or([0; 3], |g| [g.slices(), g.rows(), g.columns()])
    }

    /// The voxels of one slice in an array over the grid; empty where the array does not reach.
    pub fn slice_of<'b, T>(&self, values: &'b [T], slice: usize) -> &'b [T] {
        let size = self.grid.map_or(0, Grid::slice_voxels);
        values.get(slice * size..(slice + 1) * size).unwrap_or(&[])
    }

    /// Region voxels with a fitted value, in grid order.
    pub fn region_values(&self) -> Vec<f32> {
        let (Some(region), Some(map)) = (self.region, self.r2star) else { return Vec::new() };
        region.iter().zip(map).filter(|&(&inside, r)| inside && r.is_finite()).map(|(_, &r)| r).collect()
    }

    /// The slice to show first: the one with most of the region, else with most signal in the middle of the stack.
    pub fn best_slice(&self) -> usize {
        let slices = self.shape()[0];
        let Some(region) = self.region else { return slices / 2 };
        let area = |slice: usize| self.slice_of(region, slice).iter().filter(|&&v| v).count();
        // The first of several equals, so that the picture does not depend on iteration order.
        (0..slices).max_by_key(|&s| (area(s), std::cmp::Reverse(s))).unwrap_or(0)
    }
}
