//! What the headers say, in trade terms. Missing is `None`, never a guess.

use super::units::{Millimetres, Seconds, Tesla};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Everything the later stages may know from the headers of an acquisition.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Header {
    /// Who.
    pub patient: Patient,
    /// The study it belongs to.
    pub study: StudyFacts,
    /// The series it was made of, in order of series number.
    pub series: Vec<SeriesFacts>,
    /// On which scanner.
    pub scanner: Scanner,
    /// With which sequence.
    pub sequence: Sequence,
    /// Body Part Examined; can be wrong and decides nothing.
    pub body_part: Option<String>,
    /// Patient Position, such as `HFS`.
    pub patient_position: Option<String>,
    /// Whether the scanner says it normalised the intensities across the image.
    pub intensity_normalised: Option<bool>,
    /// Public top-level elements of the first image as text, for rules on a DICOM tag: key `(group, element)`,
    /// several values joined by `\`. Pixel data, sequences and text over 1,024 characters are left out.
    #[serde(skip)]
    pub elements: BTreeMap<(u16, u16), String>,
}

/// The patient module.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Patient {
    /// Patient ID.
    pub id: Option<String>,
    /// Issuer of Patient ID.
    pub issuer: Option<String>,
    /// Patient's Name, decoded, component groups joined by `=`.
    pub name: Option<String>,
    /// Birth date, `YYYY-MM-DD`.
    pub birth_date: Option<String>,
    /// `M`, `F` or `O`.
    pub sex: Option<String>,
    /// Age in years at the study.
    pub age_years: Option<f64>,
    /// Weight in kg.
    pub weight_kg: Option<f64>,
    /// Height in m.
    pub height_m: Option<f64>,
}

/// The study module.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct StudyFacts {
    /// Study Instance UID.
    pub uid: String,
    /// Date, `YYYY-MM-DD`.
    pub date: Option<String>,
    /// Time, `HH:MM:SS`.
    pub time: Option<String>,
    /// Accession Number.
    pub accession: Option<String>,
    /// Study ID.
    pub id: Option<String>,
    /// Study Description.
    pub description: Option<String>,
    /// Referring physician.
    pub referring_physician: Option<String>,
    /// Institution Name.
    pub institution: Option<String>,
    /// What was asked for, where the scanner was told.
    #[serde(default)]
    pub requests: Vec<ImagingRequest>,
}

/// One item of the Request Attributes Sequence (0040,0275): what others know the examination by.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ImagingRequest {
    /// Accession Number.
    pub accession: Option<String>,
    /// Requested Procedure ID.
    pub procedure_id: Option<String>,
    /// Requested Procedure Description.
    pub procedure: Option<String>,
    /// Scheduled Procedure Step ID.
    pub step_id: Option<String>,
    /// Scheduled Procedure Step Description.
    pub step: Option<String>,
}

/// One series.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct SeriesFacts {
    /// Series Instance UID.
    pub uid: String,
    /// Series Number.
    pub number: Option<i64>,
    /// Series Description.
    pub description: Option<String>,
    /// Clock time of the series or its acquisition, `HH:MM:SS`.
    pub time: Option<String>,
}

/// The scanner.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Scanner {
    /// Manufacturer.
    pub manufacturer: Option<String>,
    /// Manufacturer's Model Name.
    pub model: Option<String>,
    /// Device Serial Number.
    pub serial: Option<String>,
    /// Station Name.
    pub station: Option<String>,
    /// Software Versions, several joined by `\`.
    pub software: Option<String>,
    /// Field strength that decides: from the imaging frequency where it disagrees with the attribute.
    pub field_strength: Option<Tesla>,
    /// Field strength as the attribute gives it, gauss corrected.
    pub nominal_field_strength: Option<Tesla>,
    /// Imaging frequency in MHz.
    pub imaging_frequency_mhz: Option<f64>,
    /// Receive coil.
    pub receive_coil: Option<String>,
}

/// How the echoes were made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum EchoKind {
    /// Gradient echo: decays with R2*.
    GradientEcho,
    /// Spin echo: decays with R2.
    SpinEcho,
    /// Inversion recovery, mixed or echo-planar: not a plain gradient-echo decay.
    Other,
}

/// What was done about breathing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Breathing {
    /// One or more breath-holds.
    BreathHold,
    /// Free breathing, no gating.
    Free,
    /// Respiratory gating, triggering or navigator.
    Gated,
}

/// The pulse sequence and its settings.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Sequence {
    /// Sequence Name or Pulse Sequence Name.
    pub name: Option<String>,
    /// Protocol Name.
    pub protocol_name: Option<String>,
    /// Gradient or spin echo.
    pub echo_kind: Option<EchoKind>,
    /// Scanning Sequence values.
    pub scanning_sequence: Vec<String>,
    /// Sequence Variant values.
    pub variant: Vec<String>,
    /// Scan Options values.
    pub options: Vec<String>,
    /// `2D` or `3D`.
    pub dimensions: Option<String>,
    /// Repetition time.
    pub repetition_time: Option<Seconds>,
    /// Flip angle in degrees.
    pub flip_angle_deg: Option<f64>,
    /// Bandwidth in Hz per pixel.
    pub bandwidth_hz_per_pixel: Option<f64>,
    /// Number of averages.
    pub averages: Option<f64>,
    /// Parallel imaging factor in plane, 1 where none.
    pub parallel_factor: Option<f64>,
    /// Whether fat was suppressed.
    pub fat_suppressed: Option<bool>,
    /// Contrast agent as written.
    pub contrast_agent: Option<String>,
    /// What was done about breathing.
    pub breathing: Option<Breathing>,
    /// Echo train length as the header gives it.
    pub echo_train_length: Option<u32>,
    /// Phase encoding along rows (`true`: the row direction, left to right in the image) or columns.
    pub phase_encoding_along_row: Option<bool>,
    /// Acquired matrix: frequency, phase.
    pub acquired_matrix: Option<[u32; 2]>,
    /// Spacing Between Slices as the header gives it.
    pub slice_spacing: Option<Millimetres>,
    /// Longest difference between the acquisition times of two echoes, in seconds.
    pub echo_time_span: Option<Seconds>,
}
