//! Image quality measured in numbers that a profile can limit. Pure.
//!
//! Every number is computed for every acquisition and is absent, never 0, where it cannot be measured.
//! `body` finds where the patient is; `ghosting`, `displacement`, `decay` and `extent` measure; `motion` weighs
//! what motion leaves behind into one index.

mod body;
mod decay;
mod displacement;
mod extent;
mod fourier;
mod ghosting;
mod motion;
mod order;

use crate::fit::{Noise, Survey};
use crate::protocol::ImageMeasures;
use crate::roi::Region;
use crate::study::Acquisition;
use body::Body;

/// All measures of an acquisition. `region` gives the measured voxels; where it has none, its organ stands in.
pub fn measure(acquisition: &Acquisition, survey: &Survey, noise: &Noise, region: &Region) -> ImageMeasures {
    let mask = region.mask().map_or(region.organ(), |mask| mask.voxels());
    measure_inside(acquisition, survey, noise, mask, region.organ())
}

/// As [`measure`], with bare arrays: `mask` marks the measured voxels, `organ` the whole liver, one flag for
/// each voxel in grid order.
pub fn measure_inside(
    acquisition: &Acquisition,
    survey: &Survey,
    noise: &Noise,
    mask: &[bool],
    organ: &[bool],
) -> ImageMeasures {
    let body = Body::find(acquisition, noise);
    let ghosts = ghosting::measure(acquisition, noise, &body);
    let slices = decay::by_slice(acquisition, survey, mask);
    let echo_shift_mm = displacement::between_echoes(acquisition, noise, &body);
    let slice_shift_mm = displacement::between_slices(acquisition, noise, &body);
    ImageMeasures {
        signal_to_noise: extent::signal_to_noise(acquisition, noise, mask),
        ghosting_percent: ghosts.as_ref().map(|g| g.ratio_percent),
        echo_shift_mm,
        slice_shift_mm,
        slice_disagreement_percent: slices.map(|s| s.percent),
        slice_disagreeing: slices.map(|s| s.slice),
        wrap_percent: extent::wrap(acquisition, noise, &body),
        saturation_percent: extent::saturation(acquisition, mask, organ),
        void_percent: extent::voids(acquisition, noise, &body),
        alternation_percent: decay::alternation(acquisition, noise, mask),
        motion: motion::index(acquisition, noise, mask, ghosts.as_ref(), echo_shift_mm),
    }
}

/// The middle value; of an even number the upper of the two in the middle. `None` for none.
fn median(mut values: Vec<f64>) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let middle = values.len() / 2;
    Some(*values.select_nth_unstable_by(middle, f64::total_cmp).1)
}
