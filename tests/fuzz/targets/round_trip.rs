//! What is written is read; the bytes choose bits, sign, echo times, places and pixels.
#![no_main]
#![allow(dead_code)]

#[path = "../../intake/files.rs"]
mod files;
#[path = "../../intake/properties.rs"]
mod properties;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    properties::round_trip(bytes);
});
