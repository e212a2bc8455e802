//! From R2* to a number a clinician can act on: the region's median and its error, calibration, two intervals,
//! measuring range, course over time.
//!
//! [`read`] is the stage. `range` is also the physicist's tool: what a protocol can measure before any patient.

mod calibration;
mod config;
mod correlation;
mod course;
mod decay;
mod due;
mod events;
mod follow_up;
mod judge;
mod lic;
pub mod method_comparison;
mod past;
pub mod range;
mod read;
pub mod repeatability;
mod signal;
pub mod stats;
mod suitability;
mod summary;

pub use calibration::{Accepted, Calibration, Calibrations, Confidence, Equation, PredictionError, calibrations};
pub use config::{ConfigError, ConfigErrors};
pub use course::{Change, Course, CoursePoint, Rate, Today, course};
pub use decay::RegionDecay;
pub use due::Due;
pub use events::{CourseEvents, Event, EventKind, course_events};
pub use follow_up::{
    Changes, Condition, DueRule, FieldVariation, FollowUp, JudgeChange, Repeatability, Standing, Threshold, Variation,
    When, follow_up,
};
pub use lic::{BODY_IRON_PER_LIC, Budget, Component, Enters, Lic, Probability, express};
pub use past::{
    PAST_READING_VERSION, PastProfile, PastReading, PastScanner, PatientKey, Relation, csv_cells, history, imported,
};
pub use read::{Context, MeasuringRange, Position, Reading, read};
pub use summary::{FatSummary, R2StarSummary, summarise};

/// Said on every report.
pub const CARDIAC_NOTE: &str = "Liver iron does not show heart iron: cardiac T2* is a separate test.";
