//! What a voxel or a block of voxels tells of its tissue at any iron load: R2*, ln S0, the beat of fat against
//! water, and whether the first echoes stand above the noise at all.
//!
//! From second moments: the mean of S² over a block less 2Nσ² is the squared signal without bias, whatever the
//! noise floor (noncentral chi, N coil elements), so a block average stays honest where single voxels do not.

use super::lattice::{Frame, Lattice};
use crate::fit::{FatSpectrum, Real};
use crate::study::{Acquisition, flaw};
use rayon::prelude::*;

/// Features of each block of a lattice.
#[derive(Clone, Debug, Default)]
pub(super) struct Features {
    /// ln(R2* + [`SHIM`]) and its standard error.
    pub rate: Vec<f32>,
    pub rate_error: Vec<f32>,
    /// ln S0 (in σ) and its standard error.
    pub origin: Vec<f32>,
    pub origin_error: Vec<f32>,
    /// Depth of the beat of fat against water, ln S(in phase) − ln S(opposed) over 2, and its standard error.
    pub beat: Vec<f32>,
    pub beat_error: Vec<f32>,
    /// Log likelihood ratio of adipose tissue against water with a beat: above 0 where the echoes follow the peaks
    /// of fat.
    pub adipose: Vec<f32>,
    /// The first echoes do not stand above the noise: no rate, no origin.
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

/// Smallest and largest rate the fit may give, 1/s.
const RATES: [f32; 2] = [3.0, 5000.0];
/// What an imperfect shim may add to a decay, 1/s. Rates are compared as ln(R2* + SHIM): among slow decays the
/// difference counts, among fast ones the ratio, and a decay slower than the echoes can tell is not mistaken for any.
pub(super) const SHIM: f32 = 25.0;
/// A first echo below this many standard errors above nothing is dark,
const SEEN: f32 = 3.0;
/// unless one of those up to this stands above it this many times as clearly: fat may cancel water at the first.
const FIRST: usize = 3;
const LATER: f32 = 2.0;
/// Neighbours whose echoes differ by this many standard deviations more than noise lets them are another tissue.
const UNLIKE: f32 = 1.0;

/// Echo times with what fat does at each, and the noise of a square.
#[derive(Clone, Debug)]
pub(super) struct Train {
    times: Vec<f32>,
    beat: Vec<f32>,
    /// Twice the logarithm of adipose tissue's signal at each echo but for its decay.
    adipose: Vec<f32>,
    coil_elements: f64,
    /// Mean and standard deviation of the beat before anything is measured. At high iron the echoes cannot tell
    /// beat from decay, and a wide prior would leave the rate unknown.
    expected_beat: [f32; 2],
}

/// Fat fraction of adipose tissue: 85 to 97 % (common practice, no source).
const ADIPOSE: f64 = 0.93;
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
            adipose: times
                .iter()
                .map(|&t| {
                    let [real, imaginary] = FatSpectrum::SixPeak.signal(field, t);
                    let (real, imaginary) = (1.0 - ADIPOSE + ADIPOSE * real, ADIPOSE * imaginary);
                    libm::log((real * real + imaginary * imaginary).max(1e-6)) as f32
                })
                .collect(),
            times: times.iter().map(|&t| t as f32).collect(),
            coil_elements,
            expected_beat: [0.0, 0.25],
        }
    }

    /// The same echoes where a beat is expected.
    pub fn expecting(&self, mean: f32, deviation: f32) -> Self {
        Self { expected_beat: [mean, deviation], ..self.clone() }
    }

    /// Whether a signal of this rate and ln S0 (in σ) would be lost in the noise of one voxel at the first echoes.
    pub fn loses(&self, rate: f32, origin: f32) -> bool {
        let r2star = (libm::expf(rate) - SHIM).max(0.0);
        let power = |t: &f32, cosine: &f32| libm::expf(2.0 * (origin - r2star * t + self.expected_beat[0] * cosine));
        let mut echoes = self.times.iter().zip(&self.beat).take(FIRST).map(|(t, cosine)| power(t, cosine));
        let first = echoes.next().unwrap_or(0.0);
        let brightest = echoes.map(|later| later / LATER).fold(first, f32::max);
        brightest < 2.0 * SEEN * ((4.0 * self.coil_elements) as f32).sqrt()
    }
}

/// Voxels that are worked on together, so that the compiler can use vector registers.
const LANES: usize = 4;
type Lane = [f32; LANES];

impl Features {
    /// Of each wanted block of a lattice.
    pub fn of_blocks(power: &Power, train: &Train, wanted: &[bool]) -> Self {
        Self::of(wanted, train, true, |block, decay, lane| {
            for (to, echo) in decay.iter_mut().zip(&power.squares) {
                to[lane] = echo[block];
            }
            power.count[block]
        })
    }

    /// Least squares of the squared signal on S0²·exp(−2·R2*·TE + 2·b·cos(ωTE)), weighted by the variance of a
    /// noncentral chi square. `decay` writes the squared signal in σ² at each echo, less noise, into a lane, and
    /// gives the number of independent samples that went into it. Without `fat`, adipose tissue is not looked for.
    fn of(wanted: &[bool], train: &Train, fat: bool, decay: impl Fn(usize, &mut [Lane], usize) -> f32 + Sync) -> Self {
        let places: Vec<usize> = (0..wanted.len()).filter(|&k| wanted[k]).collect();
        let values: Vec<[Lane; PARTS]> = places
            .par_chunks(LANES)
            .with_min_len(64)
            .map_init(
                || vec![[0.0; LANES]; train.times.len()],
                |samples, places| {
                    let mut weight = [0.0; LANES];
                    for (lane, &place) in places.iter().enumerate() {
                        weight[lane] = decay(place, samples, lane);
                    }
                    fitted(samples, train, fat, &weight)
                },
            )
            .collect();
        let part = |k: usize| {
            let mut out = vec![UNSEEN[k]; wanted.len()];
            for (places, values) in places.chunks(LANES).zip(&values) {
                for (&place, &value) in places.iter().zip(&values[k]) {
                    out[place] = value;
                }
            }
            out
        };
        Self {
            rate: part(0),
            rate_error: part(1),
            origin: part(2),
            origin_error: part(3),
            beat: part(4),
            beat_error: part(5),
            adipose: part(6),
            dark: part(7).into_iter().map(|v| v != 0.0).collect(),
        }
    }

    /// Of each voxel of the acquisition that is wanted, from itself, or `together` with those of its neighbours in the
    /// slice that could be the same tissue, weighted 1-2-1 along both axes: less noise, and no edge blurred. Single
    /// voxels are not asked whether they are adipose.
    pub fn of_voxels(
        acq: &Acquisition,
        frame: &Frame,
        sigma: f64,
        train: &Train,
        together: bool,
        wanted: &[bool],
    ) -> Self {
        let fine = &frame.lattice;
        let (magnitude, flaws) = (acq.magnitude(), acq.flaws());
        let echoes: Vec<_> = magnitude.rows().into_iter().collect();
        let (scale, floor) = ((1.0 / (sigma * sigma)) as f32, (2.0 * train.coil_elements) as f32);
        let reach = usize::from(together);
        let count = echoes.len() as f32;
        // Mean of a chi-squared number with a degree of freedom for each echo, and so many of its deviations.
        let alike = count + UNLIKE * (2.0 * count).sqrt();
        let likeness = |own: usize, other: usize| {
            let mut unlike = 0.0f32;
            for echo in &echoes {
                let (a, b) = (scale * echo[own] * echo[own], scale * echo[other] * echo[other]);
                let variance = 4.0 * ((a - floor).max(0.0) + (b - floor).max(0.0) + floor);
                unlike += (a - b) * (a - b) / variance;
            }
            Real::exp(-0.5 * (unlike - alike).max(0.0))
        };
        Self::of(wanted, train, together, |index, decay, lane| {
            let [z, y, x] = fine.place(index);
            let own = frame.grid_index([z, y, x]);
            let mut around = [(0usize, 0.0f32); 9];
            let (mut used, mut sum, mut squares) = (0, 0.0, 0.0);
            for v in y.saturating_sub(reach)..(y + reach + 1).min(fine.shape[1]) {
                for u in x.saturating_sub(reach)..(x + reach + 1).min(fine.shape[2]) {
                    let at = frame.grid_index([z, v, u]);
                    if flaws[at] != flaw::NONE {
                        continue;
                    }
                    let near = (2 - v.abs_diff(y)) as f32 * (2 - u.abs_diff(x)) as f32;
                    let weight = if at == own { near } else { near * likeness(own, at) };
                    // What hardly counts is spared.
                    if weight > 1e-2 {
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
            for (to, echo) in decay.iter_mut().zip(&echoes) {
                let total: f32 = around[..used].iter().map(|&(at, weight)| weight * echo[at] * echo[at]).sum();
                to[lane] = total * scale / sum - floor;
            }
            sum * sum / squares
        })
    }
}

/// What is known of a voxel without signal: nothing.
const UNSEEN: [f32; PARTS] = [f32::NAN, f32::INFINITY, f32::NAN, f32::INFINITY, 0.0, 1.0, 0.0, 1.0];

/// What is told of one voxel: ln rate, ln S0 and beat, each with its error; adipose; dark.
const PARTS: usize = 8;

/// Rounds of Gauss-Newton at most, and the step of ln P0, ln rate and beat that is small enough to be the last.
const ROUNDS: usize = 6;
const SETTLED: f32 = 2e-3;

/// A voxel's numbers do not depend on its neighbours in the
/// lanes: each stands still once it has settled. A weight of 0 is a voxel without a usable sample.
fn fitted(decay: &[Lane], train: &Train, fat: bool, weight: &Lane) -> [Lane; PARTS] {
    let noise = (4.0 * train.coil_elements) as f32;
    let times = &train.times;
    let [expected, deviation] = train.expected_beat;
    let prior = 1.0 / (deviation * deviation);
    let mut done: [bool; LANES] = std::array::from_fn(|l| {
        let later = decay.iter().take(FIRST).skip(1).map(|echo| echo[l]).fold(0.0, f32::max);
        let least = SEEN * (noise / weight[l]).sqrt();
        weight[l] == 0.0 || (decay[0][l] < least && later < LATER * least)
    });
    let unseen = done;
    let mut point: [[f32; 3]; LANES] = start(decay, times, noise, expected);
    let mut inverse = [[f32::INFINITY; 3]; LANES];
    for _ in 0..ROUNDS {
        if done.iter().all(|&d| d) {
            break;
        }
        // Normal matrix aa ab ac bb bc cc, right side ra rb rc.
        let [mut aa, mut ab, mut ac, mut bb, mut bc] = [[0.0; LANES]; 5];
        let mut cc = [prior; LANES];
        let [mut ra, mut rb] = [[0.0; LANES]; 2];
        let mut rc: Lane = std::array::from_fn(|l| prior * (expected - point[l][2]));
        let (p0, rate, beat): (Lane, Lane, Lane) = (
            std::array::from_fn(|l| point[l][0]),
            std::array::from_fn(|l| point[l][1]),
            std::array::from_fn(|l| point[l][2]),
        );
        for ((p, &t), &cosine) in decay.iter().zip(times).zip(&train.beat) {
            let jc = 2.0 * cosine;
            for l in 0..LANES {
                let jb = -2.0 * rate[l] * t;
                let model = Real::exp(p0[l] + jb + beat[l] * jc);
                // Weight over the model; the variance is (4·model + noise) / weight.
                let share = weight[l] * model / (4.0 * model + noise);
                let w = share * model;
                let r = share * (p[l] - model);
                aa[l] += w;
                ab[l] += w * jb;
                ac[l] += w * jc;
                bb[l] += w * jb * jb;
                bc[l] += w * jb * jc;
                cc[l] += w * jc * jc;
                ra[l] += r;
                rb[l] += r * jb;
                rc[l] += r * jc;
            }
        }
        for l in 0..LANES {
            if done[l] {
                continue;
            }
            let (aa, ab, ac, bb, bc, cc) = (aa[l], ab[l], ac[l], bb[l], bc[l], cc[l]);
            let (maa, mab, mac) = (bb * cc - bc * bc, ac * bc - ab * cc, ab * bc - ac * bb);
            let det = aa * maa + ab * mab + ac * mac;
            if !(det > 1e-6 * aa * bb * cc && det.is_finite()) {
                done[l] = true;
                continue;
            }
            let (mbb, mbc, mcc) = (aa * cc - ac * ac, ab * ac - aa * bc, aa * bb - ab * ab);
            let da = (maa * ra[l] + mab * rb[l] + mac * rc[l]) / det;
            let db = (mab * ra[l] + mbb * rb[l] + mbc * rc[l]) / det;
            let dc = (mac * ra[l] + mbc * rb[l] + mcc * rc[l]) / det;
            inverse[l] = [maa / det, mbb / det, mcc / det];
            let [log_p0, rate, beat] = &mut point[l];
            *log_p0 = (*log_p0 + da.clamp(-1.0, 1.0)).clamp(-4.0, 40.0);
            *rate = (*rate * Real::exp(db.clamp(-0.7, 0.7))).clamp(RATES[0], RATES[1]);
            *beat = (*beat + dc.clamp(-0.5, 0.5)).clamp(-2.0, 2.0);
            done[l] = da.abs().max(db.abs()).max(dc.abs()) < SETTLED;
        }
    }
    let adipose = if fat { likelihood_of_fat(decay, train, weight, &point) } else { [0.0; LANES] };
    let mut out = UNSEEN.map(|value| [value; LANES]);
    for l in (0..LANES).filter(|&l| !unseen[l] && inverse[l].iter().all(|v| v.is_finite() && *v >= 0.0)) {
        let ([va, vb, vc], [log_p0, rate, beat]) = (inverse[l].map(f32::sqrt), point[l]);
        let shifted = rate + SHIM;
        let parts = [logarithm(shifted), vb * rate / shifted, 0.5 * log_p0, 0.5 * va, beat, vc, adipose[l], 0.0];
        for (slot, value) in out.iter_mut().zip(parts) {
            slot[l] = value;
        }
    }
    out
}

/// How much better adipose tissue explains each lane than water with the beat found, as a log likelihood ratio:
/// its peaks are known, so that only size and decay are fitted.
fn likelihood_of_fat(decay: &[Lane], train: &Train, weight: &Lane, water: &[[f32; 3]; LANES]) -> Lane {
    const ROUNDS: usize = 4;
    let noise = (4.0 * train.coil_elements) as f32;
    let mut p0: Lane = std::array::from_fn(|l| water[l][0]);
    let mut rate: Lane = std::array::from_fn(|l| water[l][1]);
    let mut ratio = [0.0; LANES];
    for round in 0..=ROUNDS {
        let [mut aa, mut ab, mut bb, mut ra, mut rb] = [[0.0f32; LANES]; 5];
        let mut misfit = [0.0f32; LANES];
        for ((p, &t), (&fat, &cosine)) in decay.iter().zip(&train.times).zip(train.adipose.iter().zip(&train.beat)) {
            for l in 0..LANES {
                let jb = -2.0 * rate[l] * t;
                let model = Real::exp(p0[l] + jb + fat);
                let share = weight[l] * model / (4.0 * model + noise);
                let w = share * model;
                let r = share * (p[l] - model);
                aa[l] += w;
                ab[l] += w * jb;
                bb[l] += w * jb * jb;
                ra[l] += r;
                rb[l] += r * jb;
                let [p0, rate, beat] = water[l];
                let other = Real::exp(p0 - 2.0 * rate * t + 2.0 * beat * cosine);
                let (own_off, other_off) = (p[l] - model, p[l] - other);
                let precision = 0.5 * weight[l] / (4.0 * other + noise);
                misfit[l] += precision * (other_off * other_off - own_off * own_off);
            }
        }
        if round == ROUNDS {
            ratio = misfit;
            break;
        }
        for l in 0..LANES {
            let det = aa[l] * bb[l] - ab[l] * ab[l];
            if det > 1e-6 * aa[l] * bb[l] {
                let (da, db) = ((bb[l] * ra[l] - ab[l] * rb[l]) / det, (aa[l] * rb[l] - ab[l] * ra[l]) / det);
                p0[l] = (p0[l] + da.clamp(-1.0, 1.0)).clamp(-4.0, 40.0);
                rate[l] = (rate[l] * Real::exp(db.clamp(-0.7, 0.7))).clamp(RATES[0], RATES[1]);
            }
        }
    }
    ratio
}

/// Where to start: a straight line through the logarithms, weighted. ln P0, rate, beat.
fn start(decay: &[Lane], times: &[f32], noise: f32, beat: f32) -> [[f32; 3]; LANES] {
    let [mut w0, mut w1, mut w2, mut v0, mut v1] = [[0.0f32; LANES]; 5];
    for (p, &t) in decay.iter().zip(times) {
        for l in 0..LANES {
            let above = p[l].max(0.0);
            let w = above * above / (4.0 * above + noise);
            let y = logarithm(above.max(f32::MIN_POSITIVE));
            w0[l] += w;
            w1[l] += w * t;
            w2[l] += w * t * t;
            v0[l] += w * y;
            v1[l] += w * t * y;
        }
    }
    std::array::from_fn(|l| {
        let det = w0[l] * w2[l] - w1[l] * w1[l];
        let steep = 2.0 / times[0].max(1e-4);
        let slope = if det > 1e-6 * w0[l] * w2[l] { -(w0[l] * v1[l] - w1[l] * v0[l]) / det } else { steep };
        let rate = (0.5 * slope).clamp(RATES[0], RATES[1]);
        let log_p0 = if w0[l] > 0.0 { (v0[l] + 2.0 * rate * w1[l]) / w0[l] } else { 0.0 };
        [log_p0.clamp(-4.0, 40.0), rate, beat]
    })
}

/// ln x of a normal positive number in plain arithmetic, so that lanes go side by side: the exponent apart, the rest
/// by the series 2·(s + s³/3 + s⁵/5 + …) with s = (m − 1)/(m + 1), |s| ≤ 0.172. Relative error below 3e-7, absolute
/// below 1e-7 near 1 (a test holds it).
#[inline(always)]
pub(super) fn logarithm(x: f32) -> f32 {
    // Bits of √½, so that the mantissa lands between √½ and √2.
    const ROOT: u32 = 0x3f35_04f3;
    let bits = x.to_bits().wrapping_sub(ROOT);
    let exponent = (bits as i32) >> 23;
    let m = f32::from_bits((bits & 0x007f_ffff) + ROOT);
    let s = (m - 1.0) / (m + 1.0);
    let square = s * s;
    let series = 2.0 * s * (1.0 + square * (1.0 / 3.0 + square * (1.0 / 5.0 + square * (1.0 / 7.0 + square / 9.0))));
    exponent as f32 * std::f32::consts::LN_2 + series
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn logarithms_stay_within_their_error_bound() {
        for k in 0..200_000 {
            let x = libm::expf(k as f32 * 8e-4 - 80.0);
            let exact = libm::log(f64::from(x));
            let error = (f64::from(logarithm(x)) - exact).abs();
            assert!(error < (3e-7 * exact.abs()).max(1e-7), "ln {x}: {error}");
        }
    }

    /// A decay without noise comes back, fat's beat included; one lane without a sample harms none of the others.
    #[test]
    fn a_decay_comes_back() {
        let times: Vec<f32> = (1..=12).map(|k| k as f32 * 1e-3).collect();
        let beat: Vec<f32> = times.iter().map(|t| libm::cosf(1365.0 * t)).collect();
        let train = Train {
            times: times.clone(),
            beat: beat.clone(),
            adipose: vec![0.0; 12],
            coil_elements: 1.0,
            expected_beat: [0.0, 0.25],
        };
        let truth = [(30.0f32, 0.0f32), (150.0, 0.1), (600.0, -0.05), (90.0, 0.0)];
        let decay: Vec<Lane> = (0..12)
            .map(|e| truth.map(|(rate, depth)| libm::expf(12.0 - 2.0 * rate * times[e] + 2.0 * depth * beat[e])))
            .collect();
        let found = fitted(&decay, &train, true, &[9.0, 9.0, 9.0, 0.0]);
        for (l, (rate, depth)) in truth.into_iter().enumerate().take(3) {
            let r2star = found[0][l].exp() - SHIM;
            assert!((r2star / rate - 1.0).abs() < 2e-3, "{r2star} and {rate}");
            assert!((found[2][l] - 6.0).abs() < 2e-3 && (found[4][l] - depth).abs() < 2e-3);
            assert_eq!(found[7][l], 0.0);
        }
        assert!(found[0][3].is_nan() && found[7][3] == 1.0);
    }
}
