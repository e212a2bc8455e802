//! Whole studies through every stage.
