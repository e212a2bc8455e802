//! Tests of the fit room.

mod bias;
mod engine;
mod noise;
mod outside;
mod reference;
mod simulate;
