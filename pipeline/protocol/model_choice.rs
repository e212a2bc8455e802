//! Which signal model a profile asks for.

use crate::study::ModelKind;
use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::{Deserialize, Deserializer, Serialize, Serializer, de::Error};
use std::borrow::Cow;

/// The model asked for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ModelChoice {
    /// The fit chooses among those that the calibration accepts, and says why.
    #[default]
    Auto,
    /// This one.
    Fixed(ModelKind),
}

/// Every word, `automatic` first.
const WORDS: [&str; 7] = [
    "automatic",
    "monoexponential",
    "monoexponential-with-offset",
    "truncated",
    "noise-corrected",
    "fat-corrected",
    "complex",
];

impl ModelChoice {
    /// The word used in profiles.
    pub fn word(self) -> &'static str {
        match self {
            Self::Auto => WORDS[0],
            Self::Fixed(kind) => kind.word(),
        }
    }
}

impl Serialize for ModelChoice {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.word())
    }
}

impl<'de> Deserialize<'de> for ModelChoice {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let word = String::deserialize(deserializer)?;
        if word == WORDS[0] {
            return Ok(Self::Auto);
        }
        let kind = ModelKind::ALL.into_iter().find(|kind| kind.word() == word);
        kind.map(Self::Fixed).ok_or_else(|| D::Error::unknown_variant(&word, &WORDS))
    }
}

impl JsonSchema for ModelChoice {
    fn schema_name() -> Cow<'static, str> {
        "ModelChoice".into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        schemars::json_schema!({"type": "string", "enum": WORDS})
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_model_has_its_word() {
        let words: Vec<&str> = ModelKind::ALL.iter().map(|kind| kind.word()).collect();
        assert_eq!(words, WORDS[1..]);
    }
}
