//! One file for each command; the only room that knows all others.

pub mod chain;
pub mod profile;
mod role;
pub mod simulate;
pub mod watch;
