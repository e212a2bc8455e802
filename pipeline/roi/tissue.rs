//! What the organ's tissue looks like, learnt from the blocks that are in it, against everything else in the trunk.

use super::blocks::Blocks;
use super::features::{Features, logarithm};
use super::lattice::Lattice;
use super::search::{Evidence, FAT, Ground, median};
use super::sets::{count, erode};
use super::smooth::blur;
use crate::fit::Real;
use rayon::prelude::*;

/// Least intrinsic spread of rate, ln S0 and beat within one tissue, and the widest that is still one tissue.
const RATE_SPREAD: [f32; 2] = [0.08, 0.24];
const ORIGIN_SPREAD: [f32; 2] = [0.03, 0.13];
const BEAT_SPREAD: [f32; 2] = [0.03, 0.12];
/// Spread of ln R2* between places of one liver where it cannot be measured: 10 to 20 % (common knowledge).
const TEXTURE: f32 = 0.15;
/// How far the tissue's level may drift over the organ, mm of a Gaussian's standard deviation.
const DRIFT: f64 = 35.0;
/// Most that the peaks of fat may count against a place.
const MOST_ADIPOSE: f32 = 8.0;
/// Place of ln S0 among the three.
const ORIGIN: usize = 1;
/// Blocks of a class from which the trend is taken, at most.
const ENOUGH: usize = 3000;

/// One tissue whose level drifts slowly over the organ, against a histogram of everything else.
pub(super) struct Tissue {
    /// Expected rate, ln S0 and beat at each block.
    pub level: [Vec<f32>; 3],
    /// Intrinsic spread of each.
    pub spread: [f32; 3],
    /// Share of the organ that is black.
    pub black: f32,
    others: Others,
}

/// Density of the rest of the trunk over the distance from the tissue's level.
struct Others {
    /// Natural logarithm of the density.
    log_density: Vec<f32>,
    black: f32,
}

/// Cells of the histogram: width and number along rate, ln S0, beat.
const CELL: [f32; 3] = [0.14, 0.10, 0.12];
const CELLS: [usize; 3] = [36, 44, 14];

fn cell(away: [f32; 3]) -> usize {
    let at = |k: usize| ((away[k] / CELL[k] + 0.5 * CELLS[k] as f32).max(0.0) as usize).min(CELLS[k] - 1);
    (at(0) * CELLS[1] + at(1)) * CELLS[2] + at(2)
}

impl Features {
    /// Rate, ln S0 and beat of one voxel, and their errors.
    pub fn triple(&self, k: usize) -> ([f32; 3], [f32; 3]) {
        ([self.rate[k], self.origin[k], self.beat[k]], [self.rate_error[k], self.origin_error[k], self.beat_error[k]])
    }
}

/// Distances of ln rate and ln S0 from a tissue's level in standard deviations, the second from what goes with the rate
/// found; and the determinant of their covariance. `lean` is the correlation of the errors; the spreads, those of the
/// tissue itself, go each its own way.
fn decorrelated(away: [f32; 2], error: [f32; 2], spread: [f32; 2], lean: f32) -> ([f32; 2], f32) {
    let variance = [0, 1].map(|k| spread[k] * spread[k] + error[k] * error[k]);
    let together = lean * error[0] * error[1];
    let rest = variance[1] - together * together / variance[0];
    let origin = (away[1] - together / variance[0] * away[0]) / rest.sqrt();
    ([away[0] / variance[0].sqrt(), origin], variance[0] * rest)
}

/// The error a voxel's rate would have at the tissue's level, `away` from it: a slow decay is not known to a smaller
/// part of itself because it is slow. The error in 1/s is much the same for every decay the echoes see the whole of.
fn rate_error_at_level(error: f32, away: f32) -> f32 {
    error * Real::exp(away.min(0.0))
}

impl Tissue {
    /// Learns from the blocks of a set.
    pub fn of(evidence: &Evidence, set: &[bool]) -> Self {
        let ground = evidence.ground;
        let (lattice, f) = (ground.lattice, ground.features);
        let width = 0.6 * lattice.spacing[1].max(lattice.spacing[2]);
        let eroded = erode(lattice, set, width);
        let enough = count(&eroded) * 3 > count(set);
        let core: &[bool] = if enough { &eroded } else { set };
        // Where a liver is likely: so a leak elsewhere cannot draw the tissue's level after it.
        let likely: Vec<usize> = (0..core.len()).filter(|&k| core[k] && evidence.prior[k] > 0.8).collect();
        let members = if likely.len() >= 30 { likely } else { (0..core.len()).filter(|&k| core[k]).collect() };
        let seen: Vec<usize> = members.iter().copied().filter(|&k| ground.seen(k)).collect();
        let dark = members.iter().filter(|&&k| f.dark[k]).count();
        let black = dark as f32 / members.len().max(1) as f32;
        let parts = [
            (&f.rate, &f.rate_error, RATE_SPREAD, 0.12),
            (&f.origin, &f.origin_error, ORIGIN_SPREAD, 0.35),
            (&f.beat, &f.beat_error, BEAT_SPREAD, 0.1),
        ];
        let [fat, wall] = ground.landmarks();
        let drifting = Drifting { lattice, coarse: Blocks::of(lattice, DRIFT / 3.0) };
        let learn = |part: usize| {
            let (values, errors, limits, bend) = parts[part];
            // Fat and the muscle wall are shaded as the organ is, and lie all round it.
            let (classes, terms) =
                if part == ORIGIN { (&[&seen, fat, wall][..], SHADING) } else { (&[&seen[..]][..], SLOW) };
            let trend = Trend::of(ground, classes, terms, [values, errors], limits[1], bend);
            let mut level = trend.everywhere(ground);
            let (mut sum, mut weight) = (vec![0.0f32; set.len()], vec![0.0f32; set.len()]);
            for &k in &seen {
                // Vessels and strays do not count.
                let d = values[k] - level[k];
                let variance = limits[1] * limits[1] + errors[k] * errors[k];
                if d * d < 6.0 * variance {
                    sum[k] = d / variance;
                    weight[k] = 1.0 / variance;
                }
            }
            let (sum, weight) = (drifting.of(&sum), drifting.of(&weight));
            let doubt = 1.0 / (limits[1] * limits[1]);
            level.iter_mut().zip(sum.iter().zip(&weight)).for_each(|(v, (sum, weight))| *v += sum / (weight + doubt));
            let mut off: Vec<f32> =
                seen.iter().map(|&k| (values[k] - level[k]).abs() - 0.6745 * errors[k].min(1.0)).collect();
            (level, (1.4826 * median(&mut off).unwrap_or(limits[1])).clamp(limits[0], limits[1]))
        };
        let (first, (second, third)) = rayon::join(|| learn(0), || rayon::join(|| learn(1), || learn(2)));
        let (level, spread) = ([first.0, second.0, third.0], [first.1, second.1, third.1]);
        let others = Others::of(evidence, set, &level);
        Self { level, spread, black, others }
    }

    /// Log odds of liver against the rest from one block's or voxel's features, position aside.
    /// `black` is the share of black places in the organ and outside it.
    pub fn tissue_log_odds(&self, level: [f32; 3], f: &Features, k: usize, black: [f32; 2]) -> f32 {
        if f.dark[k] {
            return logarithm((black[0] + 0.002) / (black[1] + 0.02));
        }
        let (value, error) = f.triple(k);
        let away: [f32; 3] = std::array::from_fn(|k| value[k] - level[k]);
        let error = [rate_error_at_level(error[0], away[0]), error[1], error[2]];
        // What is hardly known cannot tell how widely it varies within the tissue.
        let spread = [self.spread[0].max(error[0].min(TEXTURE)), self.spread[1]];
        let ([rate, origin], determinant) = decorrelated([away[0], away[1]], [error[0], error[1]], spread, f.lean[k]);
        let beat = self.spread[2] * self.spread[2] + error[2] * error[2];
        let z = rate * rate + origin * origin + away[2] * away[2] / beat;
        // Student's t with four degrees of freedom in three dimensions: strays cost, but not without limit. The
        // constant is Γ(7/2)/(Γ(2)·(4π)^(3/2)).
        let scale = (determinant * beat).sqrt();
        let own = logarithm((1.0 - black[0] + 0.002) * 0.0746 / scale) - 3.5 * logarithm(1.0 + 0.25 * z);
        own - self.others.log_density[cell(away)] - f.adipose[k].clamp(0.0, MOST_ADIPOSE)
    }

    /// Log odds of liver at each block, the place included.
    pub fn log_odds(&self, evidence: &Evidence) -> Vec<f32> {
        let ground = evidence.ground;
        let black = [self.black, self.others.black];
        (0..ground.inside.len())
            .into_par_iter()
            .with_min_len(1024)
            .map(|k| {
                if !ground.inside[k] {
                    return -20.0;
                }
                let level = std::array::from_fn(|part| self.level[part][k]);
                self.tissue_log_odds(level, ground.features, k, black).clamp(-8.0, 5.0) + evidence.prior[k]
            })
            .collect()
    }
}

/// Smoothing as slow as the drift: sums are taken on blocks a third as wide as it reaches, and spread out again.
struct Drifting<'a> {
    lattice: &'a Lattice,
    coarse: Blocks,
}

impl Drifting<'_> {
    fn of(&self, values: &[f32]) -> Vec<f32> {
        let mut sums = self.coarse.gathered(self.lattice, values);
        blur(&self.coarse.lattice, &mut sums, DRIFT);
        let share = 1.0 / self.coarse.factor.iter().product::<usize>() as f32;
        sums.iter_mut().for_each(|v| *v *= share);
        self.coarse.interpolate(self.lattice, &sums)
    }
}

/// A slow trend over the trunk: of second order across and front to back, first along the body; a coil's shading, which
/// rises steeply to the skin, of fourth and second order.
struct Trend {
    coefficients: [f32; COLUMNS],
}

/// Terms of a slow trend, and of shading; then the levels of fat and of the muscle wall against the organ's.
const SLOW: usize = 7;
const SHADING: usize = 15;
const COLUMNS: usize = SHADING + 2;

impl Trend {
    fn terms([a, b]: [f32; 2], c: f32) -> [f32; COLUMNS] {
        let (aa, bb) = (a * a, b * b);
        [1.0, a, b, c, aa, a * b, bb, c * c, aa * a, aa * b, a * bb, bb * b, aa * aa, aa * bb, bb * bb, 0.0, 0.0]
    }

    fn at(&self, terms: &[f32; COLUMNS]) -> f32 {
        terms.iter().zip(&self.coefficients).map(|(t, c)| t * c).sum()
    }

    /// Its value at every block.
    fn everywhere(&self, ground: &Ground) -> Vec<f32> {
        let plane = ground.lattice.plane().max(1);
        let mut out = vec![0.0; ground.place.len()];
        out.par_chunks_mut(plane).zip(ground.place.par_chunks(plane)).enumerate().for_each(|(z, (out, places))| {
            let height = ground.height(z);
            out.iter_mut().zip(places).for_each(|(v, &place)| *v = self.at(&Self::terms(place, height)));
        });
        out
    }

    /// Ridge regression of values with errors on the first so many terms and a level for each class of places (the
    /// organ's first), strays left out, in three rounds. `bend` is the standard deviation expected of each coefficient
    /// but the levels; neighbours are not independent, so that no more than 40 places of a class count.
    fn of(
        ground: &Ground,
        classes: &[&[usize]],
        order: usize,
        [values, errors]: [&[f32]; 2],
        spread: f32,
        bend: f64,
    ) -> Self {
        let plane = ground.lattice.plane();
        let columns = order + classes.len() - 1;
        let level_of = |class: usize| if class == 0 { 0 } else { order + class - 1 };
        let mut trend = Self { coefficients: [0.0; COLUMNS] };
        let samples: Vec<Vec<([f32; COLUMNS], usize)>> = classes
            .iter()
            .enumerate()
            .map(|(class, members)| {
                let level = median(&mut members.iter().map(|&k| values[k]).collect::<Vec<_>>()).unwrap_or(0.0);
                trend.coefficients[level_of(class)] = level - if class == 0 { 0.0 } else { trend.coefficients[0] };
                let step = members.len().div_ceil(ENOUGH).max(1);
                let row = |&k: &usize| {
                    let mut terms = Self::terms(ground.place[k], ground.height(k / plane));
                    terms[order..].fill(0.0);
                    terms[level_of(class)] = 1.0;
                    (terms, k)
                };
                members.iter().step_by(step).map(row).collect()
            })
            .collect();
        let levels = trend.coefficients;
        for limit in [9.0, 6.0, 4.0] {
            let mut system = Normal::zero();
            for sample in &samples {
                let (mut part, mut used) = (Normal::zero(), 0usize);
                for (terms, k) in sample {
                    let d = values[*k] - trend.at(terms);
                    let variance = spread * spread + errors[*k] * errors[*k];
                    if d * d < limit * variance {
                        used += 1;
                        part.add(&terms[..columns], values[*k], 1.0 / f64::from(variance));
                    }
                }
                system.join(&part, (40.0 / used.max(1) as f64).min(1.0));
            }
            for i in 0..columns {
                let level = i == 0 || i >= order;
                let (mean, precision) = if level { (f64::from(levels[i]), 1e-3) } else { (0.0, 1.0 / (bend * bend)) };
                system.expect(i, mean, precision);
            }
            if let Some(coefficients) = system.solve(columns) {
                trend.coefficients = coefficients.map(|c| c as f32);
            }
        }
        // What is asked for is the organ's own.
        trend.coefficients[order..].fill(0.0);
        trend
    }
}

/// Normal equations of a weighted regression: the lower half of the matrix, the right side in the last column.
struct Normal([[f64; COLUMNS + 1]; COLUMNS]);

impl Normal {
    fn zero() -> Self {
        Self([[0.0; COLUMNS + 1]; COLUMNS])
    }

    fn add(&mut self, terms: &[f32], value: f32, weight: f64) {
        for (i, row) in self.0.iter_mut().enumerate().take(terms.len()) {
            let share = weight * f64::from(terms[i]);
            for (slot, &term) in row.iter_mut().zip(&terms[..=i]) {
                *slot += share * f64::from(term);
            }
            row[COLUMNS] += share * f64::from(value);
        }
    }

    /// Adds a share of another system.
    fn join(&mut self, other: &Self, share: f64) {
        for (row, from) in self.0.iter_mut().zip(&other.0) {
            row.iter_mut().zip(from).for_each(|(slot, &value)| *slot += share * value);
        }
    }

    /// What is expected of one coefficient before anything is measured.
    fn expect(&mut self, at: usize, mean: f64, precision: f64) {
        self.0[at][at] += precision;
        self.0[at][COLUMNS] += precision * mean;
    }

    /// Gaussian elimination of the first so many columns; the other coefficients are 0.
    fn solve(self, columns: usize) -> Option<[f64; COLUMNS]> {
        let mut m = self.0;
        for i in 0..columns {
            for j in 0..i {
                m[j][i] = m[i][j];
            }
        }
        for i in 0..columns {
            let pivot = m[i][i];
            if !(pivot.is_finite() && pivot > 1e-12) {
                return None;
            }
            let row = m[i];
            for (j, other) in m.iter_mut().enumerate().take(columns) {
                if j != i {
                    let factor = other[i] / pivot;
                    for (value, &own) in other.iter_mut().zip(&row) {
                        *value -= factor * own;
                    }
                }
            }
        }
        Some(std::array::from_fn(|i| if i < columns { m[i][COLUMNS] / m[i][i] } else { 0.0 }))
    }
}

impl Others {
    fn of(evidence: &Evidence, set: &[bool], level: &[Vec<f32>; 3]) -> Self {
        let ground = evidence.ground;
        let (f, body) = (ground.features, ground.body);
        let mut density = vec![0.0f32; CELLS[0] * CELLS[1] * CELLS[2]];
        let (mut total, mut black) = (1e-3f32, 0.0f32);
        for k in (0..set.len()).filter(|&k| body.trunk[k] && body.depth[k] > 5.0 && !set[k]) {
            // What may yet turn out to be liver counts less.
            let weight = 1.0 / (1.0 + Real::exp(evidence.prior[k]));
            if f.dark[k] {
                total += weight;
                black += weight;
            } else if f.adipose[k] < FAT {
                // Fat is told by its peaks.
                let (value, _) = f.triple(k);
                total += weight;
                density[cell(std::array::from_fn(|part| value[part] - level[part][k]))] += weight;
            }
        }
        let plot = Lattice { shape: CELLS, spacing: [1.0; 3] };
        blur(&plot, &mut density, 1.0);
        // A uniform part, for tissue that was not met.
        let volume = CELL[0] * CELL[1] * CELL[2];
        let floor = 0.05 / density.len() as f32;
        for value in &mut density {
            *value = logarithm((0.95 * *value / total + floor) / volume);
        }
        Self { log_density: density, black: black / total }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A bent surface seen on two kinds of places, one of them higher throughout: surface and step both come back.
    #[test]
    fn two_classes_on_one_surface_are_told_apart() {
        let mut system = Normal::zero();
        let surface = |a: f32, b: f32| 2.0 + 0.3 * a - 0.2 * b + 0.4 * a * a;
        for k in 0..400 {
            let (a, b) = ((k % 20) as f32 / 10.0 - 0.95, (k / 20) as f32 / 10.0 - 0.95);
            let higher = k % 3 == 0;
            let mut terms = Trend::terms([a, b], 0.0);
            terms[SHADING] = f32::from(higher);
            system.add(&terms, surface(a, b) + if higher { 0.45 } else { 0.0 }, 1.0);
        }
        for column in 0..COLUMNS {
            system.expect(column, 0.0, 1e-9);
        }
        let found = system.solve(COLUMNS).expect("a surface");
        for (column, wanted) in [(0, 2.0), (1, 0.3), (2, -0.2), (4, 0.4), (8, 0.0), (SHADING, 0.45)] {
            assert!((found[column] - wanted).abs() < 1e-4, "{column}: {} and {wanted}", found[column]);
        }
    }

    /// Against the inverse of the covariance written out: spreads 0.1 and 0.2, errors 0.3 and 0.4 that go together by half.
    #[test]
    fn what_goes_together_is_one_distance() {
        let ([rate, origin], determinant) = decorrelated([0.5, -0.2], [0.3, 0.4], [0.1, 0.2], 0.5);
        let (a, b, c) = (0.1f32, 0.06f32, 0.2f32);
        assert!((determinant - (a * c - b * b)).abs() < 1e-6);
        let whole = (c * 0.25 + 2.0 * b * 0.1 + a * 0.04) / (a * c - b * b);
        assert!((rate * rate + origin * origin - whole).abs() < 1e-4, "{rate} {origin} {whole}");
    }

    /// A decay of 16 /s ± 10 beside a liver of 67 /s: by its own share of error it could be anything, by the error a
    /// decay of the liver's has it is more than three of them away.
    #[test]
    fn a_slow_decay_is_no_liver_for_being_slow() {
        let coordinate = |r2star: f32| (r2star + 25.0).ln();
        let away = coordinate(16.0) - coordinate(67.0);
        let error = 10.0 / (16.0 + 25.0);
        let at_level = rate_error_at_level(error, away);
        assert!((at_level - 10.0 / (67.0 + 25.0)).abs() < 1e-4, "{at_level}");
        assert!(away / at_level < -7.0 && away / error > -3.4);
        assert_eq!(rate_error_at_level(0.2, 0.5), 0.2);
    }
}
