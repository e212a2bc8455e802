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
    /// S0/σ in the liver: median signal at echo time zero over σ of one real channel.
    pub snr: f64,
    /// Channels combined by root of the sum of squares; 1 also stands for a combination that keeps phase.
    pub channels: u32,
    /// Strength of the coils' shading, 0 to 1.
    pub shading: f64,
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

impl Default for Recipe {
    fn default() -> Self {
        Self {
            description: String::new(),
            seed: 1,
            field_strength_t: 1.5,
            patient: PatientRecipe::default(),
            body: Body::default(),
            liver: Liver::default(),
            grid: GridRecipe::default(),
            sequence: SequenceRecipe::default(),
            receive: Receive::default(),
            artefacts: Artefacts::default(),
            export: Export::default(),
        }
    }
}

impl Default for PatientRecipe {
    fn default() -> Self {
        Self {
            id: "INVENTED-0001".into(),
            name: "Phantom^Invented".into(),
            birth_date: "1990-05-17".into(),
            sex: "O".into(),
            weight_kg: 68.0,
            study_date: "2026-03-14".into(),
            study_time: "09:30:00".into(),
        }
    }
}

impl Default for Body {
    fn default() -> Self {
        Self {
            seed: None,
            half_width_mm: 165.0,
            half_depth_mm: 114.0,
            liver_height_mm: 165.0,
            fat_mm: 15.0,
            arms: false,
            situs_inversus: false,
            spleen: 1.0,
            spleen_r2star: None,
            liver: 1.0,
            left_lobe: 0.5,
            gas: 0.4,
            gallbladder: true,
            ascites: 0.0,
            resection: Resection::None,
            irregularity: 1.0,
        }
    }
}

impl Default for Liver {
    fn default() -> Self {
        Self { r2star: 120.0, heterogeneity: 0.12, fat_fraction: 0.03, lesions: 0 }
    }
}

impl Default for GridRecipe {
    fn default() -> Self {
        Self {
            slices: 5,
            rows: 128,
            columns: 160,
            pixel_mm: [2.4, 2.4],
            thickness_mm: 8.0,
            spacing_mm: 10.0,
            centre: 0.42,
            tilt_deg: 0.0,
        }
    }
}

impl Default for SequenceRecipe {
    fn default() -> Self {
        Self {
            first_echo_ms: 0.9,
            echo_spacing_ms: 0.9,
            echoes: 12,
            echo_times_ms: Vec::new(),
            repetition_time_ms: 120.0,
            flip_angle_deg: 20.0,
            bandwidth_hz: 1950.0,
            averages: 1,
            three_d: false,
            phase_along_row: false,
            free_breathing: false,
        }
    }
}

impl Default for Receive {
    fn default() -> Self {
        Self { snr: 50.0, channels: 1, shading: 0.5, field_disturbance: true }
    }
}

impl Default for Export {
    fn default() -> Self {
        Self {
            format: Format::Classic,
            components: Components::Magnitude,
            bits: 12,
            normalised_copy: false,
            omit: Vec::new(),
        }
    }
}

/// A recipe that cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RecipeError {
    /// Not YAML, an unknown key or a wrong type.
    #[error("{name}: {message}")]
    Syntax {
        /// The recipe's file.
        name: String,
        /// What the parser says, with line and column.
        message: String,
    },
    /// A value that no scan can have.
    #[error("{name}: {key} is {found}; it must be {expected}")]
    Value {
        /// The recipe's file.
        name: String,
        /// The key.
        key: &'static str,
        /// What it is.
        found: String,
        /// What it may be.
        expected: &'static str,
    },
}

impl Recipe {
    /// Reads and checks a recipe; `name` is for messages.
    pub fn from_yaml(name: &str, text: &str) -> Result<Self, RecipeError> {
        let recipe: Self = serde_yaml::from_str(text)
            .map_err(|error| RecipeError::Syntax { name: name.to_owned(), message: error.to_string() })?;
        recipe.check(name)?;
        Ok(recipe)
    }

    /// Whether every value can be simulated; `name` is for messages.
    pub fn check(&self, name: &str) -> Result<(), RecipeError> {
        let between = |key, value: f64, low: f64, high: f64, expected| {
            let fits = value >= low && value <= high;
            let error = || RecipeError::Value { name: name.to_owned(), key, found: value.to_string(), expected };
            if fits { Ok(()) } else { Err(error()) }
        };
        between("field_strength_t", self.field_strength_t, 0.5, 7.0, "between 0.5 and 7")?;
        between("body.half_width_mm", self.body.half_width_mm, 60.0, 300.0, "between 60 and 300")?;
        between("body.half_depth_mm", self.body.half_depth_mm, 40.0, 250.0, "between 40 and 250")?;
        between("body.liver_height_mm", self.body.liver_height_mm, 50.0, 300.0, "between 50 and 300")?;
        between("body.fat_mm", self.body.fat_mm, 0.0, 0.5 * self.body.half_depth_mm, "at most half the half depth")?;
        between("body.spleen", self.body.spleen, 0.3, 3.0, "between 0.3 and 3")?;
        between("body.left_lobe", self.body.left_lobe, 0.0, 1.0, "between 0 and 1")?;
        between("liver.r2star", self.liver.r2star, 5.0, 5000.0, "between 5 and 5000")?;
        between("liver.heterogeneity", self.liver.heterogeneity, 0.0, 0.4, "between 0 and 0.4")?;
        between("liver.fat_fraction", self.liver.fat_fraction, 0.0, 0.9, "between 0 and 0.9")?;
        between("grid.slices", self.grid.slices as f64, 1.0, 256.0, "between 1 and 256")?;
        between("grid.rows", self.grid.rows as f64, 8.0, 1024.0, "between 8 and 1024")?;
        between("grid.columns", self.grid.columns as f64, 8.0, 1024.0, "between 8 and 1024")?;
        between("grid.pixel_mm", self.grid.pixel_mm[0].min(self.grid.pixel_mm[1]), 0.2, 20.0, "between 0.2 and 20")?;
        between("grid.thickness_mm", self.grid.thickness_mm, 0.5, 50.0, "between 0.5 and 50")?;
        between("grid.spacing_mm", self.grid.spacing_mm, 0.5, 100.0, "between 0.5 and 100")?;
        between("receive.snr", self.receive.snr, 1.0, 1e6, "between 1 and a million")?;
        between("receive.channels", f64::from(self.receive.channels), 1.0, 128.0, "between 1 and 128")?;
        between("receive.shading", self.receive.shading, 0.0, 1.0, "between 0 and 1")?;
        between("export.bits", f64::from(self.export.bits), 8.0, 16.0, "12 or 16")?;
        let times = self.echo_times_ms();
        let rising = times.windows(2).all(|pair| pair[0] < pair[1]);
        if times.len() < 2 || !rising || times.iter().any(|t| !(*t > 0.0 && *t < 1000.0)) {
            return Err(RecipeError::Value {
                name: name.to_owned(),
                key: "sequence",
                found: format!("echo times {times:?} ms"),
                expected: "at least two positive, increasing echo times",
            });
        }
        if self.receive.channels > 1 && self.export.components != Components::Magnitude {
            return Err(RecipeError::Value {
                name: name.to_owned(),
                key: "receive.channels",
                found: self.receive.channels.to_string(),
                expected: "1 where phase, real or imaginary images are written (a root of sum of squares has none)",
            });
        }
        Ok(())
    }

    /// Echo times in ms.
    pub fn echo_times_ms(&self) -> Vec<f64> {
        let sequence = &self.sequence;
        if sequence.echo_times_ms.is_empty() {
            // Rounded to the nanosecond, so that 0.9 + 2 · 0.9 is written 2.7.
            let time = |echo: usize| sequence.first_echo_ms + echo as f64 * sequence.echo_spacing_ms;
            (0..sequence.echoes).map(|echo| (time(echo) * 1e6).round() / 1e6).collect()
        } else {
            sequence.echo_times_ms.clone()
        }
    }

    /// Seed of the shapes.
    pub fn shape_seed(&self) -> u64 {
        self.body.seed.unwrap_or(self.seed)
    }
}
