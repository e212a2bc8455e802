//! The JSON Schema in `config/schema/` is the one the types give.

use siderolog::protocol::json_schema;

#[test]
fn the_schema_file_is_fresh() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/config/schema/profile.json");
    let file = std::fs::read_to_string(path).unwrap_or_default();
    assert!(file == json_schema(), "config/schema/profile.json is stale; write it with `siderolog profile schema`");
}

#[test]
fn the_schema_knows_the_quantities_and_refuses_unknown_keys() {
    let schema: serde_json::Value = serde_json::from_str(&json_schema()).unwrap();
    assert_eq!(schema["additionalProperties"], false);
    assert!(schema["required"].as_array().unwrap().iter().any(|key| key == "rules"));
    assert!(json_schema().contains("\"first echo\""));
}
