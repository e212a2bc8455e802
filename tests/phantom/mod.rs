//! Tests of the phantom room.

mod contact_sheet;
mod still;
