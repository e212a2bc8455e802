//! What the headers of a simulated study say. Hospital, scanner and patients are invented.

use super::recipe::{Format, Recipe};
use crate::study::{
    Breathing, Digest, EchoKind, Grid, Header, Millimetres, Patient, Scanner, Seconds, Sequence, SeriesFacts, Source,
    SourceFrame, SourceInstance, StudyFacts, Tesla,
};

/// The invented maker of scanners.
pub const MANUFACTURER: &str = "Norrfell Instruments (invented)";
/// The invented hospital.
pub const INSTITUTION: &str = "Invented Hospital of Sankt Ingen";
/// Station name.
pub const STATION: &str = "MR1";
/// Software version of the scanner.
pub const SOFTWARE: &str = "4.2.1";
/// Receive coil.
pub const COIL: &str = "Body 8";
/// Sequence name.
pub const SEQUENCE: &str = "me_gre";
/// Protocol name.
pub const PROTOCOL: &str = "liver r2star";
/// Body part.
pub const BODY_PART: &str = "ABDOMEN";
/// Study description.
pub const STUDY_DESCRIPTION: &str = "Liver iron (simulated)";
/// Series description.
pub const SERIES_DESCRIPTION: &str = "me-gre liver";
/// Series description of the intensity-normalised copy.
pub const NORMALISED_DESCRIPTION: &str = "me-gre liver normalised";
/// SOP class of a classic MR image.
pub const CLASSIC: &str = "1.2.840.10008.5.1.4.1.1.4";

/// A UID that depends on the whole recipe and this role only.
pub fn uid(recipe: &Recipe, role: &str) -> String {
    let text = format!("{recipe:?}\u{1f}{role}");
    format!("2.25.{}", uuid::Uuid::new_v5(&uuid::Uuid::NAMESPACE_OID, text.as_bytes()).as_u128())
}

/// Name of the scanner's model at this field strength.
pub fn model(field_t: f64) -> &'static str {
    if field_t < 2.0 { "Lumen 15" } else { "Lumen 30" }
}

/// Serial number of the scanner.
pub fn serial(recipe: &Recipe) -> String {
    format!("NI-{}", model(recipe.field_strength_t).replace(' ', "-"))
}

/// Imaging frequency in MHz to 100 Hz.
pub fn frequency_mhz(recipe: &Recipe) -> f64 {
    (super::scene::HERTZ_PER_TESLA * recipe.field_strength_t * 1e-6 * 1e4).round() / 1e4
}

/// The header facts, as a reader of the exported files would find them.
pub fn header(recipe: &Recipe, grid: &Grid) -> Header {
    let patient = &recipe.patient;
    let sequence = &recipe.sequence;
    // Only the enhanced object has an attribute for it.
    let enhanced = matches!(recipe.export.format, Format::Enhanced | Format::EnhancedPerEcho);
    let held = if sequence.free_breathing { Breathing::Free } else { Breathing::BreathHold };
    let breathing = enhanced.then_some(held);
    Header {
        patient: Patient {
            id: Some(patient.id.clone()),
            issuer: None,
            name: Some(patient.name.clone()),
            birth_date: Some(patient.birth_date.clone()),
            sex: Some(patient.sex.clone()),
            age_years: Some(f64::from(age(&patient.birth_date, &patient.study_date))),
            weight_kg: Some(patient.weight_kg),
            height_m: None,
        },
        study: StudyFacts {
            uid: uid(recipe, "study"),
            date: Some(patient.study_date.clone()),
            time: Some(patient.study_time.clone()),
            accession: Some(accession(recipe)),
            id: Some("1".to_owned()),
            description: Some(STUDY_DESCRIPTION.to_owned()),
            referring_physician: None,
            institution: Some(INSTITUTION.to_owned()),
            requests: Vec::new(),
        },
        series: vec![SeriesFacts {
            uid: uid(recipe, "series 1"),
            number: Some(5),
            description: Some(SERIES_DESCRIPTION.to_owned()),
            time: Some(patient.study_time.clone()),
        }],
        scanner: Scanner {
            manufacturer: Some(MANUFACTURER.to_owned()),
            model: Some(model(recipe.field_strength_t).to_owned()),
            serial: Some(serial(recipe)),
            station: Some(STATION.to_owned()),
            software: Some(SOFTWARE.to_owned()),
            field_strength: Some(Tesla(recipe.field_strength_t)),
            nominal_field_strength: Some(Tesla(recipe.field_strength_t)),
            imaging_frequency_mhz: Some(frequency_mhz(recipe)),
            receive_coil: Some(COIL.to_owned()),
        },
        sequence: Sequence {
            name: Some(SEQUENCE.to_owned()),
            protocol_name: Some(PROTOCOL.to_owned()),
            echo_kind: Some(EchoKind::GradientEcho),
            scanning_sequence: vec!["GR".to_owned()],
            variant: vec!["SP".to_owned()],
            options: Vec::new(),
            dimensions: Some(if sequence.three_d { "3D" } else { "2D" }.to_owned()),
            repetition_time: Some(Seconds::from_millis(sequence.repetition_time_ms)),
            flip_angle_deg: Some(sequence.flip_angle_deg),
            bandwidth_hz_per_pixel: Some(sequence.bandwidth_hz),
            averages: Some(f64::from(sequence.averages)),
            parallel_factor: None,
            fat_suppressed: Some(false),
            contrast_agent: None,
            breathing,
            echo_train_length: Some(recipe.echo_times_ms().len() as u32),
            phase_encoding_along_row: Some(sequence.phase_along_row),
            acquired_matrix: Some(if sequence.phase_along_row {
                [grid.rows() as u32, grid.columns() as u32]
            } else {
                [grid.columns() as u32, grid.rows() as u32]
            }),
            slice_spacing: Some(Millimetres(recipe.grid.spacing_mm)),
            echo_time_span: None,
        },
        body_part: Some(BODY_PART.to_owned()),
        patient_position: Some("HFS".to_owned()),
        intensity_normalised: Some(false),
        elements: Default::default(),
    }
}

/// Accession number of the study.
pub fn accession(recipe: &Recipe) -> String {
    let digest = Digest::of(uid(recipe, "study").as_bytes());
    format!("INV{}", digest.short().to_uppercase())
}

/// Whole years between two dates `YYYY-MM-DD`; 0 where they cannot be read.
pub fn age(birth: &str, study: &str) -> u32 {
    let parts = |date: &str| -> Option<(i64, i64)> {
        let mut numbers = date.split('-').map(|part| part.parse::<i64>().ok());
        let (year, month, day) = (numbers.next()??, numbers.next()??, numbers.next()??);
        Some((year, month * 100 + day))
    };
    let Some(((born, birthday), (now, today))) = parts(birth).zip(parts(study)) else { return 0 };
    u32::try_from(now - born - i64::from(today < birthday)).unwrap_or(0)
}

/// UID of the image of a slice and echo in a classic export.
pub fn image_uid(recipe: &Recipe, component: &str, slice: usize, echo: usize) -> String {
    uid(recipe, &format!("image {component} {slice} {echo}"))
}

/// Where the acquisition came from: one classic image for each slice and echo.
pub fn source(recipe: &Recipe, grid: &Grid, echoes: usize, digest: Digest) -> Source {
    let series_uid = uid(recipe, "series 1");
    let mut named: Vec<(String, usize, usize)> = (0..grid.slices())
        .flat_map(|slice| (0..echoes).map(move |echo| (slice, echo)))
        .map(|(slice, echo)| (image_uid(recipe, "M", slice, echo), slice, echo))
        .collect();
    named.sort();
    let frames = named
        .iter()
        .enumerate()
        .map(|(instance, (_, slice, echo))| SourceFrame { slice: *slice, echo: *echo, instance, frame: None })
        .collect();
    let instances = named
        .into_iter()
        .map(|(uid, slice, echo)| SourceInstance {
            class_uid: CLASSIC.to_owned(),
            digest: Digest::of_parts([digest.as_str().as_bytes(), &slice.to_le_bytes(), &echo.to_le_bytes()]),
            uid,
            series_uid: series_uid.clone(),
        })
        .collect();
    Source { digest, instances, frames }
}
