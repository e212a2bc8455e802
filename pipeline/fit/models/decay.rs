//! S₀·exp(−R2*·TE), least squares on the magnitude as it is: on all echoes, or on those that stand above the noise.
//!
//! Criterion of the truncated model: echoes count from the first until one falls below the magnitude expected of a true signal of
//! `2·√(2N−1)` σ, and never fewer than three. There the noise floor still lifts the magnitude by one eighth; for one
//! channel it is a signal-to-noise ratio of 2, above which magnitude noise is close to normal (Gudbjartsson and
//! Patz, Magn Reson Med 1995, doi:10.1002/mrm.1910340618). Dropping late echoes by the voxel's own decay follows
//! Beaumont and Cheng (ISMRM 2009, 2156) and Sandino et al. (J Cardiovasc Magn Reson 2015;17:7); their exact
//! stopping rules differ from this one.

use super::Common;
use crate::fit::batch::{Fitted, Kernel};
use crate::fit::lanes::{Column, Lane, Real, each, pick};
use crate::fit::moments::mean_signal;
use crate::fit::solver::{Normal, Problem, Spread, minimise};

const FEWEST: usize = 3;

/// The magnitude over σ below which an echo and all later ones are dropped.
pub fn threshold(coil_elements: f64) -> f64 {
    let n = coil_elements.max(0.5);
    mean_signal(2.0 * (2.0 * n - 1.0).max(0.25).sqrt(), n)
}

/// The plain decay: one linear unknown, one nonlinear.
pub struct Decay<T, const E: usize> {
    common: Common<T, E>,
    /// Echoes count until one falls below this.
    threshold: T,
}

impl<T: Real, const E: usize> Decay<T, E> {
    /// On all echoes.
    pub fn whole(common: Common<T, E>) -> Self {
        Self { common, threshold: T::ZERO }
    }

    /// On the echoes that stand above this noise floor.
    pub fn truncated(common: Common<T, E>, coil_elements: f64) -> Self {
        Self { common, threshold: T::of(threshold(coil_elements)) }
    }
}

/// The decay on the echoes with weight 1, its amplitude projected out. With one linear unknown the projection needs no
/// more than five sums: w, w·t, w·t², w·y and w·t·y, where w is the squared decay or the decay itself.
struct Kept<'a, T, const E: usize, const L: usize> {
    common: &'a Common<T, E>,
    /// Zero where an echo does not count.
    data: &'a Column<T, E, L>,
    weight: &'a Column<T, E, L>,
    /// Sum of the squared data.
    energy: Lane<T, L>,
    /// Amplitude and mean time (weighted by the squared decay) at the point looked at last.
    amplitude: Lane<T, L>,
    centre: Lane<T, L>,
}

impl<T: Real, const E: usize, const L: usize> Problem<T, 1, L> for Kept<'_, T, E, L> {
    #[inline(always)]
    fn normal(&mut self, at: &[Lane<T, L>; 1], sums: &mut Normal<T, 1, L>) {
        let echoes = &self.common.echoes;
        let mut decay = echoes.start(&at[0]);
        let zero = [T::ZERO; L];
        let (mut w, mut wt, mut wtt, mut wy, mut wty) = (zero, zero, zero, zero, zero);
        for e in 0..echoes.count {
            let since = echoes.since[e];
            each!(l in L, {
                let curve = decay.now[l] * self.weight[e][l];
                let (square, product) = (curve * curve, curve * self.data[e][l]);
                w[l] += square;
                wt[l] += square * since;
                wtt[l] += square * since * since;
                wy[l] += product;
                wty[l] += product * since;
            });
            echoes.advance(&at[0], &mut decay, e);
        }
        each!(l in L, {
            let amplitude = wy[l] / w[l];
            let centre = wt[l] / w[l];
            self.amplitude[l] = amplitude;
            self.centre[l] = centre;
            sums.cost[l] = (self.energy[l] - amplitude * wy[l]).at_least(T::ZERO);
            // The slope by the rate is −amplitude·t·decay; the projection takes the mean time out of t.
            sums.gradient[0][l] = -(amplitude * (wty[l] - centre * wy[l]));
            sums.curvature[0][0][l] = amplitude * amplitude * (wtt[l] - centre * wt[l]);
        });
    }

    #[inline(always)]
    fn spread(&mut self, at: &[Lane<T, L>; 1], sums: &mut Spread<T, 1, L>) {
        // The last point looked at may have been a step that was not taken.
        self.normal(at, &mut Normal::new());
        let echoes = &self.common.echoes;
        let mut decay = echoes.start(&at[0]);
        for e in 0..echoes.count {
            let since = echoes.since[e];
            each!(l in L, {
                let model = self.amplitude[l] * decay.now[l];
                let slope = model * self.weight[e][l] * (since - self.centre[l]);
                sums[0][0][l] += slope * slope * self.common.floor.at(model).variance;
            });
            echoes.advance(&at[0], &mut decay, e);
        }
    }

    #[inline(always)]
    fn rounding(&self) -> Lane<T, L> {
        // The cost is a difference of sums as large as the energy.
        let mut out = self.energy;
        each!(l in L, out[l] = out[l] * T::SLACK);
        out
    }
    #[inline(always)]
    fn limits(&self) -> [[T; 2]; 1] {
        [self.common.rates]
    }
    #[inline(always)]
    fn sizes(&self) -> [T; 1] {
        [self.common.size]
    }
}

impl<T: Real, const E: usize, const L: usize> Kernel<T, E, L> for Decay<T, E> {
    #[inline(always)]
    fn block(&self, data: &Column<T, E, L>, most: u8) -> Fitted<T, L> {
        let common = &self.common;
        let (mut weight, mut used) = ([[T::ZERO; L]; E], [[T::ZERO; L]; E]);
        let (mut above, mut number, mut energy) = ([T::ONE; L], [T::ZERO; L], [T::ZERO; L]);
        for e in 0..common.echoes.count {
            let dropped = if e < FEWEST { T::ONE } else { T::ZERO };
            each!(l in L, {
                let value = data[e][l];
                above[l] = pick(value < self.threshold, above[l] * dropped, above[l]);
                let kept = value * above[l];
                weight[e][l] = above[l];
                used[e][l] = kept;
                number[l] += above[l];
                energy[l] += kept * kept;
            });
        }
        let start = common.grid.best(&used);
        let blank = [T::ZERO; L];
        let mut problem = Kept { common, data: &used, weight: &weight, energy, amplitude: blank, centre: blank };
        let end = minimise(&mut problem, [start.rate], most);
        let mut out = common.fitted(&end, 0, &problem.amplitude);
        // The cost above is only good for steering; residuals once more, over the echoes that were kept.
        let mut cost = blank;
        let mut decay = common.echoes.start(&end.at[0]);
        for e in 0..common.echoes.count {
            each!(l in L, {
                let residual = (data[e][l] - problem.amplitude[l] * decay.now[l]) * weight[e][l];
                cost[l] += residual * residual;
            });
            common.echoes.advance(&end.at[0], &mut decay, e);
        }
        each!(l in L, out.residual[l] = (cost[l] / number[l]).sqrt() / problem.amplitude[l]);
        out
    }
}
