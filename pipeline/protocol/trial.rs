//! What each rule of a profile says to an acquisition, for a person who tries the profile out.

use super::condition;
use super::measures::ImageMeasures;
use super::profile::Profile;
use super::quantity::{Seen, Source};
use super::rule::Gravity;
use super::subject::Subject;
use crate::study::{Acquisition, Severity};

/// What became of a rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The acquisition satisfies it.
    Holds,
    /// It could not be measured on these images, or is missing and the profile ignores that.
    NotMeasured,
    /// It deviates, and weighs `warn` or `stop` by the measuring range.
    ByRange,
    /// It deviates.
    Fires(Severity),
}

/// One rule tried.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Trial {
    /// Name of the rule.
    pub rule: String,
    /// What the acquisition has, with its unit.
    pub found: String,
    /// What the profile asks for.
    pub asked: String,
    /// What became of it.
    pub outcome: Outcome,
}

/// Tries every rule, in the profile's order.
pub fn trial(profile: &Profile, acquisition: &Acquisition, measures: &ImageMeasures) -> Vec<Trial> {
    let tried = profile.rules.iter().map(|rule| {
        let seen = match &rule.subject {
            Subject::Listed(quantity) => match quantity.source {
                Source::Image(read) => Seen::from(read(measures)),
                Source::Header(read) => read(acquisition),
            },
            subject => subject.see(acquisition),
        };
        let severity = match rule.gravity {
            Gravity::Fixed(severity) => severity,
            Gravity::ByRange => Severity::Warn,
        };
        let outcome = match (rule.condition.holds(&seen), rule.judge(&seen, severity), rule.gravity) {
            (Some(true), ..) => Outcome::Holds,
            (_, None, _) => Outcome::NotMeasured,
            (_, Some(_), Gravity::ByRange) => Outcome::ByRange,
            (_, Some(finding), _) => Outcome::Fires(finding.severity),
        };
        Trial {
            rule: rule.name.clone(),
            found: condition::found(&seen, rule.subject.unit()),
            asked: rule.condition.asked(),
            outcome,
        }
    });
    tried.collect()
}

/// The longest echo train the rules still allow: what a conforming acquisition has at worst.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct AllowedEchoes {
    /// Latest first echo, ms.
    pub first_ms: Option<f64>,
    /// Widest spacing, ms.
    pub spacing_ms: Option<f64>,
    /// Fewest echoes.
    pub count: Option<f64>,
}

impl Profile {
    /// The echo train that the rules allow at worst.
    pub fn allowed_echoes(&self) -> AllowedEchoes {
        let limits = |name: &str| -> Vec<(f64, f64)> {
            self.rules.iter().filter(|r| r.subject.name() == name).filter_map(|r| r.condition.interval()).collect()
        };
        let most = |name: &str| limits(name).iter().map(|l| l.1).filter(|v| v.is_finite()).reduce(f64::min);
        let least = |name: &str| limits(name).iter().map(|l| l.0).filter(|v| v.is_finite()).reduce(f64::max);
        AllowedEchoes {
            first_ms: most("first echo"),
            spacing_ms: most("echo spacing"),
            count: least("number of echoes"),
        }
    }
}
