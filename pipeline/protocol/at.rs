//! A value together with the place where a person wrote it.

use super::quantity::Quantity;
use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::borrow::Cow;

/// Line and column, from 1.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    /// Line, from 1; 0 where unknown.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
}

/// A value with its place in the file.
#[derive(Clone, Debug, PartialEq)]
pub struct At<T> {
    /// What was written.
    pub value: T,
    /// Where.
    pub place: Place,
}

impl<'de, T: Deserialize<'de>> Deserialize<'de> for At<T> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let spanned = serde_yaml::Spanned::<T>::deserialize(deserializer)?;
        let place = Place { line: spanned.referenced.line() as usize, column: spanned.referenced.column() as usize };
        Ok(Self { value: spanned.value, place })
    }
}

impl<T: Serialize> Serialize for At<T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.value.serialize(serializer)
    }
}

impl<T: JsonSchema> JsonSchema for At<T> {
    fn inline_schema() -> bool {
        T::inline_schema()
    }
    fn schema_name() -> Cow<'static, str> {
        T::schema_name()
    }
    fn schema_id() -> Cow<'static, str> {
        T::schema_id()
    }
    fn json_schema(generator: &mut SchemaGenerator) -> Schema {
        T::json_schema(generator)
    }
}

/// One word, number or sentence, kept as it was typed: `100 ms`, `6`, `yes`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Text(pub String);

impl JsonSchema for Text {
    fn inline_schema() -> bool {
        true
    }
    fn schema_name() -> Cow<'static, str> {
        "Text".into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        schemars::json_schema!({"type": ["string", "number", "boolean"]})
    }
}

/// The name of a quantity or a DICOM tag, as typed. Any text is read; the schema lets editors complete it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct QuantityName(pub String);

impl JsonSchema for QuantityName {
    fn schema_name() -> Cow<'static, str> {
        "Quantity".into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        let listed: Vec<_> = Quantity::all()
            .iter()
            .map(|q| serde_json::json!({"const": q.name(), "description": format!("{}; {}", q.meaning(), q.values())}))
            .collect();
        let tag = serde_json::json!({"type": "string", "pattern": "^\\([0-9A-Fa-f]{4},[0-9A-Fa-f]{4}\\)", "description": "a DICOM tag, such as (0018,1030)"});
        schemars::json_schema!({"anyOf": [{"oneOf": listed}, tag]})
    }
}
