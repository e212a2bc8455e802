//! What a voxel or a block of voxels tells of its tissue at any iron load: R2*, ln S0, the beat of fat against
//! water, and whether the first echoes stand above the noise at all.
//!
//! From second moments: the mean of S² over a block less 2Nσ² is the squared signal without bias, whatever the
//! noise floor (noncentral chi, N coil elements), so a block average stays honest where single voxels do not.

use super::blocks::Power;
use super::lattice::{Frame, Lattice};
use super::search::median;
use super::train::{ADIPOSE_RATE, FIRST, LATER, RATES, SEEN, SHIM, Train, UNKNOWN, UNLIKE};
use crate::fit::Real;
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
    /// Correlation of the two errors: of a decay that is gone after two echoes both are nearly one.
    pub lean: Vec<f32>,
    /// Depth of the beat of fat against water, ln S(in phase) − ln S(opposed) over 2, and its standard error.
    pub beat: Vec<f32>,
    pub beat_error: Vec<f32>,
    /// Log likelihood ratio of adipose tissue against water with a beat: above 0 where the echoes follow the peaks
    /// of fat.
    pub adipose: Vec<f32>,
    /// The first echoes do not stand above the noise: no rate, no origin.
    pub dark: Vec<bool>,
    /// So dark by itself, whatever lies about it: of blocks only.
    pub void: Vec<bool>,
}

/// A block whose ln rate is known no better than this is looked at together with its neighbours.
const DIM: f32 = 0.2;

/// Voxels that are worked on together, so that the compiler can use vector registers.
const LANES: usize = 4;
pub(super) type Lane = [f32; LANES];

impl Features {
    /// Of each wanted block of a lattice: from itself; where that leaves the rate all but unknown, together with those
    /// about it that could be the same tissue.
    pub fn of_blocks(power: &Power, lattice: &Lattice, train: &Train, wanted: &[bool]) -> Self {
        let mut features = Self::of(wanted, train, true, |block, decay, lane| {
            for (to, echo) in decay.iter_mut().zip(&power.squares) {
                to[lane] = echo[block];
            }
            power.count[block]
        });
        let dim: Vec<bool> =
            (0..wanted.len()).map(|k| wanted[k] && (features.dark[k] || features.rate_error[k] > DIM)).collect();
        features.void = features.dark.clone();
        let known = |k: &usize| wanted[*k] && !dim[*k] && features.adipose[*k] < 0.0;
        let origin = median(&mut (0..wanted.len()).filter(known).map(|k| features.origin[k]).collect::<Vec<_>>());
        let train = &origin.map_or_else(|| train.clone(), |origin| train.about(origin));
        let pooled = Self::of(&dim, train, true, |block, decay, lane| power.pooled(lattice, train, block, decay, lane));
        for k in (0..dim.len()).filter(|&k| dim[k]) {
            features.take(&pooled, k);
        }
        features
    }

    /// One block's features from another set.
    fn take(&mut self, from: &Self, k: usize) {
        self.rate[k] = from.rate[k];
        self.rate_error[k] = from.rate_error[k];
        self.origin[k] = from.origin[k];
        self.origin_error[k] = from.origin_error[k];
        self.lean[k] = from.lean[k];
        self.beat[k] = from.beat[k];
        self.beat_error[k] = from.beat_error[k];
        self.adipose[k] = from.adipose[k];
        self.dark[k] = from.dark[k];
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
            lean: part(4),
            beat: part(5),
            beat_error: part(6),
            adipose: part(7),
            dark: part(8).into_iter().map(|v| v != 0.0).collect(),
            void: Vec::new(),
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
const UNSEEN: [f32; PARTS] = [f32::NAN, f32::INFINITY, f32::NAN, f32::INFINITY, 0.0, 0.0, 1.0, 0.0, 1.0];

/// What is told of one voxel: ln rate and ln S0, each with its error, and how the errors go together; beat and its error;
/// adipose; dark.
const PARTS: usize = 9;

/// Rounds of Gauss-Newton at most, and the step of ln P(TE1), ln rate and beat that is small enough to be the last.
const ROUNDS: usize = 6;
const SETTLED: f32 = 2e-3;

/// A voxel's numbers do not depend on its neighbours in the lanes: each stands still once it has settled. A weight of 0
/// is a voxel without a usable sample. The signal at the first echo and the rate are sought, not ln S0 and the rate:
/// of a decay that is gone after two echoes the latter two are nearly one number, and the search would lose itself.
fn fitted(decay: &[Lane], train: &Train, fat: bool, weight: &Lane) -> [Lane; PARTS] {
    let noise = (4.0 * train.coil_elements) as f32;
    let times = &train.times;
    let [expected, deviation] = train.expected_beat;
    let prior = 1.0 / (deviation * deviation);
    let [water, sure] = train.expected_origin;
    let mut done: [bool; LANES] = std::array::from_fn(|l| {
        let later = decay.iter().take(FIRST).skip(1).map(|echo| echo[l]).fold(0.0, f32::max);
        let least = SEEN * (noise / weight[l]).sqrt();
        weight[l] == 0.0 || (decay[0][l] < least && later < LATER * least)
    });
    let unseen = done;
    let mut point: [[f32; 3]; LANES] = start(decay, times, noise, expected);
    let mut inverse = [[f32::INFINITY; 4]; LANES];
    for _ in 0..ROUNDS {
        if done.iter().all(|&d| d) {
            break;
        }
        // Normal matrix aa ab ac bb bc cc, right side ra rb rc.
        let [mut aa, mut ab, mut ac, mut bb, mut bc] = [[0.0; LANES]; 5];
        let mut cc = [prior; LANES];
        let [mut ra, mut rb] = [[0.0; LANES]; 2];
        let mut rc: Lane = std::array::from_fn(|l| prior * (expected - point[l][2]));
        for l in 0..LANES {
            let [p1, rate, _] = point[l];
            let back = 2.0 * rate * times[0];
            let off = sure * (water - p1 - back);
            (aa[l], ab[l], bb[l]) = (sure, sure * back, sure * back * back);
            (ra[l], rb[l]) = (off, off * back);
        }
        let (p1, rate, beat): (Lane, Lane, Lane) = (
            std::array::from_fn(|l| point[l][0]),
            std::array::from_fn(|l| point[l][1]),
            std::array::from_fn(|l| point[l][2]),
        );
        for ((p, &t), &cosine) in decay.iter().zip(times).zip(&train.beat) {
            let jc = 2.0 * cosine;
            for l in 0..LANES {
                let jb = -2.0 * rate[l] * (t - times[0]);
                let model = Real::exp(p1[l] + jb + beat[l] * jc);
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
            inverse[l] = [maa, mbb, mcc, mab].map(|minor| minor / det);
            let [log_p1, rate, beat] = &mut point[l];
            *log_p1 = (*log_p1 + da.clamp(-1.0, 1.0)).clamp(-4.0, 40.0);
            *rate = (*rate * Real::exp(db.clamp(-0.7, 0.7))).clamp(RATES[0], RATES[1]);
            *beat = (*beat + dc.clamp(-0.5, 0.5)).clamp(-2.0, 2.0);
            done[l] = da.abs().max(db.abs()).max(dc.abs()) < SETTLED;
        }
    }
    let adipose = if fat { likelihood_of_fat(decay, train, weight, &point) } else { [0.0; LANES] };
    let mut out = UNSEEN.map(|value| [value; LANES]);
    for l in (0..LANES).filter(|&l| !unseen[l] && inverse[l][..3].iter().all(|v| v.is_finite() && *v >= 0.0)) {
        let ([first, own, beating, both], [log_p1, rate, beat]) = (inverse[l], point[l]);
        let (back, shifted) = (2.0 * rate * times[0], rate + SHIM);
        let origin = (first + back * (back * own + 2.0 * both)).max(0.0);
        let errors = [own.sqrt() * rate / shifted, 0.5 * origin.sqrt()].map(|error| error.min(UNKNOWN));
        let lean = (both + back * own) / (own * origin).sqrt().max(f32::MIN_POSITIVE);
        let parts = [
            logarithm(shifted),
            errors[0],
            0.5 * (log_p1 + back),
            errors[1],
            lean.clamp(-1.0, 1.0),
            beat,
            beating.sqrt(),
            adipose[l],
            0.0,
        ];
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
    let mut p1: Lane = std::array::from_fn(|l| water[l][0]);
    let first = train.times[0];
    let mut rate: Lane = std::array::from_fn(|l| water[l][1].min(ADIPOSE_RATE));
    let mut ratio = [0.0; LANES];
    for round in 0..=ROUNDS {
        let [mut aa, mut ab, mut bb, mut ra, mut rb] = [[0.0f32; LANES]; 5];
        let mut misfit = [0.0f32; LANES];
        for ((p, &t), (&fat, &cosine)) in decay.iter().zip(&train.times).zip(train.adipose.iter().zip(&train.beat)) {
            for l in 0..LANES {
                let jb = -2.0 * rate[l] * (t - first);
                let model = Real::exp(p1[l] + jb + fat);
                let share = weight[l] * model / (4.0 * model + noise);
                let w = share * model;
                let r = share * (p[l] - model);
                aa[l] += w;
                ab[l] += w * jb;
                bb[l] += w * jb * jb;
                ra[l] += r;
                rb[l] += r * jb;
                let [p1, rate, beat] = water[l];
                let other = Real::exp(p1 - 2.0 * rate * (t - first) + 2.0 * beat * cosine);
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
                p1[l] = (p1[l] + da.clamp(-1.0, 1.0)).clamp(-4.0, 40.0);
                rate[l] = (rate[l] * Real::exp(db.clamp(-0.7, 0.7))).clamp(RATES[0], ADIPOSE_RATE);
            }
        }
    }
    ratio
}

/// Where to start: a straight line through the logarithms, weighted. ln P at the first echo, rate, beat.
fn start(decay: &[Lane], times: &[f32], noise: f32, beat: f32) -> [[f32; 3]; LANES] {
    let [mut w0, mut w1, mut w2, mut v0, mut v1] = [[0.0f32; LANES]; 5];
    for (p, &t) in decay.iter().zip(times) {
        for l in 0..LANES {
            let above = p[l].max(0.0);
            let w = above * above / (4.0 * above + noise);
            let y = logarithm(above.max(f32::MIN_POSITIVE));
            let t = t - times[0];
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
        let log_p1 = if w0[l] > 0.0 { (v0[l] + 2.0 * rate * w1[l]) / w0[l] } else { 0.0 };
        [log_p1.clamp(-4.0, 40.0), rate, beat]
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
            expected_origin: [0.0; 2],
        };
        let truth = [(30.0f32, 0.0f32), (150.0, 0.1), (600.0, -0.05), (90.0, 0.0)];
        let decay: Vec<Lane> = (0..12)
            .map(|e| truth.map(|(rate, depth)| libm::expf(12.0 - 2.0 * rate * times[e] + 2.0 * depth * beat[e])))
            .collect();
        let found = fitted(&decay, &train, true, &[9.0, 9.0, 9.0, 0.0]);
        for (l, (rate, depth)) in truth.into_iter().enumerate().take(3) {
            let r2star = found[0][l].exp() - SHIM;
            assert!((r2star / rate - 1.0).abs() < 2e-3, "{r2star} and {rate}");
            assert!((found[2][l] - 6.0).abs() < 2e-3 && (found[5][l] - depth).abs() < 2e-3);
            assert_eq!(found[8][l], 0.0);
        }
        assert!(found[0][3].is_nan() && found[8][3] == 1.0);
        // The errors found are those that the echoes of such a decay allow.
        for (l, (rate, _)) in truth.into_iter().enumerate().take(3) {
            let expecting = train.expecting(found[5][l], 0.25);
            let allowed = expecting.errors_at([(rate + SHIM).ln(), 6.0], 9.0);
            for (error, allowed) in [found[1][l], found[3][l]].into_iter().zip(allowed) {
                assert!((error / allowed - 1.0).abs() < 0.02, "{error} and {allowed} at {rate}");
            }
        }
    }

    /// One echo above the noise tells no rate by itself; with what is known of water in tissue it does.
    #[test]
    fn one_echo_and_the_water_of_tissue_tell_a_rate() {
        let times: Vec<f32> = (1..=8).map(|k| k as f32 * 1.2e-3).collect();
        let train = Train {
            beat: vec![0.0; 8],
            adipose: vec![0.0; 8],
            times,
            coil_elements: 1.0,
            expected_beat: [0.0, 0.25],
            expected_origin: [0.0; 2],
        };
        // S0 of 20 σ that has fallen to 20·exp(-2) at the first echo and to nothing after it.
        let decay: Vec<Lane> =
            (0..8).map(|echo| [if echo == 0 { libm::expf(2.0 * (3.0 - 2.0)) } else { 0.0 }; LANES]).collect();
        let found = fitted(&decay, &train.about(3.0), false, &[60.0; LANES]);
        let r2star = found[0][0].exp() - SHIM;
        assert!((r2star / (2.0 / 1.2e-3) - 1.0).abs() < 0.15 && found[1][0] < 0.5, "{r2star} ± {}", found[1][0]);
    }
}
