//! What a rule asks of a quantity.

use super::quantity::Seen;
use super::unit::Unit;
use crate::study::text::{plain, rough, safe};

/// Differences below this part of a limit are rounding, not deviation.
const ROUNDING: f64 = 1e-6;

/// A condition, with its limits in the quantity's own unit.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Condition {
    /// A number from `low` to `high`; `asked` is the middle of the sentence as the profile put it.
    Number {
        low: f64,
        high: f64,
        unit: Unit,
        asked: String,
    },
    /// One of these texts.
    OneOf(Vec<String>),
    /// None of these texts.
    NoneOf(Vec<String>),
    /// One of the texts contains this.
    Contains(String),
    Present,
    Absent,
}

impl Condition {
    /// Whether this satisfies the condition; `None` where it cannot be told because nothing is there.
    pub(super) fn holds(&self, seen: &Seen) -> Option<bool> {
        match (self, seen) {
            (Self::Present, seen) => Some(*seen != Seen::Missing),
            (Self::Absent, seen) => Some(*seen == Seen::Missing),
            (_, Seen::Missing) => None,
            (Self::Number { low, high, .. }, Seen::Number(value)) => Some(inside(*value, *low, *high)),
            // Several values, or an attribute that is text to the standard: every one must be a number inside.
            (Self::Number { low, high, .. }, Seen::Texts(texts)) => {
                Some(texts.iter().all(|t| t.trim().parse().is_ok_and(|value| inside(value, *low, *high))))
            }
            (Self::OneOf(words), seen) => Some(texts(seen).iter().any(|text| listed(words, text))),
            (Self::NoneOf(words), seen) => Some(!texts(seen).iter().any(|text| listed(words, text))),
            (Self::Contains(part), seen) => {
                let part = part.to_lowercase();
                Some(texts(seen).iter().any(|text| text.to_lowercase().contains(&part)))
            }
        }
    }

    /// After "the profile asks for".
    pub(super) fn asked(&self) -> String {
        match self {
            Self::Number { asked, .. } => asked.clone(),
            Self::OneOf(words) => either(words),
            Self::NoneOf(words) => format!("anything but {}", either(words)),
            Self::Contains(part) => format!("a text with `{part}`"),
            Self::Present => "a value".to_owned(),
            Self::Absent => "none".to_owned(),
        }
    }

    /// The finding's `expected`.
    pub(super) fn expected(&self) -> String {
        match self {
            Self::Number { low, high, unit, .. } => match (low.is_finite(), high.is_finite()) {
                (true, true) if low == high => unit.show(*low),
                (true, true) => unit.show_range(*low, *high),
                (true, false) => format!("at least {}", unit.show(*low)),
                _ => format!("at most {}", unit.show(*high)),
            },
            Self::OneOf(words) => either(words),
            Self::NoneOf(words) => format!("not {}", either(words)),
            Self::Contains(part) => format!("contains `{part}`"),
            Self::Present => "present".to_owned(),
            Self::Absent => "absent".to_owned(),
        }
    }

    /// The interval of numbers that satisfy it.
    pub(super) fn interval(&self) -> Option<(f64, f64)> {
        match self {
            Self::Number { low, high, .. } => Some((*low, *high)),
            _ => None,
        }
    }
}

fn inside(value: f64, low: f64, high: f64) -> bool {
    let slack = |limit: f64| if limit.is_finite() { limit.abs() * ROUNDING } else { 0.0 };
    value >= low - slack(low) && value <= high + slack(high)
}

/// A quantity measured on images, for the finding's `found`: no more digits than are worth reading, but enough that
/// what is shown violates the condition as the value does.
pub(super) fn measured(seen: &Seen, unit: Unit, condition: &Condition) -> String {
    let shown = match seen {
        Seen::Number(value) => rough(*value).parse().map_or_else(|_| seen.clone(), Seen::Number),
        _ => seen.clone(),
    };
    let same = condition.holds(&shown) == condition.holds(seen);
    found(if same { &shown } else { seen }, unit)
}

/// What was seen, for the finding's `found`.
pub(super) fn found(seen: &Seen, unit: Unit) -> String {
    match seen {
        Seen::Number(value) => unit.show(*value),
        Seen::Texts(texts) => {
            let shown: Vec<String> = texts.iter().map(|text| safe(text, 80)).collect();
            shown.join(", ")
        }
        Seen::Missing => "not given".to_owned(),
    }
}

/// Whether a text is in the list. Case and outer blanks do not matter, and numbers compare as numbers (`1.0` is `1`).
pub(super) fn listed(words: &[String], text: &str) -> bool {
    let text = text.trim().to_lowercase();
    words.iter().any(|word| {
        let word = word.trim().to_lowercase();
        word == text || matches!((word.parse::<f64>(), text.parse::<f64>()), (Ok(a), Ok(b)) if a == b)
    })
}

fn texts(seen: &Seen) -> Vec<String> {
    match seen {
        Seen::Texts(texts) => texts.clone(),
        Seen::Number(value) => vec![plain(*value)],
        Seen::Missing => Vec::new(),
    }
}

/// `a`, `a or b`, `a, b or c`.
fn either(words: &[String]) -> String {
    match words {
        [] => "nothing".to_owned(),
        [one] => one.clone(),
        [head @ .., last] => format!("{} or {last}", head.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_measured_value_is_shown_short_unless_that_would_hide_the_deviation() {
        let least = Condition::Number { low: 10.0, high: f64::INFINITY, unit: Unit::None, asked: String::new() };
        for (value, shown) in [(7.726, "7.7"), (9.96, "9.96"), (9.4, "9.4")] {
            assert_eq!(measured(&Seen::Number(value), Unit::None, &least), shown);
        }
        let most = Condition::Number { low: 0.0, high: 5.0, unit: Unit::Percent, asked: String::new() };
        assert_eq!(measured(&Seen::Number(5.04), Unit::Percent, &most), "5.04 %");
    }
}
