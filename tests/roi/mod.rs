//! Tests of the roi room.
