//! The region's R2*: order statistics over its voxels and the error of their median.

use super::range::median_error;
use super::stats::{Z95, mean, quantile, sorted, standard_deviation};
use crate::fit::{Maps, State};
use crate::study::{Grid, Mask};
use serde::Serialize;

/// R2* of the region.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct R2StarSummary {
    /// Median in /s over voxels with a rank: fitted ones, and those beyond what the echoes can tell as higher or
    /// lower than any value.
    pub median: f64,
    /// Mean of the fitted voxels.
    pub mean: f64,
    /// Standard deviation of the fitted voxels.
    pub sd: f64,
    /// Lower quartile.
    pub q25: f64,
    /// Upper quartile.
    pub q75: f64,
    /// 95 % interval of the median for this scan alone: fit, noise level, region.
    pub low: f64,
    /// See `low`.
    pub high: f64,
    /// Level of the interval.
    pub level: f64,
    /// Standard error of the median for this scan alone.
    pub standard_error: f64,
    /// Part of it from the fit of noisy, spatially correlated samples.
    pub fit_error: f64,
    /// Part of it from the noise level.
    pub noise_level_error: f64,
    /// Part of it from the choice of region.
    pub region_error: f64,
    /// Part of it from the fat fraction that the region's voxels share.
    pub fat_error: f64,
    /// Voxels of the region.
    pub voxels: usize,
    /// Of them fitted.
    pub fitted: usize,
    /// Beyond the highest R2* the echoes can tell, or without signal in a body that gives signal.
    pub beyond: usize,
    /// Below the lowest.
    pub below: usize,
    /// Neither fitted nor ranked.
    pub failed: usize,
    /// Voxels with independent noise that carry as much as these.
    pub independent: f64,
}

/// Ranks of the region's voxels with where they lie.
pub(super) struct Ranks {
    /// Voxel index and rank, in grid order.
    pub(super) ranked: Vec<(usize, f64)>,
    /// Sorted ranks.
    pub(super) order: Vec<f64>,
    pub(super) fitted: usize,
    pub(super) beyond: usize,
    pub(super) below: usize,
    pub(super) failed: usize,
}

impl Ranks {
    /// Over the region. `dark_is_high`: a voxel without signal decayed before the first echo, because the body
    /// around it gives signal.
    pub(super) fn of(maps: &Maps, mask: &Mask, dark_is_high: bool) -> Self {
        let (mut ranked, mut fitted, mut beyond, mut below, mut failed) = (Vec::new(), 0, 0, 0, 0);
        for voxel in mask.indices() {
            let state = maps.state.get(voxel).copied().unwrap_or_default();
            let rank = match state {
                State::NoSignal if dark_is_high => Some(f64::INFINITY),
                State::NoSignal => None,
                _ => maps.ranked(voxel),
            };
            match rank {
                Some(v) if v == f64::INFINITY => beyond += 1,
                Some(v) if v == f64::NEG_INFINITY => below += 1,
                Some(_) => fitted += 1,
                None => failed += 1,
            }
            ranked.extend(rank.map(|r| (voxel, r)));
        }
        let order = sorted(&ranked.iter().map(|(_, r)| *r).collect::<Vec<_>>());
        Self { ranked, order, fitted, beyond, below, failed }
    }

    /// Median; `None` without ranks, infinite where most voxels are beyond.
    pub(super) fn median(&self) -> Option<f64> {
        quantile(&self.order, 0.5)
    }

    /// The summary, where the median is a number. `independent` is the effective number of voxels,
    /// `noise_level_error` the error of the median from σ, `fat_error` that from the fat the voxels share.
    pub(super) fn summary(
        &self,
        grid: &Grid,
        independent: f64,
        noise_level_error: f64,
        fat_error: f64,
    ) -> Option<R2StarSummary> {
        let median = self.median().filter(|m| m.is_finite())?;
        let values: Vec<f64> = self.ranked.iter().map(|(_, r)| *r).filter(|r| r.is_finite()).collect();
        let highest = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let lowest = values.iter().copied().fold(f64::INFINITY, f64::min);
        // A quartile among the voxels beyond the limits is at least (at most) the last value there is.
        let quartile = |q| quantile(&self.order, q).map_or(median, |v| v.clamp(lowest, highest));
        let clipped: Vec<f64> = self.order.iter().map(|r| r.clamp(lowest, highest)).collect();
        let fit_error = median_error(&clipped, independent);
        let region_error = self.region_error(grid, median, fit_error);
        let parts = [fit_error, noise_level_error, region_error, fat_error];
        let standard_error = parts.iter().map(|p| p * p).sum::<f64>().sqrt();
        Some(R2StarSummary {
            median,
            mean: mean(&values)?,
            sd: standard_deviation(&values).unwrap_or(0.0),
            q25: quartile(0.25),
            q75: quartile(0.75),
            low: median - Z95 * standard_error,
            high: median + Z95 * standard_error,
            level: 0.95,
            standard_error,
            fit_error,
            noise_level_error,
            region_error,
            fat_error,
            voxels: self.ranked.len() + self.failed,
            fitted: self.fitted,
            beyond: self.beyond,
            below: self.below,
            failed: self.failed,
            independent,
        })
    }

    /// How much the median depends on which part of the organ is measured: the spread of the medians of separate
    /// parts (each slice, left and right of the region's middle), weighted by size, beyond what noise gives.
    fn region_error(&self, grid: &Grid, median: f64, fit_error: f64) -> f64 {
        let columns = grid.columns();
        let area = grid.rows() * columns;
        let mut all_columns: Vec<usize> = self.ranked.iter().map(|(v, _)| v % columns).collect();
        all_columns.sort_unstable();
        let middle = all_columns.get(all_columns.len() / 2).copied().unwrap_or(0);
        let mut parts = vec![Vec::new(); grid.slices() * 2];
        for (voxel, rank) in &self.ranked {
            let half = usize::from(voxel % columns >= middle);
            if let Some(part) = parts.get_mut(voxel / area * 2 + half) {
                part.push(*rank);
            }
        }
        let total = self.ranked.len() as f64;
        let parts: Vec<(f64, f64)> = parts
            .iter()
            .filter(|p| p.len() >= 20)
            .filter_map(|p| Some((p.len() as f64 / total, quantile(&sorted(p), 0.5)?)))
            .filter(|(_, m)| m.is_finite())
            .collect();
        let count = parts.len() as f64;
        if count < 2.0 {
            return 0.0;
        }
        let squares: f64 = parts.iter().map(|(share, m)| (share * (m - median)) * (share * (m - median))).sum();
        let between = squares * count / (count - 1.0);
        (between - fit_error * fit_error).max(0.0).sqrt()
    }
}

/// R2* of a region of bare maps: what [`read`](super::read) does, for regions that are simulated without images.
/// `dark_is_high`: a voxel without signal decayed before the first echo. `independent` is the effective number of
/// voxels, `noise_level` the error of the median from σ at a given R2*, `fat_error` that from the fat the voxels share.
/// `None` where the median is not a number.
pub fn summarise(
    maps: &Maps,
    mask: &Mask,
    grid: &Grid,
    dark_is_high: bool,
    independent: f64,
    noise_level: impl Fn(f64) -> f64,
    fat_error: f64,
) -> Option<R2StarSummary> {
    let ranks = Ranks::of(maps, mask, dark_is_high);
    let median = ranks.median()?;
    ranks.summary(grid, independent, noise_level(median), fat_error)
}

/// Fat fraction of the region.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct FatSummary {
    /// Median, percent.
    pub median: f64,
    /// 95 % interval of the median for this scan alone.
    pub low: f64,
    /// See `low`.
    pub high: f64,
    /// Level of the interval.
    pub level: f64,
}

/// From fitted voxels of a model with fat; `None` for other models. `shared_error` is the standard error of the fat
/// fraction that the voxels share.
pub(super) fn fat_summary(maps: &Maps, mask: &Mask, independent: f64, shared_error: f64) -> Option<FatSummary> {
    let values: Vec<f64> = mask
        .indices()
        .filter(|&v| maps.state.get(v) == Some(&State::Fitted))
        .filter_map(|v| maps.fat_fraction.get(v).map(|f| 100.0 * f64::from(*f)))
        .filter(|f| f.is_finite())
        .collect();
    let order = sorted(&values);
    let median = quantile(&order, 0.5)?;
    let error = median_error(&order, independent.min(values.len() as f64)).max(100.0 * shared_error);
    if !error.is_finite() {
        return None;
    }
    Some(FatSummary { median, low: median - Z95 * error, high: median + Z95 * error, level: 0.95 })
}
