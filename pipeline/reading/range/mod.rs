//! What an acquisition can measure: by the Cramér-Rao bound, and by simulation through the same estimator.
//!
//! For a ladder of true R2* the expected error of the region's median is put together from
//! - bias: the median of simulated voxels against the truth;
//! - chance: the spread of the simulated voxels over the effective number of independent voxels;
//! - noise level: what one standard uncertainty of σ does to the result;
//! - echoes: what a signal that differs by one percent from echo to echo does to it.
//!
//! The range is where their root sum of squares stays below five percent of R2*, and at its upper end the chance error
//! of a single voxel below 30 %: beyond it a region's exclusions and its noise pick each other, and the median
//! is one of survivors. The last part of the error sets the lower end:
//! however many voxels there are, a decay of a percent or two over the whole train cannot be told from that.

mod information;

pub use information::Information;

use super::stats::{quantile, sorted};
use crate::fit::{Draws, Model, Sigma, fit, mean_signal};
use ndarray::Array2;
use serde::Serialize;

/// When an R2* counts as measurable.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Criterion {
    /// Most relative error of the region's median.
    pub relative_error: f64,
    /// Standard deviation of the signal from echo to echo beyond noise and decay, as a fraction: gradient delays,
    /// eddy currents, digitisation. Common practice, no source.
    pub echo_consistency: f64,
    /// At the upper end, most relative chance error of one voxel (median less 16th percentile, as voxels beyond the
    /// echoes have no value above it). Common practice, no source: with more, what noise makes of a voxel decides
    /// whether it counts as liver.
    pub voxel_error: f64,
}

impl Default for Criterion {
    fn default() -> Self {
        Self { relative_error: 0.05, echo_consistency: 0.01, voxel_error: 0.3 }
    }
}

impl Criterion {
    /// As a person reads it.
    pub fn words(&self) -> String {
        format!(
            "relative error of the region's median below {} %, from bias, chance, the noise level's uncertainty and a \
             signal that differs by {} % from echo to echo; at the upper end one voxel's chance error below {} %",
            crate::study::text::plain(100.0 * self.relative_error),
            crate::study::text::plain(100.0 * self.echo_consistency),
            crate::study::text::plain(100.0 * self.voxel_error)
        )
    }
}

/// What the range is asked for.
#[derive(Clone, Copy, Debug)]
pub struct Question<'a> {
    /// Signal model with its echo times.
    pub model: &'a Model,
    /// S0 over σ of one real channel.
    pub snr: f64,
    /// Effective number of coil elements.
    pub coil_elements: f64,
    /// Relative standard uncertainty of σ.
    pub sigma_uncertainty: f64,
    /// Effective number of independent voxels in the region.
    pub voxels: f64,
    /// When an R2* counts as measurable.
    pub criterion: Criterion,
    /// Simulated voxels for each R2*.
    pub draws: usize,
}

/// Simulated voxels for each R2* when an acquisition is read.
pub const DRAWS: usize = 800;

/// One true R2* of the ladder. Rates in /s; infinite where the estimator gives nothing.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct RangePoint {
    /// Truth.
    pub r2star: f64,
    /// Median of the simulated voxels.
    pub median: f64,
    /// Half the span between their 16th and 84th percentile.
    pub spread: f64,
    /// From their 16th percentile to the median; finite where voxels beyond the echoes lie above it.
    pub below: f64,
    /// Cramér-Rao bound of one voxel (standard deviation), for a decay with unknown S0.
    pub bound: f64,
    /// Chance error of the region's median.
    pub chance: f64,
    /// Error from one standard uncertainty of the noise level.
    pub noise_level: f64,
    /// Error from signal that differs from echo to echo.
    pub echoes: f64,
}

impl RangePoint {
    /// Median minus truth.
    pub fn bias(&self) -> f64 {
        self.median - self.r2star
    }

    /// Expected relative error of the region's median.
    pub fn relative_error(&self) -> f64 {
        let parts = [self.bias(), self.chance, self.noise_level, self.echoes];
        parts.iter().map(|p| p * p).sum::<f64>().sqrt() / self.r2star
    }
}

/// The ladder and the range that follows.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RangeCurve {
    /// Ascending in truth.
    pub points: Vec<RangePoint>,
    /// Lowest and highest measurable R2* in /s; `None` where nothing is measurable.
    pub limits: Option<[f64; 2]>,
    /// What was asked.
    pub criterion: Criterion,
}

impl RangeCurve {
    /// A quantity of the ladder at this R2*, linear in the logarithm of R2*; the ends continue flat.
    pub fn at(&self, r2star: f64, of: impl Fn(&RangePoint) -> f64) -> Option<f64> {
        let above = self.points.partition_point(|p| p.r2star < r2star);
        let high = self.points.get(above.min(self.points.len().checked_sub(1)?))?;
        let low = self.points.get(above.saturating_sub(1))?;
        if above == 0 || above == self.points.len() {
            return Some(of(high));
        }
        let part = libm::log(r2star / low.r2star) / libm::log(high.r2star / low.r2star);
        Some(of(low) + part * (of(high) - of(low)))
    }
}

/// Steps of the ladder: each 1.2 times the one before.
const RATIO: f64 = 1.2;
/// Lowest rung in /s.
const LOWEST: f64 = 2.0;

/// The measuring range of an echo train with a model, by simulation through the model's own fit.
/// Deterministic: fixed seeds, the same draws at every rung.
pub fn measuring_range(question: &Question<'_>) -> RangeCurve {
    let Question { model, snr, coil_elements, criterion, .. } = *question;
    let times = model.echo_times();
    let (first, shortest) = shortest_times(times);
    // Beyond these even the first echo is noise, and no echo train tells R2* whatever the region.
    let highest = (libm::log(snr.max(2.0)) / first).min(5.0 / shortest).max(4.0 * LOWEST);
    let count = (libm::log(highest / LOWEST) / libm::log(RATIO)).ceil().max(1.0) as usize;
    let ladder: Vec<f64> = (0..=count).map(|i| LOWEST * libm::pow(RATIO, i as f64)).collect();
    let information = Information::new(coil_elements);
    let simulated = simulate(question, &ladder);
    let responses = responses(question, &ladder);
    let points: Vec<RangePoint> = ladder
        .iter()
        .zip(simulated.iter().zip(&responses))
        .map(|(&r2star, (ranks, (noise_level, echoes)))| {
            let at = |q: f64| quantile(ranks, q).unwrap_or(f64::INFINITY);
            RangePoint {
                r2star,
                median: at(0.5),
                spread: finite(0.5 * (at(0.841_344_746) - at(0.158_655_254))),
                below: finite(at(0.5) - at(0.158_655_254)),
                bound: information.bound(times, snr, r2star),
                chance: median_error(ranks, question.voxels),
                noise_level: *noise_level,
                echoes: *echoes,
            }
        })
        .collect();
    let limits = limits(&points, criterion, first);
    RangeCurve { points, limits, criterion }
}

fn shortest_times(times: &[f64]) -> (f64, f64) {
    let first = times.first().copied().unwrap_or(1e-3);
    let spacing = times.windows(2).map(|w| w[1] - w[0]).fold(f64::INFINITY, f64::min);
    (first, spacing)
}

/// Infinity minus infinity tells nothing, and that counts as an error without end.
fn finite(value: f64) -> f64 {
    if value.is_finite() { value } else { f64::INFINITY }
}

/// Standard error of the median of `independent` voxels drawn like these (sorted), from the slope of the quantile
/// function about the middle; infinite where the middle fifth is not all finite.
pub fn median_error(sorted: &[f64], independent: f64) -> f64 {
    let (Some(low), Some(high)) = (quantile(sorted, 0.4), quantile(sorted, 0.6)) else { return f64::INFINITY };
    finite((high - low) / 0.2 * 0.5 / independent.max(1.0).sqrt())
}

/// Sorted ranks of the simulated voxels at each rung. A voxel without a value counts as higher than any: in a body
/// that gives signal, a voxel that gives none decayed before the first echo.
fn simulate(question: &Question<'_>, ladder: &[f64]) -> Vec<Vec<f64>> {
    let Question { model, snr, coil_elements, draws, .. } = *question;
    let times = model.echo_times();
    let mut samples = Array2::<f32>::zeros((times.len(), ladder.len() * draws));
    for (rung, &r2star) in ladder.iter().enumerate() {
        // The same seed at every rung: neighbouring rungs share their noise and the curve is smooth.
        let mut noise = Draws::new(0x51DE);
        for draw in 0..draws {
            for (echo, &time) in times.iter().enumerate() {
                let amplitude = snr * model.expected_signal(r2star, time);
                samples[[echo, rung * draws + draw]] = noise.magnitude(amplitude, coil_elements) as f32;
            }
        }
    }
    let maps = fit(model, samples.view(), Sigma::Uniform(1.0), coil_elements);
    (0..ladder.len())
        .map(|rung| {
            let ranks: Vec<f64> =
                (rung * draws..(rung + 1) * draws).map(|voxel| maps.ranked(voxel).unwrap_or(f64::INFINITY)).collect();
            sorted(&ranks)
        })
        .collect()
}

/// How far one standard uncertainty of σ, and of each echo, moves the fit of the expected signal at each rung.
fn responses(question: &Question<'_>, ladder: &[f64]) -> Vec<(f64, f64)> {
    let Question { model, snr, coil_elements, sigma_uncertainty, criterion, .. } = *question;
    let times = model.echo_times();
    // For each rung: unchanged, σ high, σ low, then each echo raised in turn.
    let columns = 3 + times.len();
    let mut samples = Array2::<f32>::zeros((times.len(), ladder.len() * columns));
    let mut sigma = vec![1.0f32; ladder.len() * columns];
    for (rung, &r2star) in ladder.iter().enumerate() {
        let base = rung * columns;
        sigma[base + 1] = (1.0 + sigma_uncertainty) as f32;
        sigma[base + 2] = (1.0 - sigma_uncertainty).max(0.1) as f32;
        for (echo, &time) in times.iter().enumerate() {
            let amplitude = snr * model.expected_signal(r2star, time);
            let expected = mean_signal(amplitude, coil_elements);
            for column in 0..columns {
                samples[[echo, base + column]] = expected as f32;
            }
            let raised = mean_signal(amplitude * (1.0 + criterion.echo_consistency), coil_elements);
            samples[[echo, base + 3 + echo]] = raised as f32;
        }
    }
    let maps = fit(model, samples.view(), Sigma::PerVoxel(&sigma), coil_elements);
    (0..ladder.len())
        .map(|rung| {
            let value = |column: usize| maps.ranked(rung * columns + column).unwrap_or(f64::INFINITY);
            let plain = value(0);
            let noise_level = (0.5 * (value(1) - value(2))).abs();
            let squares: f64 = (3..columns).map(|c| (value(c) - plain) * (value(c) - plain)).sum();
            (finite(noise_level), finite(squares.sqrt()))
        })
        .collect()
}

/// The stretch of the ladder around its best rung where the criterion holds, ends placed between rungs, and lowered
/// until nothing just above it can read as if it lay inside.
fn limits(points: &[RangePoint], criterion: Criterion, first_echo: f64) -> Option<[f64; 2]> {
    // Both parts over what is allowed of them; 1 is where the criterion ends.
    let whole = |i: usize| points.get(i).map_or(f64::INFINITY, |p| p.relative_error() / criterion.relative_error);
    let voxel = |i: usize| points.get(i).map_or(f64::INFINITY, |p| p.below / p.r2star / criterion.voxel_error);
    let upper = |i: usize| if voxel(i).is_finite() { whole(i).max(voxel(i)) } else { f64::INFINITY };
    let best = (0..points.len()).filter(|&i| upper(i) < 1.0).min_by(|&a, &b| whole(a).total_cmp(&whole(b)))?;
    let from = (0..=best).rev().take_while(|&i| whole(i) < 1.0).last()?;
    let to = (best..points.len()).take_while(|&i| upper(i) < 1.0).last()?;
    // Where between two rungs the criterion ends, both in logarithms.
    let between = |inside: usize, outside: Option<usize>, part: &dyn Fn(usize) -> f64| {
        let a = points.get(inside).map_or(f64::NAN, |p| p.r2star);
        let Some(outside) = outside.filter(|&o| part(o).is_finite()) else { return a };
        let b = points.get(outside).map_or(a, |p| p.r2star);
        let (low, high) = (libm::log(part(inside).max(1e-6)), libm::log(part(outside)));
        a * libm::pow(b / a, (-low / (high - low)).clamp(0.0, 1.0))
    };
    let low = between(from, from.checked_sub(1), &whole);
    let mut high = between(to, Some(to + 1).filter(|&o| o < points.len()), &upper);
    // A liver twice as dark at the first echo is told from the one at the limit by that echo alone; nearer ones
    // must read as higher than the limit.
    let told_by_darkness = high + std::f64::consts::LN_2 / first_echo;
    let near = points.iter().filter(|p| p.r2star > high && p.r2star < told_by_darkness);
    high = near.map(|p| p.median).fold(high, f64::min);
    (low < high).then_some([low, high])
}
