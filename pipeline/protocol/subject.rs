//! What a rule is about: a listed quantity or a DICOM tag.

use super::quantity::{Kind, Quantity, Seen, Source};
use super::unit::Unit;
use crate::study::Acquisition;
use dicom_core::dictionary::{DataDictionary, DataDictionaryEntry};
use dicom_core::{Tag, VR};
use dicom_dictionary_std::StandardDataDictionary;

/// What a rule is about.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Subject {
    Listed(&'static Quantity),
    /// A public or private attribute of the first image.
    Attribute {
        tag: (u16, u16),
        name: Option<String>,
        numeric: bool,
    },
}

impl Subject {
    /// Reads a quantity's name or `(gggg,eeee)`, perhaps followed by the attribute's name. The error is a sentence.
    pub(super) fn read(text: &str) -> Result<Self, String> {
        let text = text.trim();
        match text.strip_prefix('(').and_then(|rest| rest.split_once(')')) {
            Some((inside, _)) => Self::tag(inside, text),
            None => Quantity::find(text).map(Self::Listed),
        }
    }

    fn tag(inside: &str, whole: &str) -> Result<Self, String> {
        let parsed = inside.split_once(',').and_then(|(group, element)| {
            let hex = |digits: &str| {
                let digits = digits.trim();
                (digits.len() == 4).then(|| u16::from_str_radix(digits, 16).ok()).flatten()
            };
            Some((hex(group)?, hex(element)?))
        });
        let Some(tag) = parsed else {
            return Err(format!(
                "`{whole}` is not a DICOM tag; write four hexadecimal digits, a comma and four more, such as (0018,1030)"
            ));
        };
        let entry = StandardDataDictionary.by_tag(Tag(tag.0, tag.1));
        let numeric = entry.is_some_and(|e| {
            use VR::{DS, FD, FL, IS, SL, SS, UL, US};
            matches!(e.vr().exact(), Some(DS | IS | FD | FL | SL | SS | UL | US))
        });
        Ok(Self::Attribute { tag, name: entry.map(|e| spaced(e.alias())), numeric })
    }

    /// What kind of value it has.
    pub(super) fn kind(&self) -> Kind {
        match self {
            Self::Listed(quantity) => quantity.kind,
            Self::Attribute { numeric: true, .. } => {
                Kind::Number { unit: Unit::None, lowest: f64::NEG_INFINITY, highest: f64::INFINITY }
            }
            Self::Attribute { .. } => Kind::Text,
        }
    }

    /// Its unit; none for words and texts.
    pub(super) fn unit(&self) -> Unit {
        match self.kind() {
            Kind::Number { unit, .. } => unit,
            _ => Unit::None,
        }
    }

    /// At the start of a sentence.
    pub(super) fn sentence_name(&self) -> String {
        let name = self.name();
        let mut letters = name.chars();
        letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
    }

    /// Inside a sentence, and as the rule's identity.
    pub(super) fn name(&self) -> String {
        match self {
            Self::Listed(quantity) => quantity.name.to_owned(),
            Self::Attribute { name: Some(name), .. } => name.clone(),
            Self::Attribute { tag, .. } => format!("attribute ({:04x},{:04x})", tag.0, tag.1),
        }
    }

    /// The finding's code without its ending.
    pub(super) fn slug(&self) -> String {
        match self {
            Self::Listed(quantity) => quantity.name.replace(' ', "-"),
            Self::Attribute { tag, .. } => format!("tag-{:04x}-{:04x}", tag.0, tag.1),
        }
    }

    /// The finding's `attribute`.
    pub(super) fn attribute(&self) -> String {
        match self {
            Self::Listed(quantity) => match quantity.source {
                Source::Header(_) => quantity.attribute.to_owned(),
                Source::Image(_) => quantity.name.to_owned(),
            },
            Self::Attribute { tag, name, .. } => {
                let name = name.as_deref().unwrap_or("private attribute");
                format!("({:04X},{:04X}) {name}", tag.0, tag.1)
            }
        }
    }

    /// Whether every acquisition has it.
    pub(super) fn always(&self) -> bool {
        matches!(self, Self::Listed(quantity) if quantity.always)
    }

    /// Whether it is measured on the images.
    pub(super) fn is_image(&self) -> bool {
        matches!(self, Self::Listed(quantity) if quantity.is_image())
    }

    /// What the headers say. Missing for what is measured on the images.
    pub(super) fn see(&self, acquisition: &Acquisition) -> Seen {
        match self {
            Self::Listed(quantity) => match quantity.source {
                Source::Header(read) => read(acquisition),
                Source::Image(_) => Seen::Missing,
            },
            Self::Attribute { tag, numeric, .. } => {
                let Some(text) = acquisition.header().elements.get(tag).filter(|t| !t.trim().is_empty()) else {
                    return Seen::Missing;
                };
                let texts: Vec<String> = text.split('\\').map(|t| t.trim().to_owned()).collect();
                match texts.as_slice() {
                    [one] if *numeric => one.parse::<f64>().ok().into(),
                    _ => Seen::Texts(texts),
                }
            }
        }
    }
}

/// `RepetitionTime` as the standard's table prints it: `Repetition Time`.
fn spaced(alias: &str) -> String {
    let mut out = String::new();
    let letters: Vec<char> = alias.chars().collect();
    for (i, &c) in letters.iter().enumerate() {
        let after_small = i > 0 && letters[i - 1].is_lowercase();
        let before_small = i > 0 && letters.get(i + 1).is_some_and(|n| n.is_lowercase());
        if c.is_uppercase() && (after_small || before_small) {
            out.push(' ');
        }
        out.push(c);
    }
    out
}
