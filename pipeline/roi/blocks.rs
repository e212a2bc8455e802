//! Blocks of voxels, on which the organ is searched, and what each holds of signal.

use super::features::Lane;
use super::lattice::{Frame, Lattice};
use super::train::{FIRST, Train, UNLIKE};
use crate::fit::Real;
use crate::study::{Acquisition, flaw};
use rayon::prelude::*;

/// A lattice whose voxels are blocks of a finer one.
#[derive(Clone, Debug)]
pub(super) struct Blocks {
    pub lattice: Lattice,
    pub factor: [usize; 3],
}

impl Blocks {
    /// Blocks about `mm` wide along each axis.
    pub fn of(fine: &Lattice, mm: f64) -> Self {
        let factor: [usize; 3] =
            std::array::from_fn(|k| ((mm / fine.spacing[k]).round() as usize).clamp(1, fine.shape[k].max(1)));
        let lattice = Lattice {
            shape: std::array::from_fn(|k| fine.shape[k].div_ceil(factor[k])),
            spacing: std::array::from_fn(|k| fine.spacing[k] * factor[k] as f64),
        };
        Self { lattice, factor }
    }

    /// A value for each fine voxel, that of its block.
    pub fn spread<T: Copy + Default + Send + Sync>(&self, fine: &Lattice, values: &[T]) -> Vec<T> {
        let mut out = vec![T::default(); fine.len()];
        out.par_chunks_mut(fine.plane().max(1)).enumerate().for_each(|(z, slice)| {
            for (y, line) in slice.chunks_mut(fine.shape[2]).enumerate() {
                let row = self.lattice.index([z / self.factor[0], y / self.factor[1], 0]);
                for (slots, &value) in line.chunks_mut(self.factor[2]).zip(&values[row..]) {
                    slots.fill(value);
                }
            }
        });
        out
    }

    /// A value for each block: the sum over its voxels.
    pub fn gathered(&self, fine: &Lattice, values: &[f32]) -> Vec<f32> {
        let mut out = vec![0.0; self.lattice.len()];
        for (line, row) in values.chunks(fine.shape[2].max(1)).enumerate() {
            let (z, y) = (line / fine.shape[1], line % fine.shape[1]);
            let first = self.lattice.index([z / self.factor[0], y / self.factor[1], 0]);
            for (part, total) in row.chunks(self.factor[2]).zip(&mut out[first..]) {
                *total += part.iter().sum::<f32>();
            }
        }
        out
    }

    /// A value for each fine voxel, trilinear between block centres.
    pub fn interpolate(&self, fine: &Lattice, values: &[f32]) -> Vec<f32> {
        let shape = self.lattice.shape;
        // For each axis and fine position: lower block, upper block, weight of the upper.
        let ramps: [Vec<(usize, usize, f32)>; 3] = std::array::from_fn(|k| {
            (0..fine.shape[k])
                .map(|i| {
                    let at = (i as f32 + 0.5) / self.factor[k] as f32 - 0.5;
                    let low = at.floor().max(0.0) as usize;
                    let low = low.min(shape[k] - 1);
                    (low, (low + 1).min(shape[k] - 1), (at - low as f32).clamp(0.0, 1.0))
                })
                .collect()
        });
        let mut out = vec![0.0f32; fine.len()];
        let line = |z: usize, y: usize| &values[self.lattice.index([z, y, 0])..][..shape[2]];
        out.par_chunks_mut(fine.plane().max(1)).enumerate().for_each(|(z, slice)| {
            let (z0, z1, wz) = ramps[0][z];
            let mut blended = vec![0.0f32; shape[2]];
            for (row, &(y0, y1, wy)) in slice.chunks_mut(fine.shape[2]).zip(&ramps[1]) {
                let corners = [line(z0, y0), line(z0, y1), line(z1, y0), line(z1, y1)];
                let weights = [(1.0 - wz) * (1.0 - wy), (1.0 - wz) * wy, wz * (1.0 - wy), wz * wy];
                for (x, slot) in blended.iter_mut().enumerate() {
                    *slot = (weights[0] * corners[0][x] + weights[1] * corners[1][x])
                        + (weights[2] * corners[2][x] + weights[3] * corners[3][x]);
                }
                for (slot, &(x0, x1, wx)) in row.iter_mut().zip(&ramps[2]) {
                    *slot = blended[x0] + wx * (blended[x1] - blended[x0]);
                }
            }
        });
        out
    }
}

/// Mean squared signal of each block at each echo in σ², less its noise, echo × block; and voxels used per block.
pub(super) struct Power {
    pub squares: Vec<Vec<f32>>,
    pub count: Vec<f32>,
}

/// How far away a block's neighbours are, in blocks, that are averaged with it.
const POOL: usize = 2;

impl Power {
    /// A block's squares averaged with those up to [`POOL`] blocks away in the slice that could be the same tissue by
    /// their first echoes, weighted by nearness; gives the number of independent samples in the mean.
    pub fn pooled(&self, lattice: &Lattice, train: &Train, block: usize, decay: &mut [Lane], lane: usize) -> f32 {
        let [_, rows, columns] = lattice.shape;
        let [z, y, x] = lattice.place(block);
        let noise = (4.0 * train.coil_elements) as f32;
        let first = self.squares.len().min(FIRST);
        let alike = first as f32 + UNLIKE * (2.0 * first as f32).sqrt();
        let likeness = |other: usize| {
            let unlike: f32 = self.squares[..first]
                .iter()
                .map(|echo| {
                    let (a, b) = (echo[block], echo[other]);
                    let variance =
                        (4.0 * a.max(0.0) + noise) / self.count[block] + (4.0 * b.max(0.0) + noise) / self.count[other];
                    (a - b) * (a - b) / variance
                })
                .sum();
            Real::exp(-0.5 * (unlike - alike).max(0.0))
        };
        decay.iter_mut().for_each(|echo| echo[lane] = 0.0);
        let (mut sum, mut squares) = (0.0, 0.0);
        for v in y.saturating_sub(POOL)..(y + POOL + 1).min(rows) {
            for u in x.saturating_sub(POOL)..(x + POOL + 1).min(columns) {
                let at = lattice.index([z, v, u]);
                if self.count[at] == 0.0 || self.count[block] == 0.0 {
                    continue;
                }
                let near = (POOL + 1 - v.abs_diff(y)) as f32 * (POOL + 1 - u.abs_diff(x)) as f32;
                let weight = if at == block { near } else { near * likeness(at) };
                let share = weight * self.count[at];
                sum += share;
                squares += weight * share;
                decay.iter_mut().zip(&self.squares).for_each(|(to, echo)| to[lane] += share * echo[at]);
            }
        }
        if sum == 0.0 {
            return 0.0;
        }
        decay.iter_mut().for_each(|echo| echo[lane] /= sum);
        sum * sum / squares
    }
}

/// Sums squares over blocks.
pub(super) fn power(acq: &Acquisition, frame: &Frame, blocks: &Blocks, sigma: f64, coil_elements: f64) -> Power {
    let flaws = acq.flaws();
    let scale = (1.0 / (sigma * sigma)) as f32;
    let floor = (2.0 * coil_elements) as f32;
    let good = |at: usize| f32::from(flaws[at] == flaw::NONE);
    let count = sum(frame, blocks, good);
    let squares = (0..acq.magnitude().nrows())
        .into_par_iter()
        .map(|echo| {
            let samples = acq.echo(echo);
            let mut total = sum(frame, blocks, |at| good(at) * samples[at] * samples[at]);
            for (value, &n) in total.iter_mut().zip(&count) {
                *value = if n > 0.0 { *value * scale / n - floor } else { 0.0 };
            }
            total
        })
        .collect();
    Power { squares, count }
}

/// Adds up what every voxel of the grid has, block by block.
fn sum(frame: &Frame, blocks: &Blocks, value: impl Fn(usize) -> f32 + Sync) -> Vec<f32> {
    let fine = &frame.lattice;
    let mut out = vec![0.0f32; blocks.lattice.len()];
    let plane = blocks.lattice.plane().max(1);
    out.par_chunks_mut(plane).enumerate().for_each(|(bz, slice)| {
        let (first, last) = (bz * blocks.factor[0], ((bz + 1) * blocks.factor[0]).min(fine.shape[0]));
        for z in first..last {
            for y in 0..fine.shape[1] {
                let row = (y / blocks.factor[1]) * blocks.lattice.shape[2];
                let mut line = frame.row(z, y);
                for total in &mut slice[row..row + blocks.lattice.shape[2]] {
                    *total += line.by_ref().take(blocks.factor[2]).map(&value).sum::<f32>();
                }
            }
        }
    });
    out
}
