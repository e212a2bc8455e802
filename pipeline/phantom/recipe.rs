//! What a simulated study is made of, as written in `fixtures/recipes/*.yaml`.

use serde::{Deserialize, Serialize};

/// A simulated study. Every field has a default: an adult with a moderately loaded liver at 1.5 T.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Recipe {
    /// What it shows, for people.
    pub description: String,
    /// Seed of the noise, and of the shapes unless `body.seed` is given.
    pub seed: u64,
    /// Field strength in tesla.
    pub field_strength_t: f64,
    /// Who lies in the scanner.
    pub patient: PatientRecipe,
    /// Their body.
    pub body: Body,
    /// Their liver.
    pub liver: Liver,
    /// Where the images lie.
    pub grid: GridRecipe,
    /// How the echoes are made.
    pub sequence: SequenceRecipe,
    /// How they are received.
    pub receive: Receive,
    /// What goes wrong.
    pub artefacts: Artefacts,
    /// How it is written as DICOM.
    pub export: Export,
}

/// Identity and dates, all invented.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PatientRecipe {
    /// Patient ID.
    pub id: String,
    /// Patient's Name as DICOM writes it.
    pub name: String,
    /// Birth date, `YYYY-MM-DD`.
    pub birth_date: String,
    /// `M`, `F` or `O`.
    pub sex: String,
    /// Weight in kg.
    pub weight_kg: f64,
    /// Date of the study, `YYYY-MM-DD`.
    pub study_date: String,
    /// Time of the study, `HH:MM:SS`.
    pub study_time: String,
}

/// Part of the liver removed by an operation.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Resection {
    /// None.
    None,
    /// The left lobe is gone.
    Left,
    /// The right lobe is gone and the left has grown.
    Right,
}

/// Body shape and variants.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Body {
    /// Seed of the shapes; the recipe's seed where absent. Two studies of one patient share it.
    pub seed: Option<u64>,
    /// Half the width of the torso, mm.
    pub half_width_mm: f64,
    /// Half its depth from front to back, mm.
    pub half_depth_mm: f64,
    /// Height of the liver from dome to tip, mm; organs scale with it along the body.
    pub liver_height_mm: f64,
    /// Thickness of the fat under the skin at the flank, mm.
    pub fat_mm: f64,
    /// Whether the arms lie at the sides.
    pub arms: bool,
    /// Organs mirrored left to right.
    pub situs_inversus: bool,
    /// Size of the spleen, 1 normal; 2 reaches the left lobe.
    pub spleen: f64,
    /// R2* of the spleen in 1/s; the normal value where absent.
    pub spleen_r2star: Option<f64>,
    /// Size of the liver, 1 normal.
    pub liver: f64,
    /// How far the left lobe reaches to the left, 0 (short) to 1 (to the flank).
    pub left_lobe: f64,
    /// Filling of stomach and bowel with gas, 0 to 1.
    pub gas: f64,
    /// Whether there is a gallbladder.
    pub gallbladder: bool,
    /// Free fluid in the belly, 0 (none) to 1 (much).
    pub ascites: f64,
    /// Part of the liver removed.
    pub resection: Resection,
    /// How irregular the outlines are, 1 usual, 0 smooth.
    pub irregularity: f64,
}

/// The liver's tissue.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Liver {
    /// Median R2* of the parenchyma, 1/s, at this field strength.
    pub r2star: f64,
    /// Standard deviation of R2* over the parenchyma, as a fraction of the median.
    pub heterogeneity: f64,
    /// Proton density fat fraction, 0 to 1.
    pub fat_fraction: f64,
    /// Number of cysts.
    pub lesions: u32,
}

/// Position and size of the images.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct GridRecipe {
    /// Number of slices.
    pub slices: usize,
    /// Rows.
    pub rows: usize,
    /// Columns.
    pub columns: usize,
    /// Distance between rows and between columns, mm.
    pub pixel_mm: [f64; 2],
    /// Slice thickness, mm.
    pub thickness_mm: f64,
    /// Distance between slice centres, mm.
    pub spacing_mm: f64,
    /// Centre of the stack along the liver: 0 at the dome, 1 at the lower tip.
    pub centre: f64,
    /// Rotation of the image plane about the left-right axis, degrees.
    pub tilt_deg: f64,
}

/// Timing and contrast.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SequenceRecipe {
    /// First echo time, ms.
    pub first_echo_ms: f64,
    /// Echo spacing, ms.
    pub echo_spacing_ms: f64,
    /// Number of echoes.
    pub echoes: usize,
    /// Echo times in ms one by one, in place of the three above.
    pub echo_times_ms: Vec<f64>,
    /// Repetition time, ms.
    pub repetition_time_ms: f64,
    /// Flip angle, degrees.
    pub flip_angle_deg: f64,
    /// Bandwidth, Hz per pixel.
    pub bandwidth_hz: f64,
    /// Number of averages; breathing blurs over them.
    pub averages: u32,
    /// Whether all slices are one 3D volume.
    pub three_d: bool,
    /// Whether phase is encoded from left to right; else from front to back.
    pub phase_along_row: bool,
    /// Whether the patient breathes freely, as the header says.
    pub free_breathing: bool,
}

/// Coils and noise.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Receive {
    /// S0/σ in the liver: median signal at echo time zero over σ of one real channel, that of the corners where
    /// `amplification` raises it elsewhere.
    pub snr: f64,
    /// Channels combined by root of the sum of squares; 1 also stands for a combination that keeps phase.
    pub channels: u32,
    /// Strength of the coils' shading, 0 to 1.
    pub shading: f64,
    /// Share by which parallel imaging raises the noise in the middle of the frame: its geometry factor less one.
    pub amplification: f64,
    /// Whether gas, lung and an imperfect shim disturb the field.
    pub field_disturbance: bool,
}

/// How the patient moves.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Pattern {
    /// Breathing throughout; slices acquired one after another see different phases of it.
    Breathing,
    /// Still, then one cough.
    Cough,
    /// Each slice in its own breath-hold, each at another height.
    BetweenSlices,
    /// Odd and even echoes acquired in interleaved shots, at different heights.
    BetweenEchoes,
}

/// Motion during the scan.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Motion {
    /// How the patient moves.
    pub pattern: Pattern,
    /// Greatest displacement of the organs towards the feet, mm.
    pub displacement_mm: f64,
    /// Duration of a breath or of the cough, seconds.
    #[serde(default = "breath")]
    pub period_s: f64,
}

fn breath() -> f64 {
    3.5
}

/// An echo received with another gain.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Gain {
    /// Echo, from 1.
    pub echo: usize,
    /// Factor on signal and noise.
    pub factor: f64,
}

/// Everything that can be wrong with the images.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Artefacts {
    /// Motion during the scan.
    pub motion: Option<Motion>,
    /// Relative difference between odd and even echoes (bipolar readout).
    pub bipolar: f64,
    /// Echoes with another gain.
    pub gains: Vec<Gain>,
    /// Where the stored range ends, as a fraction of the brightest signal; 0 leaves room for all.
    pub saturation: f64,
    /// Background set to zero by the scanner.
    pub zeroed_background: bool,
    /// Strength of a copy of the image displaced by half the field of view along phase encoding.
    pub ghost: f64,
}

/// Shape of the DICOM objects.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Format {
    /// One file for each slice and echo, all in one series.
    Classic,
    /// One file for each slice and echo, one series for each echo.
    ClassicSeriesPerEcho,
    /// One multi-frame object.
    Enhanced,
    /// One multi-frame object for each echo.
    EnhancedPerEcho,
}

/// Which images are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Components {
    /// Magnitude alone.
    Magnitude,
    /// Magnitude and phase.
    MagnitudePhase,
    /// Magnitude, real and imaginary.
    MagnitudeRealImaginary,
}

/// An image left out of the export.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Omission {
    /// Slice, from 1 at the feet.
    pub slice: usize,
    /// Echo, from 1; all echoes of the slice where absent.
    #[serde(default)]
    pub echo: Option<usize>,
}

/// How the study is written.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Export {
    /// Shape of the objects.
    pub format: Format,
    /// Which images.
    pub components: Components,
    /// Bits stored, 12 or 16.
    pub bits: u16,
    /// Whether a second, intensity-normalised copy is written beside the first.
    pub normalised_copy: bool,
    /// Images left out.
    pub omit: Vec<Omission>,
}
