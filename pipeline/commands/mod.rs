//! One file for each command; the only room that knows all others.

pub mod calibrate;
pub mod calibrations;
pub mod chain;
mod chart;
pub mod course;
pub mod profile;
mod role;
pub mod simulate;
pub mod watch;
