//! From a case to what people read and other systems take: the result document, pictures, pages, DICOM objects.
//! Pure: the same case gives the same bytes.
//!
//! [`view`] is filled from a case in one place; everything else is composed from it, so that each picture, page and
//! object can be looked at with made-up values.

mod case;
mod compose;
pub mod dicom;
pub mod interop;
pub mod outputs;
pub mod page;
pub mod picture;
pub mod result;
mod room;
mod statistics;
pub mod view;
pub mod words;

pub use case::{Case, Role, compose};
pub use compose::{RESULT, Report, compose_view};
pub use outputs::Outputs;
pub use result::{ResultDocument, RoleKind, RoomAnswer, Software};
pub use room::{answer, scanner_room_note, unusable_note, waiting_note};
