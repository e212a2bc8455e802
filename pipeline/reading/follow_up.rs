//! The site's follow-up rules: thresholds, repeatability figures, and when a next scan is due.

use super::config::{Checker, ConfigErrors};
use super::events::EventKind;
use serde::{Deserialize, Serialize};
use serde_yaml::Spanned;

const SHIPPED: &str = include_str!("../../config/follow-up.yaml");

/// How a statement reached the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Standing {
    /// Read in the paper or its abstract.
    Published,
    /// Read in a text that quotes it.
    Secondary,
    /// From memory.
    Memory,
    /// Common practice, no source.
    CommonPractice,
    /// The site's own figure.
    Site,
}

impl Standing {
    /// What a person reads.
    pub fn words(self) -> &'static str {
        match self {
            Self::Published => "published",
            Self::Secondary => "quoted in a secondary source",
            Self::Memory => "from memory",
            Self::CommonPractice => "common practice, no source",
            Self::Site => "the site's own figure",
        }
    }
}

/// Who a threshold speaks of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Condition {
    /// Everyone.
    Any,
    /// Transfusion-dependent.
    TransfusionDependent,
    /// Non-transfusion-dependent.
    NonTransfusionDependent,
    /// Sickle cell disease.
    SickleCell,
    /// Before a transplant.
    BeforeTransplant,
}

impl Condition {
    /// The word a person reads.
    pub fn words(self) -> &'static str {
        match self {
            Self::Any => "everyone",
            Self::TransfusionDependent => "transfusion-dependent",
            Self::NonTransfusionDependent => "non-transfusion-dependent",
            Self::SickleCell => "sickle cell",
            Self::BeforeTransplant => "before transplant",
        }
    }
}

/// A guideline threshold.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Threshold {
    /// mg/g dry tissue.
    pub lic_mg_per_g: f64,
    /// Who it speaks of.
    pub condition: Condition,
    /// What it means there.
    pub meaning: String,
    /// Citation, or `none`.
    pub source: String,
    /// How it reached the file.
    pub confidence: Standing,
}

/// A percentage with its source.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Variation {
    /// Coefficient of variation or relative standard deviation, percent.
    pub percent: f64,
    /// Citation, or `none`.
    pub source: String,
    /// How it reached the file.
    pub confidence: Standing,
}

impl Variation {
    /// As a fraction.
    pub fn fraction(&self) -> f64 {
        self.percent / 100.0
    }
}

/// What a change of field strength adds.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FieldVariation {
    /// Relative part, percent.
    pub percent: f64,
    /// Absolute part, in /s of R2* at 3 T.
    pub per_s_at_3t: f64,
    /// Citation, or `none`.
    pub source: String,
    /// How it reached the file.
    pub confidence: Standing,
}

/// Scan-rescan variation of R2*.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Repeatability {
    /// On the same scanner.
    pub same_scanner: Variation,
    /// On another scanner.
    pub another_scanner: Variation,
}

/// What a change between two readings adds to the uncertainty of their comparison.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Changes {
    /// Field strength.
    pub field_strength: FieldVariation,
    /// Scanner software.
    pub software: Variation,
    /// Protocol profile.
    pub profile: Variation,
    /// Signal model.
    pub model: Variation,
    /// Calibration, where the earlier R2* is not known.
    pub calibration: Variation,
}

/// How a change is judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum JudgeChange {
    /// By the ratio of the two LIC.
    Relative,
    /// By their difference in mg/g.
    Absolute,
}

/// When a rule applies.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum When {
    /// Always.
    Always,
    /// LIC at or above this.
    LicAtLeastMgPerG(f64),
    /// One of these events happened within so many months before the scan.
    AfterEvent {
        /// Which events.
        kinds: Vec<EventKind>,
        /// How long before the scan.
        within_months: u32,
    },
    /// A transplant is planned; `months` counts back from its date.
    BeforeTransplant,
}

/// A rule for the next scan.
#[derive(Clone, Debug, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DueRule {
    /// Short name.
    pub name: String,
    /// When it applies.
    pub when: When,
    /// Months after this scan, or before the transplant.
    pub months: u32,
    /// As a person reads it.
    pub text: String,
    /// Citation, or `none`.
    pub source: String,
    /// How it reached the file.
    pub confidence: Standing,
}

/// The site's follow-up rules.
#[derive(Clone, Debug, PartialEq)]
pub struct FollowUp {
    /// Thresholds in the file's order.
    pub thresholds: Vec<Threshold>,
    /// Scan-rescan variation.
    pub repeatability: Repeatability,
    /// What changes add.
    pub changes: Changes,
    /// How a change is judged.
    pub judge_change: JudgeChange,
    /// Rules for the next scan.
    pub due: Vec<DueRule>,
}

impl FollowUp {
    /// The rules shipped with the program (`config/follow-up.yaml`).
    pub fn shipped() -> Result<Self, ConfigErrors> {
        follow_up("config/follow-up.yaml", SHIPPED)
    }

    /// The thresholds that speak of this condition; all of them where it is not known.
    pub fn thresholds_for(&self, condition: Option<Condition>) -> impl Iterator<Item = &Threshold> {
        self.thresholds.iter().filter(move |t| {
            t.condition == Condition::Any || condition.is_none_or(|c| c == t.condition || c == Condition::Any)
        })
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    thresholds: Vec<Spanned<Threshold>>,
    repeatability: Spanned<Repeatability>,
    changes: Spanned<Changes>,
    judge_change: JudgeChange,
    due: Vec<Spanned<DueRule>>,
}

/// Reads a follow-up file. `file` is only for messages.
pub fn follow_up(file: &str, text: &str) -> Result<FollowUp, ConfigErrors> {
    let (parsed, mut checker) = Checker::parse::<File>(file, text)?;
    for threshold in &parsed.thresholds {
        let lic = threshold.value.lic_mg_per_g;
        checker.require(threshold, lic > 0.0 && lic < 100.0, format!("{lic} mg/g is not a threshold of LIC in mg/g"));
    }
    let sane = |percent: f64| (0.0..=50.0).contains(&percent);
    let repeat = &parsed.repeatability.value;
    for percent in [repeat.same_scanner.percent, repeat.another_scanner.percent] {
        let holds = sane(percent) && percent > 0.0;
        checker.require(&parsed.repeatability, holds, format!("{percent} is not a percentage between 0 and 50"));
    }
    let c = &parsed.changes.value;
    let added =
        [c.field_strength.percent, c.software.percent, c.profile.percent, c.model.percent, c.calibration.percent];
    for percent in added {
        checker.require(&parsed.changes, sane(percent), format!("{percent} is not a percentage between 0 and 50"));
    }
    let per_s = c.field_strength.per_s_at_3t;
    checker.require(&parsed.changes, (0.0..=50.0).contains(&per_s), "per_s_at_3t must be between 0 and 50 /s");
    for rule in &parsed.due {
        let months = rule.value.months;
        checker.require(rule, (1..=120).contains(&months), format!("{months} months is not between 1 and 120"));
    }
    checker.finish(FollowUp {
        thresholds: parsed.thresholds.into_iter().map(|t| t.value).collect(),
        repeatability: parsed.repeatability.value,
        changes: parsed.changes.value,
        judge_change: parsed.judge_change,
        due: parsed.due.into_iter().map(|d| d.value).collect(),
    })
}
