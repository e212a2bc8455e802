//! The service around the measurement: settings, child processes, the ledger, restarts.

mod runner;
mod settings;
mod supervisor;
