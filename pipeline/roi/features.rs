//! What a voxel or a block of voxels tells of its tissue at any iron load: ln R2*, ln S0 and whether the first
//! echo stands above the noise at all.
//!
//! From second moments: the mean of S² over a block less 2Nσ² is the squared signal without bias, whatever the
//! noise floor (noncentral chi, N coil elements), so a block average stays honest where single voxels do not.

use super::lattice::{Frame, Lattice};
use crate::study::{Acquisition, flaw};
use rayon::prelude::*;

/// Features of each block of a lattice.
#[derive(Clone, Debug, Default)]
pub(super) struct Features {
    /// ln R2* (1/s) and its standard error.
    pub rate: Vec<f32>,
    pub rate_error: Vec<f32>,
    /// ln S0 (in σ) and its standard error.
    pub origin: Vec<f32>,
    pub origin_error: Vec<f32>,
    /// The first echo does not stand above the noise: no rate, no origin.
    pub dark: Vec<bool>,
}

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

    /// The block of a fine place.
    pub fn block(&self, place: [usize; 3]) -> usize {
        self.lattice.index(std::array::from_fn(|k| place[k] / self.factor[k]))
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
        out.par_chunks_mut(fine.plane().max(1)).enumerate().for_each(|(z, slice)| {
            let (z0, z1, wz) = ramps[0][z];
            for y in 0..fine.shape[1] {
                let (y0, y1, wy) = ramps[1][y];
                for x in 0..fine.shape[2] {
                    let (x0, x1, wx) = ramps[2][x];
                    let at = |z, y| {
                        let low = values[self.lattice.index([z, y, x0])];
                        low + wx * (values[self.lattice.index([z, y, x1])] - low)
                    };
                    let plane = |z| {
                        let low = at(z, y0);
                        low + wy * (at(z, y1) - low)
                    };
                    let low = plane(z0);
                    slice[y * fine.shape[2] + x] = low + wz * (plane(z1) - low);
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

/// Sums squares over blocks.
pub(super) fn power(acq: &Acquisition, frame: &Frame, blocks: &Blocks, sigma: f64, coil_elements: f64) -> Power {
    let fine = &frame.lattice;
    let flaws = acq.flaws();
    let scale = (1.0 / (sigma * sigma)) as f32;
    let floor = (2.0 * coil_elements) as f32;
    let sum = |values: &(dyn Fn(usize) -> f32 + Sync)| {
        let mut out = vec![0.0f32; blocks.lattice.len()];
        let plane = blocks.lattice.plane().max(1);
        out.par_chunks_mut(plane).enumerate().for_each(|(bz, slice)| {
            let (first, last) = (bz * blocks.factor[0], ((bz + 1) * blocks.factor[0]).min(fine.shape[0]));
            for z in first..last {
                for y in 0..fine.shape[1] {
                    let row = (y / blocks.factor[1]) * blocks.lattice.shape[2];
                    for x in 0..fine.shape[2] {
                        let at = frame.grid_index([z, y, x]);
                        slice[row + x / blocks.factor[2]] += values(at);
                    }
                }
            }
        });
        out
    };
    let good = |at: usize| f32::from(flaws[at] == flaw::NONE);
    let count = sum(&good);
    let squares = (0..acq.magnitude().nrows())
        .map(|echo| {
            let samples = acq.echo(echo);
            let mut total = sum(&|at| good(at) * samples[at] * samples[at]);
            for (value, &n) in total.iter_mut().zip(&count) {
                *value = if n > 0.0 { *value * scale / n - floor } else { 0.0 };
            }
            total
        })
        .collect();
    Power { squares, count }
}

/// Smallest and largest rate the fit may give, 1/s.
const RATES: [f32; 2] = [3.0, 5000.0];
/// A first echo below this many standard errors above nothing is dark.
const SEEN: f32 = 3.0;

impl Features {
    /// Of each block of a lattice.
    pub fn of_blocks(
        power: &Power,
        echo_times: &[f64],
        coil_elements: f64,
        wanted: impl Fn(usize) -> bool + Sync,
    ) -> Self {
        Self::of(power.count.len(), echo_times, coil_elements, |block, decay| {
            if !wanted(block) {
                return 0.0;
            }
            decay.extend(power.squares.iter().map(|echo| echo[block]));
            power.count[block]
        })
    }

    /// Least squares of the squared signal on S0²·exp(−2·R2*·TE), weighted by the variance of a noncentral chi
    /// square. `decay` writes the squared signal in σ² at each echo, less noise, and gives the number of
    /// independent samples that went into it; 0 for a voxel not wanted.
    pub fn of(
        count: usize,
        echo_times: &[f64],
        coil_elements: f64,
        decay: impl Fn(usize, &mut Vec<f32>) -> f32 + Sync,
    ) -> Self {
        let times: Vec<f32> = echo_times.iter().map(|&t| t as f32).collect();
        let noise = (4.0 * coil_elements) as f32;
        let values: Vec<[f32; 5]> = (0..count)
            .into_par_iter()
            .with_min_len(1024)
            .map_init(Vec::new, |samples, at| {
                samples.clear();
                let weight = decay(at, samples);
                if weight == 0.0 {
                    return [f32::NAN, f32::INFINITY, f32::NAN, f32::INFINITY, 1.0];
                }
                one(samples, &times, noise, weight)
            })
            .collect();
        Self {
            rate: values.iter().map(|v| v[0]).collect(),
            rate_error: values.iter().map(|v| v[1]).collect(),
            origin: values.iter().map(|v| v[2]).collect(),
            origin_error: values.iter().map(|v| v[3]).collect(),
            dark: values.iter().map(|v| v[4] != 0.0).collect(),
        }
    }

    /// Of each voxel of the acquisition that is wanted, from its neighbourhood in the slice weighted 1-2-1 along
    /// both axes (`smooth`) or from itself.
    pub fn of_voxels(
        acq: &Acquisition,
        frame: &Frame,
        [sigma, coil_elements]: [f64; 2],
        smooth: bool,
        wanted: &[bool],
    ) -> Self {
        let fine = &frame.lattice;
        let (magnitude, flaws) = (acq.magnitude(), acq.flaws());
        let (scale, floor) = ((1.0 / (sigma * sigma)) as f32, (2.0 * coil_elements) as f32);
        let reach = usize::from(smooth);
        Self::of(fine.len(), &acq.echo_seconds(), coil_elements, |index, decay| {
            if !wanted[index] {
                return 0.0;
            }
            let [z, y, x] = fine.place(index);
            let mut around = [(0usize, 0.0f32); 9];
            let (mut used, mut sum, mut squares) = (0, 0.0, 0.0);
            for v in y.saturating_sub(reach)..(y + reach + 1).min(fine.shape[1]) {
                for u in x.saturating_sub(reach)..(x + reach + 1).min(fine.shape[2]) {
                    let at = frame.grid_index([z, v, u]);
                    if flaws[at] == flaw::NONE {
                        let weight = (2 - v.abs_diff(y)) as f32 * (2 - u.abs_diff(x)) as f32;
                        around[used] = (at, weight);
                        used += 1;
                        sum += weight;
                        squares += weight * weight;
                    }
                }
            }
            if used == 0 {
                return 0.0;
            }
            for echo in magnitude.rows() {
                let total: f32 = around[..used].iter().map(|&(at, weight)| weight * echo[at] * echo[at]).sum();
                decay.push(total * scale / sum - floor);
            }
            sum * sum / squares
        })
    }
}

/// ln rate, its error, ln S0, its error, dark.
fn one(decay: &[f32], times: &[f32], noise: f32, count: f32) -> [f32; 5] {
    let variance = |p: f32| (4.0 * p.max(0.0) + noise) / count;
    let unseen = [f32::NAN, f32::INFINITY, f32::NAN, f32::INFINITY, 1.0];
    if decay[0] < SEEN * (noise / count).sqrt() {
        return unseen;
    }
    // Start: weighted straight line through the logarithms.
    let (mut w0, mut w1, mut w2, mut v0, mut v1) = (0.0f32, 0.0, 0.0, 0.0, 0.0);
    for (&p, &t) in decay.iter().zip(times) {
        if p > 0.0 {
            let (w, y) = (p * p / variance(p), libm::logf(p));
            w0 += w;
            w1 += w * t;
            w2 += w * t * t;
            v0 += w * y;
            v1 += w * t * y;
        }
    }
    let det = w0 * w2 - w1 * w1;
    let slope = if det > 1e-6 * w0 * w2 { -(w0 * v1 - w1 * v0) / det } else { 2.0 / times[0].max(1e-4) };
    let mut rate = (0.5 * slope).clamp(RATES[0], RATES[1]);
    // Then Gauss-Newton on the squares themselves, which have no bias: ln P0 and ln rate.
    let mut log_p0 = (if w0 > 0.0 { (v0 + 2.0 * rate * w1) / w0 } else { libm::logf(decay[0]) }).clamp(-4.0, 40.0);
    let mut normal = [0.0f32; 3];
    for _ in 0..5 {
        normal = [0.0; 3];
        let mut right = [0.0f32; 2];
        let p0 = libm::expf(log_p0);
        for (&p, &t) in decay.iter().zip(times) {
            let model = p0 * libm::expf(-2.0 * rate * t);
            let w = 1.0 / variance(model);
            let (ja, jb) = (model, -2.0 * rate * t * model);
            let residual = p - model;
            normal[0] += w * ja * ja;
            normal[1] += w * ja * jb;
            normal[2] += w * jb * jb;
            right[0] += w * ja * residual;
            right[1] += w * jb * residual;
        }
        let det = normal[0] * normal[2] - normal[1] * normal[1];
        if det <= 1e-7 * normal[0] * normal[2] || !det.is_finite() {
            break;
        }
        let da = (normal[2] * right[0] - normal[1] * right[1]) / det;
        let db = (normal[0] * right[1] - normal[1] * right[0]) / det;
        log_p0 = (log_p0 + da.clamp(-1.0, 1.0)).clamp(-4.0, 40.0);
        rate = (rate * libm::expf(db.clamp(-0.7, 0.7))).clamp(RATES[0], RATES[1]);
    }
    let det = normal[0] * normal[2] - normal[1] * normal[1];
    let (origin_variance, rate_variance) =
        if det > 0.0 { (normal[2] / det, normal[0] / det) } else { (f32::INFINITY, f32::INFINITY) };
    if !(rate_variance.is_finite() && origin_variance.is_finite()) {
        return unseen;
    }
    [libm::logf(rate), rate_variance.sqrt(), 0.5 * log_p0, 0.5 * origin_variance.sqrt(), 0.0]
}
