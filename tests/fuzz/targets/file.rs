//! Any bytes as one file. Seeds: `../shared/data/hostile` and `../shared/data/fuzz_pwnlab`.
#![no_main]
#![allow(dead_code)]

#[path = "../../intake/files.rs"]
mod files;
#[path = "../../intake/properties.rs"]
mod properties;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    properties::any_bytes(bytes);
});
