//! Words that every stage speaks: units, findings, the acquisition and its headers, the mask, model names.
//! Pure values; imports no other room.

mod acquisition;
mod finding;
mod grid;
mod header;
mod ids;
mod mask;
mod model;
pub mod text;
mod units;

pub use acquisition::{
    Acquisition, AcquisitionError, AcquisitionParts, ComplexImages, Source, SourceFrame, SourceInstance, flaw,
};
pub use finding::{Finding, ScannerRoom, Severity, Stage, Verdict};
pub use grid::{Grid, GridError, GridParts, Vector, cross, dot};
pub use header::{Breathing, EchoKind, Header, ImagingRequest, Patient, Scanner, Sequence, SeriesFacts, StudyFacts};
pub use ids::{Digest, is_uid};
pub use mask::{Mask, MaskMismatch, MaskOrigin};
pub use model::ModelKind;
pub use units::{IRON_G_PER_MOL, MilligramsPerGram, Millimetres, PerSecond, Seconds, Tesla};
