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
use crate::fit::dispatch::Level;
use crate::fit::lanes::{Column, Pack, Real};
use crate::fit::moments::mean_signal;

const FEWEST: usize = 3;
/// Voxels that advance together in registers: two of them wide, so that one sum need not wait for the one before.
const WIDTH: usize = 8;

/// The magnitude over σ below which an echo and all later ones are dropped.
pub fn threshold(coil_elements: f64) -> f64 {
    let n = coil_elements.max(0.5);
    mean_signal(2.0 * (2.0 * n - 1.0).max(0.25).sqrt(), n)
}

/// The plain decay: one linear unknown, one nonlinear. `CUT` drops late echoes.
pub struct Decay<T, const E: usize, const CUT: bool> {
    common: Common<T, E>,
    /// Echoes count until one falls below this.
    threshold: T,
}

impl<T: Real, const E: usize, const CUT: bool> Decay<T, E, CUT> {
    /// For this effective number of coil elements.
    pub fn new(common: Common<T, E>, coil_elements: f64) -> Self {
        Self { common, threshold: T::of(threshold(coil_elements)) }
    }
}

/// A few voxels over σ, zero where an echo does not count.
struct Few<T, const E: usize, const W: usize> {
    data: [Pack<T, W>; E],
    /// 1 where an echo counts; not looked at where all do.
    weight: [Pack<T, W>; E],
    /// Number of echoes that count.
    number: Pack<T, W>,
    /// Sum of the squared data.
    energy: Pack<T, W>,
}

/// The reduced problem at one rate, amplitude projected out. With one linear unknown the projection needs no more than
/// five sums: w, w·t, w·t², w·y and w·t·y, where w is the squared decay or the decay itself.
#[derive(Clone, Copy)]
struct Point<T, const W: usize> {
    cost: Pack<T, W>,
    amplitude: Pack<T, W>,
    /// Mean time, weighted by the squared decay.
    centre: Pack<T, W>,
    gradient: Pack<T, W>,
    curvature: Pack<T, W>,
}

/// Where the iteration ended.
struct End<T, const W: usize> {
    rate: Pack<T, W>,
    point: Point<T, W>,
    /// Positive where it did not settle.
    open: Pack<T, W>,
    taken: Pack<T, W>,
}

impl<T: Real, const E: usize, const CUT: bool> Decay<T, E, CUT> {
    #[inline(always)]
    fn few<const W: usize, const L: usize>(&self, lanes: &Column<T, E, L>, from: usize) -> Few<T, E, W> {
        let (zero, one) = (Pack::of(T::ZERO), Pack::of(T::ONE));
        let mut few = Few { data: [zero; E], weight: [zero; E], number: zero, energy: zero };
        let mut above = one;
        for e in 0..self.common.echoes.count {
            let mut value = Pack::from(&lanes[e], from);
            if CUT {
                if e >= FEWEST {
                    above = above * (one - Pack::of(self.threshold).above(value));
                }
                value = value * above;
                few.weight[e] = above;
                few.number = few.number + above;
            }
            few.data[e] = value;
            few.energy = few.energy + value * value;
        }
        if !CUT {
            few.number = Pack::of(T::of(self.common.echoes.count as f64));
        }
        few
    }

    /// The decay from one echo to the next where the spacing is equal.
    #[inline(always)]
    fn ratio<const W: usize>(&self, rate: Pack<T, W>) -> Pack<T, W> {
        match self.common.echoes.spacing {
            Some(spacing) => (rate * Pack::of(-spacing)).exp(),
            None => Pack::of(T::ONE),
        }
    }

    /// The decay at echo `e + 1` from that at `e`.
    #[inline(always)]
    fn after<const W: usize>(&self, now: Pack<T, W>, ratio: Pack<T, W>, rate: Pack<T, W>, e: usize) -> Pack<T, W> {
        let echoes = &self.common.echoes;
        if echoes.spacing.is_some() || e + 1 >= echoes.count {
            now * ratio
        } else {
            (rate * Pack::of(-echoes.since[e + 1])).exp()
        }
    }

    #[inline(always)]
    fn look<const W: usize>(&self, few: &Few<T, E, W>, rate: Pack<T, W>) -> Point<T, W> {
        let zero = Pack::of(T::ZERO);
        let (mut w, mut wt, mut wtt, mut wy, mut wty) = (zero, zero, zero, zero, zero);
        let ratio = self.ratio(rate);
        let mut decay = Pack::of(T::ONE);
        for e in 0..self.common.echoes.count {
            let since = Pack::of(self.common.echoes.since[e]);
            let curve = if CUT { decay * few.weight[e] } else { decay };
            let (square, product) = (curve * curve, curve * few.data[e]);
            let late = square * since;
            w = w + square;
            wt = wt + late;
            wtt = wtt + late * since;
            wy = wy + product;
            wty = wty + product * since;
            decay = self.after(decay, ratio, rate, e);
        }
        let share = Pack::of(T::ONE) / w;
        let (amplitude, centre) = (wy * share, wt * share);
        Point {
            cost: (few.energy - amplitude * wy).at_least(zero),
            amplitude,
            centre,
            // The slope by the rate is −amplitude·t·decay; the projection takes the mean time out of t.
            gradient: amplitude * (centre * wy - wty),
            curvature: amplitude * amplitude * (wtt - centre * wt),
        }
    }

    /// Where to start. With equal spacing each echo is the one before times exp(−rate·spacing), and least squares of that
    /// is close already.
    #[inline(always)]
    fn start<const W: usize>(&self, few: &Few<T, E, W>) -> Pack<T, W> {
        let echoes = &self.common.echoes;
        let Some(spacing) = echoes.spacing else {
            let mut column = [[T::ZERO; W]; E];
            for e in 0..echoes.count {
                column[e] = few.data[e].0;
            }
            return Pack(self.common.grid.best(&column).rate);
        };
        let (mut both, mut before) = (Pack::of(T::ZERO), Pack::of(T::ZERO));
        for e in 1..echoes.count {
            both = both + few.data[e] * few.data[e - 1];
            before = before + few.data[e - 1] * few.data[e - 1];
        }
        // Between the limits of R2*: growth by e over the train, and five e-foldings in one spacing.
        let ratio = (both / before).at_least(Pack::of(T::of(0.0068))).at_most(Pack::of(T::of(2.7)));
        ratio.rough_ln() * Pack::of(-T::ONE / spacing)
    }

    /// Damped Gauss-Newton, each voxel with its own damping, as in `solver.rs`, in registers.
    #[inline(always)]
    fn settle<const W: usize>(&self, few: &Few<T, E, W>, most: u8) -> End<T, W> {
        let one = Pack::of(T::ONE);
        let (low, high) = (Pack::of(self.common.rates[0]), Pack::of(self.common.rates[1]));
        let mut rate = self.start(few).at_least(low).at_most(high);
        let mut point = self.look(few, rate);
        // The cost is a difference of sums as large as the energy.
        let rounding = few.energy * Pack::of(T::SLACK);
        let (mut open, mut taken) = (one, Pack::of(T::ZERO));
        let mut damping = Pack::of(T::of(1e-4));
        for _ in 0..most {
            let step = point.gradient / (point.curvature * (one + damping)).at_least(Pack::of(T::of(1e-30)));
            let trial = (rate + step).at_least(low).at_most(high);
            let next = self.look(few, trial);
            let worse = next.cost.above(point.cost + point.cost * Pack::of(T::SLACK) + rounding);
            let take = open * (one - worse);
            let moved = (trial - rate).abs();
            let far = moved.above(Pack::of(T::TOLERANCE) * (rate.abs() + Pack::of(self.common.size)));
            // A taken step that promised next to nothing ends it too.
            let promised = (step * point.gradient).above(point.cost * Pack::of(T::SETTLED));
            taken = taken + open;
            rate = take.choose(trial, rate);
            point = Point {
                cost: take.choose(next.cost, point.cost),
                amplitude: take.choose(next.amplitude, point.amplitude),
                centre: take.choose(next.centre, point.centre),
                gradient: take.choose(next.gradient, point.gradient),
                curvature: take.choose(next.curvature, point.curvature),
            };
            open = open * far * (one - (one - worse) * (one - promised));
            let eased = (damping * Pack::of(T::of(0.1))).at_least(Pack::of(T::of(1e-7)));
            let stiffened =
                (damping * Pack::of(T::of(10.0))).at_least(Pack::of(T::of(1e-2))).at_most(Pack::of(T::of(1e7)));
            damping = worse.choose(stiffened, eased);
            if !open.any() {
                break;
            }
        }
        End { rate, point, open, taken }
    }

    #[inline(always)]
    fn fit<const W: usize, const L: usize>(&self, lanes: &Column<T, E, L>, most: u8, out: &mut Fitted<T, L>) {
        let common = &self.common;
        let zero = Pack::of(T::ZERO);
        for from in (0..L).step_by(W) {
            let few = self.few::<W, L>(lanes, from);
            let End { rate, point, open, taken } = self.settle(&few, most);
            let (mut spread, mut squares) = (zero, zero);
            let ratio = self.ratio(rate);
            let mut decay = Pack::of(T::ONE);
            for e in 0..common.echoes.count {
                let model = point.amplitude * decay;
                let model = if CUT { model * few.weight[e] } else { model };
                let slope = model * (Pack::of(common.echoes.since[e]) - point.centre);
                // The cost above is only good for steering; residuals once more.
                let residual = few.data[e] - model;
                spread = spread + slope * slope * common.floor.variance(model);
                squares = squares + residual * residual;
                decay = self.after(decay, ratio, rate, e);
            }
            let error = (spread / (point.curvature * point.curvature)).sqrt();
            let start = point.amplitude * (rate * Pack::of(common.echoes.first)).exp();
            let residual = (squares / few.number).sqrt() / point.amplitude;
            rate.into(&mut out.rate, from);
            error.into(&mut out.error, from);
            start.into(&mut out.start, from);
            residual.into(&mut out.residual, from);
            for i in 0..W {
                let l = from + i;
                out.state[l] = common.state(out.rate[l], open.0[i] <= T::ZERO, out.error[l], out.start[l]);
                out.iterations[l] = taken.0[i].double() as u8;
            }
        }
    }
}

impl<T: Real, const E: usize, const L: usize, const CUT: bool> Kernel<T, E, L> for Decay<T, E, CUT> {
    #[inline(always)]
    fn block(&self, data: &Column<T, E, L>, most: u8, level: Level) -> Fitted<T, L> {
        let mut out = Fitted::nothing();
        if !L.is_multiple_of(4 * WIDTH) {
            self.fit::<1, L>(data, most, &mut out);
            return out;
        }
        match level {
            Level::Baseline => self.fit::<WIDTH, L>(data, most, &mut out),
            Level::Avx2 => self.fit::<{ 2 * WIDTH }, L>(data, most, &mut out),
            Level::Avx512 => self.fit::<{ 4 * WIDTH }, L>(data, most, &mut out),
        }
        out
    }
}
