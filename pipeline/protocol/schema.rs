//! The JSON Schema of the profile format, from the types that read it.

use super::written;

/// The schema as it lies in `config/schema/profile.json`, for editors to complete and check profiles.
pub fn json_schema() -> String {
    let schema = schemars::schema_for!(written::File);
    // A schema is a plain JSON value: writing it cannot fail.
    let mut text = serde_json::to_string_pretty(&schema).unwrap_or_default();
    text.push('\n');
    text
}
