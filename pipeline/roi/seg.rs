//! DICOM Segmentation objects: binary, fractional and label map, native pixel data (PS3.3 A.51, C.8.20).

use super::drawn::{Drawn, RegionFormat, SuppliedFile, describe, locate, refusal, says_liver};
use crate::study::{Finding, Grid, Vector};
use dicom_core::Tag;
use dicom_dictionary_std::{tags, uids};
use dicom_object::{InMemDicomObject, OpenFileOptions, file::ReadPreamble};

/// SNOMED CT code of the liver, and the older code some programs still write.
const LIVER_CODES: [&str; 2] = ["10200004", "T-62000"];

/// Most voxels in all frames, and in all segments on the grid.
const MOST: usize = 1 << 28;

/// How the voxels are written.
#[derive(Clone, Copy, PartialEq)]
enum Coding {
    Bits,
    Fraction { half: u32 },
    Labels,
}

struct Segment {
    number: u32,
    drawn: Drawn,
}

fn text(set: &InMemDicomObject, tag: Tag) -> Option<String> {
    let value = set.get(tag)?.to_str().ok()?;
    let value = value.trim_matches(['\0', ' ']);
    (!value.is_empty()).then(|| value.to_owned())
}

fn number(set: &InMemDicomObject, tag: Tag) -> Option<u32> {
    set.get(tag)?.to_int::<u32>().ok()
}

fn reals<const N: usize>(set: &InMemDicomObject, tag: Tag) -> Option<[f64; N]> {
    let values = set.get(tag)?.to_multi_float64().ok()?;
    <[f64; N]>::try_from(values).ok().filter(|v| v.iter().all(|x| x.is_finite()))
}

fn items(set: &InMemDicomObject, tag: Tag) -> &[InMemDicomObject] {
    set.get(tag).and_then(|element| element.items()).unwrap_or_default()
}

/// The first item of a functional group's sequence, of the frame or shared by all.
fn group<'a>(frame: &'a InMemDicomObject, shared: &'a InMemDicomObject, tag: Tag) -> Option<&'a InMemDicomObject> {
    items(frame, tag).first().or_else(|| items(shared, tag).first())
}

/// Every segment of the file on the grid.
pub(super) fn read(grid: &Grid, patient: Option<&str>, file: &SuppliedFile<'_>) -> Result<Vec<Drawn>, Finding> {
    debug_assert_eq!(file.format, RegionFormat::Seg);
    let broken = |why: &str| refusal(file.name, &format!("{why}."), "a DICOM Segmentation".into(), why.to_owned());
    let object = OpenFileOptions::new()
        .read_preamble(ReadPreamble::Auto)
        .from_reader(file.bytes)
        .map_err(|_| broken("it cannot be read as DICOM"))?;
    let class = text(&object, tags::SOP_CLASS_UID).unwrap_or_default();
    if class != uids::SEGMENTATION_STORAGE && class != uids::LABEL_MAP_SEGMENTATION_STORAGE {
        return Err(broken("it is another kind of DICOM object"));
    }
    same(file, "patient", patient, text(&object, tags::PATIENT_ID).as_deref())?;
    same(
        file,
        "frame of reference",
        grid.frame_of_reference(),
        text(&object, tags::FRAME_OF_REFERENCE_UID).as_deref(),
    )?;
    let (Some(rows), Some(columns)) = (number(&object, tags::ROWS), number(&object, tags::COLUMNS)) else {
        return Err(broken("it has no rows or columns"));
    };
    let (rows, columns) = (rows as usize, columns as usize);
    let per_frame = items(&object, tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE);
    let empty = InMemDicomObject::new_empty();
    let shared = items(&object, tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE).first().unwrap_or(&empty);
    let size = rows.saturating_mul(columns);
    if size == 0 || per_frame.is_empty() || size.saturating_mul(per_frame.len()) > MOST {
        return Err(broken("it has no frames, or more than a region can have"));
    }
    let bits = number(&object, tags::BITS_ALLOCATED).unwrap_or(0);
    let coding = match (text(&object, tags::SEGMENTATION_TYPE).as_deref(), bits) {
        (Some("BINARY"), 1) => Coding::Bits,
        (Some("FRACTIONAL"), 8) => {
            Coding::Fraction { half: number(&object, tags::MAXIMUM_FRACTIONAL_VALUE).unwrap_or(255).div_ceil(2) }
        }
        (Some("LABELMAP"), 8 | 16) => Coding::Labels,
        _ => return Err(broken("its voxels are written in a way that is not read here")),
    };
    let pixels = object
        .get(tags::PIXEL_DATA)
        .and_then(|element| element.to_bytes().ok())
        .ok_or_else(|| broken("its pixel data are compressed or missing; native pixel data are read here"))?;
    let sample = |at: usize| -> Option<u32> {
        match (coding, bits) {
            (Coding::Bits, _) => pixels.get(at / 8).map(|byte| u32::from(byte >> (at % 8) & 1)),
            (_, 16) => Some(u32::from(u16::from_le_bytes([*pixels.get(2 * at)?, *pixels.get(2 * at + 1)?]))),
            _ => pixels.get(at).map(|&byte| u32::from(byte)),
        }
    };
    let described = items(&object, tags::SEGMENT_SEQUENCE).len();
    if described.saturating_mul(grid.voxels()) > MOST {
        return Err(broken("it has more segments than can be held on this grid"));
    }
    let mut segments = segments(&object, grid.voxels());
    for (at, frame) in per_frame.iter().enumerate() {
        let placed = place_frame(frame, shared).ok_or_else(|| broken("a frame does not say where it lies"))?;
        let corners = [(0, 0), (rows - 1, 0), (0, columns - 1), (rows - 1, columns - 1)];
        let other_grid = |row: usize, column: usize| {
            let found = format!("frame {}, row {row}, column {column} lies off the grid", at + 1);
            refusal(file.name, "it lies on another grid.", describe(grid), found)
        };
        let mut seen = [usize::MAX; 4];
        for (k, &(row, column)) in corners.iter().enumerate() {
            seen[k] = locate(grid, placed(row, column)).ok_or_else(|| other_grid(row, column))?;
        }
        if size != grid.slice_voxels() {
            return Err(refusal(file.name, "it lies on another grid.", describe(grid), format!("{rows} × {columns}")));
        }
        let owner = group(frame, shared, tags::SEGMENT_IDENTIFICATION_SEQUENCE)
            .and_then(|item| number(item, tags::REFERENCED_SEGMENT_NUMBER));
        for row in 0..rows {
            for column in 0..columns {
                let value = sample(at * size + row * columns + column)
                    .ok_or_else(|| broken("its pixel data end before its last frame"))?;
                let wanted = match coding {
                    Coding::Bits => (value == 1).then_some(owner),
                    Coding::Fraction { half } => (value >= half).then_some(owner),
                    Coding::Labels => (value > 0).then_some(Some(value)),
                };
                let Some(wanted) = wanted else { continue };
                let segment = wanted
                    .and_then(|wanted| segments.iter_mut().find(|segment| segment.number == wanted))
                    .ok_or_else(|| broken("a frame names a segment that is not described"))?;
                let voxel = locate(grid, placed(row, column)).ok_or_else(|| other_grid(row, column))?;
                segment.drawn.voxels[voxel] = true;
            }
        }
    }
    Ok(segments.into_iter().map(|segment| segment.drawn).collect())
}

fn same(file: &SuppliedFile<'_>, what: &str, ours: Option<&str>, theirs: Option<&str>) -> Result<(), Finding> {
    match (ours, theirs) {
        (Some(ours), Some(theirs)) if ours.trim() != theirs.trim() => {
            // Identities stay out of messages.
            let found = format!("another {what}");
            Err(refusal(file.name, &format!("it belongs to another {what}."), format!("the series' own {what}"), found))
        }
        _ => Ok(()),
    }
}

fn segments(object: &InMemDicomObject, voxels: usize) -> Vec<Segment> {
    items(object, tags::SEGMENT_SEQUENCE)
        .iter()
        .filter_map(|item| {
            let number = number(item, tags::SEGMENT_NUMBER)?;
            let label = text(item, tags::SEGMENT_LABEL).unwrap_or_else(|| format!("segment {number}"));
            let codes = items(item, tags::SEGMENTED_PROPERTY_TYPE_CODE_SEQUENCE);
            let coded = codes
                .iter()
                .any(|code| text(code, tags::CODE_VALUE).is_some_and(|value| LIVER_CODES.contains(&value.as_str())));
            let liver = coded || says_liver(&label);
            let name = crate::study::text::safe(&label, 64);
            Some(Segment { number, drawn: Drawn { name, liver, voxels: vec![false; voxels] } })
        })
        .collect()
}

/// From row and column of a frame to patient coordinates.
fn place_frame(frame: &InMemDicomObject, shared: &InMemDicomObject) -> Option<impl Fn(usize, usize) -> Vector + use<>> {
    let position: Vector = reals(group(frame, shared, tags::PLANE_POSITION_SEQUENCE)?, tags::IMAGE_POSITION_PATIENT)?;
    let cosines: [f64; 6] =
        reals(group(frame, shared, tags::PLANE_ORIENTATION_SEQUENCE)?, tags::IMAGE_ORIENTATION_PATIENT)?;
    let spacing: [f64; 2] = reals(group(frame, shared, tags::PIXEL_MEASURES_SEQUENCE)?, tags::PIXEL_SPACING)?;
    Some(move |row: usize, column: usize| {
        std::array::from_fn(|k| {
            position[k] + column as f64 * spacing[1] * cosines[k] + row as f64 * spacing[0] * cosines[k + 3]
        })
    })
}
