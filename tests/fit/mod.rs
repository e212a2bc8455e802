//! Tests of the fit room.

mod simulate;

mod reference;
