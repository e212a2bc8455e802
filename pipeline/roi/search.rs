//! The organ on the block lattice: two starts as far apart as can be, then tissue model and minimum cut in turn.

use super::body::Body;
use super::cut::Graph;
use super::features::Features;
use super::lattice::Lattice;
use super::prior;
use super::sets::{Reach, both, components, count, dilate, fill_holes, heaviest, open};
use super::smooth::blur;
use super::tissue::Tissue;
use crate::fit::Real;
use rayon::prelude::*;

/// What is known of each block whichever side the liver is on.
pub(super) struct Ground<'a> {
    pub lattice: &'a Lattice,
    pub features: &'a Features,
    pub body: &'a Body,
    /// Part of the trunk, deep enough to be an organ.
    pub inside: Vec<bool>,
    /// Across and back, 0 where there is no such place.
    pub place: Vec<[f32; 2]>,
    /// Cost of a boundary between each block and the next to the left, back and head.
    boundary: Vec<[i32; 3]>,
    /// Blocks of fat and of the muscle wall, which tell how the coils shade.
    landmarks: [Vec<usize>; 2],
}

/// A block whose echoes follow the peaks of fat by this much is fat.
pub(super) const FAT: f32 = 3.0;
/// ln of 300 /s and the shim: beyond what any organ without iron decays at.
pub(super) const FAST: f32 = 5.78;
/// Costs are whole numbers of this share of a natural logarithm.
const SCALE: f32 = 100.0;

impl<'a> Ground<'a> {
    pub fn new(lattice: &'a Lattice, features: &'a Features, body: &'a Body) -> Self {
        let len = lattice.len();
        let inside: Vec<bool> =
            (0..len).map(|k| body.trunk[k] && body.across[k].is_finite() && body.wall[k] > 0.0).collect();
        let or_zero = |v: f32| if v.is_finite() { v } else { 0.0 };
        let place = (0..len).map(|k| [or_zero(body.across[k]), or_zero(body.back[k])]).collect();
        let mut ground =
            Self { lattice, features, body, inside, place, boundary: Vec::new(), landmarks: Default::default() };
        ground.boundary = ground.boundaries();
        ground.landmarks = ground.find_landmarks();
        ground
    }

    /// How much each slice is chest on the side away from the liver, 0 to 1, by the black share of that side: where the
    /// lung is seen there, what lies beside it is heart and no left lobe.
    fn chest(&self, side: f32) -> Vec<f32> {
        /// Gas in stomach and bowel is less than the first share, a slice above the diaphragm more than the second.
        const BLACK: [f32; 2] = [0.15, 0.40];
        let plane = self.lattice.plane().max(1);
        (self.place.chunks(plane).zip(self.inside.chunks(plane)).zip(self.features.void.chunks(plane)))
            .map(|((places, inside), dark)| {
                let there = |k: &usize| inside[*k] && side * places[*k][0] > 0.2;
                let all = (0..places.len()).filter(there).count().max(1);
                let black = (0..places.len()).filter(there).filter(|&k| dark[k]).count();
                ((black as f32 / all as f32 - BLACK[0]) / (BLACK[1] - BLACK[0])).clamp(0.0, 1.0)
            })
            .collect()
    }

    /// How much of a place decays as only a loaded organ does, black blocks included; `weight` says how far each block is
    /// of the place.
    pub fn fast(&self, weight: &[f32]) -> f32 {
        let f = self.features;
        let fast = |k: &usize| f.dark[*k] || f.rate[*k] > FAST;
        let all: f32 = weight.iter().sum();
        (0..weight.len()).filter(fast).map(|k| weight[k]).sum::<f32>() / all.max(f32::MIN_POSITIVE)
    }

    /// Blocks of fat and of the muscle wall.
    pub fn landmarks(&self) -> [&[usize]; 2] {
        [&self.landmarks[0], &self.landmarks[1]]
    }

    fn find_landmarks(&self) -> [Vec<usize>; 2] {
        /// Beyond this share of the way to the muscle wall's outside, the shading is too steep to follow.
        const NEAR: f32 = 1.2;
        /// The wall's share of the way from its outside to the middle.
        const WALL: std::ops::Range<f32> = 0.02..0.11;
        let (f, body, plane) = (self.features, self.body, self.lattice.plane());
        let places = |wanted: &dyn Fn(usize, [f32; 2]) -> bool| {
            (0..self.place.len())
                .filter(|&k| {
                    let [a, b] = self.place[k];
                    let held = body.trunk[k] && !f.dark[k] && f.origin_error[k] < 0.1;
                    held && a.abs() < NEAR && b.abs() < NEAR && wanted(k, [a, b])
                })
                .collect()
        };
        let wall = |k: usize, [a, b]: [f32; 2]| {
            f.adipose[k] < 0.0 && WALL.contains(&prior::share_of_radius(a, b, body.wall[k], body.half[k / plane]))
        };
        [places(&|k, _| body.depth[k] > 6.0 && f.adipose[k] > 2.0 * FAT), places(&wall)]
    }

    fn boundaries(&self) -> Vec<[i32; 3]> {
        const SMOOTH: f32 = 2.0;
        let [deep, tall, wide] = self.lattice.spacing;
        let across_slices = (tall.min(wide) / deep).min(1.0) as f32;
        let [slices, rows, columns] = self.lattice.shape;
        let plane = self.lattice.plane();
        (0..self.inside.len())
            .into_par_iter()
            .with_min_len(1024)
            .map(|k| {
                let [z, y, x] = self.lattice.place(k);
                let cost = |exists: bool, j: usize, face: f32| {
                    if !(exists && self.inside[k] && self.inside[j]) {
                        return 0;
                    }
                    (SCALE * SMOOTH * face * (0.08 + Real::exp(-0.5 * self.step(k, j)))) as i32
                };
                [
                    cost(x + 1 < columns, k + 1, 1.0),
                    cost(y + 1 < rows, k + columns, 1.0),
                    cost(z + 1 < slices, k + plane, across_slices),
                ]
            })
            .collect()
    }

    /// Squared difference of two neighbours in units of texture and noise.
    fn step(&self, a: usize, b: usize) -> f32 {
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

    /// Inside, with signal, and no fat.
    pub fn seen(&self, k: usize) -> bool {
        self.inside[k] && !self.features.dark[k] && self.features.adipose[k] < FAT
    }

    /// Along the trunk from the middle of the stack, in steps of 10 cm.
    pub fn height(&self, slice: usize) -> f32 {
        ((slice as f64 - 0.5 * (self.lattice.shape[0] as f64 - 1.0)) * self.lattice.spacing[0] / 100.0) as f32
    }
}

/// Everything the search knows of each block, with the liver on one side.
pub(super) struct Evidence<'a> {
    pub ground: &'a Ground<'a>,
    /// Log odds of the position.
    pub prior: Vec<f32>,
    /// Weight of the place as a start.
    pub heart: Vec<f32>,
}

impl<'a> Evidence<'a> {
    pub fn new(ground: &'a Ground<'a>, mirrored: bool) -> Self {
        let side = if mirrored { -1.0 } else { 1.0 };
        let (body, lattice) = (ground.body, ground.lattice);
        let plane = lattice.plane();
        let known = |elsewhere: f32, of: &(dyn Fn(usize, f32, f32) -> f32 + Sync)| -> Vec<f32> {
            (0..lattice.len())
                .into_par_iter()
                .with_min_len(1024)
                .map(|k| if ground.inside[k] { of(k, side * body.across[k], body.back[k]) } else { elsewhere })
                .collect()
        };
        let chest = ground.chest(side);
        Self {
            ground,
            prior: known(-20.0, &|k, across, back| {
                let heart = chest[k / plane] * prior::heart(across);
                prior::log_odds(across, back, body.wall[k], body.half[k / plane]) - heart
            }),
            heart: known(0.0, &|_, across, back| prior::heart_of_liver(across, back)),
        }
    }

    /// Blocks that could be one tissue with this level, in one piece about the start.
    fn alike(&self, rate: f32, origin: f32) -> Vec<bool> {
        let f = self.ground.features;
        let close = |value: f32, level: f32, error: f32, spread: f32| {
            let limit = 2.0 * (spread * spread + error.min(0.3) * error.min(0.3)).sqrt();
            (value - level).abs() < limit
        };
        let set: Vec<bool> = (0..self.ground.inside.len())
            .map(|k| {
                self.ground.seen(k)
                    && self.prior[k] > -3.0
                    && close(f.rate[k], rate, f.rate_error[k], 0.17)
                    && close(f.origin[k], origin, f.origin_error[k], 0.15)
            })
            .collect();
        self.one_piece(&set)
    }

    /// The heaviest piece, thin bridges cut, and the large pieces close to it: a fissure parts the lobes.
    fn one_piece(&self, set: &[bool]) -> Vec<bool> {
        let width = 1.2 * self.ground.lattice.spacing[1].max(self.ground.lattice.spacing[2]);
        let core = open(self.ground.lattice, set, width);
        let main = heaviest(self.ground.lattice, &core, Reach::Space, |k| f64::from(self.heart[k]) + 0.01);
        let kept = with_near_pieces(self.ground.lattice, &core, main);
        let near = dilate(self.ground.lattice, &kept, 1.5 * width);
        both(&near, set)
    }

    /// How much liver an organ holds: what the cut gained over calling it all something else; and the same times what
    /// one of its blocks gained on average. A leak is large and lukewarm.
    pub fn merits(&self, organ: &Organ) -> [f64; 2] {
        let odds = organ.tissue.log_odds(self);
        let worth: f64 = organ.set.iter().zip(&odds).filter(|&(&v, _)| v).map(|(_, &o)| f64::from(o)).sum();
        [worth, worth * worth.max(0.0) / count(&organ.set).max(1) as f64]
    }

    /// Share of the organ's border in the slices where nothing in the images sets it apart from what lies beside it.
    fn open_border(&self, organ: &Organ) -> f64 {
        /// Steps below this are no edge: texture and noise make such between two blocks of one tissue.
        const EDGE: f32 = 3.0;
        let ground = self.ground;
        let (mut open, mut all) = (0usize, 0usize);
        for k in (0..organ.set.len()).filter(|&k| organ.set[k]) {
            for j in ground.lattice.neighbours_in_plane(k).filter(|&j| !organ.set[j]) {
                all += 1;
                open += usize::from(ground.step(k, j) < EDGE);
            }
        }
        open as f64 / all.max(1) as f64
    }

    /// Blocks left out that look like the organ and lie where it may, and blocks of the organ that lie where a
    /// liver seldom does, both as shares of the organ; and the share of its border that follows no edge.
    pub fn doubts(&self, organ: &Organ) -> [f64; 3] {
        let odds = organ.tissue.log_odds(self);
        let count = |wanted: &dyn Fn(usize) -> bool| (0..odds.len()).filter(|&k| wanted(k)).count() as f64;
        let size = count(&|k| organ.set[k]).max(1.0);
        [
            count(&|k| !organ.set[k] && odds[k] > 2.0) / size,
            count(&|k| organ.set[k] && self.prior[k] < -1.5) / size,
            self.open_border(organ),
        ]
    }

    fn mass(&self, set: &[bool]) -> f64 {
        set.iter().zip(&self.heart).filter(|&(&v, _)| v).map(|(_, &h)| f64::from(h)).sum()
    }

    /// First start: the tissue that fills most of the place where livers lie, from the joint
    /// histogram of rate and ln S0, each peak judged by the largest piece it makes.
    pub fn start_by_tissue(&self) -> Vec<bool> {
        const BIN: f32 = 0.08;
        const SIZE: usize = 96;
        let f = self.ground.features;
        let mut origins: Vec<f32> =
            (0..self.ground.inside.len()).filter(|&k| self.ground.seen(k)).map(|k| f.origin[k]).collect();
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
        for k in 0..self.ground.inside.len() {
            if self.ground.seen(k)
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
        let mut best = (0.0, vec![false; self.ground.inside.len()]);
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

    /// Second start: everything that is no fat where a liver is likeliest, whatever its tissue.
    pub fn start_by_place(&self) -> Vec<bool> {
        let f = self.ground.features;
        let likely = |k: usize| self.ground.inside[k] && f.adipose[k] < FAT && self.prior[k] > 2.0;
        (0..self.prior.len()).map(likely).collect()
    }

    /// The largest black piece where a liver is expected, lung and gas taken off as far as the other side tells.
    fn black(&self) -> Vec<bool> {
        let set: Vec<bool> = (0..self.ground.inside.len())
            .map(|k| self.ground.inside[k] && self.ground.features.dark[k] && self.prior[k] > -1.0)
            .collect();
        self.one_piece(&set)
    }

    /// Tissue model and cut in turn.
    pub fn refine(&self, start: Vec<bool>) -> Organ {
        let mut set = start;
        let mut tissue = Tissue::of(self, &set);
        for _ in 0..4 {
            let unary = tissue.log_odds(self);
            let next = self.cut(&unary);
            let next = self.of_one_tissue(self.one_piece(&next), &unary);
            let next = fill_holes(self.ground.lattice, &next);
            let changed = next.iter().zip(&set).filter(|(a, b)| a != b).count();
            let same = changed * 500 <= count(&next);
            set = next;
            tissue = Tissue::of(self, &set);
            if same {
                break;
            }
        }
        Organ { set, tissue }
    }

    /// Without those parts of a slice that place rather than tissue has made the organ's: lung about the dome, a spleen
    /// that the left lobe touches.
    fn of_one_tissue(&self, mut set: Vec<bool>, odds: &[f32]) -> Vec<bool> {
        /// Mean log odds of the tissue about a place, as a share of the whole organ's.
        const LEAST: f32 = 0.33;
        /// How far about, mm of a Gaussian's standard deviation, within the slice.
        const ABOUT: f64 = 12.0;
        let [_, tall, wide] = self.ground.lattice.spacing;
        let slices = Lattice { spacing: [f64::INFINITY, tall, wide], ..*self.ground.lattice };
        let mut sums: Vec<f32> = (0..set.len()).map(|k| if set[k] { odds[k] - self.prior[k] } else { 0.0 }).collect();
        let mut shares: Vec<f32> = set.iter().map(|&v| f32::from(v)).collect();
        let usual = LEAST * (sums.iter().sum::<f32>() / count(&set).max(1) as f32).max(0.0);
        blur(&slices, &mut sums, ABOUT);
        blur(&slices, &mut shares, ABOUT);
        for (kept, (sum, share)) in set.iter_mut().zip(sums.iter().zip(&shares)) {
            *kept &= *sum >= usual * share;
        }
        set
    }

    fn cut(&self, unary: &[f32]) -> Vec<bool> {
        let ground = self.ground;
        let mut node = vec![u32::MAX; unary.len()];
        let mut members = Vec::new();
        for k in 0..unary.len() {
            if ground.inside[k] && self.prior[k] > -6.5 {
                node[k] = members.len() as u32;
                members.push(k);
            }
        }
        let mut graph = Graph::new(members.len(), 3 * members.len());
        let strides = [1, ground.lattice.shape[2], ground.lattice.plane()];
        for (at, &k) in members.iter().enumerate() {
            graph.prefer_source(at, (SCALE * unary[k].clamp(-20.0, 20.0)) as i32);
            for (&stride, &cost) in strides.iter().zip(&ground.boundary[k]) {
                if cost > 0 && node[k + stride] != u32::MAX {
                    graph.join(at, node[k + stride] as usize, cost);
                }
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

impl Organ {
    /// Median over the organ of what is expected of its rate (0), ln S0 (1) or beat (2).
    pub fn usual(&self, part: usize) -> Option<f32> {
        let level = &self.tissue.level[part];
        median(&mut (0..self.set.len()).filter(|&k| self.set[k]).map(|k| level[k]).collect::<Vec<_>>())
    }
}

pub(super) fn median(values: &mut [f32]) -> Option<f32> {
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    Some(*values.select_nth_unstable_by(middle, f32::total_cmp).1)
}
