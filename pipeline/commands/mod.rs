//! One file for each command; the only room that knows all others.

pub mod amend;
pub mod analyse;
pub mod calibrate;
pub mod calibrations;
pub mod chain;
mod chart;
pub mod child;
pub mod confirmed;
pub mod course;
pub mod demo;
pub mod fenced;
pub mod kept;
pub mod profile;
mod region;
mod role;
mod segmenter;
pub mod send;
pub mod settings;
pub mod simulate;
mod summary;
pub mod verify;
pub mod watch;
