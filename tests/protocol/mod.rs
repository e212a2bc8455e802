//! Tests of the protocol room.
