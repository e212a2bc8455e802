//! Tests of the quality room.
