//! Events in a patient's course: a small YAML file dropped with the series, or entered later.

use super::config::{Checker, ConfigErrors};
use super::follow_up::Condition;
use serde::{Deserialize, Serialize};
use serde_yaml::Spanned;

/// What happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum EventKind {
    /// Chelation begun.
    ChelationBegun,
    /// Drug or dose changed.
    ChelationChanged,
    /// Chelation stopped.
    ChelationStopped,
    /// Transfusion regime changed.
    TransfusionChanged,
    /// Phlebotomy begun.
    PhlebotomyBegun,
    /// A transplant is planned for the date.
    TransplantPlanned,
    /// A transplant took place.
    Transplant,
    /// Anything else worth showing.
    Other,
}

impl EventKind {
    /// As a person reads it.
    pub fn words(self) -> &'static str {
        match self {
            Self::ChelationBegun => "chelation begun",
            Self::ChelationChanged => "chelation changed",
            Self::ChelationStopped => "chelation stopped",
            Self::TransfusionChanged => "transfusion regime changed",
            Self::PhlebotomyBegun => "phlebotomy begun",
            Self::TransplantPlanned => "transplant planned",
            Self::Transplant => "transplant",
            Self::Other => "event",
        }
    }

    /// Whether treatment changed with it, so that "since …" is worth saying.
    pub fn changes_treatment(self) -> bool {
        !matches!(self, Self::TransplantPlanned | Self::Other)
    }
}

/// One event.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Event {
    /// `YYYY-MM-DD`.
    pub date: String,
    /// What happened.
    pub kind: EventKind,
    /// In the words of whoever wrote it.
    #[serde(default)]
    pub text: Option<String>,
}

/// One events file.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct CourseEvents {
    /// Whose course it is, where the file says so; a file for another patient is not used.
    pub patient_id: Option<String>,
    /// The patient's condition, where the file says so.
    pub condition: Option<Condition>,
    /// In order of date.
    pub events: Vec<Event>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    /// Marks the file as ours among whatever else lies in a folder.
    #[serde(rename = "course_events")]
    events: Vec<Spanned<Event>>,
    #[serde(default)]
    patient_id: Option<String>,
    #[serde(default)]
    condition: Option<Condition>,
}

/// Reads an events file:
/// ```yaml
/// patient_id: "4711"            # optional
/// condition: sickle-cell        # optional
/// course_events:
///   - {date: 2026-01-15, kind: chelation-changed, text: deferasirox 21 mg/kg}
/// ```
pub fn course_events(file: &str, text: &str) -> Result<CourseEvents, ConfigErrors> {
    let (parsed, mut checker) = Checker::parse::<File>(file, text)?;
    for event in &parsed.events {
        let date = &event.value.date;
        let valid = date.parse::<jiff::civil::Date>().is_ok();
        checker.require(event, valid, format!("`{date}` is not a date; write YYYY-MM-DD"));
    }
    let mut events: Vec<Event> = parsed.events.into_iter().map(|e| e.value).collect();
    events.sort_by(|a, b| a.date.cmp(&b.date));
    checker.finish(CourseEvents { patient_id: parsed.patient_id, condition: parsed.condition, events })
}
