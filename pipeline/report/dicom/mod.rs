//! DICOM objects, one file each. Written as PS3.3 asks, with the terms of PS3.16 and our own codes where it has none.

pub mod codes;
pub mod element;
pub mod maker;
pub mod segmentation;
mod volume;
