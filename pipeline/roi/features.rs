//! What a voxel or a block of voxels tells of its tissue at any iron load: ln R2*, ln S0, the beat of fat against
//! water, and whether the first echo stands above the noise at all.
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
    /// Depth of the beat of fat against water, ln S(in phase) − ln S(opposed) over 2, and its standard error.
    pub beat: Vec<f32>,
    pub beat_error: Vec<f32>,
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

/// Echo times with what fat does at each, and the noise of a square.
#[derive(Clone, Debug)]
pub(super) struct Train {
    times: Vec<f32>,
    beat: Vec<f32>,
    coil_elements: f64,
    /// Mean and standard deviation of the beat before anything is measured. At high iron the echoes cannot tell
    /// beat from decay, and a wide prior would leave the rate unknown.
    expected_beat: [f32; 2],
}

/// Frequency of the main fat peak below water, Hz per tesla: 3.4 ppm of 42.58 MHz/T (common practice).
const FAT_HZ_PER_TESLA: f64 = 3.4 * 42.58;

impl Train {
    /// Of an acquisition; 1.5 T where the header does not say, which costs contrast and nothing else.
    pub fn of(acq: &Acquisition, coil_elements: f64) -> Self {
        let field = acq.header().scanner.field_strength.map_or(1.5, |t| t.0);
        let turn = std::f64::consts::TAU * FAT_HZ_PER_TESLA * field;
        let times = acq.echo_seconds();
        Self {
            beat: times.iter().map(|&t| libm::cos(turn * t) as f32).collect(),
            times: times.iter().map(|&t| t as f32).collect(),
            coil_elements,
            expected_beat: [0.0, 0.25],
        }
    }

    /// The same echoes where a beat is expected.
    pub fn expecting(&self, mean: f32, deviation: f32) -> Self {
        Self { expected_beat: [mean, deviation], ..self.clone() }
    }

    /// Whether a signal of this ln R2* and ln S0 (in σ) would be lost in the noise of one voxel at the first echo.
    pub fn loses(&self, rate: f32, origin: f32) -> bool {
        let first = libm::expf(2.0 * (origin - libm::expf(rate) * self.times[0]));
        first < 2.0 * SEEN * ((4.0 * self.coil_elements) as f32).sqrt()
    }
}

impl Features {
    /// Of each block of a lattice.
    pub fn of_blocks(power: &Power, train: &Train, wanted: impl Fn(usize) -> bool + Sync) -> Self {
        Self::of(power.count.len(), train, |block, decay| {
            if !wanted(block) {
                return 0.0;
            }
            decay.extend(power.squares.iter().map(|echo| echo[block]));
            power.count[block]
        })
    }

    /// Least squares of the squared signal on S0²·exp(−2·R2*·TE + 2·b·cos(ωTE)), weighted by the variance of a
    /// noncentral chi square. `decay` writes the squared signal in σ² at each echo, less noise, and gives the
    /// number of independent samples that went into it; 0 for a voxel not wanted.
    pub fn of(count: usize, train: &Train, decay: impl Fn(usize, &mut Vec<f32>) -> f32 + Sync) -> Self {
        let values: Vec<[f32; 7]> = (0..count)
            .into_par_iter()
            .with_min_len(1024)
            .map_init(Vec::new, |samples, at| {
                samples.clear();
                let weight = decay(at, samples);
                if weight == 0.0 { UNSEEN } else { one(samples, train, weight) }
            })
            .collect();
        let part = |k: usize| values.iter().map(|v| v[k]).collect();
        Self {
            rate: part(0),
            rate_error: part(1),
            origin: part(2),
            origin_error: part(3),
            beat: part(4),
            beat_error: part(5),
            dark: values.iter().map(|v| v[6] != 0.0).collect(),
        }
    }

    /// Of each voxel of the acquisition that is wanted, from its neighbourhood in the slice weighted 1-2-1 along
    /// both axes (`smooth`) or from itself.
    pub fn of_voxels(
        acq: &Acquisition,
        frame: &Frame,
        sigma: f64,
        train: &Train,
        smooth: bool,
        wanted: &[bool],
    ) -> Self {
        let fine = &frame.lattice;
        let (magnitude, flaws) = (acq.magnitude(), acq.flaws());
        let (scale, floor) = ((1.0 / (sigma * sigma)) as f32, (2.0 * train.coil_elements) as f32);
        let reach = usize::from(smooth);
        Self::of(fine.len(), train, |index, decay| {
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

/// What is known of a voxel without signal: nothing.
const UNSEEN: [f32; 7] = [f32::NAN, f32::INFINITY, f32::NAN, f32::INFINITY, 0.0, 1.0, 1.0];

/// ln rate, ln S0 and beat, each with its error; dark.
fn one(decay: &[f32], train: &Train, count: f32) -> [f32; 7] {
    let noise = (4.0 * train.coil_elements) as f32;
    let times = &train.times;
    let variance = |p: f32| (4.0 * p.max(0.0) + noise) / count;
    if decay[0] < SEEN * (noise / count).sqrt() {
        return UNSEEN;
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
    // Then Gauss-Newton on the squares themselves, which have no bias: ln P0, ln rate, beat.
    let mut log_p0 = (if w0 > 0.0 { (v0 + 2.0 * rate * w1) / w0 } else { libm::logf(decay[0]) }).clamp(-4.0, 40.0);
    let [expected, deviation] = train.expected_beat;
    let mut beat = expected;
    let prior = 1.0 / (deviation * deviation);
    let mut inverse = [f32::INFINITY; 3];
    for _ in 0..5 {
        // Normal matrix aa ab ac bb bc cc.
        let [mut aa, mut ab, mut ac, mut bb, mut bc, mut cc] = [0.0, 0.0, 0.0, 0.0, 0.0, prior];
        let [mut ra, mut rb, mut rc] = [0.0, 0.0, prior * (expected - beat)];
        for ((&p, &t), &cosine) in decay.iter().zip(times).zip(&train.beat) {
            let model = libm::expf(log_p0 - 2.0 * rate * t + 2.0 * beat * cosine);
            let w = model * model / variance(model);
            let (jb, jc) = (-2.0 * rate * t, 2.0 * cosine);
            let r = w * (p / model.max(1e-12) - 1.0);
            aa += w;
            ab += w * jb;
            ac += w * jc;
            bb += w * jb * jb;
            bc += w * jb * jc;
            cc += w * jc * jc;
            ra += r;
            rb += r * jb;
            rc += r * jc;
        }
        let (maa, mab, mac) = (bb * cc - bc * bc, ac * bc - ab * cc, ab * bc - ac * bb);
        let det = aa * maa + ab * mab + ac * mac;
        if !(det > 1e-6 * aa * bb * cc && det.is_finite()) {
            break;
        }
        let (mbb, mbc, mcc) = (aa * cc - ac * ac, ab * ac - aa * bc, aa * bb - ab * ab);
        let da = (maa * ra + mab * rb + mac * rc) / det;
        let db = (mab * ra + mbb * rb + mbc * rc) / det;
        let dc = (mac * ra + mbc * rb + mcc * rc) / det;
        inverse = [maa / det, mbb / det, mcc / det];
        log_p0 = (log_p0 + da.clamp(-1.0, 1.0)).clamp(-4.0, 40.0);
        rate = (rate * libm::expf(db.clamp(-0.7, 0.7))).clamp(RATES[0], RATES[1]);
        beat = (beat + dc.clamp(-0.5, 0.5)).clamp(-2.0, 2.0);
    }
    if inverse.iter().any(|v| !(v.is_finite() && *v >= 0.0)) {
        return UNSEEN;
    }
    let [va, vb, vc] = inverse.map(f32::sqrt);
    [libm::logf(rate), vb, 0.5 * log_p0, 0.5 * va, beat, vc, 0.0]
}
