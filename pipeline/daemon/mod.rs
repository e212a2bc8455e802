//! Settings, spool, ledger, child processes, supervisor, events, health. Does I/O.

pub mod settings;
