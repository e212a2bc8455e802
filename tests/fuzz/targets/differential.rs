//! Classic files against one enhanced object; the bytes choose slices, echoes, scales, order and pixels.
#![no_main]
#![allow(dead_code)]

#[path = "../../intake/files.rs"]
mod files;
#[path = "../../intake/properties.rs"]
mod properties;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    properties::differential(bytes);
});
