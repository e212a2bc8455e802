//! What region and map share: frames on the acquisition's grid.

use super::element::{Code, Set};
use super::maker::Maker;
use crate::study::Grid;
use dicom_core::{PrimitiveValue, Tag, VR, value::C};
use dicom_dictionary_std::tags;

/// A dimension: the attribute it counts, the functional group that holds it, its name.
pub type Dimension = (Tag, Tag, &'static str);

/// Counts segments.
pub const SEGMENT: Dimension =
    (tags::REFERENCED_SEGMENT_NUMBER, tags::SEGMENT_IDENTIFICATION_SEQUENCE, "Referenced Segment Number");
/// Counts positions.
pub const POSITION: Dimension =
    (tags::IMAGE_POSITION_PATIENT, tags::PLANE_POSITION_SEQUENCE, "Image Position (Patient)");

/// Multi-frame dimensions.
pub fn dimensions(set: &mut Set, maker: &Maker<'_, '_>, role: &str, dimensions: &[Dimension]) {
    let organisation = maker.uid(&format!("dimorg/{role}"));
    let mut item = Set::new();
    item.text(tags::DIMENSION_ORGANIZATION_UID, VR::UI, &organisation);
    set.sequence(tags::DIMENSION_ORGANIZATION_SEQUENCE, vec![item]);
    let index = dimensions.iter().map(|&(pointer, group, label)| {
        let mut item = Set::new();
        item.text(tags::DIMENSION_ORGANIZATION_UID, VR::UI, &organisation)
            .put(tags::DIMENSION_INDEX_POINTER, VR::AT, PrimitiveValue::Tags(C::from_elem(pointer, 1)))
            .put(tags::FUNCTIONAL_GROUP_POINTER, VR::AT, PrimitiveValue::Tags(C::from_elem(group, 1)))
            .text(tags::DIMENSION_DESCRIPTION_LABEL, VR::LO, label);
        item
    });
    let index = index.collect();
    set.sequence(tags::DIMENSION_INDEX_SEQUENCE, index);
}

/// Shared groups: spacing and orientation.
pub fn shared(grid: &Grid) -> Set {
    let mut measures = Set::new();
    let thickness = grid.slice_thickness().or(grid.slice_step()).map_or(1.0, |t| t.0);
    measures.decimals(tags::SLICE_THICKNESS, &[thickness]);
    if let (Some(step), true) = (grid.slice_step(), grid.slices() > 1) {
        measures.decimals(tags::SPACING_BETWEEN_SLICES, &[step.0]);
    }
    measures.decimals(tags::PIXEL_SPACING, &[grid.row_spacing().0, grid.column_spacing().0]);
    let mut orientation = Set::new();
    let ([a, b, c], [d, e, f]) = (grid.along_row(), grid.along_column());
    orientation.decimals(tags::IMAGE_ORIENTATION_PATIENT, &[a, b, c, d, e, f]);
    let mut set = Set::new();
    set.sequence(tags::PIXEL_MEASURES_SEQUENCE, vec![measures])
        .sequence(tags::PLANE_ORIENTATION_SEQUENCE, vec![orientation]);
    set
}

/// Per-frame groups of one slice; `index` are its dimension index values, from 1.
pub fn frame(maker: &Maker<'_, '_>, grid: &Grid, slice: usize, index: &[u32], how: &Code) -> Set {
    let mut content = Set::new();
    content.put(tags::DIMENSION_INDEX_VALUES, VR::UL, PrimitiveValue::U32(C::from_slice(index)));
    let mut position = Set::new();
    position.decimals(tags::IMAGE_POSITION_PATIENT, grid.positions().get(slice).unwrap_or(&[0.0; 3]));
    let mut set = Set::new();
    set.sequence(tags::DERIVATION_IMAGE_SEQUENCE, vec![maker.derivation(slice, how)])
        .sequence(tags::FRAME_CONTENT_SEQUENCE, vec![content])
        .sequence(tags::PLANE_POSITION_SEQUENCE, vec![position]);
    set
}

/// Rows, columns, number of frames.
pub fn size(set: &mut Set, grid: &Grid, frames: usize) {
    set.short(tags::SAMPLES_PER_PIXEL, 1)
        .text(tags::PHOTOMETRIC_INTERPRETATION, VR::CS, "MONOCHROME2")
        .integer(tags::NUMBER_OF_FRAMES, frames as i64)
        .short(tags::ROWS, grid.rows() as u16)
        .short(tags::COLUMNS, grid.columns() as u16)
        .text(tags::LOSSY_IMAGE_COMPRESSION, VR::CS, "00");
}
