//! The physicist's profile: what was written, what it means, and the rules run on an acquisition. Pure.
//!
//! `written` is the file as typed (the JSON Schema comes from it); `profile` resolves it; `subject`,
//! `condition` and `rule` are one sentence of it; `facts` is the list of quantities; `check` runs the rules.

mod applies;
mod at;
mod check;
mod condition;
mod contrast;
mod derive;
mod errors;
mod facts;
mod lint;
mod measures;
mod model_choice;
mod print;
mod profile;
mod quantity;
mod region_limits;
mod rule;
mod schema;
mod shelf;
mod shipped;
mod subject;
mod trial;
mod unit;
mod written;

pub use check::{ByRange, CheckedAcquisition, check, check_images, same_revision_other_content};
pub use derive::{DeriveError, derive};
pub use errors::{ProfileError, ProfileErrors};
pub use measures::ImageMeasures;
pub use model_choice::ModelChoice;
pub use profile::{Approved, Profile, among, parse, parse_for, parse_together};
pub use quantity::Quantity;
pub use region_limits::RegionLimits;
pub use rule::Rule;
pub use schema::json_schema;
pub use shelf::{Change, Shelf};
pub use shipped::shipped;
pub use trial::{AllowedEchoes, Outcome, Trial, trial};
