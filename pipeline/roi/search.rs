//! The organ on the block lattice: two independent starts, then tissue model and minimum cut in turn.

use super::body::Body;
use super::cut::Graph;
use super::features::{Blocks, Features};
use super::lattice::Lattice;
use super::prior;
use super::sets::{Reach, both, components, count, dilate, erode, fill_holes, heaviest, open};
use super::smooth::{blur, distance};
use rayon::prelude::*;

/// Everything the search knows of each block.
pub(super) struct Evidence<'a> {
    pub lattice: &'a Lattice,
    pub features: &'a Features,
    body: &'a Body,
    /// Log odds of the position.
    pub prior: Vec<f32>,
    /// Weight of the place as a start.
    pub heart: Vec<f32>,
    /// Part of the trunk, deep enough to be an organ, with usable samples.
    pub inside: Vec<bool>,
}

/// Least intrinsic spread of ln R2*, ln S0 and beat within one tissue, and the widest that is still one tissue.
const RATE_SPREAD: [f32; 2] = [0.10, 0.24];
const ORIGIN_SPREAD: [f32; 2] = [0.06, 0.13];
const BEAT_SPREAD: [f32; 2] = [0.05, 0.12];
/// How far the tissue's level may drift over the organ, mm of a Gaussian's standard deviation.
const DRIFT: f64 = 35.0;

impl<'a> Evidence<'a> {
    pub fn new(lattice: &'a Lattice, features: &'a Features, body: &'a Body, mirrored: bool) -> Self {
        let side = if mirrored { -1.0 } else { 1.0 };
        let inside: Vec<bool> =
            (0..lattice.len()).map(|k| body.trunk[k] && body.across[k].is_finite() && body.wall[k] > 0.0).collect();
        let place = |k: usize| (side * body.across[k], body.back[k]);
        let prior = (0..lattice.len())
            .map(|k| {
                if inside[k] {
                    prior::log_odds(place(k).0, place(k).1, body.wall[k] / body.half[lattice.place(k)[0]])
                } else {
                    -20.0
                }
            })
            .collect();
        let heart = (0..lattice.len())
            .map(|k| if inside[k] { prior::heart_of_liver(place(k).0, place(k).1) } else { 0.0 })
            .collect();
        Self { lattice, features, body, prior, heart, inside }
    }

    /// Across, back and along the trunk, each about -1 to 1.
    fn place(&self, k: usize) -> [f64; 3] {
        let z = self.lattice.place(k)[0] as f64 - 0.5 * (self.lattice.shape[0] as f64 - 1.0);
        let or_zero = |v: f32| if v.is_finite() { f64::from(v) } else { 0.0 };
        [or_zero(self.body.across[k]), or_zero(self.body.back[k]), z * self.lattice.spacing[0] / 100.0]
    }

    fn seen(&self, k: usize) -> bool {
        self.inside[k] && !self.features.dark[k]
    }

    /// Blocks that could be one tissue with this level, in one piece about the start.
    fn alike(&self, rate: f32, origin: f32) -> Vec<bool> {
        let f = self.features;
        let close = |value: f32, level: f32, error: f32, spread: f32| {
            let limit = 2.0 * (spread * spread + error.min(0.3) * error.min(0.3)).sqrt();
            (value - level).abs() < limit
        };
        let set: Vec<bool> = (0..self.inside.len())
            .map(|k| {
                self.seen(k)
                    && self.prior[k] > -3.0
                    && close(f.rate[k], rate, f.rate_error[k], 0.17)
                    && close(f.origin[k], origin, f.origin_error[k], 0.15)
            })
            .collect();
        self.one_piece(&set)
    }

    /// The heaviest piece, thin bridges cut, and the large pieces close to it: a fissure parts the lobes.
    fn one_piece(&self, set: &[bool]) -> Vec<bool> {
        let width = 1.2 * self.lattice.spacing[1].max(self.lattice.spacing[2]);
        let core = open(self.lattice, set, width);
        let main = heaviest(self.lattice, &core, Reach::Space, |k| f64::from(self.heart[k]) + 0.01);
        let kept = with_near_pieces(self.lattice, &core, main);
        let near = dilate(self.lattice, &kept, 1.5 * width);
        both(&near, set)
    }

    /// How much liver an organ holds: what the cut gained over calling it all something else.
    pub fn worth(&self, organ: &Organ) -> f64 {
        let odds = organ.tissue.log_odds(self);
        organ.set.iter().zip(&odds).filter(|&(&v, _)| v).map(|(_, &o)| f64::from(o)).sum()
    }

    /// Blocks left out that look like the organ and lie where it may, and blocks of the organ that lie where a
    /// liver seldom does, both as shares of the organ.
    pub fn doubts(&self, organ: &Organ) -> [f64; 2] {
        let odds = organ.tissue.log_odds(self);
        let count = |wanted: &dyn Fn(usize) -> bool| (0..odds.len()).filter(|&k| wanted(k)).count() as f64;
        let size = count(&|k| organ.set[k]).max(1.0);
        [count(&|k| !organ.set[k] && odds[k] > 2.0) / size, count(&|k| organ.set[k] && self.prior[k] < -1.5) / size]
    }

    fn mass(&self, set: &[bool]) -> f64 {
        set.iter().zip(&self.heart).filter(|&(&v, _)| v).map(|(_, &h)| f64::from(h)).sum()
    }

    /// First start: the tissue that fills most of the place where livers lie, from the joint histogram of ln R2*
    /// and ln S0, each peak judged by the largest piece it makes.
    pub fn start_by_tissue(&self) -> Vec<bool> {
        const BIN: f32 = 0.08;
        const SIZE: usize = 96;
        let f = self.features;
        let mut origins: Vec<f32> = (0..self.inside.len()).filter(|&k| self.seen(k)).map(|k| f.origin[k]).collect();
        let black = self.black();
        if origins.len() < 10 {
            return black;
        }
        let middle = origins.len() / 2;
        let base = *origins.select_nth_unstable_by(middle, f32::total_cmp).1 - 0.5 * SIZE as f32 * BIN;
        let cell = |k: usize| {
            let r = ((f.rate[k] - 1.0) / BIN) as usize;
            let o = ((f.origin[k] - base) / BIN).max(0.0) as usize;
            (r < SIZE && o < SIZE).then_some(r * SIZE + o)
        };
        let plot = Lattice { shape: [1, SIZE, SIZE], spacing: [1.0; 3] };
        let mut density = vec![0.0f32; SIZE * SIZE];
        for k in 0..self.inside.len() {
            if self.seen(k)
                && let Some(cell) = cell(k)
            {
                density[cell] += self.heart[k];
            }
        }
        blur(&plot, &mut density, 1.8);
        let mut peaks: Vec<usize> = (0..density.len())
            .filter(|&at| {
                let [_, r, o] = plot.place(at);
                let around = (r.saturating_sub(2)..(r + 3).min(SIZE))
                    .flat_map(|r| (o.saturating_sub(2)..(o + 3).min(SIZE)).map(move |o| r * SIZE + o));
                density[at] > 0.0
                    && around
                        .into_iter()
                        .all(|other| density[other] < density[at] || (density[other] == density[at] && other >= at))
            })
            .collect();
        peaks.sort_by(|&a, &b| density[b].total_cmp(&density[a]).then(a.cmp(&b)));
        peaks.truncate(5);
        let level = |at: usize| {
            let [_, r, o] = plot.place(at);
            (1.0 + (r as f32 + 0.5) * BIN, base + (o as f32 + 0.5) * BIN)
        };
        let mut best = (0.0, vec![false; self.inside.len()]);
        for peak in peaks {
            let (rate, origin) = level(peak);
            let set = self.alike(rate, origin);
            let mass = self.mass(&set);
            if mass > best.0 {
                best = (mass, set);
            }
        }
        // Gas and lung are black too: a black organ must outweigh any visible one clearly.
        if self.mass(&black) > 2.0 * best.0 { black } else { best.1 }
    }

    /// Second start: the centre of the largest even place, where neighbours differ by no more than noise and
    /// texture explain.
    pub fn start_by_evenness(&self) -> Vec<bool> {
        let f = self.features;
        let uneven: Vec<bool> = (0..self.inside.len())
            .map(|k| {
                !self.seen(k) || self.lattice.neighbours_in_plane(k).any(|j| !self.seen(j) || self.step(k, j) > 9.0)
            })
            .collect();
        let room = distance(self.lattice, &uneven, Reach::Plane);
        let mut score: Vec<f32> = room.iter().zip(&self.heart).map(|(&r, &h)| r.min(60.0) * h).collect();
        let black = self.black();
        let mut best = (0.5 * self.mass(&black), black);
        // Fat between organs is even too: of a few centres, the one whose tissue fills the place of the liver.
        for _ in 0..4 {
            let mut centre = 0;
            for k in 0..score.len() {
                if score[k] > score[centre] {
                    centre = k;
                }
            }
            if score.get(centre).is_none_or(|&s| s <= 0.0) {
                break;
            }
            let reach = f64::from(room[centre].max(8.0));
            let (mut rates, mut origins) = (Vec::new(), Vec::new());
            for k in self.around(centre, reach) {
                if self.seen(k) {
                    rates.push(f.rate[k]);
                    origins.push(f.origin[k]);
                }
            }
            if let (Some(rate), Some(origin)) = (median(&mut rates), median(&mut origins)) {
                let set = self.alike(rate, origin);
                for (score, _) in score.iter_mut().zip(&set).filter(|&(_, &v)| v) {
                    *score = 0.0;
                }
                let mass = self.mass(&set);
                if mass > best.0 {
                    best = (mass, set);
                }
            }
            for k in self.around(centre, reach) {
                score[k] = 0.0;
            }
        }
        best.1
    }

    /// Blocks of the same slice within `mm`.
    fn around(&self, centre: usize, mm: f64) -> Vec<usize> {
        let [z, y, x] = self.lattice.place(centre);
        (z * self.lattice.plane()..(z + 1) * self.lattice.plane())
            .filter(|&k| {
                let [_, v, u] = self.lattice.place(k);
                let dy = (v as f64 - y as f64) * self.lattice.spacing[1];
                let dx = (u as f64 - x as f64) * self.lattice.spacing[2];
                dy * dy + dx * dx <= mm * mm
            })
            .collect()
    }

    /// The largest black piece where a liver is expected, lung and gas taken off as far as the other side tells.
    fn black(&self) -> Vec<bool> {
        let set: Vec<bool> =
            (0..self.inside.len()).map(|k| self.inside[k] && self.features.dark[k] && self.prior[k] > -1.0).collect();
        self.one_piece(&set)
    }

    /// Squared difference of two neighbours in units of texture and noise.
    pub fn step(&self, a: usize, b: usize) -> f32 {
        let f = self.features;
        let term = |x: &[f32], e: &[f32], spread: f32| {
            let d = x[a] - x[b];
            d * d / (2.0 * spread * spread + e[a] * e[a] + e[b] * e[b])
        };
        match (f.dark[a], f.dark[b]) {
            (false, false) => {
                term(&f.rate, &f.rate_error, 0.14)
                    + term(&f.origin, &f.origin_error, 0.07)
                    + term(&f.beat, &f.beat_error, 0.08)
            }
            (true, true) => 0.0,
            _ => 16.0,
        }
    }

    /// Tissue model and cut in turn.
    pub fn refine(&self, start: Vec<bool>) -> Organ {
        let mut set = start;
        let mut tissue = Tissue::of(self, &set);
        for _ in 0..4 {
            let unary = tissue.log_odds(self);
            let next = self.cut(&unary);
            let next = fill_holes(self.lattice, &self.one_piece(&next));
            let same = next == set;
            set = next;
            tissue = Tissue::of(self, &set);
            if same {
                break;
            }
        }
        Organ { set, tissue }
    }

    fn cut(&self, unary: &[f32]) -> Vec<bool> {
        const SCALE: f32 = 100.0;
        const SMOOTH: f32 = 2.0;
        let mut node = vec![u32::MAX; unary.len()];
        let mut members = Vec::new();
        for k in 0..unary.len() {
            if self.inside[k] && self.prior[k] > -6.5 {
                node[k] = members.len() as u32;
                members.push(k);
            }
        }
        let mut graph = Graph::new(members.len(), 3 * members.len());
        let across_slices =
            (self.lattice.spacing[1].min(self.lattice.spacing[2]) / self.lattice.spacing[0]).min(1.0) as f32;
        for (at, &k) in members.iter().enumerate() {
            graph.prefer_source(at, (SCALE * unary[k].clamp(-20.0, 20.0)) as i32);
            let plane = self.lattice.plane();
            for j in self.lattice.neighbours(k).filter(|&j| j > k && node[j] != u32::MAX) {
                let face = if j - k >= plane { across_slices } else { 1.0 };
                let cost = SMOOTH * face * (0.08 + libm::expf(-0.5 * self.step(k, j)));
                graph.join(at, node[j] as usize, (SCALE * cost) as i32);
            }
        }
        let source = graph.solve();
        let mut out = vec![false; unary.len()];
        for (at, &k) in members.iter().enumerate() {
            out[k] = source[at];
        }
        out
    }
}

/// Width of the cleft between the lobes at most, mm, and the smallest other piece as a share of the main one.
const CLEFT: f64 = 16.0;
const PIECE: f64 = 0.02;

/// The main piece and every other of some size that is no farther from it than a cleft is wide.
pub(super) fn with_near_pieces(lattice: &Lattice, set: &[bool], main: Vec<bool>) -> Vec<bool> {
    let beside = dilate(lattice, &main, CLEFT);
    let (labels, sizes) = components(lattice, set, Reach::Space);
    let size = count(&main) as f64;
    let mut near = vec![false; sizes.len() + 1];
    for (k, &label) in labels.iter().enumerate() {
        near[label as usize] |= beside[k];
    }
    (0..set.len())
        .map(|k| {
            let label = labels[k] as usize;
            main[k] || (label > 0 && near[label] && sizes[label - 1] as f64 >= PIECE * size)
        })
        .collect()
}

/// What the search found on the block lattice.
pub(super) struct Organ {
    pub set: Vec<bool>,
    pub tissue: Tissue,
}

/// One tissue whose level drifts slowly over the organ, against a histogram of everything else.
pub(super) struct Tissue {
    /// Expected ln R2*, ln S0 and beat at each block.
    pub level: [Vec<f32>; 3],
    /// Intrinsic spread of each.
    pub spread: [f32; 3],
    /// Share of the organ that is black.
    pub black: f32,
    others: Others,
}

/// Density of the rest of the trunk over the distance from the tissue's level.
struct Others {
    density: Vec<f32>,
    black: f32,
}

/// Cells of the histogram: width and number along ln R2*, ln S0, beat.
const CELL: [f32; 3] = [0.14, 0.10, 0.12];
const CELLS: [usize; 3] = [36, 44, 14];

fn cell(away: [f32; 3]) -> usize {
    let at = |k: usize| ((away[k] / CELL[k] + 0.5 * CELLS[k] as f32).max(0.0) as usize).min(CELLS[k] - 1);
    (at(0) * CELLS[1] + at(1)) * CELLS[2] + at(2)
}

impl Features {
    /// ln R2*, ln S0 and beat of one voxel, and their errors.
    pub fn triple(&self, k: usize) -> ([f32; 3], [f32; 3]) {
        ([self.rate[k], self.origin[k], self.beat[k]], [self.rate_error[k], self.origin_error[k], self.beat_error[k]])
    }
}

impl Tissue {
    fn of(evidence: &Evidence, set: &[bool]) -> Self {
        let (lattice, f) = (evidence.lattice, evidence.features);
        let width = 0.6 * lattice.spacing[1].max(lattice.spacing[2]);
        let eroded = erode(lattice, set, width);
        let enough = count(&eroded) * 3 > count(set);
        let core: &[bool] = if enough { &eroded } else { set };
        // Where a liver is likely: so a leak elsewhere cannot draw the tissue's level after it.
        let likely: Vec<usize> = (0..core.len()).filter(|&k| core[k] && evidence.prior[k] > 0.8).collect();
        let members = if likely.len() >= 30 { likely } else { (0..core.len()).filter(|&k| core[k]).collect() };
        let seen: Vec<usize> = members.iter().copied().filter(|&k| !f.dark[k]).collect();
        let black = 1.0 - seen.len() as f32 / members.len().max(1) as f32;
        let parts = [
            (&f.rate, &f.rate_error, RATE_SPREAD, 0.12),
            (&f.origin, &f.origin_error, ORIGIN_SPREAD, 0.35),
            (&f.beat, &f.beat_error, BEAT_SPREAD, 0.1),
        ];
        let mut spread = [0.0f32; 3];
        let mut level: [Vec<f32>; 3] = Default::default();
        let drifting = Drifting { lattice, coarse: Blocks::of(lattice, DRIFT / 3.0) };
        for (part, (values, errors, limits, bend)) in parts.into_iter().enumerate() {
            let trend = Trend::of(evidence, &seen, values, errors, limits[1], bend);
            let base: Vec<f32> = (0..set.len()).map(|k| trend.at(evidence.place(k))).collect();
            let (mut sum, mut weight) = (vec![0.0f32; set.len()], vec![0.0f32; set.len()]);
            let mut off = Vec::with_capacity(seen.len());
            for &k in &seen {
                // Vessels and strays do not count.
                let d = values[k] - base[k];
                let variance = limits[1] * limits[1] + errors[k] * errors[k];
                if d * d < 6.0 * variance {
                    sum[k] = d / variance;
                    weight[k] = 1.0 / variance;
                }
            }
            let (sum, weight) = (drifting.of(&sum), drifting.of(&weight));
            let doubt = 1.0 / (limits[1] * limits[1]);
            level[part] = (0..set.len()).map(|k| base[k] + sum[k] / (weight[k] + doubt)).collect();
            off.extend(seen.iter().map(|&k| (values[k] - level[part][k]).abs() - 0.6745 * errors[k].min(1.0)));
            spread[part] = (1.4826 * median(&mut off).unwrap_or(limits[1])).clamp(limits[0], limits[1]);
        }
        let others = Others::of(evidence, set, &level);
        Self { level, spread, black, others }
    }

    /// Log odds of liver against the rest from one block's or voxel's features, position aside.
    pub fn tissue_log_odds(&self, level: [f32; 3], (value, error): ([f32; 3], [f32; 3]), dark: bool) -> f32 {
        if dark {
            return libm::logf((self.black + 0.002) / (self.others.black + 0.02));
        }
        let away: [f32; 3] = std::array::from_fn(|k| value[k] - level[k]);
        let variance: [f32; 3] = std::array::from_fn(|k| self.spread[k] * self.spread[k] + error[k] * error[k]);
        let z: f32 = (0..3).map(|k| away[k] * away[k] / variance[k]).sum();
        // Student's t with four degrees of freedom in three dimensions: strays cost, but not without limit. The
        // constant is Γ(7/2)/(Γ(2)·(4π)^(3/2)).
        let scale = (variance[0] * variance[1] * variance[2]).sqrt();
        let own = (1.0 - self.black + 0.002) * 0.0746 / scale;
        libm::logf(own) - 3.5 * libm::logf(1.0 + 0.25 * z) - libm::logf(self.others.density[cell(away)])
    }

    fn log_odds(&self, evidence: &Evidence) -> Vec<f32> {
        let f = evidence.features;
        (0..evidence.inside.len())
            .into_par_iter()
            .with_min_len(1024)
            .map(|k| {
                if !evidence.inside[k] {
                    return -20.0;
                }
                let level = std::array::from_fn(|part| self.level[part][k]);
                let tissue = self.tissue_log_odds(level, f.triple(k), f.dark[k]);
                tissue.clamp(-8.0, 5.0) + evidence.prior[k]
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

/// A slow trend over the trunk: second order across and front to back, first order along the body.
struct Trend {
    coefficients: [f64; 7],
}

impl Trend {
    fn terms([a, b, c]: [f64; 3]) -> [f64; 7] {
        [1.0, a, b, c, a * a, a * b, b * b]
    }

    fn at(&self, place: [f64; 3]) -> f32 {
        Self::terms(place).iter().zip(&self.coefficients).map(|(t, c)| t * c).sum::<f64>() as f32
    }

    /// Ridge regression with strays left out, in three rounds. `bend` is the standard deviation expected of each
    /// coefficient but the first; neighbours are not independent, so that no more than 40 places count.
    fn of(evidence: &Evidence, seen: &[usize], values: &[f32], errors: &[f32], spread: f32, bend: f64) -> Self {
        let middle = f64::from(median(&mut seen.iter().map(|&k| values[k]).collect::<Vec<_>>()).unwrap_or(0.0));
        let mut trend = Self { coefficients: [middle, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0] };
        for round in 0..3 {
            let limit = [9.0, 6.0, 4.0][round] as f32;
            let mut used = Vec::with_capacity(seen.len());
            for &k in seen {
                let place = evidence.place(k);
                let d = values[k] - trend.at(place);
                let variance = spread * spread + errors[k] * errors[k];
                if d * d < limit * variance {
                    used.push((Self::terms(place), f64::from(values[k]), 1.0 / f64::from(variance)));
                }
            }
            let share = (40.0 / used.len().max(1) as f64).min(1.0);
            let mut matrix = [[0.0f64; 8]; 7];
            for (terms, value, weight) in &used {
                for i in 0..7 {
                    for j in 0..7 {
                        matrix[i][j] += share * weight * terms[i] * terms[j];
                    }
                    matrix[i][7] += share * weight * terms[i] * value;
                }
            }
            for (i, row) in matrix.iter_mut().enumerate() {
                row[i] += if i == 0 { 1e-3 } else { 1.0 / (bend * bend) };
            }
            matrix[0][7] += 1e-3 * middle;
            if let Some(coefficients) = solve(matrix) {
                trend.coefficients = coefficients;
            }
        }
        trend
    }
}

/// Gaussian elimination of a positive definite system, the right side in the last column.
fn solve(mut m: [[f64; 8]; 7]) -> Option<[f64; 7]> {
    for i in 0..7 {
        let pivot = m[i][i];
        if !(pivot.is_finite() && pivot > 1e-12) {
            return None;
        }
        let row = m[i];
        for (j, other) in m.iter_mut().enumerate() {
            if j != i {
                let factor = other[i] / pivot;
                for (value, &own) in other.iter_mut().zip(&row) {
                    *value -= factor * own;
                }
            }
        }
    }
    Some(std::array::from_fn(|i| m[i][7] / m[i][i]))
}

impl Others {
    fn of(evidence: &Evidence, set: &[bool], level: &[Vec<f32>; 3]) -> Self {
        let f = evidence.features;
        let mut density = vec![0.0f32; CELLS[0] * CELLS[1] * CELLS[2]];
        let (mut total, mut black) = (1e-3f32, 0.0f32);
        for k in (0..set.len()).filter(|&k| evidence.body.trunk[k] && evidence.body.depth[k] > 5.0 && !set[k]) {
            // What may yet turn out to be liver counts less.
            let weight = 1.0 / (1.0 + libm::expf(evidence.prior[k]));
            total += weight;
            if f.dark[k] {
                black += weight;
            } else {
                let (value, _) = f.triple(k);
                density[cell(std::array::from_fn(|part| value[part] - level[part][k]))] += weight;
            }
        }
        let plot = Lattice { shape: CELLS, spacing: [1.0; 3] };
        blur(&plot, &mut density, 1.0);
        // A uniform part, for tissue that was not met.
        let volume = CELL[0] * CELL[1] * CELL[2];
        let floor = 0.05 / density.len() as f32;
        for value in &mut density {
            *value = (0.95 * *value / total + floor) / volume;
        }
        Self { density, black: black / total }
    }
}

pub(super) fn median(values: &mut [f32]) -> Option<f32> {
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    Some(*values.select_nth_unstable_by(middle, f32::total_cmp).1)
}
