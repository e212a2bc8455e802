//! The report page: its content once, as HTML and as PDF.

mod flow;
pub mod html;
pub mod model;
pub mod pdf;
