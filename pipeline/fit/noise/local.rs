//! The noise level place by place, from differences between neighbours.
//!
//! Two neighbours in a row differ in amplitude, R2* and fat by little, so that the difference of their decays lies in the
//! tangent space of the signal model, and what is left of it after projection is noise. Each sample is divided by its
//! expected standard deviation first; the remainder is then chi-squared with as many degrees of freedom as there are
//! echoes less unknowns. Parallel imaging amplifies noise by a factor that varies slowly within a slice and little from
//! slice to slice (Pruessmann et al., Magn Reson Med 1999;42:952), so tiles are taken over all slices and smoothed.

use super::{Noise, robust_variance};
use crate::fit::FatSpectrum;
use crate::fit::batch::State;
use crate::fit::fat::middle;
use crate::fit::floor::NoiseFloor;
use crate::fit::survey::Survey;
use crate::study::{Acquisition, Finding, Severity, Stage};
use rayon::prelude::*;

/// Side of a tile in voxels; even, for pairs.
const TILE: usize = 8;
/// Fewest pairs that speak for a tile.
const FEWEST_PAIRS: usize = 24;
/// Pairs looked at in a tile, about: more change it by less than its error.
const ENOUGH_PAIRS: usize = 128;
/// Fewest tiles that speak for the body.
const FEWEST_TILES: usize = 12;
/// Looks, each with the level that the one before found.
const LOOKS: usize = 2;
/// Spread of the smoothing, in tiles.
const SMOOTHING: f64 = 1.2;
/// Standard deviation of the logarithm that the body's tiles must share with their neighbours before the level is said to
/// vary. By trials on 40 simulated abdomens, no source: without amplification edges and vessels come to 0.075 at most.
const VARIES: f64 = 0.09;
/// Logarithm by which the body's median must differ from the level given. In the same trials it comes to 0.07 at most, and
/// to 0.25 where parallel imaging amplifies by one half.
const DIFFERS: f64 = 0.12;
/// One standard error of the local level over itself, by trials on simulated abdomens; no source.
const UNCERTAINTY: f64 = 0.04;

/// Logarithm of the level over the one given, for each tile of the plane.
pub struct Local {
    high: usize,
    wide: usize,
    tiles: Vec<f64>,
    plane: [usize; 2],
    voxels: usize,
}

/// The local level, or `None` where it is the given one as far as can be seen.
pub fn estimate(noise: &Noise, acquisition: &Acquisition, survey: &Survey) -> Option<Local> {
    if !(noise.sigma > 0.0 && noise.sigma.is_finite()) {
        return None;
    }
    let looker = Looker::new(noise, acquisition, survey)?;
    let (high, wide) = (looker.rows.div_ceil(TILE), looker.columns.div_ceil(TILE));
    let look = |before: Option<&[f64]>| -> Vec<Option<f64>> {
        (0..high * wide)
            .into_par_iter()
            .map(|tile| looker.tile(tile / wide, tile % wide, before.map_or(0.0, |b| b[tile])))
            .collect()
    };
    // Each look knows better than the one before where the noise floor is.
    let mut raw = look(None);
    let mut tiles = smooth(&raw, high, wide)?;
    for _ in 1..LOOKS {
        raw = look(Some(&tiles));
        tiles = smooth(&raw, high, wide)?;
    }
    let middle = middle(raw.iter().flatten().copied())?;
    let varies = shared_spread(&raw, high, wide, middle);
    (varies > VARIES || middle.abs() > DIFFERS).then(|| Local {
        high,
        wide,
        tiles,
        plane: [looker.rows, looker.columns],
        voxels: acquisition.grid().voxels(),
    })
}

impl Local {
    /// The noise with a level for each voxel.
    pub fn applied_to(&self, noise: Noise) -> Noise {
        let [rows, columns] = self.plane;
        let plane: Vec<f32> =
            (0..rows * columns).map(|v| (noise.sigma * libm::exp(self.at(v / columns, v % columns))) as f32).collect();
        let map: Vec<f32> = (0..self.voxels).map(|voxel| plane[voxel % plane.len()]).collect();
        let ends = [f64::min as fn(f64, f64) -> f64, f64::max].map(|end| {
            let found = self.tiles.iter().copied().reduce(end).unwrap_or(0.0);
            crate::study::text::plain((100.0 * libm::exp(found)).round() / 100.0)
        });
        let mut findings = noise.findings.clone();
        findings.push(
            Finding::new(
                Stage::Fit,
                Severity::Note,
                "noise-varies",
                "The noise in the body is not that of the air around it, as parallel imaging makes it, so that the noise \
                 level was estimated place by place.",
            )
            .found(format!("{} to {} times the level of the whole image", ends[0], ends[1]))
            .attribute("noise level"),
        );
        Noise {
            relative_uncertainty: libm::hypot(noise.relative_uncertainty, UNCERTAINTY),
            local: Some(map),
            findings,
            ..noise
        }
    }

    /// Between the centres of the tiles.
    fn at(&self, row: usize, column: usize) -> f64 {
        let between = |place: usize, count: usize| {
            let at = ((place as f64 + 0.5) / TILE as f64 - 0.5).clamp(0.0, count as f64 - 1.0);
            let low = (at as usize).min(count.saturating_sub(2));
            (low, (low + 1).min(count - 1), at - low as f64)
        };
        let (top, bottom, down) = between(row, self.high);
        let (left, right, along) = between(column, self.wide);
        let of =
            |r: usize| (1.0 - along) * self.tiles[r * self.wide + left] + along * self.tiles[r * self.wide + right];
        (1.0 - down) * of(top) + down * of(bottom)
    }
}

/// What a tile is looked at with.
struct Looker<'a> {
    acquisition: &'a Acquisition,
    survey: &'a Survey,
    floor: NoiseFloor<f32>,
    times: Vec<f64>,
    /// Real part of the fat's signal at each echo, where the model needs it and the echoes can bear it.
    fat: Option<Vec<f64>>,
    sigma: f64,
    rows: usize,
    columns: usize,
}

impl<'a> Looker<'a> {
    fn new(noise: &Noise, acquisition: &'a Acquisition, survey: &'a Survey) -> Option<Self> {
        let header = acquisition.header();
        let times = acquisition.echo_seconds();
        let field = header.scanner.field_strength.filter(|_| header.sequence.fat_suppressed != Some(true));
        let fat = field
            .filter(|_| times.len() >= 6)
            .map(|field| times.iter().map(|&t| FatSpectrum::default().signal(field.0, t)[0]).collect::<Vec<f64>>());
        let unknowns = if fat.is_some() { 3 } else { 2 };
        (times.len() > unknowns + 1).then(|| Self {
            acquisition,
            survey,
            floor: NoiseFloor::new(noise.coil_elements),
            times,
            fat,
            sigma: noise.sigma,
            rows: acquisition.grid().rows(),
            columns: acquisition.grid().columns(),
        })
    }

    /// Logarithm of the level over the one given, where that was expected to be `before`.
    fn tile(&self, down: usize, along: usize, before: f64) -> Option<f64> {
        let sigma = self.sigma * libm::exp(before);
        let slices = self.acquisition.grid().slices();
        let step = (slices * TILE * TILE / 2 / ENOUGH_PAIRS).max(1);
        let mut left_over = Vec::new();
        for slice in (0..slices).step_by(step) {
            for row in down * TILE..((down + 1) * TILE).min(self.rows) {
                for column in (along * TILE..((along + 1) * TILE).min(self.columns - 1)).step_by(2) {
                    left_over.extend(self.pair((slice * self.rows + row) * self.columns + column, sigma));
                }
            }
        }
        if left_over.len() < FEWEST_PAIRS {
            return None;
        }
        let unknowns = if self.fat.is_some() { 3.0 } else { 2.0 };
        let variance = robust_variance(&mut left_over, self.times.len() as f64 - unknowns)?;
        (variance > 0.0).then(|| before + 0.5 * libm::log(variance))
    }

    /// Squared remainder of the difference between a voxel and the next in its row, over its degrees of freedom.
    fn pair(&self, voxel: usize, sigma: f64) -> Option<f64> {
        let both = [voxel, voxel + 1];
        let flaws = self.acquisition.flaws();
        if both.iter().any(|&v| self.survey.state[v] != State::Fitted || flaws[v] != 0) {
            return None;
        }
        let mean = |map: &[f32]| 0.5 * both.iter().map(|&v| f64::from(map[v])).sum::<f64>();
        let (start, rate) = (mean(&self.survey.s0) / sigma, mean(&self.survey.r2star));
        let samples = self.acquisition.magnitude();
        let echoes = self.times.len();
        let mut columns = [[0.0; crate::fit::MOST_ECHOES]; 3];
        let mut rest = [0.0; crate::fit::MOST_ECHOES];
        for e in 0..echoes {
            let signal = start * libm::exp(-rate * self.times[e]);
            let floor = self.floor.at(signal as f32);
            let deviation = (2.0 * f64::from(floor.variance)).sqrt();
            let slope = f64::from(floor.slope) * signal / deviation;
            columns[0][e] = slope;
            columns[1][e] = slope * self.times[e];
            columns[2][e] = self.fat.as_ref().map_or(0.0, |fat| slope * fat[e]);
            rest[e] = f64::from(samples[[e, voxel]] - samples[[e, voxel + 1]]) / (sigma * deviation);
        }
        let unknowns = if self.fat.is_some() { 3 } else { 2 };
        for k in 0..unknowns {
            let (done, todo) = columns.split_at_mut(k);
            let column = &mut todo[0][..echoes];
            let size = dot(column, column);
            for other in done.iter() {
                take_out(column, &other[..echoes]);
            }
            let left = dot(column, column);
            // A column that the others already hold would only bring rounding.
            if left > 1e-8 * size {
                let scale = 1.0 / left.sqrt();
                column.iter_mut().for_each(|x| *x *= scale);
                take_out(&mut rest[..echoes], column);
            } else {
                column.fill(0.0);
            }
        }
        Some(dot(&rest[..echoes], &rest[..echoes]) / (echoes - unknowns) as f64)
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

/// Takes out of the first what lies along the second, a unit vector or nothing.
fn take_out(from: &mut [f64], unit: &[f64]) {
    let share = dot(from, unit);
    for (x, u) in from.iter_mut().zip(unit) {
        *x -= share * u;
    }
}

/// Gaussian mean of the tiles that are known; far from all of them the median. `None` where too few are.
fn smooth(raw: &[Option<f64>], high: usize, wide: usize) -> Option<Vec<f64>> {
    if raw.iter().flatten().count() < FEWEST_TILES {
        return None;
    }
    let middle = middle(raw.iter().flatten().copied())?;
    // The median speaks with the weight of a tile three spreads away.
    let little = libm::exp(-4.5);
    Some(
        (0..high * wide)
            .map(|tile| {
                let (mut sum, mut weight) = (little * middle, little);
                for (other, value) in raw.iter().enumerate().filter_map(|(k, value)| Some((k, (*value)?))) {
                    let down = (other / wide) as f64 - (tile / wide) as f64;
                    let along = (other % wide) as f64 - (tile % wide) as f64;
                    let share = libm::exp(-(down * down + along * along) / (2.0 * SMOOTHING * SMOOTHING));
                    sum += share * value;
                    weight += share;
                }
                sum / weight
            })
            .collect(),
    )
}

/// Standard deviation that tiles share with the mean of their neighbours: what varies slowly, without their own chance.
fn shared_spread(raw: &[Option<f64>], high: usize, wide: usize, middle: f64) -> f64 {
    let (mut sum, mut count) = (0.0, 0.0);
    for (tile, value) in raw.iter().enumerate().filter_map(|(k, value)| Some((k, (*value)?))) {
        let (row, column) = (tile / wide, tile % wide);
        let (mut around, mut number) = (0.0, 0.0);
        for r in row.saturating_sub(1)..(row + 2).min(high) {
            for c in column.saturating_sub(1)..(column + 2).min(wide) {
                if let Some(other) = raw[r * wide + c].filter(|_| r * wide + c != tile) {
                    around += other - middle;
                    number += 1.0;
                }
            }
        }
        if number >= 3.0 {
            sum += (value - middle) * around / number;
            count += 1.0;
        }
    }
    if count < FEWEST_TILES as f64 { 0.0 } else { (sum / count).max(0.0).sqrt() }
}
