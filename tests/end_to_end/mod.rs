//! Whole studies through every stage.

mod course_events;
mod recipes;
mod shared_data;
