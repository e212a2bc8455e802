//! What a rule can look at: the quantities in trade terms, and any DICOM tag.

use super::errors::unknown;
use super::facts;
use super::measures::ImageMeasures;
use super::unit::Unit;
use crate::study::Acquisition;
use std::fmt;

/// What kind of value a quantity has.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Kind {
    /// A number in this unit, which can only lie between these.
    Number { unit: Unit, lowest: f64, highest: f64 },
    /// One of these words.
    Word(&'static [&'static str]),
    /// Free text as the header has it.
    Text,
}

/// What was seen on an acquisition.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Seen {
    Number(f64),
    /// One or several texts.
    Texts(Vec<String>),
    Missing,
}

impl From<Option<f64>> for Seen {
    fn from(value: Option<f64>) -> Self {
        value.filter(|v| v.is_finite()).map_or(Self::Missing, Self::Number)
    }
}

impl From<Option<String>> for Seen {
    fn from(value: Option<String>) -> Self {
        value.map_or(Self::Missing, |text| Self::Texts(vec![text]))
    }
}

/// Where a quantity is read.
#[derive(Clone, Copy)]
pub(super) enum Source {
    /// On the headers and the grid; known before any image is looked at.
    Header(fn(&Acquisition) -> Seen),
    /// On the images.
    Image(fn(&ImageMeasures) -> Option<f64>),
}

/// One quantity of the documented list.
pub struct Quantity {
    /// The words used in a profile.
    pub(super) name: &'static str,
    pub(super) kind: Kind,
    /// Tag and name of the attribute, or `measured`.
    pub(super) attribute: &'static str,
    /// Whether every acquisition has it.
    pub(super) always: bool,
    /// One line for the list.
    pub(super) meaning: &'static str,
    pub(super) source: Source,
}

impl fmt::Debug for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Quantity({})", self.name)
    }
}

impl PartialEq for Quantity {
    fn eq(&self, other: &Self) -> bool {
        self.name == other.name
    }
}

impl Quantity {
    /// The words used in a profile, such as `first echo`.
    pub fn name(&self) -> &'static str {
        self.name
    }
    /// One line of explanation.
    pub fn meaning(&self) -> &'static str {
        self.meaning
    }
    /// Tag and name of the attribute it is read from, or `measured on the images`.
    pub fn attribute(&self) -> &'static str {
        self.attribute
    }
    /// The unit, the words, or `text`.
    pub fn values(&self) -> String {
        match self.kind {
            Kind::Number { unit: Unit::None, .. } => "a bare number".to_owned(),
            Kind::Number { unit, .. } => format!("a number with a unit ({})", unit.symbol()),
            Kind::Word(words) => words.join(" | "),
            Kind::Text => "text".to_owned(),
        }
    }
    /// Whether it is measured on the images rather than read from headers.
    pub fn is_image(&self) -> bool {
        matches!(self.source, Source::Image(_))
    }
    /// The quantity with this name, or a sentence naming the nearest.
    pub(super) fn find(name: &str) -> Result<&'static Self, String> {
        let fold = |text: &str| text.trim().to_lowercase().replace(['-', '_'], " ");
        let wanted = fold(name);
        facts::QUANTITIES.iter().find(|q| fold(q.name) == wanted).ok_or_else(|| {
            let names: Vec<&str> = facts::QUANTITIES.iter().map(|q| q.name).collect();
            let message = unknown("quantity", name, &names);
            if message.ends_with('?') { message } else { format!("{message}, or a DICOM tag such as (0018,1030)") }
        })
    }
    /// Every quantity that a rule can name, in order of the documented list.
    pub fn all() -> &'static [Self] {
        facts::QUANTITIES
    }
}
