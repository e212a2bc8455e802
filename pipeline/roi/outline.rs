//! The organ's outline at full resolution: a second cut in a band about the outline found on blocks.

use super::blocks::Blocks;
use super::cut::Graph;
use super::features::Features;
use super::lattice::Lattice;
use super::search::{Organ, with_near_pieces};
use super::sets::{Reach, both, dilate, fill_holes, heaviest, open};
use super::smooth::distance;
use super::tissue::Tissue;
use crate::fit::Real;

/// Half width of the band in blocks, and beyond it the rim for which features are made.
const BAND: f64 = 1.6;

/// The tissue's levels and the distance to the blocks' outline at every voxel.
pub(super) struct Fine {
    /// Distance to the outline found on blocks, mm, positive inside.
    pub inward: Vec<f32>,
    /// Expected rate, ln S0 and beat.
    pub level: [Vec<f32>; 3],
    /// Log odds of the place.
    prior: Vec<f32>,
}

impl Fine {
    pub fn of(lattice: &Lattice, blocks: &Blocks, organ: &Organ, prior: &[f32]) -> Self {
        let outside: Vec<bool> = organ.set.iter().map(|&v| !v).collect();
        let half = 0.5 * blocks.lattice.spacing[1].min(blocks.lattice.spacing[2]) as f32;
        let to_outside = distance(&blocks.lattice, &outside, Reach::Plane);
        let to_inside = distance(&blocks.lattice, &organ.set, Reach::Plane);
        let inward: Vec<f32> = to_outside
            .iter()
            .zip(&to_inside)
            .map(|(&a, &b)| if a > 0.0 { a.min(1e3) - half } else { half - b.min(1e3) })
            .collect();
        Self {
            inward: blocks.interpolate(lattice, &inward),
            level: std::array::from_fn(|part| blocks.interpolate(lattice, &organ.tissue.level[part])),
            prior: blocks.interpolate(lattice, &prior.iter().map(|p| p.max(-9.0)).collect::<Vec<_>>()),
        }
    }

    /// Expected rate, ln S0 and beat at one voxel.
    pub fn level(&self, k: usize) -> [f32; 3] {
        std::array::from_fn(|part| self.level[part][k])
    }

    /// The band's half width, mm.
    pub fn band(blocks: &Blocks) -> f32 {
        (BAND * blocks.lattice.spacing[1].max(blocks.lattice.spacing[2])) as f32
    }
}

/// The organ, holes filled, in one piece.
pub(super) fn outline(
    lattice: &Lattice,
    fine: &Fine,
    tissue: &Tissue,
    features: &Features,
    band: f32,
    allowed: &dyn Fn(usize) -> bool,
) -> Vec<bool> {
    const SCALE: f32 = 100.0;
    const SMOOTH: f32 = 1.5;
    let len = lattice.len();
    let mut node = vec![u32::MAX; len];
    let mut members = Vec::new();
    for k in 0..len {
        if fine.inward[k].abs() < band && allowed(k) {
            node[k] = members.len() as u32;
            members.push(k);
        }
    }
    let sure = |k: usize| node[k] == u32::MAX && fine.inward[k] > 0.0;
    let across_slices = (lattice.spacing[1].min(lattice.spacing[2]) / lattice.spacing[0]).min(1.0) as f32;
    let step = |a: usize, b: usize| {
        let f = features;
        let term = |x: &[f32], e: &[f32], spread: f32| {
            let d = x[a] - x[b];
            d * d / (2.0 * spread * spread + e[a] * e[a] + e[b] * e[b])
        };
        match (f.dark[a], f.dark[b]) {
            (false, false) => {
                term(&f.rate, &f.rate_error, 0.10)
                    + term(&f.origin, &f.origin_error, 0.05)
                    + term(&f.beat, &f.beat_error, 0.06)
            }
            (true, true) => 0.0,
            _ => 16.0,
        }
    };
    // What is black among single voxels is more than among blocks.
    let share_of_black = |from: f32, to: f32| {
        let within = |k: &usize| allowed(*k) && fine.inward[*k] > from && fine.inward[*k] < to;
        let (all, black) = (0..len)
            .filter(within)
            .fold((0usize, 0usize), |(all, black), k| (all + 1, black + usize::from(features.dark[k])));
        black as f32 / all.max(1) as f32
    };
    let black = [share_of_black(0.5 * band, f32::INFINITY), share_of_black(-band, -0.5 * band)];
    let mut graph = Graph::new(members.len(), 3 * members.len());
    let plane = lattice.plane();
    for (at, &k) in members.iter().enumerate() {
        let own = tissue.tissue_log_odds(fine.level(k), features, k, black);
        let place = (fine.inward[k] / 3.0).clamp(-3.0, 3.0) + 0.7 * fine.prior[k].clamp(-8.0, 0.0);
        graph.prefer_source(at, (SCALE * (own.clamp(-6.0, 4.0) + place)) as i32);
        for j in lattice.neighbours(k) {
            let face = if j.abs_diff(k) >= plane { across_slices } else { 1.0 };
            if node[j] != u32::MAX {
                if j > k {
                    let cost = SMOOTH * face * (0.08 + Real::exp(-0.5 * step(k, j)));
                    graph.join(at, node[j] as usize, (SCALE * cost) as i32);
                }
            } else if face == 1.0 {
                let cost = (SCALE * SMOOTH) as i32;
                graph.prefer_source(at, if sure(j) { cost } else { -cost });
            }
        }
    }
    let source = graph.solve();
    let mut organ: Vec<bool> = (0..len).map(sure).collect();
    for (at, &k) in members.iter().enumerate() {
        organ[k] = source[at];
    }
    let width = 1.2 * lattice.spacing[1].max(lattice.spacing[2]);
    let core = open(lattice, &organ, width);
    let main = heaviest(lattice, &core, Reach::Space, |_| 1.0);
    let kept = with_near_pieces(lattice, &core, main);
    let near = dilate(lattice, &kept, 1.5 * width);
    fill_holes(lattice, &both(&near, &organ))
}
