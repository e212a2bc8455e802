//! Settings, spool, ledger, child processes, supervisor, events, health. Does I/O.

pub mod fence;
pub mod job;
pub mod runner;
pub mod settings;
pub mod voice;
