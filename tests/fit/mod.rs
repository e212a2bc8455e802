//! Tests of the fit room.

mod bias;
mod complex;
mod engine;
mod noise;
mod outside;
mod reference;
mod shared_fat;
mod simulate;
