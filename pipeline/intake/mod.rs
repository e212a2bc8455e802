//! From files to acquisitions: settle, claim, read. Does I/O; the only room that assembles an `Acquisition`.

pub mod durable;
pub mod claim;
pub mod foreign;
pub mod settle;
pub mod watch;
