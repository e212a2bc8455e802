//! One reading as the ledger keeps it and as `--history FILE` supplies it: one JSON object a line.

use super::config::{ConfigError, ConfigErrors};
use crate::study::{Digest, MilligramsPerGram, ModelKind};
use serde::{Deserialize, Serialize};

/// Version of the stored form.
pub const PAST_READING_VERSION: u32 = 1;

/// How a LIC is to be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Relation {
    /// As it stands.
    #[default]
    Equal,
    /// The true value is at least this.
    AtLeast,
    /// The true value is at most this.
    AtMost,
}

impl Relation {
    /// The word before the number: nothing, `at least` or `at most`.
    pub fn words(self) -> &'static str {
        match self {
            Self::Equal => "",
            Self::AtLeast => "at least",
            Self::AtMost => "at most",
        }
    }
}

/// Whose reading it is. Two hospitals may share a number, so the issuer is part of the key; birth date and sex
/// check it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct PatientKey {
    /// Issuer of Patient ID, or the site's default.
    pub issuer: Option<String>,
    /// Patient ID.
    pub id: Option<String>,
    /// `YYYY-MM-DD`.
    pub birth_date: Option<String>,
    /// `M`, `F` or `O`.
    pub sex: Option<String>,
}

/// The profile a reading was checked by.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct PastProfile {
    /// Name.
    pub name: String,
    /// Revision.
    pub revision: u32,
    /// Digest; `None` in readings from before it was kept.
    pub digest: Option<String>,
}

impl PastProfile {
    /// Whether both are one profile, as far as either knows.
    pub fn same(&self, other: &Self) -> bool {
        let content = match (&self.digest, &other.digest) {
            (Some(mine), Some(theirs)) => mine == theirs,
            _ => true,
        };
        content && self.name == other.name && self.revision == other.revision
    }
}

/// The scanner of a reading.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct PastScanner {
    /// Manufacturer.
    pub manufacturer: Option<String>,
    /// Model.
    pub model: Option<String>,
    /// Serial number.
    pub serial: Option<String>,
    /// Software versions.
    pub software: Option<String>,
    /// Tesla.
    pub field_strength_t: Option<f64>,
}

impl PastScanner {
    /// For a person: maker and model.
    pub fn words(&self) -> String {
        let words: Vec<&str> = [&self.manufacturer, &self.model].into_iter().flatten().map(String::as_str).collect();
        if words.is_empty() { "unknown scanner".to_owned() } else { crate::study::text::safe(&words.join(" "), 60) }
    }
}

/// A reading as it is kept.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct PastReading {
    /// [`PAST_READING_VERSION`].
    pub schema_version: u32,
    /// Whose.
    pub patient: PatientKey,
    /// Study date, `YYYY-MM-DD`.
    pub date: Option<String>,
    /// Study Instance UID; absent for imported values.
    pub study_uid: Option<String>,
    /// Digest of the acquisition; absent for imported values.
    pub acquisition: Option<Digest>,
    /// Where it was measured.
    pub scanner: PastScanner,
    /// Profile.
    pub profile: Option<PastProfile>,
    /// Signal model.
    pub model: Option<ModelKind>,
    /// Calibration by name.
    pub calibration: Option<String>,
    /// Median R2* in /s.
    pub r2star_per_s: Option<f64>,
    /// Its standard error from that scan alone: fit, noise level, region.
    pub r2star_se_per_s: Option<f64>,
    /// LIC in mg/g; absent where it was withheld.
    pub lic_mg_per_g: Option<f64>,
    /// How the LIC is to be read.
    pub relation: Relation,
    /// For values from elsewhere: how they were measured. Such values are shown, not tested.
    pub method: Option<String>,
}

impl PastReading {
    /// Whether it came from elsewhere.
    pub fn is_imported(&self) -> bool {
        self.method.is_some()
    }
}

/// Reads a history file, one JSON object a line; blank lines are skipped.
pub fn history(file: &str, text: &str) -> Result<Vec<PastReading>, ConfigErrors> {
    let mut errors = Vec::new();
    let mut readings = Vec::new();
    for (index, line) in text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty()) {
        match serde_json::from_str::<PastReading>(line) {
            Ok(reading) if reading.schema_version <= PAST_READING_VERSION => readings.push(reading),
            Ok(reading) => errors.push(ConfigError {
                file: file.to_owned(),
                line: index + 1,
                column: 1,
                message: format!(
                    "schema_version {} is newer than {PAST_READING_VERSION}, the newest this program reads",
                    reading.schema_version
                ),
                text: String::new(),
            }),
            Err(error) => errors.push(ConfigError {
                file: file.to_owned(),
                line: index + 1,
                column: error.column().max(1),
                message: format!("not a reading: {error}"),
                // The line can hold a patient; messages must not.
                text: String::new(),
            }),
        }
    }
    if errors.is_empty() { Ok(readings) } else { Err(ConfigErrors(errors)) }
}

/// Columns an import may have; the first three are required.
const COLUMNS: [&str; 7] = ["patient_id", "date", "method", "lic_mg_per_g", "lic_umol_per_g", "issuer", "birth_date"];

/// Reads earlier values from elsewhere: CSV with a heading line naming `patient_id`, `date` (YYYY-MM-DD),
/// `method` and one of `lic_mg_per_g` and `lic_umol_per_g`, optionally `issuer` and `birth_date`.
pub fn imported(file: &str, text: &str) -> Result<Vec<PastReading>, ConfigErrors> {
    let mut errors: Vec<ConfigError> = Vec::new();
    let mut wrong = |line: usize, column: usize, message: String| {
        errors.push(ConfigError { file: file.to_owned(), line, column, message, text: String::new() });
    };
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut lines = text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty());
    let heading: Vec<String> =
        lines.next().map(|(_, line)| csv_cells(line)).unwrap_or_default().iter().map(|c| c.to_lowercase()).collect();
    let place = |name: &str| heading.iter().position(|c| c == name);
    for (index, name) in heading.iter().enumerate().filter(|(_, name)| !COLUMNS.contains(&name.as_str())) {
        wrong(1, index + 1, format!("column `{name}` is not one of {}", COLUMNS.join(", ")));
    }
    let has_value = place("lic_mg_per_g").is_some() != place("lic_umol_per_g").is_some();
    if COLUMNS[..3].iter().any(|name| place(name).is_none()) || !has_value {
        wrong(
            1,
            1,
            "the heading must name patient_id, date, method and one of lic_mg_per_g and lic_umol_per_g".to_owned(),
        );
        return Err(ConfigErrors(errors));
    }
    let mut readings = Vec::new();
    for (index, line) in lines {
        let cells = csv_cells(line);
        let cell = |name: &str| place(name).and_then(|i| cells.get(i)).map(|c| c.trim()).filter(|c| !c.is_empty());
        let column = |name: &str| place(name).map_or(1, |i| i + 1);
        let date = cell("date").filter(|d| d.parse::<jiff::civil::Date>().is_ok());
        let molar = place("lic_umol_per_g").is_some();
        let value_name = if molar { "lic_umol_per_g" } else { "lic_mg_per_g" };
        let value = cell(value_name).and_then(|v| v.parse::<f64>().ok()).filter(|v| v.is_finite() && *v >= 0.0);
        let lic = value.map(|v| if molar { MilligramsPerGram::from_umol_per_g(v).0 } else { v });
        match (cell("patient_id"), date, cell("method"), lic) {
            (Some(id), Some(date), Some(method), Some(lic)) => readings.push(PastReading {
                schema_version: PAST_READING_VERSION,
                patient: PatientKey {
                    issuer: cell("issuer").map(str::to_owned),
                    id: Some(id.to_owned()),
                    birth_date: cell("birth_date").map(str::to_owned),
                    sex: None,
                },
                date: Some(date.to_owned()),
                lic_mg_per_g: Some(lic),
                method: Some(crate::study::text::safe(method, 60)),
                ..PastReading::default()
            }),
            (None, ..) => wrong(index + 1, column("patient_id"), "patient_id is empty".to_owned()),
            (_, None, ..) => wrong(index + 1, column("date"), "date is not YYYY-MM-DD".to_owned()),
            (_, _, None, _) => {
                wrong(index + 1, column("method"), "method is empty: say how it was measured".to_owned())
            }
            (_, _, _, None) => wrong(index + 1, column(value_name), format!("{value_name} is not a number")),
        }
    }
    if errors.is_empty() { Ok(readings) } else { Err(ConfigErrors(errors)) }
}

/// The cells of one CSV line (RFC 4180 without line breaks inside quotes); `;` where no comma is in the line.
pub fn csv_cells(line: &str) -> Vec<String> {
    let separator = if line.contains(',') { ',' } else { ';' };
    let (mut out, mut cell, mut quoted) = (Vec::new(), String::new(), false);
    let mut letters = line.trim_end_matches('\r').chars().peekable();
    while let Some(c) = letters.next() {
        match c {
            '"' if quoted && letters.peek() == Some(&'"') => {
                letters.next();
                cell.push('"');
            }
            '"' => quoted = !quoted,
            c if c == separator && !quoted => out.push(std::mem::take(&mut cell).trim().to_owned()),
            c => cell.push(c),
        }
    }
    out.push(cell.trim().to_owned());
    out
}
