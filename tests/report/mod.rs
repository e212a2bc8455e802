//! The report room.

pub mod made;
mod objects;
mod pictures;
mod sheet;
mod texts;
