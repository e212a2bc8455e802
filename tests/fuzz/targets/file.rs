//! Any bytes as one file: reading them must end in frames or in a reason, never in a panic or an allocation by a
//! declared length. Seeds: `../shared/data/hostile` and `../shared/data/fuzz_pwnlab`.
#![no_main]

use siderolog::intake::{Limits, probe::probe};

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    let limits = Limits { image_pixels: 1 << 20, inflated_bytes: 1 << 22, ..Limits::default() };
    if let Ok(frames) = probe(bytes.to_vec(), &limits) {
        for values in frames.iter().flat_map(|f| &f.pixels) {
            assert!(values.iter().all(|v| v.is_finite()));
        }
    }
});
