//! Tests of the phantom room.

mod contact_sheet;
mod export;
mod motion;
mod still;
pub mod table;
