//! One rule: from what was written to what it means, and the finding it gives.

use super::at::{At, Place, Text};
use super::condition::{self, Condition};
use super::errors::{Complaints, SourceText, unknown};
use super::quantity::{Kind, Seen};
use super::subject::Subject;
use super::unit::Unit;
use super::written::{self, Missing, Presence, Weight};
use crate::study::{Finding, ScannerRoom, Severity, Stage};
use std::sync::Arc;

/// Severity of a rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Gravity {
    Fixed(Severity),
    /// `warn` inside the measuring range, else `stop`.
    ByRange,
}

/// A rule, ready to run.
#[derive(Clone, Debug)]
pub struct Rule {
    pub(super) name: String,
    pub(super) subject: Subject,
    pub(super) condition: Condition,
    pub(super) gravity: Gravity,
    /// `None`: nothing happens where the value is missing.
    pub(super) when_missing: Option<Severity>,
    pub(super) reason: String,
    pub(super) room: Option<ScannerRoom>,
    /// As typed, for the resolved print.
    pub(super) written: written::Rule,
    pub(super) source: Arc<SourceText>,
    pub(super) place: Place,
}

impl Rule {
    /// Name, which is the quantity's where none was given.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Reads one rule. Mistakes are collected; `None` where there was one.
    pub(super) fn read(source: &Arc<SourceText>, at: &At<written::Rule>, complaints: &mut Complaints) -> Option<Self> {
        let w = &at.value;
        let subject = match Subject::read(&w.quantity.value.0) {
            Ok(subject) => subject,
            Err(message) => {
                complaints.add(source, w.quantity.place, message);
                return None;
            }
        };
        let condition = Reader { source, subject: &subject, complaints }.condition(at)?;
        let gravity = gravity(source, w, &subject, complaints)?;
        if w.reason.value.0.trim().is_empty() {
            complaints.add(source, w.reason.place, "the reason is empty; say why the rule exists, with its source");
        }
        let room = match (&w.advice, &w.no_repeat) {
            (Some(_), Some(no)) => {
                let message = "a rule has either `advice` (what the room changes) or `no repeat` (why a repeat would not help), not both";
                complaints.add(source, no.place, message);
                return None;
            }
            (Some(advice), None) => Some(ScannerRoom::Repeat(advice.value.0.clone())),
            (None, Some(why)) => Some(ScannerRoom::NoUse(why.value.0.clone())),
            (None, None) => None,
        };
        let fallback = match gravity {
            Gravity::Fixed(severity) => severity,
            Gravity::ByRange => Severity::Stop,
        };
        let when_missing = match w.when_missing.as_ref().map(|m| m.value) {
            None => Some(fallback),
            Some(Missing::Ignore) => None,
            Some(Missing::Note) => Some(Severity::Note),
            Some(Missing::Warn) => Some(Severity::Warn),
            Some(Missing::Stop) => Some(Severity::Stop),
        };
        Some(Self {
            name: w.name.as_ref().map_or_else(|| subject.name(), |n| n.value.0.clone()),
            condition,
            gravity,
            when_missing,
            reason: w.reason.value.0.trim().to_owned(),
            room,
            subject,
            written: w.clone(),
            source: source.clone(),
            place: at.place,
        })
    }

    /// The finding for what was seen, if it deviates. `by range` rules weigh `severity` here.
    pub(super) fn judge(&self, seen: &Seen, severity: Severity) -> Option<Finding> {
        let subject = self.subject.sentence_name();
        match self.condition.holds(seen) {
            Some(true) => None,
            Some(false) => {
                let unit = self.subject.unit();
                let found = if self.subject.is_image() {
                    condition::measured(seen, unit, &self.condition)
                } else {
                    condition::found(seen, unit)
                };
                let state = match (&self.condition, self.written.exactly.is_some() || self.written.between.is_some()) {
                    (Condition::Present, _) => "missing",
                    (Condition::Absent, _) => "present",
                    (Condition::Number { .. }, true) => "off",
                    (Condition::Number { high, .. }, false) if high.is_finite() => "too-high",
                    (Condition::Number { .. }, false) => "too-low",
                    _ => "off",
                };
                let message = match &self.condition {
                    Condition::Present => format!("{subject} is not given; the profile asks for it."),
                    Condition::Absent => format!("{subject} is {found}; the profile asks that there be none."),
                    condition => format!("{subject} is {found}; the profile asks for {}.", condition.asked()),
                };
                Some(self.finding(severity, state, message, found))
            }
            None if self.subject.is_image() => None,
            None => {
                let message =
                    format!("{subject} is not given in the headers; the profile asks for {}.", self.condition.asked());
                self.when_missing.map(|severity| self.finding(severity, "missing", message, "not given".to_owned()))
            }
        }
    }

    fn finding(&self, severity: Severity, state: &str, message: String, found: String) -> Finding {
        let stage = if self.subject.is_image() { Stage::Roi } else { Stage::Protocol };
        let mut finding = Finding::new(stage, severity, format!("{}-{state}", self.subject.slug()), message)
            .expected(self.condition.expected())
            .found(found)
            .attribute(self.subject.attribute())
            .advice(self.advice());
        finding.scanner_room = self.room.clone();
        finding
    }

    /// Reason and what to do, as sentences.
    fn advice(&self) -> String {
        let end = |text: &str| if text.ends_with(['.', '!', '?']) { text.to_owned() } else { format!("{text}.") };
        let reason = end(&self.reason);
        match &self.room {
            Some(ScannerRoom::Repeat(what)) => format!("{reason} At the scanner: change {}", end(what)),
            Some(ScannerRoom::NoUse(why)) => format!("{reason} A repeat would not help, because {}", end(why)),
            None => reason,
        }
    }
}

fn gravity(
    source: &Arc<SourceText>,
    w: &written::Rule,
    subject: &Subject,
    complaints: &mut Complaints,
) -> Option<Gravity> {
    const BY_RANGE: [&str; 5] =
        ["first echo", "last echo", "echo spacing", "echo spacing unevenness", "number of echoes"];
    match w.severity.value {
        Weight::Note => Some(Gravity::Fixed(Severity::Note)),
        Weight::Warn => Some(Gravity::Fixed(Severity::Warn)),
        Weight::Stop => Some(Gravity::Fixed(Severity::Stop)),
        Weight::ByRange if BY_RANGE.contains(&subject.name().as_str()) => Some(Gravity::ByRange),
        Weight::ByRange => {
            let message = format!(
                "`by range` weighs a rule on the echo times by what they can still measure, so it goes only with {}; use note, warn or stop here",
                BY_RANGE.join(", ")
            );
            complaints.add(source, w.severity.place, message);
            None
        }
    }
}

/// Reads the one condition of a rule.
struct Reader<'a> {
    source: &'a Arc<SourceText>,
    subject: &'a Subject,
    complaints: &'a mut Complaints,
}

impl Reader<'_> {
    fn wrong<T>(&mut self, place: Place, message: impl Into<String>) -> Option<T> {
        self.complaints.add(self.source, place, message);
        None
    }

    fn condition(&mut self, at: &At<written::Rule>) -> Option<Condition> {
        let w = &at.value;
        let given: Vec<(&str, Place)> = [
            ("exactly", w.exactly.as_ref().map(|c| c.place)),
            ("at most", w.at_most.as_ref().map(|c| c.place)),
            ("at least", w.at_least.as_ref().map(|c| c.place)),
            ("between", w.between.as_ref().map(|c| c.place)),
            ("one of", w.one_of.as_ref().map(|c| c.place)),
            ("none of", w.none_of.as_ref().map(|c| c.place)),
            ("contains", w.contains.as_ref().map(|c| c.place)),
            ("must be", w.must_be.as_ref().map(|c| c.place)),
        ]
        .into_iter()
        .filter_map(|(word, place)| place.map(|p| (word, p)))
        .collect();
        match given.as_slice() {
            [] => {
                let message = format!(
                    "the rule on {} has no condition; add one of: exactly (with within), at most, at least, between, one of, none of, contains, must be",
                    self.subject.name()
                );
                return self.wrong(w.quantity.place, message);
            }
            [_] => {}
            [(first, _), (second, place), ..] => {
                let hint = if [*first, *second] == ["at most", "at least"] {
                    "; for both ends write `between: [low, high]`"
                } else {
                    ""
                };
                let message = format!(
                    "the rule already has the condition `{first}`; `{second}` would be a second one. Make two rules, each with a `name`{hint}"
                );
                return self.wrong(*place, message);
            }
        }
        if let (Some(within), None) = (&w.within, &w.exactly) {
            return self.wrong(within.place, "`within` is the tolerance of `exactly`; this rule has none");
        }
        if let Some(presence) = &w.must_be {
            return self.presence(presence);
        }
        if let Some(part) = &w.contains {
            return self.contains(part);
        }
        if let Some(list) = &w.one_of {
            return self.words(list).map(Condition::OneOf);
        }
        if let Some(list) = &w.none_of {
            return self.words(list).map(Condition::NoneOf);
        }
        let kind = self.subject.kind();
        if let Some(exactly) = &w.exactly {
            return match kind {
                Kind::Number { .. } => self.exactly(exactly, w.within.as_ref()),
                _ => match &w.within {
                    Some(within) if matches!(self.subject, Subject::Listed(_)) => {
                        let message = format!("{} is not a number, so it has no tolerance", self.subject.name());
                        self.wrong(within.place, message)
                    }
                    Some(within) => self.exactly(exactly, Some(within)),
                    None => self.word(exactly).map(|word| Condition::OneOf(vec![word])),
                },
            };
        }
        let (low, high, place) = if let Some(most) = &w.at_most {
            (f64::NEG_INFINITY, self.number(most)?, most.place)
        } else if let Some(least) = &w.at_least {
            (self.number(least)?, f64::INFINITY, least.place)
        } else if let Some(between) = &w.between {
            let [low, high] = between.value.as_slice() else {
                let message = format!("`between` takes two values, `[low, high]`; here are {}", between.value.len());
                return self.wrong(between.place, message);
            };
            let (a, b) = (self.number(low)?, self.number(high)?);
            if a > b {
                let message =
                    format!("no value is between {} and {}; write the lower one first", low.value.0, high.value.0);
                return self.wrong(between.place, message);
            }
            (a, b, between.place)
        } else {
            return None;
        };
        let unit = self.unit();
        let asked = match (low.is_finite(), high.is_finite()) {
            (true, true) => unit.show_range(low, high),
            (true, false) => format!("at least {}", unit.show(low)),
            _ => format!("at most {}", unit.show(high)),
        };
        self.possible(Condition::Number { low, high, unit, asked }, place)
    }

    fn unit(&self) -> Unit {
        self.subject.unit()
    }

    fn number(&mut self, at: &At<Text>) -> Option<f64> {
        if !matches!(self.subject.kind(), Kind::Number { .. }) && matches!(self.subject, Subject::Listed(_)) {
            let message =
                format!("{} is not a number; use exactly, one of, none of, contains or must be", self.subject.name());
            return self.wrong(at.place, message);
        }
        match self.unit().read(&at.value.0) {
            Ok(value) => Some(value),
            Err(message) => self.wrong(at.place, format!("{message} (the quantity is {})", self.subject.name())),
        }
    }

    fn exactly(&mut self, exactly: &At<Text>, within: Option<&At<Text>>) -> Option<Condition> {
        let unit = self.unit();
        let value = self.number(exactly)?;
        let (tolerance, shown) = match within {
            None => (0.0, String::new()),
            Some(within) => {
                let text = within.value.0.trim();
                let tolerance = if text.ends_with('%') && unit != Unit::Percent {
                    match Unit::Percent.read(text) {
                        Ok(percent) => value.abs() * percent / 100.0,
                        Err(message) => return self.wrong(within.place, message),
                    }
                } else {
                    self.number(within)?
                };
                if tolerance < 0.0 {
                    return self.wrong(within.place, format!("a tolerance of {text} is below zero"));
                }
                (tolerance, format!(" within {text}"))
            }
        };
        let (low, high) = (tidy(value - tolerance), tidy(value + tolerance));
        let condition = Condition::Number { low, high, unit, asked: format!("{}{shown}", unit.show(value)) };
        self.possible(condition, exactly.place)
    }

    /// Refuses what no value, or every value, satisfies.
    fn possible(&mut self, condition: Condition, place: Place) -> Option<Condition> {
        let (Some((low, high)), Kind::Number { unit, lowest, highest }) = (condition.interval(), self.subject.kind())
        else {
            return Some(condition);
        };
        let name = self.subject.name();
        if high < lowest || low > highest {
            let message = format!(
                "{name} can only lie between {}, so no acquisition could satisfy {}",
                unit.show_range(lowest, highest).replace(" to ", " and "),
                condition.expected()
            );
            return self.wrong(place, message);
        }
        if low <= lowest && high >= highest {
            let message = format!(
                "every possible {name} satisfies {}, so the rule can never fire; remove it",
                condition.expected()
            );
            return self.wrong(place, message);
        }
        Some(condition)
    }

    fn presence(&mut self, presence: &At<Presence>) -> Option<Condition> {
        let name = self.subject.name();
        if self.subject.is_image() {
            return self.wrong(
                presence.place,
                format!("{name} is measured on the images, so it has no presence in the header"),
            );
        }
        match (presence.value, self.subject.always()) {
            (Presence::Present, true) => self
                .wrong(presence.place, format!("every acquisition has {name}, so the rule can never fire; remove it")),
            (Presence::Absent, true) => self.wrong(
                presence.place,
                format!("every acquisition has {name}, so no acquisition could satisfy `absent`"),
            ),
            (Presence::Present, false) => Some(Condition::Present),
            (Presence::Absent, false) => Some(Condition::Absent),
        }
    }

    fn contains(&mut self, part: &At<Text>) -> Option<Condition> {
        let text = part.value.0.trim();
        if self.subject.kind() != Kind::Text {
            let message =
                format!("`contains` is for texts; {} is {}", self.subject.name(), describe(self.subject.kind()));
            return self.wrong(part.place, message);
        }
        if text.is_empty() {
            return self
                .wrong(part.place, "every text contains nothing, so the rule can never fire; say what must be in it");
        }
        Some(Condition::Contains(text.to_owned()))
    }

    fn words(&mut self, list: &At<Vec<At<Text>>>) -> Option<Vec<String>> {
        if list.value.is_empty() {
            return self.wrong(list.place, "the list is empty; name at least one value");
        }
        let words: Vec<String> = list.value.iter().filter_map(|word| self.word(word)).collect();
        if let Kind::Word(known) = self.subject.kind()
            && known.iter().all(|k| words.iter().any(|w| w == k))
        {
            let message = format!(
                "the list names every possible {}, so the rule can never or always fire; shorten it",
                self.subject.name()
            );
            return self.wrong(list.place, message);
        }
        (words.len() == list.value.len()).then_some(words)
    }

    fn word(&mut self, at: &At<Text>) -> Option<String> {
        let text = at.value.0.trim();
        match self.subject.kind() {
            Kind::Text => Some(text.to_owned()),
            Kind::Number { .. } => self.number(at).map(crate::study::text::plain),
            Kind::Word(known) => {
                // Unquoted `true` and `false` mean yes and no to a person.
                let text = match text {
                    "true" => "yes",
                    "false" => "no",
                    other => other,
                };
                match known.iter().find(|k| k.eq_ignore_ascii_case(text)) {
                    Some(word) => Some((*word).to_owned()),
                    None => self.wrong(at.place, unknown(&format!("value of {}", self.subject.name()), text, known)),
                }
            }
        }
    }
}

fn describe(kind: Kind) -> &'static str {
    match kind {
        Kind::Number { .. } => "a number",
        Kind::Word(_) => "one of fixed words",
        Kind::Text => "a text",
    }
}

fn tidy(value: f64) -> f64 {
    (value * 1e9).round() / 1e9
}
