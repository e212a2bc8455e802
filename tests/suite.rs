//! Every integration test, one module for each room; a new test goes where its room is.
#![allow(clippy::unwrap_used)]

mod architecture;
mod daemon;
mod end_to_end;
mod fit;
mod intake;
mod phantom;
mod protocol;
mod quality;
mod reading;
mod report;
mod roi;
mod sending;
