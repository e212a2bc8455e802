//! Siderolog: multi-echo liver MRI in, liver iron concentration out.
//!
//! The rooms in order of flow; each may import only from those above it (`tests/architecture.rs`).

pub mod study;

pub mod phantom;

pub mod intake;

pub mod protocol;

pub mod fit;

pub mod roi;

pub mod quality;

pub mod reading;

pub mod report;

pub mod sending;

pub mod daemon;

pub mod commands;
