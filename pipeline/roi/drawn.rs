//! Regions drawn elsewhere, laid on the acquisition's grid by geometry alone.

use crate::study::{Finding, Grid, Severity, Stage, Vector, dot};

/// What a delivered region is written as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RegionFormat {
    /// DICOM Segmentation.
    Seg,
    /// NIfTI-1 label image, gzip-compressed or not.
    Nifti,
}

/// A region's file.
#[derive(Clone, Copy, Debug)]
pub struct SuppliedFile<'a> {
    /// Its name, for messages.
    pub name: &'a str,
    /// What it is.
    pub format: RegionFormat,
    /// Its bytes.
    pub bytes: &'a [u8],
}

/// One region of a file, on the grid.
#[derive(Clone, Debug, PartialEq)]
pub struct Drawn {
    /// Segment label or label value.
    pub name: String,
    /// Whether the file calls it liver.
    pub liver: bool,
    /// One flag for each voxel in grid order.
    pub voxels: Vec<bool>,
}

/// How far a voxel centre of a region may lie from the grid's, in voxels.
const OFF_GRID: f64 = 0.1;
/// How far slices may differ, as a share of their distance.
const OFF_SLICE: f64 = 0.1;

/// A refusal: what was expected, what was found.
pub(super) fn refusal(name: &str, why: &str, expected: String, found: String) -> Finding {
    Finding::new(
        Stage::Roi,
        Severity::Warn,
        "region-refused",
        format!("The region in {} cannot be used: {why}", crate::study::text::safe(name, 120)),
    )
    .attribute("delivered liver region")
    .expected(expected)
    .found(found)
    .advice("Draw the region on this very series and deliver it again, or deliver the series without it.")
}

/// Index on the grid of the voxel whose centre is at `place`; `None` where there is none.
pub(super) fn locate(grid: &Grid, place: Vector) -> Option<usize> {
    let normal = grid.normal();
    let height = dot(place, normal);
    let step = grid.slice_step().map_or(1.0, |mm| mm.0);
    let (slice, corner) = grid
        .positions()
        .iter()
        .enumerate()
        .min_by(|a, b| (dot(*a.1, normal) - height).abs().total_cmp(&(dot(*b.1, normal) - height).abs()))?;
    if (dot(*corner, normal) - height).abs() > OFF_SLICE * step {
        return None;
    }
    let from: Vector = std::array::from_fn(|k| place[k] - corner[k]);
    let along = |direction: Vector, spacing: f64, count: usize| {
        let at = dot(from, direction) / spacing;
        let near = at.round();
        ((at - near).abs() <= OFF_GRID && near >= 0.0 && near < count as f64).then_some(near as usize)
    };
    let column = along(grid.along_row(), grid.column_spacing().0, grid.columns())?;
    let row = along(grid.along_column(), grid.row_spacing().0, grid.rows())?;
    Some(grid.index(slice, row, column))
}

/// The centre of a grid's voxel for a message.
pub(super) fn describe(grid: &Grid) -> String {
    let millimetres = |v: f64| crate::study::text::plain(v);
    format!(
        "{} rows of {} columns, {} by {} mm, {} slices",
        grid.rows(),
        grid.columns(),
        millimetres(grid.row_spacing().0),
        millimetres(grid.column_spacing().0),
        grid.slices()
    )
}

/// Whether a label says liver as a whole, in the words segmenters use.
pub(super) fn says_liver(label: &str) -> bool {
    let label = label.to_lowercase();
    label.contains("liver") && !label.contains("lobe") && !label.contains("segment")
}

/// Of several regions the one that decides: called liver, else the only one, else the largest that holds all others.
pub(super) fn whole(drawn: &[Drawn]) -> Option<usize> {
    let size = |d: &Drawn| d.voxels.iter().filter(|&&v| v).count();
    let largest = |candidates: &mut dyn Iterator<Item = usize>| {
        candidates.fold(None, |best: Option<usize>, k| match best {
            Some(b) if size(&drawn[b]) >= size(&drawn[k]) => Some(b),
            _ => Some(k),
        })
    };
    largest(&mut (0..drawn.len()).filter(|&k| drawn[k].liver)).or_else(|| largest(&mut (0..drawn.len())))
}
