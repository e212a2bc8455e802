//! The organ on the block lattice: two independent starts, then tissue model and minimum cut in turn.

use super::body::Body;
use super::cut::Graph;
use super::features::Features;
use super::lattice::{Lattice, Reach, blur, dilate, distance, erode, fill_holes, heaviest, open};
use super::prior;
use rayon::prelude::*;

/// Everything the search knows of each block.
pub(super) struct Evidence<'a> {
    pub lattice: &'a Lattice,
    pub features: &'a Features,
    /// Log odds of the position.
    pub prior: Vec<f32>,
    /// Weight of the place as a start.
    pub heart: Vec<f32>,
    /// Part of the trunk, deep enough to be an organ, with usable samples.
    pub inside: Vec<bool>,
}

/// Least intrinsic spread of ln R2* and ln S0 within one tissue, and the widest that is still one tissue.
const RATE_SPREAD: [f32; 2] = [0.10, 0.30];
const ORIGIN_SPREAD: [f32; 2] = [0.06, 0.20];
/// How far the tissue's level may drift over the organ, mm of a Gaussian's standard deviation.
const DRIFT: f64 = 35.0;

impl<'a> Evidence<'a> {
    pub fn new(lattice: &'a Lattice, features: &'a Features, body: &Body, mirrored: bool) -> Self {
        let side = if mirrored { -1.0 } else { 1.0 };
        let inside: Vec<bool> =
            (0..lattice.len()).map(|k| body.trunk[k] && body.across[k].is_finite() && body.depth[k] > 4.0).collect();
        let place = |k: usize| (side * body.across[k], body.back[k]);
        let prior = (0..lattice.len())
            .map(|k| if inside[k] { prior::log_odds(place(k).0, place(k).1) } else { -20.0 })
            .collect();
        let heart = (0..lattice.len())
            .map(|k| if inside[k] { prior::heart_of_liver(place(k).0, place(k).1) } else { 0.0 })
            .collect();
        Self { lattice, features, prior, heart, inside }
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

    /// The heaviest piece, thin bridges cut.
    fn one_piece(&self, set: &[bool]) -> Vec<bool> {
        let width = 1.2 * self.lattice.spacing[1].max(self.lattice.spacing[2]);
        let core = open(self.lattice, set, width, Reach::Plane);
        let main = heaviest(self.lattice, &core, Reach::Space, |k| f64::from(self.heart[k]) + 0.01);
        let near = dilate(self.lattice, &main, 1.5 * width, Reach::Plane);
        near.iter().zip(set).map(|(&a, &b)| a && b).collect()
    }

    /// How much liver an organ holds: what the cut gained over calling it all something else.
    pub fn worth(&self, organ: &Organ) -> f64 {
        let odds = organ.tissue.log_odds(self);
        organ.set.iter().zip(&odds).filter(|&(&v, _)| v).map(|(_, &o)| f64::from(o)).sum()
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
        let mut best = (0.0, Vec::new());
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
        let mut best = (0.0f32, None);
        for k in 0..room.len() {
            let score = room[k].min(60.0) * self.heart[k];
            if score > best.0 {
                best = (score, Some(k));
            }
        }
        let Some(centre) = best.1 else { return self.black() };
        let [z, y, x] = self.lattice.place(centre);
        let reach = room[centre].max(12.0) as f64;
        let (mut rates, mut origins) = (Vec::new(), Vec::new());
        for k in (z * self.lattice.plane())..((z + 1) * self.lattice.plane()) {
            let [_, v, u] = self.lattice.place(k);
            let dy = (v as f64 - y as f64) * self.lattice.spacing[1];
            let dx = (u as f64 - x as f64) * self.lattice.spacing[2];
            if dy * dy + dx * dx <= reach * reach && self.seen(k) {
                rates.push(f.rate[k]);
                origins.push(f.origin[k]);
            }
        }
        let (Some(rate), Some(origin)) = (median(&mut rates), median(&mut origins)) else { return self.black() };
        let set = self.alike(rate, origin);
        let black = self.black();
        if self.mass(&black) > 2.0 * self.mass(&set) { black } else { set }
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
            (false, false) => term(&f.rate, &f.rate_error, 0.14) + term(&f.origin, &f.origin_error, 0.07),
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

/// What the search found on the block lattice.
pub(super) struct Organ {
    pub set: Vec<bool>,
    pub tissue: Tissue,
}

/// One tissue whose level drifts slowly over the organ, against a histogram of everything else.
pub(super) struct Tissue {
    /// Expected ln R2* and ln S0 at each block.
    pub rate: Vec<f32>,
    pub origin: Vec<f32>,
    pub rate_spread: f32,
    pub origin_spread: f32,
    /// Share of the organ that is black.
    pub black: f32,
    others: Others,
}

/// Density of the rest of the trunk over the distance from the tissue's level.
struct Others {
    density: Vec<f32>,
    black: f32,
}

const CELL: f32 = 0.1;
const SIDE: usize = 50;

fn cell(rate: f32, origin: f32) -> usize {
    let at = |d: f32| ((d / CELL + 0.5 * SIDE as f32).max(0.0) as usize).min(SIDE - 1);
    at(rate) * SIDE + at(origin)
}

impl Tissue {
    fn of(evidence: &Evidence, set: &[bool]) -> Self {
        let (lattice, f) = (evidence.lattice, evidence.features);
        let width = 0.6 * lattice.spacing[1].max(lattice.spacing[2]);
        let eroded = erode(lattice, set, width, Reach::Plane);
        let enough = eroded.iter().filter(|&&v| v).count() * 3 > set.iter().filter(|&&v| v).count();
        let core: &[bool] = if enough { &eroded } else { set };
        let members: Vec<usize> = (0..core.len()).filter(|&k| core[k]).collect();
        let seen: Vec<usize> = members.iter().copied().filter(|&k| !f.dark[k]).collect();
        let black = 1.0 - seen.len() as f32 / members.len().max(1) as f32;
        let pick = |values: &[f32]| seen.iter().map(|&k| values[k]).collect::<Vec<f32>>();
        let global = [median(&mut pick(&f.rate)).unwrap_or(6.5), median(&mut pick(&f.origin)).unwrap_or(3.0)];
        let mut levels = [Vec::new(), Vec::new()];
        let mut spreads = [0.0f32; 2];
        let parts = [(&f.rate, &f.rate_error, RATE_SPREAD), (&f.origin, &f.origin_error, ORIGIN_SPREAD)];
        for (part, (values, errors, limits)) in parts.into_iter().enumerate() {
            let (mut sum, mut weight) = (vec![0.0f32; set.len()], vec![0.0f32; set.len()]);
            for &k in &seen {
                // Vessels and strays do not count: beyond three spreads of the organ's own level.
                let d = values[k] - global[part];
                let noise = errors[k] * errors[k];
                if d * d < 9.0 * (limits[1] * limits[1] + noise) {
                    let w = 1.0 / (limits[1] * limits[1] + noise);
                    sum[k] = w * d;
                    weight[k] = w;
                }
            }
            let typical = 1.0 / (limits[1] * limits[1]);
            blur(lattice, &mut sum, DRIFT);
            blur(lattice, &mut weight, DRIFT);
            levels[part] = sum.iter().zip(&weight).map(|(&s, &w)| global[part] + s / (w + 0.05 * typical)).collect();
            let mut squares: Vec<f32> =
                seen.iter().map(|&k| (values[k] - levels[part][k]).abs() - 0.6745 * errors[k].min(1.0)).collect();
            let spread = 1.4826 * median(&mut squares).unwrap_or(limits[1]);
            spreads[part] = spread.clamp(limits[0], limits[1]);
        }
        let [rate, origin] = levels;
        let others = Others::of(evidence, set, &rate, &origin);
        Self { rate, origin, rate_spread: spreads[0], origin_spread: spreads[1], black, others }
    }

    /// Log odds of liver against the rest from one block's or voxel's features, position aside.
    pub fn tissue_log_odds(&self, level: [f32; 2], rate: [f32; 2], origin: [f32; 2], dark: bool) -> f32 {
        if dark {
            return libm::logf((self.black + 0.002) / (self.others.black + 0.02));
        }
        let (dr, d0) = (rate[0] - level[0], origin[0] - level[1]);
        let vr = self.rate_spread * self.rate_spread + rate[1] * rate[1];
        let v0 = self.origin_spread * self.origin_spread + origin[1] * origin[1];
        let z = dr * dr / vr + d0 * d0 / v0;
        // Student's t with four degrees of freedom in two dimensions: strays cost, but not without limit.
        let own = (1.0 - self.black + 0.002) / (2.0 * std::f32::consts::PI * (vr * v0).sqrt());
        let log_own = libm::logf(own) - 3.0 * libm::logf(1.0 + 0.25 * z);
        log_own - libm::logf(self.others.density[cell(dr, d0)])
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
                let tissue = self.tissue_log_odds(
                    [self.rate[k], self.origin[k]],
                    [f.rate[k], f.rate_error[k]],
                    [f.origin[k], f.origin_error[k]],
                    f.dark[k],
                );
                tissue.clamp(-8.0, 5.0) + evidence.prior[k]
            })
            .collect()
    }
}

impl Others {
    fn of(evidence: &Evidence, set: &[bool], rate: &[f32], origin: &[f32]) -> Self {
        let f = evidence.features;
        let mut density = vec![0.0f32; SIDE * SIDE];
        let (mut total, mut black) = (1e-3f32, 0.0f32);
        for k in (0..set.len()).filter(|&k| evidence.inside[k] && !set[k]) {
            // What may yet turn out to be liver counts less.
            let weight = 1.0 / (1.0 + libm::expf(evidence.prior[k]));
            total += weight;
            if f.dark[k] {
                black += weight;
            } else {
                density[cell(f.rate[k] - rate[k], f.origin[k] - origin[k])] += weight;
            }
        }
        let plot = Lattice { shape: [1, SIDE, SIDE], spacing: [1.0; 3] };
        blur(&plot, &mut density, 1.3);
        // A uniform part, for tissue that was not met.
        let floor = 0.05 / (SIDE * SIDE) as f32;
        for value in &mut density {
            *value = (0.95 * *value / total + floor) / (CELL * CELL);
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
