//! One file for each command; the only room that knows all others.

pub mod profile;
pub mod simulate;
pub mod watch;
