//! From files to acquisitions: settle, claim, read. Does I/O; the only room that assembles an `Acquisition`.
//!
//! Reading goes in two passes. The first looks at every file's header and groups frames by what the headers
//! say; the second decodes the pixels that the acquisitions need. Both run in parallel over files, announce each
//! file before it is opened, and give results in an order that does not depend on the number of threads.

pub mod claim;
pub mod durable;
pub mod foreign;
pub mod settle;
pub mod watch;

mod build;
mod charset;
mod codec;
mod complex;
mod component;
mod consistency;
mod dataset;
mod decode;
mod facts;
mod fault;
mod gain;
mod gather;
mod group;
mod image;
mod limits;
mod look;
mod number;
mod object;
mod outcome;
mod pixels;
#[doc(hidden)]
pub mod probe;
mod read;
mod rectangle;
mod rle;
mod scaling;
mod source;
mod syntax;
mod vendor;
mod view;
mod wire;

pub use limits::Limits;
pub use outcome::{
    Announce, EventsFile, FileOutcome, FileRecord, Found, Intake, IntakeError, RegionFile, RegionFileKind, Request,
    Unreadable,
};
pub use read::read;
