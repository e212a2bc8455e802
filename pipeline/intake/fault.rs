//! Why a file or an image cannot be used: a stable word, a sentence, and the place.

use super::wire::{Tag, tag_text};
use crate::study::text::safe;
use std::borrow::Cow;

/// One reason. Its text holds no more of the file than an escaped excerpt.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Stable kebab-case word.
    pub code: &'static str,
    /// What is wrong, in words.
    pub text: Cow<'static, str>,
    /// The element concerned.
    pub tag: Option<Tag>,
    /// The byte where it begins.
    pub offset: Option<usize>,
}

impl Fault {
    /// A reason without a place.
    pub fn new(code: &'static str, text: impl Into<Cow<'static, str>>) -> Self {
        Self { code, text: text.into(), tag: None, offset: None }
    }

    /// In this element.
    pub fn tag(mut self, tag: Tag) -> Self {
        self.tag = Some(tag);
        self
    }

    /// At this byte.
    pub fn at(mut self, offset: usize) -> Self {
        self.offset = Some(offset);
        self
    }

    /// A value that cannot be used, quoted safely.
    pub fn value(code: &'static str, tag: Tag, wanted: &str, found: &str) -> Self {
        Self::new(code, format!("expected {wanted}, found \u{201c}{}\u{201d}", safe(found, 40))).tag(tag)
    }
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if let Some(tag) = self.tag {
            write!(f, "{}", tag_text(tag))?;
            if let Some(name) = super::dataset::name(tag) {
                write!(f, " {name}")?;
            }
            f.write_str(": ")?;
        }
        f.write_str(&self.text)?;
        if let Some(offset) = self.offset {
            write!(f, " (byte {offset})")?;
        }
        Ok(())
    }
}
