//! The report page: its content once, as HTML and as PDF.

pub mod flow;
pub mod html;
pub mod model;
pub mod pdf;
