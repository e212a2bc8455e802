//! Findings: every deviation a stage saw, each with where it is and what a person can do.

use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// How much a finding weighs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// Worth knowing; the verdict stays `clear`.
    Note,
    /// A person must look; numbers are given.
    Warn,
    /// LIC is withheld.
    Stop,
}

/// The stage that saw it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// Reading files into an acquisition.
    Intake,
    /// Header rules of the profile.
    Protocol,
    /// The liver region.
    Roi,
    /// The decay fit and its noise level.
    Fit,
    /// From R2* to LIC.
    Reading,
    /// Composing the outputs.
    Report,
    /// A person's decision.
    Review,
}

/// What the scanner room can do about a finding while the patient may still be there.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ScannerRoom {
    /// Repeat now, changing what the text says ("the first echo time to 1.0 ms or less").
    Repeat(String),
    /// A repeat would give the same; the text says why ("the iron load is above the measuring range").
    NoUse(String),
}

/// One deviation. `code` is stable and kebab-case; the other texts are for people.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Finding {
    /// Stable kebab-case code.
    pub code: Cow<'static, str>,
    /// How much it weighs.
    pub severity: Severity,
    /// Who saw it.
    pub stage: Stage,
    /// One or two plain sentences.
    pub message: String,
    /// What was expected, with units.
    pub expected: Option<String>,
    /// What was found, with units.
    pub found: Option<String>,
    /// The DICOM attribute or the quantity, such as `(0018,0080) Repetition Time`.
    pub attribute: Option<String>,
    /// What a person can do about it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub advice: Option<String>,
    /// The exact images or places concerned ("slice 3, echo 2"), empty when all are.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub images: Vec<String>,
    /// What the scanner room can change, if anything.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scanner_room: Option<ScannerRoom>,
}

impl Finding {
    /// A finding with its sentence; the rest is added by the methods below.
    pub fn new(
        stage: Stage,
        severity: Severity,
        code: impl Into<Cow<'static, str>>,
        message: impl Into<String>,
    ) -> Self {
        Self {
            code: code.into(),
            severity,
            stage,
            message: message.into(),
            expected: None,
            found: None,
            attribute: None,
            advice: None,
            images: Vec::new(),
            scanner_room: None,
        }
    }

    /// What was expected.
    pub fn expected(mut self, text: impl Into<String>) -> Self {
        self.expected = Some(text.into());
        self
    }

    /// What was found.
    pub fn found(mut self, text: impl Into<String>) -> Self {
        self.found = Some(text.into());
        self
    }

    /// The attribute or quantity concerned.
    pub fn attribute(mut self, text: impl Into<String>) -> Self {
        self.attribute = Some(text.into());
        self
    }

    /// What a person can do.
    pub fn advice(mut self, text: impl Into<String>) -> Self {
        self.advice = Some(text.into());
        self
    }

    /// The exact images concerned.
    pub fn images(mut self, images: Vec<String>) -> Self {
        self.images = images;
        self
    }

    /// The scanner room can repeat now, changing this.
    pub fn room_can_change(mut self, what: impl Into<String>) -> Self {
        self.scanner_room = Some(ScannerRoom::Repeat(what.into()));
        self
    }

    /// A repeat would not help, because of this.
    pub fn room_cannot_help(mut self, why: impl Into<String>) -> Self {
        self.scanner_room = Some(ScannerRoom::NoUse(why.into()));
        self
    }
}

/// The outcome of a study: the worst severity among its findings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Nothing deviates.
    Clear,
    /// A person must look; numbers are given.
    Review,
    /// No LIC.
    Refused,
}

impl Verdict {
    /// The verdict these findings add up to.
    pub fn of(findings: &[Finding]) -> Self {
        match findings.iter().map(|f| f.severity).max() {
            None | Some(Severity::Note) => Self::Clear,
            Some(Severity::Warn) => Self::Review,
            Some(Severity::Stop) => Self::Refused,
        }
    }

    /// The word used in documents.
    pub fn word(self) -> &'static str {
        match self {
            Self::Clear => "clear",
            Self::Review => "review",
            Self::Refused => "refused",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_worst_finding_decides() {
        let at = |severity| Finding::new(Stage::Fit, severity, "x", "x");
        assert_eq!(Verdict::of(&[]), Verdict::Clear);
        assert_eq!(Verdict::of(&[at(Severity::Note)]), Verdict::Clear);
        assert_eq!(Verdict::of(&[at(Severity::Note), at(Severity::Warn)]), Verdict::Review);
        assert_eq!(Verdict::of(&[at(Severity::Stop), at(Severity::Warn)]), Verdict::Refused);
    }
}
