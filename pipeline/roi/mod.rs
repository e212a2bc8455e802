//! The liver: found automatically, supplied or amended. Pure.

mod automatic;
mod blocks;
mod body;
mod confidence;
mod cut;
mod drawn;
mod features;
#[cfg(test)]
mod known;
mod lattice;
mod nifti;
mod outline;
mod parenchyma;
mod prior;
mod region;
mod search;
mod seg;
mod sets;
mod smooth;
mod supplied;
mod tissue;
mod train;

use crate::fit::{Noise, State, Survey};
use crate::protocol::RegionLimits;
use crate::study::Acquisition;

pub use drawn::{Drawn, RegionFormat, SuppliedFile};
pub use region::{ExcludedCount, Exclusion, Region, RegionMeasures, SliceStatistics, dice};
pub use supplied::{NamedRegion, amended, read_regions, segmented, supplied};

/// Finds the liver without help, from the echoes and the survey together.
///
/// Never fails: where there is no region, or one too uncertain to give a number, [`Region::mask`] is `None` and a
/// `stop` among the findings says why. The same input gives the same region at any thread count.
pub fn find(acquisition: &Acquisition, survey: &Survey, noise: &Noise, limits: &RegionLimits) -> Region {
    let untold = [State::NotConverged, State::NotTried];
    let answered: Vec<bool> = survey.state.iter().map(|state| !untold.contains(state)).collect();
    let surveyed = automatic::Surveyed {
        r2star: &survey.r2star,
        standard_error: &survey.standard_error,
        answered: &answered,
        noise: [noise.sigma, noise.coil_elements],
        local: noise.local.as_deref(),
    };
    automatic::find(acquisition, &surveyed, limits)
}
