//! The physicist's profile: what was written, what it means, and the rules run on an acquisition. Pure.
//!
//! `written` is the file as typed (the JSON Schema comes from it); `profile` resolves it; `subject`,
//! `condition` and `rule` are one sentence of it; `facts` is the list of quantities; `check` runs the rules.

mod applies;
mod at;
mod check;
mod condition;
mod contrast;
mod errors;
mod facts;
mod lint;
mod measures;
mod model_choice;
mod profile;
mod quantity;
mod region_limits;
mod rule;
mod shipped;
mod subject;
mod unit;
mod written;

pub use check::{ByRange, CheckedAcquisition, check, check_images};
pub use errors::{ProfileError, ProfileErrors};
pub use measures::ImageMeasures;
pub use model_choice::ModelChoice;
pub use profile::{Approved, Profile, parse, parse_for};
pub use quantity::Quantity;
pub use region_limits::RegionLimits;
pub use rule::Rule;
pub use shipped::shipped;
