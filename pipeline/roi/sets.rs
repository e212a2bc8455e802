//! Sets of voxels on a lattice, slice by slice: growing, shrinking, pieces, holes.

use super::lattice::Lattice;
use rayon::prelude::*;

/// Whether a piece may go on in the next slice.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Reach {
    Plane,
    Space,
}

/// Every voxel within `mm` of the set in its slice, centre to centre.
///
/// By rows: a voxel is near where a row `dy` away holds part of the set within the width that a disc has there.
pub(super) fn dilate(lattice: &Lattice, set: &[bool], mm: f64) -> Vec<bool> {
    let [_, rows, columns] = lattice.shape;
    let [_, tall, wide] = lattice.spacing;
    let limit = mm + 1e-3;
    let reach = ((limit / tall) as usize).min(rows);
    let widths: Vec<u16> = (0..=reach)
        .map(|dy| {
            let rest = (limit * limit - (dy as f64 * tall).powi(2)).max(0.0);
            (rest.sqrt() / wide).min(60_000.0) as u16
        })
        .collect();
    let mut out = vec![false; set.len()];
    let plane = lattice.plane().max(1);
    out.par_chunks_mut(plane).zip(set.par_chunks(plane)).for_each(|(out, set)| {
        if !set.contains(&true) {
            return;
        }
        let mut along = vec![u16::MAX; set.len()];
        for (row, along) in set.chunks(columns).zip(along.chunks_mut(columns)) {
            nearest_along(row, along);
        }
        for (y, line) in out.chunks_mut(columns).enumerate() {
            for v in y.saturating_sub(reach)..(y + reach + 1).min(rows) {
                let width = widths[v.abs_diff(y)];
                for (slot, &steps) in line.iter_mut().zip(&along[v * columns..(v + 1) * columns]) {
                    *slot |= steps <= width;
                }
            }
        }
    });
    out
}

/// Steps from each voxel of a row to the nearest that is set, `u16::MAX` where none is.
fn nearest_along(row: &[bool], steps: &mut [u16]) {
    let mut last = u16::MAX;
    for (slot, &inside) in steps.iter_mut().zip(row) {
        last = if inside { 0 } else { last.saturating_add(1) };
        *slot = last;
    }
    last = u16::MAX;
    for (slot, &inside) in steps.iter_mut().zip(row).rev() {
        last = if inside { 0 } else { last.saturating_add(1) };
        *slot = last.min(*slot);
    }
}

/// Every voxel farther than `mm` from the outside in its slice. What lies beyond the image counts as inside.
pub(super) fn erode(lattice: &Lattice, set: &[bool], mm: f64) -> Vec<bool> {
    let outside: Vec<bool> = set.iter().map(|&v| !v).collect();
    let mut kept = dilate(lattice, &outside, mm);
    for v in &mut kept {
        *v = !*v;
    }
    kept
}

/// Erosion, then dilation: drops what is thinner than twice `mm`.
pub(super) fn open(lattice: &Lattice, set: &[bool], mm: f64) -> Vec<bool> {
    both(&dilate(lattice, &erode(lattice, set, mm), mm), set)
}

/// Dilation, then erosion: fills what is thinner than twice `mm`.
pub(super) fn close(lattice: &Lattice, set: &[bool], mm: f64) -> Vec<bool> {
    let kept = erode(lattice, &dilate(lattice, set, mm), mm);
    kept.iter().zip(set).map(|(&a, &b)| a | b).collect()
}

/// The voxels of both sets.
pub(super) fn both(a: &[bool], b: &[bool]) -> Vec<bool> {
    a.iter().zip(b).map(|(&a, &b)| a & b).collect()
}

/// Voxels in the set.
pub(super) fn count(set: &[bool]) -> usize {
    set.iter().filter(|&&v| v).count()
}

/// Connected components by faces: a label from 1 for each voxel (0 outside the set), in the order of their first
/// voxels, and the voxels of each. Two passes with a forest of labels that were found to touch.
pub(super) fn components(lattice: &Lattice, set: &[bool], reach: Reach) -> (Vec<u32>, Vec<usize>) {
    fn root(parent: &mut [u32], mut label: u32) -> u32 {
        while parent[label as usize] != label {
            parent[label as usize] = parent[parent[label as usize] as usize];
            label = parent[label as usize];
        }
        label
    }
    let ([_, rows, columns], plane) = (lattice.shape, lattice.plane());
    let mut labels = vec![0u32; set.len()];
    let mut parent = vec![0u32];
    for (line, row) in set.chunks(columns.max(1)).enumerate() {
        let (z, y) = (line / rows, line % rows);
        for x in 0..row.len() {
            if !row[x] {
                continue;
            }
            let index = line * columns + x;
            let before = [
                if x > 0 { labels[index - 1] } else { 0 },
                if y > 0 { labels[index - columns] } else { 0 },
                if z > 0 && reach == Reach::Space { labels[index - plane] } else { 0 },
            ];
            let mut own = 0;
            for other in before.into_iter().filter(|&label| label != 0) {
                let other = root(&mut parent, other);
                if own == 0 {
                    own = other;
                } else if own != other {
                    let (low, high) = (own.min(other), own.max(other));
                    parent[high as usize] = low;
                    own = low;
                }
            }
            if own == 0 {
                own = parent.len() as u32;
                parent.push(own);
            }
            labels[index] = own;
        }
    }
    let mut name = vec![0u32; parent.len()];
    let mut sizes = Vec::new();
    for label in labels.iter_mut().filter(|label| **label != 0) {
        let top = root(&mut parent, *label) as usize;
        if name[top] == 0 {
            sizes.push(0);
            name[top] = sizes.len() as u32;
        }
        *label = name[top];
        sizes[*label as usize - 1] += 1;
    }
    (labels, sizes)
}

/// The component with the greatest total weight; nothing where the set is empty.
pub(super) fn heaviest(lattice: &Lattice, set: &[bool], reach: Reach, weight: impl Fn(usize) -> f64) -> Vec<bool> {
    let (labels, sizes) = components(lattice, set, reach);
    let mut mass = vec![0.0; sizes.len() + 1];
    for (index, &label) in labels.iter().enumerate().filter(|&(_, &label)| label > 0) {
        mass[label as usize] += weight(index);
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
    let [_, rows, columns] = lattice.shape;
    let plane = lattice.plane().max(1);
    let mut filled = vec![true; set.len()];
    filled.par_chunks_mut(plane).zip(set.par_chunks(plane)).for_each(|(filled, set)| {
        let mut stack: Vec<usize> = Vec::new();
        let visit = |index: usize, filled: &mut [bool], stack: &mut Vec<usize>| {
            if !set[index] && filled[index] {
                filled[index] = false;
                stack.push(index);
            }
        };
        for y in 0..rows {
            visit(y * columns, filled, &mut stack);
            visit((y + 1) * columns - 1, filled, &mut stack);
        }
        for x in 0..columns {
            visit(x, filled, &mut stack);
            visit((rows - 1) * columns + x, filled, &mut stack);
        }
        while let Some(index) = stack.pop() {
            let x = index % columns;
            if x > 0 {
                visit(index - 1, filled, &mut stack);
            }
            if x + 1 < columns {
                visit(index + 1, filled, &mut stack);
            }
            if index >= columns {
                visit(index - columns, filled, &mut stack);
            }
            if index + columns < set.len() {
                visit(index + columns, filled, &mut stack);
            }
        }
    });
    filled
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scattered(lattice: &Lattice, share: f64) -> Vec<bool> {
        // A Weyl sequence: evenly spread, no two places alike.
        (0..lattice.len()).map(|k| ((k as f64 + 1.0) * 0.618_033_988_75).fract() < share).collect()
    }

    /// Against the definition, on voxels that are no squares.
    #[test]
    fn growing_is_nearness() {
        let lattice = Lattice { shape: [2, 17, 23], spacing: [9.0, 1.7, 2.3] };
        let set = scattered(&lattice, 0.02);
        for mm in [0.0, 1.7, 2.3, 5.0, 11.0] {
            let grown = dilate(&lattice, &set, mm);
            for k in 0..set.len() {
                let near = (0..set.len()).any(|j| {
                    let ([z, y, x], [w, v, u]) = (lattice.place(k), lattice.place(j));
                    let (dy, dx) = (y.abs_diff(v) as f64 * 1.7, x.abs_diff(u) as f64 * 2.3);
                    set[j] && z == w && (dy * dy + dx * dx).sqrt() <= mm + 1e-3
                });
                assert_eq!(grown[k], near, "{mm} mm at {k}");
            }
        }
    }

    /// A comb joined only at its last row, beside a piece of its own.
    #[test]
    fn pieces_that_meet_late_are_one() {
        let lattice = Lattice { shape: [2, 4, 7], spacing: [1.0; 3] };
        let slice = "#.#.#.#\
                     #.#.#.#\
                     #.#.#..\
                     #####.#";
        let set: Vec<bool> = slice.chars().chain(".".repeat(27).chars()).chain(['#']).map(|c| c == '#').collect();
        let (labels, sizes) = components(&lattice, &set, Reach::Plane);
        assert_eq!(sizes, [14, 2, 1, 1]);
        assert_eq!([labels[0], labels[4], labels[6], labels[27], labels[55]], [1, 1, 2, 3, 4]);
        let (labels, sizes) = components(&lattice, &set, Reach::Space);
        assert_eq!(sizes, [14, 2, 2]);
        assert_eq!([labels[27], labels[55]], [3, 3]);
    }

    #[test]
    fn a_hole_is_filled_and_a_bay_is_not() {
        let lattice = Lattice { shape: [1, 4, 6], spacing: [1.0; 3] };
        let picture = "######\
                       #.##..\
                       ####..\
                       ######";
        let set: Vec<bool> = picture.chars().map(|c| c == '#').collect();
        let filled = fill_holes(&lattice, &set);
        assert!(filled[7] && !filled[10] && !filled[11]);
        assert_eq!(count(&filled), count(&set) + 1);
    }
}
