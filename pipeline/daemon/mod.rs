//! Settings, spool, ledger, child processes, supervisor, events, health. Does I/O.

mod arrivals;
pub mod earlier;
pub mod events;
pub mod fence;
pub mod health;
pub mod job;
pub mod ledger;
pub mod note;
pub mod outbox;
pub mod postman;
pub mod profiles;
pub mod runner;
pub mod segmenter;
pub mod settings;
mod shared;
pub mod spool;
pub mod supervisor;
pub mod voice;
mod work;
