//! The physicist's profile: what was written, what it means, and the rules run on an acquisition. Pure.

mod region_limits;

pub use region_limits::RegionLimits;
