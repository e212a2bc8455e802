//! Magnitude water-fat model with a fat spectrum, one R2* and the noise floor: E[S] of
//! A = ρ·|(1−f) + f·c(TE)|·exp(−R2*·TE), c the fat spectrum's signal, f the signal fat fraction.
//!
//! Magnitude images nearly allow a second solution with water and fat exchanged; only the weaker peaks and the
//! noise-free shape tell them apart. Both are followed to their minimum. The one with more fat is kept where it is better
//! by a 95 % likelihood ratio, for a liver seldom holds more fat than water; where their costs differ by less than that
//! either way the voxel is called ambiguous.

use super::Common;
use crate::fit::batch::{Fitted, Kernel};
use crate::fit::dispatch::Level;
use crate::fit::grid::Grid;
use crate::fit::lanes::{Column, Lane, Real, each, pick};
use crate::fit::model::ModelSettings;
use crate::fit::solver::{Normal, Problem, Sample, Sink, Solution, Spread, minimise};

/// Fat fractions tried first, water-dominant and fat-dominant.
const TRIED: [[f64; 2]; 2] = [[0.05, 0.3], [0.7, 0.95]];
/// Limits of the fat fraction: beyond 0 and 1 by what noise needs, or medians at the ends would shift.
const FRACTIONS: [f64; 2] = [-0.3, 1.3];
/// 95 % point of chi-squared with one degree of freedom.
const TELLING: f64 = 3.841;

/// Water, fat and one decay under the noise floor: ρ at the first echo over σ, fat fraction, R2*.
pub struct FatCorrected<T, const E: usize> {
    common: Common<T, E>,
    /// Real part of the fat signal and its squared length at each echo.
    real: [T; E],
    square: [T; E],
    /// Fat fractions tried first, with their curves, one pair for each basin.
    starts: [[(T, Grid<T, E>); 2]; 2],
    /// Basins looked into: with a prior only the one it lies in.
    basins: usize,
    prior: Option<Prior<T>>,
}

/// A normal prior of the fat fraction.
#[derive(Clone, Copy)]
struct Prior<T> {
    mean: T,
    /// One over the standard deviation.
    weight: T,
}

impl<T: Real, const E: usize> FatCorrected<T, E> {
    /// For these echo times in seconds. Without a field strength nothing can be fitted.
    pub fn new(common: Common<T, E>, times: &[f64], settings: &ModelSettings) -> Self {
        let field_strength = settings.field_strength.unwrap_or(f64::NAN);
        let signals: Vec<[f64; 2]> = times.iter().map(|&t| settings.spectrum.signal(field_strength, t)).collect();
        let (mut real, mut square) = ([T::ZERO; E], [T::ZERO; E]);
        for (e, [re, im]) in signals.iter().enumerate() {
            real[e] = T::of(*re);
            square[e] = T::of(re * re + im * im);
        }
        let start = |f: f64| {
            let grid = Grid::new(times, |e| {
                let [re, im] = signals[e];
                (1.0 - f + f * re).hypot(f * im)
            });
            (T::of(f), grid)
        };
        let (tried, basins) = settings.fat_prior.map_or((TRIED, 2), |prior| ([[prior.mean; 2]; 2], 1));
        let prior = settings.fat_prior.map(|p| Prior { mean: T::of(p.mean), weight: T::of(1.0 / p.deviation) });
        Self { common, real, square, starts: tried.map(|pair| pair.map(start)), basins, prior }
    }
}

struct Voxels<'a, T, const E: usize, const L: usize> {
    model: &'a FatCorrected<T, E>,
    data: &'a Column<T, E, L>,
}

impl<T: Real, const E: usize, const L: usize> Voxels<'_, T, E, L> {
    /// Gives every sample to the sink, echo by echo.
    #[inline(always)]
    fn sweep(&self, at: &[Lane<T, L>; 3], sink: &mut impl Sink<T, 3, L>) {
        let common = &self.model.common;
        let mut decay = common.echoes.start(&at[2]);
        let mut sample = Sample::new();
        for e in 0..common.echoes.count {
            let (since, real, square) = (common.echoes.since[e], self.model.real[e], self.model.square[e]);
            each!(l in L, {
                let part = decay.now[l];
                let fat = at[1][l];
                let water = T::ONE - fat;
                let shape = water * water + (fat + fat) * water * real + fat * fat * square;
                // Exactly out of phase the slope by the fraction jumps; this keeps it finite.
                let shape = shape.at_least(T::of(1e-6)).sqrt();
                let bend = (fat * square - water + (water - fat) * real) / shape;
                let scale = at[0][l] * part;
                let floor = common.floor.at(scale * shape);
                let by_amplitude = floor.slope * part * shape;
                sample.residual[l] = self.data[e][l] - floor.mean;
                sample.slope[0][l] = by_amplitude;
                sample.slope[1][l] = floor.slope * scale * bend;
                sample.slope[2][l] = -(by_amplitude * at[0][l] * since);
                sample.variance[l] = floor.variance;
            });
            sink.take(&sample);
            common.echoes.advance(&at[2], &mut decay, e);
        }
        // The prior is one more sample, of the fat fraction itself.
        if let Some(Prior { mean, weight }) = self.model.prior {
            each!(l in L, {
                sample.residual[l] = (mean - at[1][l]) * weight;
                sample.slope[0][l] = T::ZERO;
                sample.slope[1][l] = weight;
                sample.slope[2][l] = T::ZERO;
                sample.variance[l] = T::ONE;
            });
            sink.take(&sample);
        }
    }
}

impl<T: Real, const E: usize, const L: usize> Problem<T, 3, L> for Voxels<'_, T, E, L> {
    #[inline(always)]
    fn normal(&mut self, at: &[Lane<T, L>; 3], sums: &mut Normal<T, 3, L>) {
        self.sweep(at, sums);
    }
    #[inline(always)]
    fn spread(&mut self, at: &[Lane<T, L>; 3], sums: &mut Spread<T, 3, L>) {
        self.sweep(at, sums);
    }
    #[inline(always)]
    fn rounding(&self) -> Lane<T, L> {
        self.model.common.rounding(self.data)
    }
    #[inline(always)]
    fn limits(&self) -> [[T; 2]; 3] {
        [[T::of(1e-3), T::of(1e7)], FRACTIONS.map(T::of), self.model.common.rates]
    }
    #[inline(always)]
    fn sizes(&self) -> [T; 3] {
        [T::of(0.1), T::of(0.1), self.model.common.size]
    }
}

impl<T: Real, const E: usize> FatCorrected<T, E> {
    /// The better start of one basin.
    #[inline(always)]
    fn start<const L: usize>(&self, basin: usize, plain: &Column<T, E, L>) -> [Lane<T, L>; 3] {
        let mut at = [[T::ONE; L], [T::ZERO; L], [T::ZERO; L]];
        let mut explained = [T::ZERO; L];
        for (fraction, grid) in &self.starts[basin] {
            let start = grid.best(plain);
            let fraction = *fraction;
            each!(l in L, {
                let better = start.explained[l] > explained[l];
                explained[l] = pick(better, start.explained[l], explained[l]);
                at[0][l] = pick(better, start.amplitude[l].at_least(T::ONE), at[0][l]);
                at[1][l] = pick(better, fraction, at[1][l]);
                at[2][l] = pick(better, start.rate[l], at[2][l]);
            });
        }
        at
    }
}

impl<T: Real, const E: usize, const L: usize> Kernel<T, E, L> for FatCorrected<T, E> {
    #[inline(always)]
    fn block(&self, data: &Column<T, E, L>, most: u8, _level: Level) -> Fitted<T, L> {
        let plain = self.common.without_floor(data);
        let mut kept: Option<Solution<T, 3, L>> = None;
        let mut ambiguous = [false; L];
        for basin in 0..self.basins {
            let end = minimise(&mut Voxels { model: self, data }, self.start(basin, &plain), most);
            kept = Some(match kept {
                None => end,
                Some(before) => {
                    for l in 0..L {
                        let apart = (before.at[1][l] - end.at[1][l]).abs() > T::of(0.1);
                        ambiguous[l] = apart && (before.cost[l] - end.cost[l]).abs() < T::of(TELLING);
                    }
                    better(before, &end)
                }
            });
        }
        let Some(end) = kept else { unreachable!("there is a basin") };
        let mut amplitude = [T::ZERO; L];
        let first = (self.real[0], self.square[0]);
        let mut error = [T::ZERO; L];
        each!(l in L, {
            let (f, w) = (end.at[1][l], T::ONE - end.at[1][l]);
            let shape = w * w + (f + f) * w * first.0 + f * f * first.1;
            amplitude[l] = end.at[0][l] * shape.at_least(T::of(1e-6)).sqrt();
            error[l] = end.variance[1][l].sqrt();
        });
        let mut out = self.common.fitted(&end, 2, &amplitude);
        // Water and fat together at echo time zero, not the signal of the first echo.
        each!(l in L, out.start[l] = end.at[0][l] * (end.at[2][l] * self.common.echoes.first).exp());
        Fitted { fat: end.at[1], fat_error: error, ambiguous, ..out }
    }
}

/// Lane by lane the first solution, or the other where its cost is lower by a telling difference.
#[inline(always)]
fn better<T: Real, const P: usize, const L: usize>(
    mut one: Solution<T, P, L>,
    other: &Solution<T, P, L>,
) -> Solution<T, P, L> {
    each!(l in L, {
        let swap = other.cost[l] + T::of(TELLING) < one.cost[l];
        for p in 0..P {
            one.at[p][l] = pick(swap, other.at[p][l], one.at[p][l]);
            one.variance[p][l] = pick(swap, other.variance[p][l], one.variance[p][l]);
        }
    });
    for l in 0..L {
        one.iterations[l] = one.iterations[l].saturating_add(other.iterations[l]);
        let swap = other.cost[l] + T::of(TELLING) < one.cost[l];
        // The one that is left behind need not have settled, if it is far enough behind.
        let behind = other.converged[l] || other.cost[l] > one.cost[l] + T::of(TELLING);
        one.converged[l] = if swap { other.converged[l] } else { one.converged[l] && behind };
        one.cost[l] = pick(swap, other.cost[l], one.cost[l]);
    }
    one
}
