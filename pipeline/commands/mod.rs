//! One file for each command; the only room that knows all others.

pub mod chain;
pub mod profile;
pub mod simulate;
mod role;
pub mod watch;
