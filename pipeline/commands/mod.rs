//! One file for each command; the only room that knows all others.

pub mod analyse;
pub mod chain;
pub mod child;
pub mod settings;
mod summary;
pub mod watch;
