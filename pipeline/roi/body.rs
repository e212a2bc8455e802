//! The trunk, its fat, and where a voxel lies in it: coordinates that do not depend on the size of the patient.

use super::blocks::Power;
use super::lattice::Lattice;
use super::search::{FAT, median};
use super::sets::{Reach, close, count, dilate, fill_holes, heaviest, open};
use super::smooth::distance;

/// The trunk on the block lattice.
pub(super) struct Body {
    /// Inside the trunk, black organs included.
    pub trunk: Vec<bool>,
    /// Distance to the skin in the slice, mm.
    pub depth: Vec<f32>,
    /// Distance to the inside of the fat under the skin, mm; 0 in that fat.
    pub wall: Vec<f32>,
    /// Half the trunk's width and depth inside that fat, mm, by slice.
    pub half: Vec<[f32; 2]>,
    /// Across: -1 at the right end of the muscle wall, 1 at the left.
    pub across: Vec<f32>,
    /// Back: -1 at the front of the muscle wall, 1 at the back.
    pub back: Vec<f32>,
    /// Thickness of the subcutaneous fat at the right, left, front and back, mm.
    pub fat: [f64; 4],
    /// Mean square of the brightest of the first echoes, in σ².
    brightest: Vec<f32>,
}

/// Gap in the outline that is closed, and the thinnest bridge to an arm that is cut, mm.
const GAP: f64 = 9.0;
const BRIDGE: f64 = 14.0;
/// A trunk this much smaller than its convex outline has lost a black organ behind a broken wall.
const LOST: f64 = 0.12;
/// Directions in which the fat is measured.
const SECTORS: usize = 24;
/// Signal of air at most, as a share of the bright tissue.
const AIR: f32 = 0.06;

impl Body {
    /// The trunk, or `None` where there is none; [`Body::measure`] fills in the rest once the echoes of its blocks are known.
    pub fn find(lattice: &Lattice, power: &Power, coil_elements: f64) -> Option<Self> {
        let echoes = power.squares.len().min(3);
        let noise = (4.0 * coil_elements) as f32;
        let brightest: Vec<f32> = (0..power.count.len())
            .map(|block| power.squares[..echoes].iter().map(|echo| echo[block]).fold(0.0, f32::max))
            .collect();
        let mut sorted: Vec<f32> = brightest.iter().copied().filter(|&p| p > 6.0 * noise.sqrt()).collect();
        if sorted.len() < 50 {
            return None;
        }
        let at = sorted.len() * 3 / 4;
        let bright = *sorted.select_nth_unstable_by(at, f32::total_cmp).1;
        let seen: Vec<bool> = brightest
            .iter()
            .zip(&power.count)
            .map(|(&p, &n)| n > 0.0 && p > (6.0 * (noise / n).sqrt()).max(AIR * AIR * bright))
            .collect();
        let solid = solid(lattice, &seen);
        let core = open(lattice, &solid, BRIDGE);
        let main = heaviest(lattice, &core, Reach::Space, |_| 1.0);
        let near = dilate(lattice, &main, BRIDGE);
        let grown: Vec<bool> = near.iter().zip(&solid).map(|(&a, &b)| a && b).collect();
        let mut trunk = heaviest(lattice, &grown, Reach::Space, |_| 1.0);
        let plane = lattice.plane();
        for slice in trunk.chunks_mut(plane) {
            let hull = convex(lattice, slice);
            let (inside, all) = (count(slice), count(&hull));
            if (all - inside.min(all)) as f64 > LOST * all as f64 {
                slice.copy_from_slice(&hull);
            }
        }
        if count(&trunk) < 50 {
            return None;
        }
        let outside: Vec<bool> = trunk.iter().map(|&v| !v).collect();
        let depth = distance(lattice, &outside, Reach::Plane);
        Some(Self {
            trunk,
            depth,
            wall: Vec::new(),
            half: vec![[100.0; 2]; lattice.shape[0]],
            across: Vec::new(),
            back: Vec::new(),
            fat: [0.0; 4],
            brightest,
        })
    }

    /// Measures the fat under the skin, by brightness and by its peaks, and lays the coordinates inside it.
    pub fn measure(&mut self, lattice: &Lattice, adipose: &[f32]) {
        self.measure_fat(lattice, adipose);
        self.lay_coordinates(lattice);
    }

    /// The bright layer under the skin: its thickness in each direction from the median signal by depth, all
    /// slices together, no deeper than most of it follows the peaks of fat; then the distance of every place to the
    /// inside of that layer.
    fn measure_fat(&mut self, lattice: &Lattice, adipose: &[f32]) {
        const SHELL: f32 = 4.0;
        const SHELLS: usize = 20;
        let (boxes, brightest) = (self.boxes(lattice), &self.brightest);
        let mut shells = vec![vec![Vec::new(); SHELLS]; SECTORS];
        let mut peaks = vec![vec![Vec::new(); SHELLS]; SECTORS];
        let mut sector = vec![0u8; self.trunk.len()];
        for index in 0..self.trunk.len() {
            let [z, y, x] = lattice.place(index);
            let Some([[y0, y1], [x0, x1]]) = boxes[z] else { continue };
            let a = (2.0 * x as f64 - x0 - x1) / (x1 - x0).max(1.0);
            let b = (2.0 * y as f64 - y0 - y1) / (y1 - y0).max(1.0);
            let turn = libm::atan2(b, a) / std::f64::consts::TAU + 0.5;
            sector[index] = ((turn * SECTORS as f64) as usize).min(SECTORS - 1) as u8;
            let shell = (self.depth[index] / SHELL) as usize;
            if self.trunk[index] && shell < SHELLS {
                shells[usize::from(sector[index])][shell].push(brightest[index].max(0.0));
                peaks[usize::from(sector[index])][shell].push(adipose[index]);
            }
        }
        // Organs are darker than fat; where the layer is thin, what lies behind it must not pass for it.
        let deepest = (0..self.trunk.len()).filter(|&k| self.trunk[k]).map(|k| self.depth[k]).fold(0.0, f32::max);
        let mut organs: Vec<f32> =
            (0..self.trunk.len()).filter(|&k| self.depth[k] > 0.5 * deepest).map(|k| brightest[k].max(0.0)).collect();
        let organs = median(&mut organs).map_or(0.0, f32::sqrt);
        // Where next to nothing follows the peaks of fat, the echoes tell nothing of it: they may all be in phase.
        let fat = (0..self.trunk.len()).filter(|&k| self.trunk[k] && adipose[k] > FAT).count();
        let told = fat * 50 > count(&self.trunk);
        let raw: Vec<f64> = shells
            .iter_mut()
            .zip(&mut peaks)
            .map(|(shells, peaks)| {
                let medians: Vec<f32> = shells.iter_mut().map(|values| median(values).map_or(0.0, f32::sqrt)).collect();
                // The skin's own layer is partly air: the fat's level is the brightest of the first three.
                let level = medians.iter().take(3).copied().fold(0.0, f32::max);
                let start = medians.iter().position(|&m| m == level).unwrap_or(0);
                let edge = (0.72 * level).max((1.05 * organs).min(0.9 * level));
                let mut is_fat = |at: usize| !told || median(&mut peaks[at]).is_some_and(|ratio| ratio > 0.0);
                let end = (start..SHELLS).find(|&at| medians[at] < edge || (at > start && !is_fat(at)));
                f64::from(end.map_or(0.0, |k| k as f32 * SHELL))
            })
            .collect();
        // One sector may look into an organ through a gap in the wall: the median of five neighbours.
        let fat: Vec<f32> = (0..SECTORS)
            .map(|at| {
                let mut around: Vec<f32> = (0..5).map(|k| raw[(at + SECTORS + k - 2) % SECTORS] as f32).collect();
                median(&mut around).unwrap_or(0.0)
            })
            .collect();
        let side = |turn: usize| f64::from(fat[turn % SECTORS]);
        self.fat = [side(0), side(SECTORS / 2), side(SECTORS / 4), side(3 * SECTORS / 4)];
        let skin: Vec<bool> =
            (0..self.trunk.len()).map(|k| !self.trunk[k] || self.depth[k] <= fat[usize::from(sector[k])]).collect();
        self.wall = distance(lattice, &skin, Reach::Plane);
    }

    /// Rows and columns that hold all but the outermost hundredth of the trunk, per slice.
    fn boxes(&self, lattice: &Lattice) -> Vec<Option<[[f64; 2]; 2]>> {
        self.trunk
            .chunks(lattice.plane())
            .map(|slice| {
                let mut profiles = [vec![0usize; lattice.shape[1]], vec![0usize; lattice.shape[2]]];
                for (index, _) in slice.iter().enumerate().filter(|&(_, &inside)| inside) {
                    profiles[0][index / lattice.shape[2]] += 1;
                    profiles[1][index % lattice.shape[2]] += 1;
                }
                let total = count(slice);
                if total < 20 {
                    return None;
                }
                Some(profiles.map(|profile| {
                    let reach = |order: &mut dyn Iterator<Item = (usize, &usize)>| {
                        let mut sum = 0;
                        for (at, n) in order {
                            sum += n;
                            if sum * 200 >= total {
                                return at as f64;
                            }
                        }
                        0.0
                    };
                    [reach(&mut profile.iter().enumerate()), reach(&mut profile.iter().enumerate().rev())]
                }))
            })
            .collect()
    }

    fn lay_coordinates(&mut self, lattice: &Lattice) {
        let boxes = self.boxes(lattice);
        self.across = vec![f32::NAN; self.trunk.len()];
        self.back = vec![f32::NAN; self.trunk.len()];
        for index in 0..self.trunk.len() {
            let [z, y, x] = lattice.place(index);
            let Some([[y0, y1], [x0, x1]]) = boxes[z] else { continue };
            let scaled = |at: usize, low: f64, high: f64, spacing: f64, fat: [f64; 2]| {
                let (low, high) = (low * spacing + fat[0], high * spacing - fat[1]);
                let half = (0.5 * (high - low)).max(20.0);
                ((at as f64 * spacing - 0.5 * (low + high)) / half) as f32
            };
            let inner = |span: f64, fat: f64| (0.5 * (span - fat)).max(20.0) as f32;
            self.half[z] = [
                inner((x1 - x0) * lattice.spacing[2], self.fat[0] + self.fat[1]),
                inner((y1 - y0) * lattice.spacing[1], self.fat[2] + self.fat[3]),
            ];
            self.across[index] = scaled(x, x0, x1, lattice.spacing[2], [self.fat[0], self.fat[1]]);
            self.back[index] = scaled(y, y0, y1, lattice.spacing[1], [self.fat[2], self.fat[3]]);
        }
    }
}

/// Each slice filled inside its outline; where that leaves much of the convex outline empty the wall has a gap,
/// which is closed first. Not everywhere: closing joins the arms to the trunk.
fn solid(lattice: &Lattice, seen: &[bool]) -> Vec<bool> {
    let mut filled = fill_holes(lattice, seen);
    let closed = fill_holes(lattice, &close(lattice, seen, GAP));
    let (plane, main) = (lattice.plane(), heaviest(lattice, &filled, Reach::Space, |_| 1.0));
    for (z, slice) in filled.chunks_mut(plane).enumerate() {
        let part = &main[z * plane..(z + 1) * plane];
        let (inside, all) = (count(part), count(&convex(lattice, part)));
        if (all - inside.min(all)) as f64 > LOST * all as f64 {
            slice.copy_from_slice(&closed[z * plane..(z + 1) * plane]);
        }
    }
    filled
}

/// The convex outline of one slice's set, filled (Andrew's monotone chain, 1979).
fn convex(lattice: &Lattice, slice: &[bool]) -> Vec<bool> {
    let width = lattice.shape[2];
    let mut points = Vec::new();
    for (y, row) in slice.chunks(width).enumerate() {
        if let (Some(first), Some(last)) = (row.iter().position(|&v| v), row.iter().rposition(|&v| v)) {
            points.push((y as i64, first as i64));
            points.push((y as i64, last as i64));
        }
    }
    let mut out = vec![false; slice.len()];
    if points.len() < 3 {
        return slice.to_vec();
    }
    // Left and right chains, walking down the rows.
    let chain = |side: i64| {
        let mut kept: Vec<(i64, i64)> = Vec::new();
        for &(y, x) in &points {
            if kept.last().is_some_and(|&(last, at)| last == y && side * (x - at) >= 0) {
                continue;
            }
            if kept.last().is_some_and(|&(last, _)| last == y) {
                kept.pop();
            }
            while let [.., (ya, xa), (yb, xb)] = kept[..] {
                if side * ((xb - xa) * (y - ya) - (x - xa) * (yb - ya)) < 0 {
                    break;
                }
                kept.pop();
            }
            kept.push((y, x));
        }
        kept
    };
    let at = |chain: &[(i64, i64)], y: i64| {
        let next = chain.partition_point(|&(row, _)| row < y).min(chain.len() - 1);
        let (yb, xb) = chain[next];
        if yb == y || next == 0 {
            return xb as f64;
        }
        let (ya, xa) = chain[next - 1];
        xa as f64 + (xb - xa) as f64 * (y - ya) as f64 / (yb - ya) as f64
    };
    let (left, right) = (chain(1), chain(-1));
    let (top, bottom) = (points[0].0, points[points.len() - 1].0);
    for y in top..=bottom {
        let (from, to) = (at(&left, y).ceil() as usize, at(&right, y).floor() as usize);
        for x in from..=to.min(width - 1) {
            out[y as usize * width + x] = true;
        }
    }
    out
}
