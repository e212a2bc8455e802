//! The liver: found automatically, supplied or amended. Pure.

mod automatic;
mod body;
mod confidence;
mod cut;
mod features;
mod lattice;
mod outline;
mod parenchyma;
mod prior;
mod region;
mod search;

use crate::fit::{Noise, State, Survey};
use crate::protocol::RegionLimits;
use crate::study::Acquisition;

pub use region::{ExcludedCount, Exclusion, Region, RegionMeasures, SliceStatistics, dice};

/// Finds the liver without help, from the echoes and the survey together.
///
/// Never fails: where there is no region, or one too uncertain to give a number, [`Region::mask`] is `None` and a
/// `stop` among the findings says why. The same input gives the same region at any thread count.
pub fn find(acquisition: &Acquisition, survey: &Survey, noise: &Noise, limits: &RegionLimits) -> Region {
    let fitted: Vec<bool> = survey.state.iter().map(|&state| state == State::Fitted).collect();
    let surveyed =
        automatic::Surveyed { r2star: &survey.r2star, fitted: &fitted, noise: [noise.sigma, noise.coil_elements] };
    automatic::find(acquisition, &surveyed, limits)
}
