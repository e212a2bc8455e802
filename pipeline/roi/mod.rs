//! The liver: found automatically, supplied or amended. Pure.

mod region;

pub use region::{ExcludedCount, Exclusion, Region, RegionMeasures, SliceStatistics, dice};
