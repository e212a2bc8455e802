//! Classic MR images: one file for each slice, echo and component.

use super::header;
use super::scan::Scan;
use super::write::{Component, Frame, digits};
use dicom_core::VR;
use dicom_dictionary_std::{tags, uids};
use std::io;
use std::path::{Path, PathBuf};

/// Writes one image and says where.
pub(super) fn write(scan: &Scan, frame: Frame, series: usize, number: usize, folder: &Path) -> io::Result<PathBuf> {
    let (recipe, grid) = (&scan.recipe, &scan.grid);
    let sequence = &recipe.sequence;
    let stored = scan.stored_frame(frame);
    let (u, v, n) = (grid.along_row(), grid.along_column(), grid.normal());
    let position = grid.positions().get(frame.slice).copied().unwrap_or_default();
    let (rows, columns) = (grid.rows() as u16, grid.columns() as u16);
    let time = digits(&recipe.patient.study_time);
    let (direction, matrix) = match sequence.phase_along_row {
        true => ("ROW", [rows, 0, 0, columns]),
        false => ("COL", [0, columns, rows, 0]),
    };
    let normalised = frame.component == Component::Normalised;
    let description = if normalised { header::NORMALISED_DESCRIPTION } else { header::SERIES_DESCRIPTION };
    let uid = header::image_uid(recipe, frame.component.image_type(), frame.slice, frame.echo);
    let path = folder.join(format!("IM{number:05}.dcm"));
    scan.common(series, description)
        .text(tags::SOP_CLASS_UID, VR::UI, uids::MR_IMAGE_STORAGE)
        .text(tags::SOP_INSTANCE_UID, VR::UI, uid)
        .text(tags::IMAGE_TYPE, VR::CS, format!("ORIGINAL\\PRIMARY\\{}", frame.component.image_type()))
        .text(tags::ACQUISITION_DATE, VR::DA, digits(&recipe.patient.study_date))
        .text(tags::ACQUISITION_TIME, VR::TM, time)
        .text(tags::SCANNING_SEQUENCE, VR::CS, "GR")
        .text(tags::SEQUENCE_VARIANT, VR::CS, "SP")
        .empty(tags::SCAN_OPTIONS, VR::CS)
        .text(tags::SEQUENCE_NAME, VR::SH, header::SEQUENCE)
        .decimals(tags::SLICE_THICKNESS, &[recipe.grid.thickness_mm])
        .decimals(tags::REPETITION_TIME, &[sequence.repetition_time_ms])
        .decimals(tags::ECHO_TIME, &[scan.echo_times[frame.echo].as_millis()])
        .decimals(tags::NUMBER_OF_AVERAGES, &[f64::from(sequence.averages)])
        .decimals(tags::IMAGING_FREQUENCY, &[header::frequency_mhz(recipe)])
        .text(tags::IMAGED_NUCLEUS, VR::SH, "1H")
        .integer(tags::ECHO_NUMBERS, frame.echo as i64 + 1)
        .decimals(tags::SPACING_BETWEEN_SLICES, &[recipe.grid.spacing_mm])
        .integer(tags::NUMBER_OF_PHASE_ENCODING_STEPS, i64::from(if sequence.phase_along_row { columns } else { rows }))
        .integer(tags::ECHO_TRAIN_LENGTH, scan.echo_times.len() as i64)
        .decimals(tags::PIXEL_BANDWIDTH, &[sequence.bandwidth_hz])
        .text(tags::RECEIVE_COIL_NAME, VR::SH, header::COIL)
        .short(tags::ACQUISITION_MATRIX, &matrix)
        .text(tags::IN_PLANE_PHASE_ENCODING_DIRECTION, VR::CS, direction)
        .decimals(tags::FLIP_ANGLE, &[sequence.flip_angle_deg])
        .integer(tags::INSTANCE_NUMBER, number as i64)
        .decimals(tags::IMAGE_POSITION_PATIENT, &position)
        .decimals(tags::IMAGE_ORIENTATION_PATIENT, &[u[0], u[1], u[2], v[0], v[1], v[2]])
        .decimals(tags::SLICE_LOCATION, &[(crate::study::dot(position, n) * 1e3).round() / 1e3])
        .decimals(tags::PIXEL_SPACING, &[grid.row_spacing().0, grid.column_spacing().0])
        .short(tags::PIXEL_REPRESENTATION, &[u16::from(stored.signed)])
        .decimals(tags::RESCALE_INTERCEPT, &[stored.intercept])
        .decimals(tags::RESCALE_SLOPE, &[stored.slope])
        .text(tags::RESCALE_TYPE, VR::LO, "US")
        .pixels(stored.pixels)
        .save(&path)?;
    Ok(path)
}
