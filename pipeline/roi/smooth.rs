//! Distances and smoothing on a lattice, at a cost for each voxel that does not grow with the reach.

use super::lattice::Lattice;
use super::sets::Reach;
use rayon::prelude::*;

/// Distance in mm from every voxel to the nearest voxel of `set`, centre to centre, infinite where the set is
/// empty: the exact separable transform by lower envelopes of parabolas (Felzenszwalb and Huttenlocher 2012).
pub(super) fn distance(lattice: &Lattice, set: &[bool], reach: Reach) -> Vec<f32> {
    const FAR: f32 = 1e12;
    let mut squared: Vec<f32> = set.iter().map(|&inside| if inside { 0.0 } else { FAR }).collect();
    let [slices, height, width] = lattice.shape;
    let plane = lattice.plane();
    squared.par_chunks_mut(plane.max(1)).for_each(|slice| {
        let mut lane = Envelope::new(width.max(height));
        for row in slice.chunks_mut(width) {
            lane.run(row, 0, 1, width, lattice.spacing[2] as f32);
        }
        for column in 0..width {
            lane.run(slice, column, width, height, lattice.spacing[1] as f32);
        }
    });
    if reach == Reach::Space && slices > 1 {
        through_slices(lattice, &mut squared, |row| {
            let mut lane = Envelope::new(slices);
            for column in 0..width {
                lane.run(row, column, width, slices, lattice.spacing[0] as f32);
            }
        });
    }
    squared.iter().map(|&d| if d >= FAR * 0.5 { f32::INFINITY } else { d.sqrt() }).collect()
}

/// Hands `work` each row of the lattice with the same row of every other slice: slices × columns.
fn through_slices(lattice: &Lattice, values: &mut [f32], work: impl Fn(&mut [f32]) + Sync) {
    let [slices, rows, columns] = lattice.shape;
    let plane = lattice.plane();
    let mut turned = vec![0.0f32; values.len()];
    let source: &[f32] = values;
    turned.par_chunks_mut(slices * columns).enumerate().for_each(|(y, row)| {
        for (z, line) in row.chunks_mut(columns).enumerate() {
            line.copy_from_slice(&source[z * plane + y * columns..][..columns]);
        }
        work(row);
    });
    values.par_chunks_mut(plane).enumerate().for_each(|(z, slice)| {
        for y in 0..rows {
            slice[y * columns..(y + 1) * columns].copy_from_slice(&turned[(y * slices + z) * columns..][..columns]);
        }
    });
}

/// Buffers of the one-dimensional transform.
struct Envelope {
    values: Vec<f32>,
    vertex: Vec<usize>,
    from: Vec<f32>,
}

impl Envelope {
    fn new(longest: usize) -> Self {
        Self { values: vec![0.0; longest], vertex: vec![0; longest], from: vec![0.0; longest + 1] }
    }

    fn run(&mut self, data: &mut [f32], start: usize, stride: usize, count: usize, spacing: f32) {
        let first = data[start];
        if (1..count).all(|k| data[start + k * stride] == first) {
            return; // All near or all far: nothing to spread.
        }
        let scale = spacing * spacing;
        for k in 0..count {
            self.values[k] = data[start + k * stride];
        }
        let mut top = 0;
        self.vertex[0] = 0;
        self.from[0] = f32::NEG_INFINITY;
        self.from[1] = f32::INFINITY;
        for q in 1..count {
            let meet = |p: usize, values: &[f32]| {
                (values[q] - values[p]) / (2.0 * scale * (q - p) as f32) + 0.5 * (q + p) as f32
            };
            let mut cross = meet(self.vertex[top], &self.values);
            // The first piece begins at minus infinity, so this ends.
            while cross <= self.from[top] {
                top -= 1;
                cross = meet(self.vertex[top], &self.values);
            }
            top += 1;
            self.vertex[top] = q;
            self.from[top] = cross;
            self.from[top + 1] = f32::INFINITY;
        }
        let mut piece = 0;
        for k in 0..count {
            while self.from[piece + 1] < k as f32 {
                piece += 1;
            }
            let step = k as f32 - self.vertex[piece] as f32;
            data[start + k * stride] = scale * step * step + self.values[self.vertex[piece]];
        }
    }
}

/// Gaussian-like smoothing in place: three passes of a moving mean along each axis, the widths chosen for `mm`
/// standard deviation; values beyond the lattice are zero, so smooth a weight alike and divide.
pub(super) fn blur(lattice: &Lattice, values: &mut [f32], mm: f64) {
    let [slices, rows, columns] = lattice.shape;
    let [deep, tall, wide] = lattice.spacing.map(|spacing| {
        // Three boxes of width w have variance (w² - 1)/4 in voxels.
        let sd = mm / spacing;
        (((4.0 * sd * sd + 1.0).sqrt() - 1.0) / 2.0).round() as usize
    });
    values.par_chunks_mut(lattice.plane().max(1)).for_each(|slice| {
        let mut before = Vec::new();
        for _ in 0..3 {
            slice.chunks_mut(columns).for_each(|row| moving_mean(row, 1, wide, &mut before));
            moving_mean(slice, columns, tall, &mut before);
        }
    });
    if slices > 1 && rows > 0 {
        through_slices(lattice, values, |row| {
            let mut before = Vec::new();
            (0..3).for_each(|_| moving_mean(row, columns, deep, &mut before));
        });
    }
}

/// The mean over `radius` lines to either side, for lines of `width` values side by side; a running sum.
fn moving_mean(data: &mut [f32], width: usize, radius: usize, before: &mut Vec<f32>) {
    if radius == 0 {
        return;
    }
    let lines = data.len() / width;
    before.clear();
    before.extend_from_slice(data);
    let line = |k: usize| &before[k * width..(k + 1) * width];
    let mut sums = vec![0.0f64; width];
    for k in 0..radius.min(lines) {
        sums.iter_mut().zip(line(k)).for_each(|(sum, &v)| *sum += f64::from(v));
    }
    let share = 1.0 / (2 * radius + 1) as f64;
    for (k, out) in data.chunks_mut(width).enumerate() {
        if k + radius < lines {
            sums.iter_mut().zip(line(k + radius)).for_each(|(sum, &v)| *sum += f64::from(v));
        }
        if k > radius {
            sums.iter_mut().zip(line(k - radius - 1)).for_each(|(sum, &v)| *sum -= f64::from(v));
        }
        out.iter_mut().zip(&sums).for_each(|(slot, &sum)| *slot = (sum * share) as f32);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the definition.
    #[test]
    fn distances_are_to_the_nearest_voxel() {
        let lattice = Lattice { shape: [3, 9, 11], spacing: [5.0, 1.5, 2.5] };
        let set: Vec<bool> = (0..lattice.len()).map(|k| k % 83 == 40).collect();
        for reach in [Reach::Plane, Reach::Space] {
            let found = distance(&lattice, &set, reach);
            for k in 0..set.len() {
                let [z, y, x] = lattice.place(k).map(|v| v as f64);
                let nearest = (0..set.len())
                    .filter(|&j| set[j] && (reach == Reach::Space || lattice.place(j)[0] as f64 == z))
                    .map(|j| {
                        let [w, v, u] = lattice.place(j).map(|v| v as f64);
                        (25.0 * (z - w).powi(2) + 2.25 * (y - v).powi(2) + 6.25 * (x - u).powi(2)).sqrt()
                    })
                    .fold(f64::INFINITY, f64::min);
                let close = (f64::from(found[k]) - nearest).abs() < 1e-4;
                assert!(close || (nearest.is_infinite() && found[k].is_infinite()), "{} and {nearest}", found[k]);
            }
        }
    }

    /// A point spreads as wide as asked, to the half voxel that widths are rounded to, and nothing is lost.
    #[test]
    fn a_point_spreads_as_wide_as_asked() {
        let lattice = Lattice { shape: [31, 41, 51], spacing: [2.0, 1.0, 1.0] };
        let mut values = vec![0.0f32; lattice.len()];
        values[lattice.index([15, 20, 25])] = 1.0;
        blur(&lattice, &mut values, 4.0);
        let moment = |f: &dyn Fn([f64; 3]) -> f64| {
            (0..values.len()).map(|k| f64::from(values[k]) * f(lattice.place(k).map(|v| v as f64))).sum::<f64>()
        };
        assert!((moment(&|_| 1.0) - 1.0).abs() < 1e-5);
        for (axis, centre) in [15.0, 20.0, 25.0].into_iter().enumerate() {
            let variance = moment(&|p| ((p[axis] - centre) * lattice.spacing[axis]).powi(2));
            assert!((variance.sqrt() - 4.0).abs() < 0.5 * lattice.spacing[axis], "axis {axis}: {variance}");
        }
    }
}
