//! Tests of the phantom room.
