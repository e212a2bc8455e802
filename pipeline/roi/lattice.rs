//! Voxels in the patient's own order, and the plain operations on them.
//!
//! Everything the search does happens on a [`Lattice`] whose axis 0 runs to the head, 1 to the back and 2 to the
//! patient's left, so that neither the image's side nor a flip of the export can matter.

use crate::study::Grid;
use rayon::prelude::*;

/// A box of voxels: lengths and spacings (mm) of the axes head, back, left.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Lattice {
    pub shape: [usize; 3],
    pub spacing: [f64; 3],
}

impl Lattice {
    pub fn len(&self) -> usize {
        self.shape.iter().product()
    }
    pub fn plane(&self) -> usize {
        self.shape[1] * self.shape[2]
    }
    pub fn index(&self, [z, y, x]: [usize; 3]) -> usize {
        (z * self.shape[1] + y) * self.shape[2] + x
    }
    pub fn place(&self, index: usize) -> [usize; 3] {
        let (z, rest) = (index / self.plane(), index % self.plane());
        [z, rest / self.shape[2], rest % self.shape[2]]
    }
    fn stride(&self, axis: usize) -> usize {
        [self.plane(), self.shape[2], 1][axis]
    }
    /// Indices of the up to six neighbours that share a face.
    pub fn neighbours(&self, index: usize) -> impl Iterator<Item = usize> + use<> {
        let (shape, place, strides) = (self.shape, self.place(index), [self.stride(0), self.stride(1), self.stride(2)]);
        (0..3).flat_map(move |axis| {
            let below = (place[axis] > 0).then(|| index - strides[axis]);
            let above = (place[axis] + 1 < shape[axis]).then(|| index + strides[axis]);
            below.into_iter().chain(above)
        })
    }
    /// The four of them in the axial plane.
    pub fn neighbours_in_plane(&self, index: usize) -> impl Iterator<Item = usize> + use<> {
        let plane = self.plane();
        let own = index / plane;
        self.neighbours(index).filter(move |other| other / plane == own)
    }
}

/// How the voxels of a grid lie in a patient-ordered lattice.
#[derive(Clone, Debug)]
pub(super) struct Frame {
    pub lattice: Lattice,
    start: isize,
    step: [isize; 3],
}

impl Frame {
    /// By the direction cosines: each grid axis goes with the patient axis it is closest to, all three together.
    pub fn of(grid: &Grid) -> Self {
        // Assumed for a single slice without thickness: a common liver slice.
        let step_mm = grid.slice_step().map_or(8.0, |mm| mm.0);
        let directions = [grid.normal(), grid.along_column(), grid.along_row()];
        let lengths = [grid.slices(), grid.rows(), grid.columns()];
        let spacings = [step_mm, grid.row_spacing().0, grid.column_spacing().0];
        let strides = [grid.slice_voxels(), grid.columns(), 1];
        // Component of patient coordinates (LPS) along head, back, left.
        const AXES: [usize; 3] = [2, 1, 0];
        const ORDERS: [[usize; 3]; 6] = [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]];
        let fit = |order: &[usize; 3]| (0..3).map(|k| directions[order[k]][AXES[k]].abs()).sum::<f64>();
        let mut best = ORDERS[0];
        for order in ORDERS {
            if fit(&order) > fit(&best) + 1e-9 {
                best = order;
            }
        }
        let mut start = 0isize;
        let step = std::array::from_fn(|k| {
            let stride = strides[best[k]] as isize;
            if directions[best[k]][AXES[k]] >= 0.0 {
                stride
            } else {
                start += stride * (lengths[best[k]] as isize - 1);
                -stride
            }
        });
        let lattice = Lattice { shape: best.map(|g| lengths[g]), spacing: best.map(|g| spacings[g]) };
        Self { lattice, start, step }
    }

    /// Grid index of a lattice place.
    pub fn grid_index(&self, place: [usize; 3]) -> usize {
        let at = (0..3).map(|k| self.step[k] * place[k] as isize).sum::<isize>();
        (self.start + at) as usize
    }

    /// Values in lattice order.
    pub fn gather<T: Copy + Send + Sync>(&self, values: &[T]) -> Vec<T> {
        (0..self.lattice.len())
            .into_par_iter()
            .with_min_len(4096)
            .map(|index| values[self.grid_index(self.lattice.place(index))])
            .collect()
    }

    /// Values in grid order.
    pub fn scatter<T: Copy + Default>(&self, values: &[T]) -> Vec<T> {
        let mut out = vec![T::default(); values.len()];
        for (index, &value) in values.iter().enumerate() {
            out[self.grid_index(self.lattice.place(index))] = value;
        }
        out
    }
}

/// Whether a distance transform crosses slices.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Reach {
    Plane,
    Space,
}

/// Distance in mm from every voxel to the nearest voxel of `set`, centre to centre, infinite where the set is
/// empty: the exact separable transform by lower envelopes of parabolas (Felzenszwalb and Huttenlocher 2012).
pub(super) fn distance(lattice: &Lattice, set: &[bool], reach: Reach) -> Vec<f32> {
    const FAR: f32 = 1e12;
    let mut squared: Vec<f32> = set.iter().map(|&inside| if inside { 0.0 } else { FAR }).collect();
    let (plane, width, height) = (lattice.plane(), lattice.shape[2], lattice.shape[1]);
    squared.par_chunks_mut(plane.max(1)).for_each(|slice| {
        let mut lane = Envelope::new(width.max(height));
        for row in slice.chunks_mut(width) {
            lane.run(row, 0, 1, width, lattice.spacing[2] as f32);
        }
        for column in 0..width {
            lane.run(slice, column, width, height, lattice.spacing[1] as f32);
        }
    });
    if reach == Reach::Space && lattice.shape[0] > 1 {
        let mut lane = Envelope::new(lattice.shape[0]);
        for column in 0..plane {
            lane.run(&mut squared, column, plane, lattice.shape[0], lattice.spacing[0] as f32);
        }
    }
    squared.iter().map(|&d| if d >= FAR * 0.5 { f32::INFINITY } else { d.sqrt() }).collect()
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

/// Every voxel within `mm` of the set.
pub(super) fn dilate(lattice: &Lattice, set: &[bool], mm: f64, reach: Reach) -> Vec<bool> {
    let limit = mm as f32 + 1e-3;
    distance(lattice, set, reach).iter().map(|&d| d <= limit).collect()
}

/// Every voxel farther than `mm` from the outside. What lies beyond the image counts as inside.
pub(super) fn erode(lattice: &Lattice, set: &[bool], mm: f64, reach: Reach) -> Vec<bool> {
    let outside: Vec<bool> = set.iter().map(|&v| !v).collect();
    let limit = mm as f32 + 1e-3;
    distance(lattice, &outside, reach).iter().map(|&d| d > limit).collect()
}

/// Erosion, then dilation: drops what is thinner than twice `mm`.
pub(super) fn open(lattice: &Lattice, set: &[bool], mm: f64, reach: Reach) -> Vec<bool> {
    let kept = dilate(lattice, &erode(lattice, set, mm, reach), mm, reach);
    kept.iter().zip(set).map(|(&a, &b)| a && b).collect()
}

/// Dilation, then erosion: fills what is thinner than twice `mm`.
pub(super) fn close(lattice: &Lattice, set: &[bool], mm: f64, reach: Reach) -> Vec<bool> {
    let kept = erode(lattice, &dilate(lattice, set, mm, reach), mm, reach);
    kept.iter().zip(set).map(|(&a, &b)| a || b).collect()
}

/// Connected components by faces: a label from 1 for each voxel (0 outside the set) and the voxels of each.
pub(super) fn components(lattice: &Lattice, set: &[bool], reach: Reach) -> (Vec<u32>, Vec<usize>) {
    let mut labels = vec![0u32; set.len()];
    let mut sizes = Vec::new();
    let mut stack = Vec::new();
    for seed in 0..set.len() {
        if !set[seed] || labels[seed] != 0 {
            continue;
        }
        let label = sizes.len() as u32 + 1;
        let mut size = 0;
        labels[seed] = label;
        stack.push(seed);
        while let Some(index) = stack.pop() {
            size += 1;
            let mut visit = |other: usize| {
                if set[other] && labels[other] == 0 {
                    labels[other] = label;
                    stack.push(other);
                }
            };
            match reach {
                Reach::Space => lattice.neighbours(index).for_each(&mut visit),
                Reach::Plane => lattice.neighbours_in_plane(index).for_each(&mut visit),
            }
        }
        sizes.push(size);
    }
    (labels, sizes)
}

/// The component with the greatest total weight; nothing where the set is empty.
pub(super) fn heaviest(lattice: &Lattice, set: &[bool], reach: Reach, weight: impl Fn(usize) -> f64) -> Vec<bool> {
    let (labels, sizes) = components(lattice, set, reach);
    let mut mass = vec![0.0; sizes.len() + 1];
    for (index, &label) in labels.iter().enumerate() {
        if label > 0 {
            mass[label as usize] += weight(index);
        }
    }
    let mut best = 0;
    for label in 1..mass.len() {
        if best == 0 || mass[label] > mass[best] {
            best = label;
        }
    }
    labels.iter().map(|&label| label != 0 && label as usize == best).collect()
}

/// The set and every hole in it that does not reach the border of its slice.
pub(super) fn fill_holes(lattice: &Lattice, set: &[bool]) -> Vec<bool> {
    let mut open = vec![false; set.len()];
    let mut stack: Vec<usize> = (0..set.len())
        .filter(|&index| {
            let [_, y, x] = lattice.place(index);
            let border = y == 0 || x == 0 || y + 1 == lattice.shape[1] || x + 1 == lattice.shape[2];
            border && !set[index]
        })
        .collect();
    for &index in &stack {
        open[index] = true;
    }
    while let Some(index) = stack.pop() {
        for other in lattice.neighbours_in_plane(index) {
            if !set[other] && !open[other] {
                open[other] = true;
                stack.push(other);
            }
        }
    }
    open.iter().map(|&v| !v).collect()
}

/// Gaussian-like smoothing in place: three passes of a moving sum along each axis, the widths chosen for `mm`
/// standard deviation; values beyond the image are zero, so smooth a weight alike and divide.
pub(super) fn blur(lattice: &Lattice, values: &mut [f32], mm: f64) {
    let plane = lattice.plane();
    let radius = |axis: usize| {
        // Three boxes of width w have variance (w² - 1)/4 in voxels.
        let sd = mm / lattice.spacing[axis];
        (((4.0 * sd * sd + 1.0).sqrt() - 1.0) / 2.0).round() as usize
    };
    let radii = [radius(0), radius(1), radius(2)];
    values.par_chunks_mut(plane.max(1)).for_each(|slice| {
        let mut lane = vec![0.0f32; lattice.shape[1].max(lattice.shape[2])];
        for _ in 0..3 {
            for y in 0..lattice.shape[1] {
                moving_mean(slice, y * lattice.shape[2], 1, lattice.shape[2], radii[2], &mut lane);
            }
            for x in 0..lattice.shape[2] {
                moving_mean(slice, x, lattice.shape[2], lattice.shape[1], radii[1], &mut lane);
            }
        }
    });
    if lattice.shape[0] > 1 {
        let mut lane = vec![0.0f32; lattice.shape[0]];
        for _ in 0..3 {
            for column in 0..plane {
                moving_mean(values, column, plane, lattice.shape[0], radii[0], &mut lane);
            }
        }
    }
}

fn moving_mean(data: &mut [f32], start: usize, stride: usize, count: usize, radius: usize, lane: &mut [f32]) {
    if radius == 0 {
        return;
    }
    for k in 0..count {
        lane[k] = data[start + k * stride];
    }
    let mut sum = lane[..count.min(radius)].iter().map(|&v| f64::from(v)).sum::<f64>();
    let width = (2 * radius + 1) as f64;
    for k in 0..count {
        if k + radius < count {
            sum += f64::from(lane[k + radius]);
        }
        if k > radius {
            sum -= f64::from(lane[k - radius - 1]);
        }
        data[start + k * stride] = (sum / width) as f32;
    }
}
