//! Published lines from R2* to LIC: what the file says, and the arithmetic of one entry.

use super::config::{Checker, ConfigErrors};
use crate::study::{MilligramsPerGram, ModelKind, PerSecond, Tesla};
use serde::{Deserialize, Serialize};
use serde_yaml::Spanned;

/// The calibrations shipped with the program.
const SHIPPED: &str = include_str!("../../config/calibrations.yaml");

/// How an equation reached the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Confidence {
    /// Read in the paper, its abstract or its publisher's page.
    Published,
    /// Read in a text that quotes the paper.
    Secondary,
    /// From memory, agreeing with an independent published figure.
    MemoryConsistent,
    /// From memory.
    Memory,
    /// Fitted by the site from its own pairs of R2* and chemical LIC.
    Site,
}

impl Confidence {
    /// The sentence part a person reads.
    pub fn words(self) -> &'static str {
        match self {
            Self::Published => "read in the paper or its abstract",
            Self::Secondary => "read in a text that quotes the paper",
            Self::MemoryConsistent => "entered from memory, consistent with an independent figure",
            Self::Memory => "entered from memory",
            Self::Site => "fitted by the site from its own pairs",
        }
    }

    /// Whether nobody has seen the equation in print.
    pub fn from_memory(self) -> bool {
        matches!(self, Self::Memory | Self::MemoryConsistent)
    }
}

/// The form of a calibration.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Equation {
    /// LIC = slope · R2* + intercept.
    Linear {
        /// mg/g per /s.
        slope: f64,
        /// mg/g.
        intercept: f64,
    },
    /// LIC = factor · (T2* in ms)^exponent.
    PowerOfT2starMs {
        /// mg/g at T2* = 1 ms.
        factor: f64,
        /// Negative: LIC falls as T2* grows.
        exponent: f64,
    },
}

impl Equation {
    /// LIC in mg/g at this R2* in /s; can be negative near zero where the intercept is.
    pub fn lic(self, r2star: f64) -> f64 {
        match self {
            Self::Linear { slope, intercept } => slope * r2star + intercept,
            Self::PowerOfT2starMs { factor, exponent } => factor * libm::pow(1000.0 / r2star, exponent),
        }
    }

    /// R2* in /s that reads this LIC.
    pub fn r2star(self, lic: f64) -> f64 {
        match self {
            Self::Linear { slope, intercept } => (lic - intercept) / slope,
            Self::PowerOfT2starMs { factor, exponent } => 1000.0 / libm::pow(lic / factor, 1.0 / exponent),
        }
    }

    /// dLIC/dR2* in mg/g per /s at this R2*.
    pub fn slope(self, r2star: f64) -> f64 {
        match self {
            Self::Linear { slope, .. } => slope,
            Self::PowerOfT2starMs { exponent, .. } => -exponent * self.lic(r2star) / r2star,
        }
    }

    /// As it is printed.
    pub fn words(self) -> String {
        let plain = crate::study::text::plain;
        match self {
            Self::Linear { slope, intercept } => {
                let sign = if intercept < 0.0 { '-' } else { '+' };
                format!("LIC = {} R2* {sign} {}", plain(slope), plain(intercept.abs()))
            }
            Self::PowerOfT2starMs { factor, exponent } => {
                format!("LIC = {} (T2* in ms)^{}", plain(factor), plain(exponent))
            }
        }
    }
}

/// What the source says of the error of one prediction, standard deviation against chemical LIC.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum PredictionError {
    /// The same at every LIC.
    Absolute {
        /// Mean difference, mg/g.
        bias: f64,
        /// Standard deviation of the difference, mg/g.
        sd: f64,
    },
    /// In proportion to the LIC.
    Relative {
        /// Mean difference, percent.
        bias_percent: f64,
        /// Standard deviation of the difference, percent.
        sd_percent: f64,
    },
}

impl PredictionError {
    /// Standard uncertainty in mg/g at this LIC. The bias is counted as uncertainty, since published
    /// differences rarely say which side was subtracted: √(SD² + bias²).
    pub fn standard_uncertainty(self, lic: f64) -> f64 {
        match self {
            Self::Absolute { bias, sd } => (sd * sd + bias * bias).sqrt(),
            Self::Relative { bias_percent: b, sd_percent: s } => (s * s + b * b).sqrt() / 100.0 * lic.abs(),
        }
    }
}

/// A signal model that a calibration accepts.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Accepted {
    /// The model.
    pub model: ModelKind,
    /// Why it may be used.
    pub reason: String,
    /// Only where fat is shown or bounded below this percentage.
    #[serde(default)]
    pub fat_at_most_percent: Option<f64>,
    /// Added to the relative standard uncertainty of R2*, percent.
    #[serde(default)]
    pub added_percent: f64,
}

/// One calibration.
#[derive(Clone, Debug, PartialEq)]
pub struct Calibration {
    /// The name profiles use.
    pub name: String,
    /// For people.
    pub title: String,
    /// The field it holds at.
    pub field_strength: Tesla,
    /// From R2* to LIC.
    pub equation: Equation,
    /// Patients behind it.
    pub patients: Option<u32>,
    /// What LIC was compared with.
    pub reference: String,
    /// LIC range of the patients behind it, mg/g.
    pub validated_lic: Option<[f64; 2]>,
    /// Error of one prediction against chemical LIC.
    pub error: Option<PredictionError>,
    /// Acquisition and fit it presumes.
    pub presumes: String,
    /// Models it accepts.
    pub accepts: Vec<Accepted>,
    /// Citation.
    pub source: String,
    /// DOI, bare.
    pub doi: Option<String>,
    /// How the equation reached the file.
    pub confidence: Confidence,
    /// Anything else worth knowing.
    pub remarks: Option<String>,
    /// Who compared the entry with its source.
    pub confirmed_by: Option<String>,
    /// When, `YYYY-MM-DD`.
    pub confirmed_on: Option<String>,
}

impl Calibration {
    /// LIC at this R2*.
    pub fn lic(&self, r2star: PerSecond) -> MilligramsPerGram {
        MilligramsPerGram(self.equation.lic(r2star.0))
    }

    /// R2* at this LIC.
    pub fn r2star(&self, lic: MilligramsPerGram) -> PerSecond {
        PerSecond(self.equation.r2star(lic.0))
    }

    /// The models it accepts, in the file's order of preference: what an automatic choice may pick from.
    pub fn accepted_models(&self) -> Vec<ModelKind> {
        self.accepts.iter().map(|a| a.model).collect()
    }

    /// How it accepts this model, if it does.
    pub fn acceptance(&self, model: ModelKind) -> Option<&Accepted> {
        self.accepts.iter().find(|a| a.model == model)
    }

    /// Whether a named person has compared it with its source.
    pub fn is_confirmed(&self) -> bool {
        self.confirmed_by.is_some()
    }

    /// `doi:…` where there is one, else the citation.
    pub fn source_id(&self) -> String {
        self.doi.as_ref().map_or_else(|| self.source.clone(), |doi| format!("doi:{doi}"))
    }
}

/// Every calibration of a site, in the file's order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Calibrations {
    entries: Vec<Calibration>,
}

impl Calibrations {
    /// Those shipped with the program (`config/calibrations.yaml`).
    /// A test reads the file, so the empty default never stands in for it.
    pub fn shipped() -> Self {
        calibrations("config/calibrations.yaml", SHIPPED).unwrap_or_default()
    }

    /// By the name a profile uses.
    pub fn get(&self, name: &str) -> Option<&Calibration> {
        self.entries.iter().find(|c| c.name == name)
    }

    /// All of them.
    pub fn iter(&self) -> impl Iterator<Item = &Calibration> {
        self.entries.iter()
    }

    /// Their names.
    pub fn names(&self) -> Vec<&str> {
        self.entries.iter().map(|c| c.name.as_str()).collect()
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    calibrations: Vec<Entry>,
}

/// An entry as written.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Entry {
    name: Spanned<String>,
    title: String,
    field_strength_t: Spanned<f64>,
    equation: Spanned<Equation>,
    patients: Option<u32>,
    reference: String,
    validated_lic_mg_per_g: Option<Spanned<[f64; 2]>>,
    error: Option<Spanned<PredictionError>>,
    presumes: String,
    accepts: Spanned<Vec<Accepted>>,
    source: String,
    doi: Option<String>,
    confidence: Confidence,
    remarks: Option<String>,
    confirmed_by: Option<Spanned<String>>,
    confirmed_on: Option<Spanned<String>>,
}

/// Reads a calibrations file. `file` is only for messages.
pub fn calibrations(file: &str, text: &str) -> Result<Calibrations, ConfigErrors> {
    let (parsed, mut checker) = Checker::parse::<File>(file, text)?;
    let mut entries: Vec<Calibration> = Vec::with_capacity(parsed.calibrations.len());
    for entry in parsed.calibrations {
        check(&entry, &entries, &mut checker);
        entries.push(Calibration {
            name: entry.name.value,
            title: entry.title,
            field_strength: Tesla(entry.field_strength_t.value),
            equation: entry.equation.value,
            patients: entry.patients,
            reference: entry.reference,
            validated_lic: entry.validated_lic_mg_per_g.map(|v| v.value),
            error: entry.error.map(|v| v.value),
            presumes: entry.presumes,
            accepts: entry.accepts.value,
            source: entry.source,
            doi: entry.doi,
            confidence: entry.confidence,
            remarks: entry.remarks,
            confirmed_by: entry.confirmed_by.map(|v| v.value),
            confirmed_on: entry.confirmed_on.map(|v| v.value),
        });
    }
    checker.finish(Calibrations { entries })
}

fn check(entry: &Entry, before: &[Calibration], checker: &mut Checker<'_>) {
    let name = &entry.name.value;
    let plain_name =
        !name.is_empty() && name.chars().all(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '.' | '_'));
    checker.require(&entry.name, plain_name, "a name is made of letters, digits, `-`, `.` and `_`");
    let new = before.iter().all(|c| &c.name != name);
    checker.require(&entry.name, new, format!("calibration `{name}` is already defined above; names must differ"));
    let field = entry.field_strength_t.value;
    let possible = (0.2..=12.0).contains(&field);
    checker.require(&entry.field_strength_t, possible, format!("field strength {field} T is not between 0.2 and 12 T"));
    let rises = match entry.equation.value {
        Equation::Linear { slope, intercept } => slope > 0.0 && slope.is_finite() && intercept.is_finite(),
        Equation::PowerOfT2starMs { factor, exponent } => {
            factor > 0.0 && factor.is_finite() && exponent < 0.0 && exponent.is_finite()
        }
    };
    checker.require(&entry.equation, rises, "LIC must rise with R2*: slope or factor above 0, exponent below 0");
    if let Equation::Linear { slope, .. } = entry.equation.value {
        // The steepest and the flattest published lines are 0.0135 and 0.029; a slope in other units shows here.
        let sane = (0.001..=0.2).contains(&slope);
        checker.require(
            &entry.equation,
            sane,
            format!("slope {slope} is not in mg/g per /s (published: 0.013 to 0.029)"),
        );
    }
    if let Some(range) = &entry.validated_lic_mg_per_g {
        let [low, high] = range.value;
        checker.require(range, 0.0 <= low && low < high && high < 1000.0, "a range is [lowest, highest] in mg/g");
    }
    if let Some(error) = &entry.error {
        let sd = match error.value {
            PredictionError::Absolute { bias, sd } => (bias, sd),
            PredictionError::Relative { bias_percent, sd_percent } => (bias_percent, sd_percent),
        };
        checker.require(error, sd.0.is_finite() && sd.1.is_finite() && sd.1 > 0.0, "sd must be above 0");
    }
    checker.require(&entry.accepts, !entry.accepts.value.is_empty(), "name at least one signal model it accepts");
    for (index, accepted) in entry.accepts.value.iter().enumerate() {
        let again = entry.accepts.value[..index].iter().any(|a| a.model == accepted.model);
        checker.require(&entry.accepts, !again, format!("model `{}` is accepted twice", accepted.model));
        let added = (0.0..=50.0).contains(&accepted.added_percent);
        checker.require(&entry.accepts, added, "added_percent must be between 0 and 50");
        let fat = accepted.fat_at_most_percent.is_none_or(|f| (0.0..=100.0).contains(&f));
        checker.require(&entry.accepts, fat, "fat_at_most_percent must be between 0 and 100");
    }
    match (&entry.confirmed_by, &entry.confirmed_on) {
        (Some(by), Some(on)) => {
            checker.require(by, !by.value.trim().is_empty(), "confirmed_by needs a person's name, or null");
            let date = on.value.parse::<jiff::civil::Date>().is_ok();
            checker.require(on, date, format!("`{}` is not a date; write YYYY-MM-DD", on.value));
        }
        (Some(by), None) => checker.at(by, "confirmed_by without confirmed_on: say when"),
        (None, Some(on)) => checker.at(on, "confirmed_on without confirmed_by: say who"),
        (None, None) => {}
    }
}
