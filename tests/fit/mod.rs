//! Tests of the fit room.

mod speed;
