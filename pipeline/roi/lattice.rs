//! Voxels in the patient's own order.
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

    /// Grid indices along one row of the lattice.
    pub fn row(&self, z: usize, y: usize) -> impl Iterator<Item = usize> + use<> {
        let (step, mut next) = (self.step[2], self.grid_index([z, y, 0]) as isize);
        (0..self.lattice.shape[2]).map(move |_| {
            let at = next;
            next += step;
            at as usize
        })
    }

    /// Values in lattice order.
    pub fn gather<T: Copy + Default + Send + Sync>(&self, values: &[T]) -> Vec<T> {
        let mut out = vec![T::default(); self.lattice.len()];
        let [_, rows, columns] = self.lattice.shape;
        out.par_chunks_mut(self.lattice.plane().max(1)).enumerate().for_each(|(z, plane)| {
            for y in 0..rows {
                let line = &mut plane[y * columns..(y + 1) * columns];
                line.iter_mut().zip(self.row(z, y)).for_each(|(slot, at)| *slot = values[at]);
            }
        });
        out
    }

    /// Values in grid order.
    pub fn scatter<T: Copy + Default>(&self, values: &[T]) -> Vec<T> {
        let mut out = vec![T::default(); values.len()];
        let [_, rows, columns] = self.lattice.shape;
        for (row, line) in values.chunks(columns.max(1)).enumerate() {
            line.iter().zip(self.row(row / rows, row % rows)).for_each(|(&value, at)| out[at] = value);
        }
        out
    }
}
