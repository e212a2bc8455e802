//! NIfTI-1 files (`.nii.gz`) for physicists who go on in Python. Same voxels, patient coordinates turned from
//! DICOM's LPS to NIfTI's RAS.

use crate::study::{Grid, Vector};
use flate2::{Compression, GzBuilder};
use std::io::{self, Write};

/// Element type of a file.
#[derive(Clone, Copy, Debug)]
enum Kind {
    Byte,
    Float,
}

/// Magnitudes, one volume an echo; NaN stays NaN.
pub fn floats(grid: &Grid, volumes: usize, values: impl Iterator<Item = f32>) -> Vec<u8> {
    // Writing to memory cannot fail.
    write_floats(Vec::new(), grid, volumes, values).unwrap_or_default()
}

/// The same into a file, so that large images are not held once more.
pub fn write_floats<W: Write>(to: W, grid: &Grid, volumes: usize, values: impl Iterator<Item = f32>) -> io::Result<W> {
    write(to, &header(grid, volumes, Kind::Float), values.map(f32::to_le_bytes))
}

/// A region: 1 inside, 0 outside.
pub fn region(grid: &Grid, inside: &[bool]) -> Vec<u8> {
    write(Vec::new(), &header(grid, 1, Kind::Byte), inside.iter().map(|&v| [u8::from(v)])).unwrap_or_default()
}

fn write<W: Write, const N: usize>(to: W, header: &[u8], values: impl Iterator<Item = [u8; N]>) -> io::Result<W> {
    /// Bytes that are gathered before they are compressed.
    const BLOCK: usize = 1 << 18;
    // No name and no time in the container, so that the same voxels give the same bytes.
    let mut encoder = GzBuilder::new().write(to, Compression::fast());
    encoder.write_all(header)?;
    let mut block = Vec::with_capacity(BLOCK);
    for value in values {
        block.extend(value);
        if block.len() >= BLOCK {
            encoder.write_all(&block)?;
            block.clear();
        }
    }
    encoder.write_all(&block)?;
    encoder.finish()
}

/// The 348 bytes of the NIfTI-1 header and four that say no extension follows.
fn header(grid: &Grid, volumes: usize, kind: Kind) -> Vec<u8> {
    let mut bytes = vec![0u8; 352];
    let mut put = |at: usize, data: &[u8]| bytes[at..at + data.len()].copy_from_slice(data);
    put(0, &348i32.to_le_bytes());
    let sizes = [if volumes > 1 { 4 } else { 3 }, grid.columns(), grid.rows(), grid.slices(), volumes, 1, 1, 1];
    for (i, n) in sizes.into_iter().enumerate() {
        put(40 + 2 * i, &i16::try_from(n).unwrap_or(i16::MAX).to_le_bytes());
    }
    let (code, bits) = match kind {
        Kind::Byte => (2i16, 8i16),
        Kind::Float => (16, 32),
    };
    put(70, &code.to_le_bytes());
    put(72, &bits.to_le_bytes());
    let step = slice_step(grid);
    let length = (step[0] * step[0] + step[1] * step[1] + step[2] * step[2]).sqrt();
    let spacing = [1.0, grid.column_spacing().0, grid.row_spacing().0, length, 1.0];
    for (i, v) in spacing.into_iter().enumerate() {
        put(76 + 4 * i, &(v as f32).to_le_bytes());
    }
    put(108, &352f32.to_le_bytes());
    put(112, &1f32.to_le_bytes());
    // Millimetres.
    put(123, &[2]);
    // Scanner coordinates by the affine below; no quaternion.
    put(254, &1i16.to_le_bytes());
    for (row, values) in affine(grid, step).into_iter().enumerate() {
        for (column, v) in values.into_iter().enumerate() {
            put(280 + 16 * row + 4 * column, &(v as f32).to_le_bytes());
        }
    }
    put(344, b"n+1\0");
    bytes
}

/// From one slice to the next; the normal where there is one slice.
fn slice_step(grid: &Grid) -> Vector {
    let positions = grid.positions();
    match positions {
        [first, .., last] => {
            let n = (positions.len() - 1) as f64;
            [0, 1, 2].map(|i| (last[i] - first[i]) / n)
        }
        _ => grid.normal().map(|v| v * grid.slice_thickness().map_or(1.0, |t| t.0)),
    }
}

/// Voxel (column, row, slice) to RAS millimetres: three rows of four.
fn affine(grid: &Grid, step: Vector) -> [[f64; 4]; 3] {
    let (u, v) = (grid.along_row(), grid.along_column());
    let origin = grid.positions().first().copied().unwrap_or([0.0; 3]);
    let sign = [-1.0, -1.0, 1.0];
    [0, 1, 2]
        .map(|i| [u[i] * grid.column_spacing().0, v[i] * grid.row_spacing().0, step[i], origin[i]].map(|x| x * sign[i]))
}
