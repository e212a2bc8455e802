//! From files to acquisitions: settle, claim, read. Does I/O; the only room that assembles an `Acquisition`.

pub mod claim;
pub mod durable;
pub mod foreign;
pub mod settle;
pub mod watch;
