//! Whole studies through every stage.

mod shared_data;
