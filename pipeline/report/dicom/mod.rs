//! DICOM objects, one file each. Written as PS3.3 asks, with the terms of PS3.16 and our own codes where it has none.

pub mod capture;
pub mod codes;
mod content;
pub mod document;
pub mod element;
pub mod maker;
pub mod map;
pub mod report;
pub mod segmentation;
mod volume;
