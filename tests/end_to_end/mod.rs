//! Whole studies through every stage.

mod recipes;
mod shared_data;
