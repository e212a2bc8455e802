//! The service around the measurement: settings, child processes, the ledger, restarts.

mod command_line;
mod crash;
mod late;
mod ledger;
mod profiles;
mod receive;
mod runner;
mod segmenter;
mod service;
mod settings;
mod supervisor;
