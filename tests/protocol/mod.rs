//! Tests of the protocol room.

mod acquisition;
mod broken;
mod commands;
mod derived;
mod matching;
mod quantities;
mod resolved;
mod schema;
mod shipped;
