//! Enhanced MR multi-frame objects.

use super::header;
use super::scan::Scan;
use super::write::{Component, Frame, Object, Stored, digits};
use dicom_core::VR;
use dicom_dictionary_std::{tags, uids};
use std::io;
use std::path::{Path, PathBuf};

/// Writes the frames of one export group: unsigned and signed images in objects of their own, because Pixel
/// Representation belongs to the whole object.
pub(super) fn write(
    scan: &Scan,
    frames: &[Frame],
    series: usize,
    group: usize,
    folder: &Path,
) -> io::Result<Vec<PathBuf>> {
    let parts = [
        frames.iter().copied().filter(|f| f.component <= Component::Phase).collect::<Vec<_>>(),
        frames.iter().copied().filter(|f| f.component == Component::Real).collect(),
        frames.iter().copied().filter(|f| f.component == Component::Imaginary).collect(),
    ];
    let mut written = Vec::new();
    for (part, frames) in parts.iter().enumerate().filter(|(_, frames)| !frames.is_empty()) {
        let number = 3 * group + part + 1;
        let path = folder.join(format!("IM{number:05}.dcm"));
        object(scan, frames, series, number).save(&path)?;
        written.push(path);
    }
    Ok(written)
}

/// The value they all share, or MIXED.
fn component_of(frames: &[Frame]) -> &'static str {
    let first = frames.first().map_or("MAGNITUDE", |f| f.component.word());
    if frames.iter().all(|f| f.component.word() == first) { first } else { "MIXED" }
}

fn image_type(frames: &[Frame]) -> String {
    let normalised = frames.iter().all(|f| f.component == Component::Normalised);
    format!("ORIGINAL\\PRIMARY\\MULTIECHO\\{}", if normalised { "NORM" } else { "NONE" })
}

fn description_macro(object: Object, component: &str) -> Object {
    object
        .text(tags::PIXEL_PRESENTATION, VR::CS, "MONOCHROME")
        .text(tags::VOLUMETRIC_PROPERTIES, VR::CS, "VOLUME")
        .text(tags::VOLUME_BASED_CALCULATION_TECHNIQUE, VR::CS, "NONE")
        .text(tags::COMPLEX_IMAGE_COMPONENT, VR::CS, component)
        .text(tags::ACQUISITION_CONTRAST, VR::CS, "T2_STAR")
}

fn object(scan: &Scan, frames: &[Frame], series: usize, number: usize) -> Object {
    let recipe = &scan.recipe;
    let normalised = frames.iter().all(|f| f.component == Component::Normalised);
    let description = if normalised { header::NORMALISED_DESCRIPTION } else { header::SERIES_DESCRIPTION };
    let started = format!("{}{}", digits(&recipe.patient.study_date), digits(&recipe.patient.study_time));
    let stored: Vec<Stored> = frames.iter().map(|&frame| scan.stored_frame(frame)).collect();
    let signed = stored.first().is_some_and(|s| s.signed);
    let organisation = header::uid(recipe, &format!("dimensions {number}"));
    let dimension = |pointer, group, label: &str| {
        Object::default()
            .text(tags::DIMENSION_ORGANIZATION_UID, VR::UI, &organisation)
            .pointer(tags::DIMENSION_INDEX_POINTER, pointer)
            .pointer(tags::FUNCTIONAL_GROUP_POINTER, group)
            .text(tags::DIMENSION_DESCRIPTION_LABEL, VR::LO, label)
    };
    let mut dimensions = vec![
        dimension(tags::IN_STACK_POSITION_NUMBER, tags::FRAME_CONTENT_SEQUENCE, "In-Stack Position Number"),
        dimension(tags::EFFECTIVE_ECHO_TIME, tags::MR_ECHO_SEQUENCE, "Effective Echo Time"),
    ];
    let mixed = component_of(frames) == "MIXED";
    if mixed {
        let label = "Complex Image Component";
        dimensions.push(dimension(tags::COMPLEX_IMAGE_COMPONENT, tags::MR_IMAGE_FRAME_TYPE_SEQUENCE, label));
    }
    let per_frame = frames.iter().zip(&stored).map(|(frame, stored)| per_frame(scan, frame, stored, mixed)).collect();
    let held = if recipe.sequence.free_breathing { "NONE" } else { "BREATH_HOLD" };
    let duration = recipe.sequence.repetition_time_ms * scan.grid.rows() as f64 * f64::from(recipe.sequence.averages);
    let common = scan
        .common(series, description)
        .text(tags::SOP_CLASS_UID, VR::UI, uids::ENHANCED_MR_IMAGE_STORAGE)
        .text(tags::SOP_INSTANCE_UID, VR::UI, header::uid(recipe, &format!("enhanced {number}")))
        .text(tags::IMAGE_TYPE, VR::CS, image_type(frames))
        .text(tags::ACQUISITION_DATE_TIME, VR::DT, started)
        .double(tags::ACQUISITION_DURATION, duration)
        .item(
            tags::REFERENCED_PERFORMED_PROCEDURE_STEP_SEQUENCE,
            Object::default()
                .text(tags::REFERENCED_SOP_CLASS_UID, VR::UI, uids::MODALITY_PERFORMED_PROCEDURE_STEP)
                .text(tags::REFERENCED_SOP_INSTANCE_UID, VR::UI, header::uid(recipe, "procedure step")),
        )
        .text(tags::CONTENT_QUALIFICATION, VR::CS, "RESEARCH")
        .text(tags::PULSE_SEQUENCE_NAME, VR::SH, header::SEQUENCE)
        .text(tags::ECHO_PULSE_SEQUENCE, VR::CS, "GRADIENT")
        .text(tags::MULTI_PLANAR_EXCITATION, VR::CS, "NO")
        .text(tags::PHASE_CONTRAST, VR::CS, "NO")
        .text(tags::TIME_OF_FLIGHT_CONTRAST, VR::CS, "NO")
        .text(tags::STEADY_STATE_PULSE_SEQUENCE, VR::CS, "NONE")
        .text(tags::ECHO_PLANAR_PULSE_SEQUENCE, VR::CS, "NO")
        .text(tags::SATURATION_RECOVERY, VR::CS, "NO")
        .text(tags::SPECTRALLY_SELECTED_SUPPRESSION, VR::CS, "NONE")
        .text(tags::OVERSAMPLING_PHASE, VR::CS, "NONE")
        .text(tags::GEOMETRY_OF_K_SPACE_TRAVERSAL, VR::CS, "RECTILINEAR")
        .text(tags::SEGMENTED_K_SPACE_TRAVERSAL, VR::CS, "SINGLE")
        .text(tags::RECTILINEAR_PHASE_ENCODE_REORDERING, VR::CS, "LINEAR")
        .text(tags::K_SPACE_FILTERING, VR::CS, "NONE")
        .short(tags::NUMBER_OF_K_SPACE_TRAJECTORIES, &[1])
        .text(tags::RESONANT_NUCLEUS, VR::CS, "1H")
        .text(tags::APPLICABLE_SAFETY_STANDARD_AGENCY, VR::CS, "IEC")
        .integer(tags::INSTANCE_NUMBER, number as i64)
        .text(tags::BURNED_IN_ANNOTATION, VR::CS, "NO")
        .text(tags::LOSSY_IMAGE_COMPRESSION, VR::CS, "00")
        .text(tags::PRESENTATION_LUT_SHAPE, VR::CS, "IDENTITY")
        .items(tags::ACQUISITION_CONTEXT_SEQUENCE, Vec::new())
        .item(
            tags::DIMENSION_ORGANIZATION_SEQUENCE,
            Object::default().text(tags::DIMENSION_ORGANIZATION_UID, VR::UI, &organisation),
        )
        .items(tags::DIMENSION_INDEX_SEQUENCE, dimensions)
        .integer(tags::NUMBER_OF_FRAMES, frames.len() as i64)
        .short(tags::PIXEL_REPRESENTATION, &[u16::from(signed)])
        .item(tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE, shared(scan, held))
        .items(tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE, per_frame);
    // Only a volume has a coverage of its k-space.
    let common = if recipe.sequence.three_d { common.text(tags::COVERAGE_OF_K_SPACE, VR::CS, "FULL") } else { common };
    description_macro(common, component_of(frames)).pixels(stored.into_iter().flat_map(|s| s.pixels).collect())
}

fn shared(scan: &Scan, held: &str) -> Object {
    let (recipe, grid, sequence) = (&scan.recipe, &scan.grid, &scan.recipe.sequence);
    let (u, v) = (grid.along_row(), grid.along_column());
    let no = "NO";
    let mode = |kind: &str| {
        Object::default().text(tags::OPERATING_MODE_TYPE, VR::CS, kind).text(tags::OPERATING_MODE, VR::CS, "IEC_NORMAL")
    };
    let steps = if sequence.phase_along_row { [grid.rows(), grid.columns()] } else { [grid.columns(), grid.rows()] };
    let region = Object::default()
        .text(tags::CODE_VALUE, VR::SH, "113345001")
        .text(tags::CODING_SCHEME_DESIGNATOR, VR::SH, "SCT")
        .text(tags::CODE_MEANING, VR::LO, "Abdomen");
    Object::default()
        .item(
            tags::PIXEL_MEASURES_SEQUENCE,
            Object::default()
                .decimals(tags::SLICE_THICKNESS, &[recipe.grid.thickness_mm])
                .decimals(tags::SPACING_BETWEEN_SLICES, &[recipe.grid.spacing_mm])
                .decimals(tags::PIXEL_SPACING, &[grid.row_spacing().0, grid.column_spacing().0]),
        )
        .item(
            tags::PLANE_ORIENTATION_SEQUENCE,
            Object::default().decimals(tags::IMAGE_ORIENTATION_PATIENT, &[u[0], u[1], u[2], v[0], v[1], v[2]]),
        )
        .item(
            tags::FRAME_ANATOMY_SEQUENCE,
            Object::default().text(tags::FRAME_LATERALITY, VR::CS, "U").item(tags::ANATOMIC_REGION_SEQUENCE, region),
        )
        .item(
            tags::MR_TIMING_AND_RELATED_PARAMETERS_SEQUENCE,
            Object::default()
                .decimals(tags::REPETITION_TIME, &[sequence.repetition_time_ms])
                .integer(tags::ECHO_TRAIN_LENGTH, scan.echo_times.len() as i64)
                .decimals(tags::FLIP_ANGLE, &[sequence.flip_angle_deg])
                .short(tags::RF_ECHO_TRAIN_LENGTH, &[0])
                .short(tags::GRADIENT_ECHO_TRAIN_LENGTH, &[scan.echo_times.len() as u16])
                .text(tags::GRADIENT_OUTPUT_TYPE, VR::CS, "DB_DT")
                .double(tags::GRADIENT_OUTPUT, 10.0)
                .items(tags::OPERATING_MODE_SEQUENCE, ["STATIC FIELD", "RF", "GRADIENT"].map(mode).into())
                .item(
                    tags::SPECIFIC_ABSORPTION_RATE_SEQUENCE,
                    Object::default()
                        .text(tags::SPECIFIC_ABSORPTION_RATE_DEFINITION, VR::CS, "IEC_WHOLE_BODY")
                        .double(tags::SPECIFIC_ABSORPTION_RATE_VALUE, 0.5),
                ),
        )
        .item(
            tags::MRFOV_GEOMETRY_SEQUENCE,
            Object::default()
                .text(
                    tags::IN_PLANE_PHASE_ENCODING_DIRECTION,
                    VR::CS,
                    if sequence.phase_along_row { "ROW" } else { "COLUMN" },
                )
                .short(tags::MR_ACQUISITION_FREQUENCY_ENCODING_STEPS, &[steps[0] as u16])
                .short(tags::MR_ACQUISITION_PHASE_ENCODING_STEPS_IN_PLANE, &[steps[1] as u16])
                .decimals(tags::PERCENT_SAMPLING, &[100.0])
                .decimals(tags::PERCENT_PHASE_FIELD_OF_VIEW, &[100.0]),
        )
        .item(
            tags::MR_MODIFIER_SEQUENCE,
            Object::default()
                .text(tags::INVERSION_RECOVERY, VR::CS, no)
                .text(tags::FLOW_COMPENSATION, VR::CS, "NONE")
                .text(tags::SPOILING, VR::CS, "RF_AND_GRADIENT")
                .text(tags::T2_PREPARATION, VR::CS, no)
                .text(tags::SPECTRALLY_SELECTED_EXCITATION, VR::CS, "NONE")
                .text(tags::SPATIAL_PRESATURATION, VR::CS, "NONE")
                .text(tags::PARTIAL_FOURIER, VR::CS, no)
                .text(tags::PARALLEL_ACQUISITION, VR::CS, no)
                .text(tags::RESPIRATORY_MOTION_COMPENSATION_TECHNIQUE, VR::CS, held),
        )
        .item(
            tags::MR_IMAGING_MODIFIER_SEQUENCE,
            Object::default()
                .text(tags::MAGNETIZATION_TRANSFER, VR::CS, "NONE")
                .text(tags::BLOOD_SIGNAL_NULLING, VR::CS, no)
                .text(tags::TAGGING, VR::CS, "NONE")
                .double(tags::TRANSMITTER_FREQUENCY, header::frequency_mhz(recipe))
                .decimals(tags::PIXEL_BANDWIDTH, &[sequence.bandwidth_hz]),
        )
        .item(
            tags::MR_RECEIVE_COIL_SEQUENCE,
            Object::default()
                .text(tags::RECEIVE_COIL_NAME, VR::SH, header::COIL)
                .empty(tags::RECEIVE_COIL_MANUFACTURER_NAME, VR::LO)
                .text(tags::RECEIVE_COIL_TYPE, VR::CS, "BODY")
                .text(tags::QUADRATURE_RECEIVE_COIL, VR::CS, "YES"),
        )
        .item(
            tags::MR_TRANSMIT_COIL_SEQUENCE,
            Object::default()
                .text(tags::TRANSMIT_COIL_NAME, VR::SH, "Body")
                .empty(tags::TRANSMIT_COIL_MANUFACTURER_NAME, VR::LO)
                .text(tags::TRANSMIT_COIL_TYPE, VR::CS, "BODY"),
        )
        .item(
            tags::MR_AVERAGES_SEQUENCE,
            Object::default().decimals(tags::NUMBER_OF_AVERAGES, &[f64::from(sequence.averages)]),
        )
}

fn per_frame(scan: &Scan, frame: &Frame, stored: &Stored, mixed: bool) -> Object {
    let recipe = &scan.recipe;
    let started = format!("{}{}", digits(&recipe.patient.study_date), digits(&recipe.patient.study_time));
    let echo_time = scan.echo_times[frame.echo].as_millis();
    let position = scan.grid.positions().get(frame.slice).copied().unwrap_or_default();
    let mut indices = vec![frame.slice as u32 + 1, frame.echo as u32 + 1];
    if mixed {
        indices.push(if frame.component == Component::Phase { 2 } else { 1 });
    }
    let kind = Object::default().text(tags::FRAME_TYPE, VR::CS, image_type(&[*frame]));
    Object::default()
        .item(
            tags::FRAME_CONTENT_SEQUENCE,
            Object::default()
                .text(tags::FRAME_ACQUISITION_DATE_TIME, VR::DT, &started)
                .text(tags::FRAME_REFERENCE_DATE_TIME, VR::DT, started)
                .double(tags::FRAME_ACQUISITION_DURATION, recipe.sequence.repetition_time_ms)
                .short(tags::FRAME_ACQUISITION_NUMBER, &[1])
                .text(tags::STACK_ID, VR::SH, "1")
                .long(tags::IN_STACK_POSITION_NUMBER, &[frame.slice as u32 + 1])
                .long(tags::DIMENSION_INDEX_VALUES, &indices),
        )
        .item(tags::PLANE_POSITION_SEQUENCE, Object::default().decimals(tags::IMAGE_POSITION_PATIENT, &position))
        .item(tags::MR_ECHO_SEQUENCE, Object::default().double(tags::EFFECTIVE_ECHO_TIME, echo_time))
        .item(tags::MR_IMAGE_FRAME_TYPE_SEQUENCE, description_macro(kind, frame.component.word()))
        .item(
            tags::PIXEL_VALUE_TRANSFORMATION_SEQUENCE,
            Object::default()
                .decimals(tags::RESCALE_INTERCEPT, &[stored.intercept])
                .decimals(tags::RESCALE_SLOPE, &[stored.slope])
                .text(tags::RESCALE_TYPE, VR::LO, "US"),
        )
}
