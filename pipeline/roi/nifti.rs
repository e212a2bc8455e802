//! Label images as NIfTI-1 (Cox et al. 2004; header layout from `nifti1.h` of the NIfTI-1 standard).

use super::drawn::{Drawn, RegionFormat, SuppliedFile, describe, locate, refusal};
use crate::study::{Finding, Grid, Vector};
use std::io::Read;

/// Longest header with its extensions that is read before the voxels of a compressed file, bytes.
const AHEAD: u64 = 1 << 24;
/// Most labels in one file.
const LABELS: usize = 64;

struct Header {
    little: bool,
    shape: [usize; 3],
    datatype: i16,
    slope: f64,
    intercept: f64,
    offset: usize,
    /// Rows of the affine from voxel index to patient coordinates, LPS.
    affine: [[f64; 4]; 3],
}

/// Bytes of a number by datatype code.
fn width(datatype: i16) -> Option<usize> {
    match datatype {
        2 | 256 => Some(1),
        4 | 512 => Some(2),
        8 | 16 | 768 => Some(4),
        64 | 1024 | 1280 => Some(8),
        _ => None,
    }
}

fn array<const N: usize>(bytes: &[u8], at: usize) -> Option<[u8; N]> {
    bytes.get(at..at.checked_add(N)?)?.try_into().ok()
}

impl Header {
    fn read(bytes: &[u8]) -> Result<Self, String> {
        let short = || "the file ends inside its header".to_owned();
        let size: [u8; 4] = array(bytes, 0).ok_or_else(short)?;
        let little = match (i32::from_le_bytes(size), i32::from_be_bytes(size)) {
            (348, _) => true,
            (_, 348) => false,
            _ => return Err("it does not begin as a NIfTI-1 header".to_owned()),
        };
        if array::<3>(bytes, 344).ok_or_else(short)? != *b"n+1" {
            return Err("it is not a NIfTI-1 file with its header and data together".to_owned());
        }
        let int = |at: usize| {
            array::<2>(bytes, at).map(|b| if little { i16::from_le_bytes(b) } else { i16::from_be_bytes(b) })
        };
        let real = |at: usize| {
            array::<4>(bytes, at)
                .map(|b| f64::from(if little { f32::from_le_bytes(b) } else { f32::from_be_bytes(b) }))
                .ok_or_else(short)
        };
        let dimensions: Vec<i16> = (0..8).map(|k| int(40 + 2 * k).ok_or_else(short)).collect::<Result<_, _>>()?;
        let extra = dimensions[4..].iter().take((dimensions[0] - 3).clamp(0, 4) as usize).any(|&n| n > 1);
        if !(2..=7).contains(&dimensions[0]) || extra {
            return Err("it is not one image of two or three dimensions".to_owned());
        }
        let depth = if dimensions[0] == 2 { 1 } else { dimensions[3] };
        let shape = [dimensions[1], dimensions[2], depth];
        if shape.iter().any(|&n| n < 1) {
            return Err("a dimension is not positive".to_owned());
        }
        let (qform, sform) = (int(252).ok_or_else(short)?, int(254).ok_or_else(short)?);
        let mut affine = [[0.0; 4]; 3];
        if sform > 0 {
            for (row, line) in affine.iter_mut().enumerate() {
                for (column, value) in line.iter_mut().enumerate() {
                    *value = real(280 + 16 * row + 4 * column)?;
                }
            }
        } else if qform > 0 {
            let (b, c, d) = (real(256)?, real(260)?, real(264)?);
            let a = (1.0 - b * b - c * c - d * d).max(0.0).sqrt();
            let hand = if real(76)? < 0.0 { -1.0 } else { 1.0 };
            let sizes = [real(80)?, real(84)?, hand * real(88)?];
            let rotation = [
                [a * a + b * b - c * c - d * d, 2.0 * (b * c - a * d), 2.0 * (b * d + a * c)],
                [2.0 * (b * c + a * d), a * a + c * c - b * b - d * d, 2.0 * (c * d - a * b)],
                [2.0 * (b * d - a * c), 2.0 * (c * d + a * b), a * a + d * d - b * b - c * c],
            ];
            for row in 0..3 {
                for column in 0..3 {
                    affine[row][column] = rotation[row][column] * sizes[column];
                }
                affine[row][3] = real(268 + 4 * row)?;
            }
        } else {
            return Err("it does not say where in the patient its voxels lie".to_owned());
        }
        // NIfTI counts to the right and the front, DICOM to the left and the back.
        for line in affine.iter_mut().take(2) {
            line.iter_mut().for_each(|v| *v = -*v);
        }
        if affine.iter().flatten().any(|v| !v.is_finite()) {
            return Err("its geometry is not finite".to_owned());
        }
        let slope = real(112)?;
        Ok(Self {
            little,
            shape: shape.map(|n| n as usize),
            datatype: int(70).ok_or_else(short)?,
            slope: if slope == 0.0 { 1.0 } else { slope },
            intercept: if slope == 0.0 { 0.0 } else { real(116)? },
            offset: real(108)?.clamp(348.0, 1e9) as usize,
            affine,
        })
    }

    fn place(&self, [i, j, k]: [usize; 3]) -> Vector {
        let at = [i as f64, j as f64, k as f64, 1.0];
        std::array::from_fn(|row| (0..4).map(|c| self.affine[row][c] * at[c]).sum())
    }

    fn value(&self, bytes: &[u8], at: usize) -> Option<f64> {
        macro_rules! number {
            ($kind:ty) => {{
                let raw = array(bytes, at)?;
                (if self.little { <$kind>::from_le_bytes(raw) } else { <$kind>::from_be_bytes(raw) }) as f64
            }};
        }
        let raw = match self.datatype {
            2 => number!(u8),
            256 => number!(i8),
            4 => number!(i16),
            512 => number!(u16),
            8 => number!(i32),
            768 => number!(u32),
            16 => number!(f32),
            64 => number!(f64),
            1024 => number!(i64),
            1280 => number!(u64),
            _ => return None,
        };
        Some(raw * self.slope + self.intercept)
    }
}

/// Every label of the file on the grid, ascending by value.
pub(super) fn read(grid: &Grid, file: &SuppliedFile<'_>) -> Result<Vec<Drawn>, Finding> {
    debug_assert_eq!(file.format, RegionFormat::Nifti);
    let broken = |why: &str| refusal(file.name, &format!("{why}."), "a NIfTI-1 label image".into(), why.to_owned());
    let mut unpacked = Vec::new();
    let bytes = if file.bytes.starts_with(&[0x1f, 0x8b]) {
        // A label image on this grid ends here; what is longer is on another, as its header says.
        let longest = AHEAD + 8 * grid.voxels() as u64;
        if flate2::read::MultiGzDecoder::new(file.bytes).take(longest).read_to_end(&mut unpacked).is_err() {
            return Err(broken("its compressed data cannot be read"));
        }
        unpacked.as_slice()
    } else {
        file.bytes
    };
    let header = Header::read(bytes).map_err(|why| broken(&why))?;
    let width = width(header.datatype).ok_or_else(|| broken("its kind of number is not one that labels have"))?;
    let count = header.shape.iter().product::<usize>();
    if count != grid.voxels() {
        let found = format!("{} × {} × {} voxels", header.shape[0], header.shape[1], header.shape[2]);
        return Err(refusal(file.name, "it lies on another grid.", describe(grid), found));
    }
    let mut labels: Vec<(i64, Drawn)> = Vec::new();
    let mut taken = vec![false; count];
    for index in 0..count {
        let plane = header.shape[0] * header.shape[1];
        let at = [index % header.shape[0], index / header.shape[0] % header.shape[1], index / plane];
        let Some(voxel) = locate(grid, header.place(at)).filter(|&voxel| !taken[voxel]) else {
            let found = format!("voxel ({}, {}, {}) lies off the grid", at[0], at[1], at[2]);
            return Err(refusal(file.name, "it lies on another grid.", describe(grid), found));
        };
        taken[voxel] = true;
        let value = header
            .value(bytes, header.offset + index * width)
            .ok_or_else(|| broken("the file ends inside its data"))?;
        if !(value.is_finite() && (value - value.round()).abs() < 1e-3 && value.abs() < 1e9) {
            return Err(broken("a voxel is not a whole number, so that it is not a label image"));
        }
        let value = value.round() as i64;
        if value == 0 {
            continue;
        }
        let place = match labels.iter().position(|(label, _)| *label == value) {
            Some(place) => place,
            None if labels.len() < LABELS => {
                let name = format!("label {value}");
                labels.push((value, Drawn { name, liver: false, voxels: vec![false; count] }));
                labels.len() - 1
            }
            None => return Err(broken("it has more labels than a set of regions")),
        };
        labels[place].1.voxels[voxel] = true;
    }
    labels.sort_by_key(|(value, _)| *value);
    Ok(labels.into_iter().map(|(_, drawn)| drawn).collect())
}
