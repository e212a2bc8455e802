//! Tests of the protocol room.

mod shipped;
