//! From R2* to a number: calibrations, uncertainty, measuring range, course.

mod calibrations;
mod configuration;
mod course;
mod coverage;
mod range;
mod stage;
mod statistics;
