//! The voxel grid of an acquisition in patient coordinates (DICOM LPS, millimetres).

use super::units::Millimetres;
use serde::{Deserialize, Serialize};

/// A three-vector in patient coordinates: x to the patient's left, y to the back, z to the head.
pub type Vector = [f64; 3];

/// The grid: `slices × rows × columns` voxels. A voxel's index is
/// `(slice · rows + row) · columns + column`; slices ascend along the normal (row × column direction).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Grid {
    rows: usize,
    columns: usize,
    positions: Vec<Vector>,
    row_spacing: f64,
    column_spacing: f64,
    slice_thickness: Option<f64>,
    along_row: Vector,
    along_column: Vector,
    frame_of_reference: Option<String>,
}

/// What is needed to build a [`Grid`].
#[derive(Clone, Debug)]
pub struct GridParts {
    /// Rows of an image.
    pub rows: usize,
    /// Columns of an image.
    pub columns: usize,
    /// Image Position (Patient) of each slice, ascending along the normal; at least one.
    pub positions: Vec<Vector>,
    /// Distance between rows, mm.
    pub row_spacing: f64,
    /// Distance between columns, mm.
    pub column_spacing: f64,
    /// Slice Thickness, mm.
    pub slice_thickness: Option<f64>,
    /// Direction of increasing column index (first triplet of Image Orientation).
    pub along_row: Vector,
    /// Direction of increasing row index (second triplet of Image Orientation).
    pub along_column: Vector,
    /// Frame of Reference UID.
    pub frame_of_reference: Option<String>,
}

/// Why a grid cannot be.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum GridError {
    /// No voxel.
    #[error("an image of {0} rows and {1} columns in {2} slices has no voxel")]
    Empty(usize, usize, usize),
    /// Spacing zero, negative or not finite.
    #[error("pixel spacing {0} by {1} mm is not a size")]
    Spacing(f64, f64),
    /// Direction cosines not unit, not orthogonal or not finite.
    #[error("the image orientation is not two perpendicular unit vectors")]
    Orientation,
    /// Slices not in ascending order or two at one place.
    #[error("slice positions do not ascend along the normal")]
    Order,
    /// Positions not finite.
    #[error("a slice position is not finite")]
    Position,
}

/// a · b.
pub fn dot(a: Vector, b: Vector) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// a × b.
pub fn cross(a: Vector, b: Vector) -> Vector {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}

impl Grid {
    /// Checks the parts: cosines unit and perpendicular to 1e-3, positions ascending along the normal.
    pub fn new(parts: GridParts) -> Result<Self, GridError> {
        let GridParts { rows, columns, positions, row_spacing, column_spacing, .. } = parts;
        if rows == 0 || columns == 0 || positions.is_empty() {
            return Err(GridError::Empty(rows, columns, positions.len()));
        }
        let size = |v: f64| v.is_finite() && v > 0.0;
        if !size(row_spacing) || !size(column_spacing) {
            return Err(GridError::Spacing(row_spacing, column_spacing));
        }
        let (u, v) = (parts.along_row, parts.along_column);
        let unit = |a: Vector| (dot(a, a).sqrt() - 1.0).abs() < 1e-3;
        // NaN fails every comparison, so it is refused here too.
        if !(unit(u) && unit(v) && dot(u, v).abs() < 1e-3) {
            return Err(GridError::Orientation);
        }
        if positions.iter().flatten().any(|x| !x.is_finite()) {
            return Err(GridError::Position);
        }
        let normal = cross(u, v);
        let ascending = positions.windows(2).all(|w| dot(w[0], normal) < dot(w[1], normal));
        if !ascending {
            return Err(GridError::Order);
        }
        Ok(Self {
            rows,
            columns,
            positions,
            row_spacing,
            column_spacing,
            slice_thickness: parts.slice_thickness,
            along_row: u,
            along_column: v,
            frame_of_reference: parts.frame_of_reference,
        })
    }

    /// Rows of an image.
    pub fn rows(&self) -> usize {
        self.rows
    }
    /// Columns of an image.
    pub fn columns(&self) -> usize {
        self.columns
    }
    /// Number of slices.
    pub fn slices(&self) -> usize {
        self.positions.len()
    }
    /// Voxels of one slice.
    pub fn slice_voxels(&self) -> usize {
        self.rows * self.columns
    }
    /// All voxels.
    pub fn voxels(&self) -> usize {
        self.slices() * self.slice_voxels()
    }
    /// Index of a voxel.
    pub fn index(&self, slice: usize, row: usize, column: usize) -> usize {
        (slice * self.rows + row) * self.columns + column
    }
    /// `(slice, row, column)` of an index.
    pub fn place(&self, index: usize) -> (usize, usize, usize) {
        let in_slice = index % self.slice_voxels();
        (index / self.slice_voxels(), in_slice / self.columns, in_slice % self.columns)
    }
    /// Distance between rows.
    pub fn row_spacing(&self) -> Millimetres {
        Millimetres(self.row_spacing)
    }
    /// Distance between columns.
    pub fn column_spacing(&self) -> Millimetres {
        Millimetres(self.column_spacing)
    }
    /// Slice Thickness as the header gives it.
    pub fn slice_thickness(&self) -> Option<Millimetres> {
        self.slice_thickness.map(Millimetres)
    }
    /// Median distance between neighbouring slice centres; the thickness where there is one slice.
    pub fn slice_step(&self) -> Option<Millimetres> {
        let normal = self.normal();
        let mut steps: Vec<f64> = self.positions.windows(2).map(|w| dot(w[1], normal) - dot(w[0], normal)).collect();
        if steps.is_empty() {
            return self.slice_thickness();
        }
        steps.sort_by(f64::total_cmp);
        Some(Millimetres(steps[steps.len() / 2]))
    }
    /// Image Position (Patient) of each slice.
    pub fn positions(&self) -> &[Vector] {
        &self.positions
    }
    /// Direction of increasing column index.
    pub fn along_row(&self) -> Vector {
        self.along_row
    }
    /// Direction of increasing row index.
    pub fn along_column(&self) -> Vector {
        self.along_column
    }
    /// Slice normal, row × column direction.
    pub fn normal(&self) -> Vector {
        cross(self.along_row, self.along_column)
    }
    /// Frame of Reference UID.
    pub fn frame_of_reference(&self) -> Option<&str> {
        self.frame_of_reference.as_deref()
    }
    /// Centre of a voxel in patient coordinates.
    pub fn centre(&self, slice: usize, row: usize, column: usize) -> Vector {
        let (p, u, v) = (self.positions[slice], self.along_row, self.along_column);
        let (du, dv) = (column as f64 * self.column_spacing, row as f64 * self.row_spacing);
        std::array::from_fn(|k| p[k] + du * u[k] + dv * v[k])
    }
    /// Volume of a voxel in ml: in-plane area times the slice step (so that gaps count once), or the
    /// thickness where there is one slice; `None` where neither is known.
    pub fn voxel_ml(&self) -> Option<f64> {
        self.slice_step().map(|step| self.row_spacing * self.column_spacing * step.0 / 1000.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parts() -> GridParts {
        GridParts {
            rows: 4,
            columns: 5,
            positions: vec![[0.0, 0.0, 0.0], [0.0, 0.0, 8.0]],
            row_spacing: 2.0,
            column_spacing: 3.0,
            slice_thickness: Some(6.0),
            along_row: [1.0, 0.0, 0.0],
            along_column: [0.0, 1.0, 0.0],
            frame_of_reference: None,
        }
    }

    #[test]
    fn index_and_place_are_inverse() {
        let grid = Grid::new(parts()).expect("valid");
        for index in 0..grid.voxels() {
            let (slice, row, column) = grid.place(index);
            assert_eq!(grid.index(slice, row, column), index);
        }
        assert_eq!(grid.centre(1, 2, 3), [9.0, 4.0, 8.0]);
        assert_eq!(grid.voxel_ml(), Some(0.048));
    }

    #[test]
    fn a_grid_that_cannot_be_is_not_built() {
        let broken = |change: fn(&mut GridParts)| {
            let mut p = parts();
            change(&mut p);
            Grid::new(p).expect_err("must not build")
        };
        assert_eq!(broken(|p| p.along_row = [f64::NAN, 0.0, 0.0]), GridError::Orientation);
        assert_eq!(broken(|p| p.along_row = [0.0, 1.0, 0.0]), GridError::Orientation);
        assert_eq!(broken(|p| p.row_spacing = 0.0), GridError::Spacing(0.0, 3.0));
        assert_eq!(broken(|p| p.positions.swap(0, 1)), GridError::Order);
        assert_eq!(broken(|p| p.rows = 0), GridError::Empty(0, 5, 2));
    }
}
