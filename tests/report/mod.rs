//! The report room.

pub mod made;
mod objects;
mod pictures;
mod texts;
