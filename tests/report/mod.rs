//! The report room.

mod made;
mod objects;
mod pictures;
