//! One index for what motion leaves behind.
//!
//! Motion during phase encoding acts alike on all echoes of a train: it leaves ghosts along phase encoding. Echoes
//! acquired separately or interleaved lie apart, and their voxels alternate. Each trace is divided by the limit
//! that still acquisitions of the simulator stay below; the largest quotient is the index.

use super::ghosting::Ghosts;
use crate::fit::Noise;
use crate::study::Acquisition;

/// Ghost amplitude over body signal, percent, that still acquisitions stay below.
const STILL_GHOST_PERCENT: f64 = 1.5;
/// Displacement between echoes, mm, that still acquisitions stay below.
const STILL_ECHO_SHIFT_MM: f64 = 2.0;
/// Spread of the voxels' odd-even alternation over what noise explains, that still acquisitions stay below.
const STILL_ALTERNATION: f64 = 2.0;

/// The index; `None` where nothing could be measured.
pub(super) fn index(
    acquisition: &Acquisition,
    noise: &Noise,
    mask: &[bool],
    ghosts: Option<&Ghosts>,
    echo_shift_mm: Option<f64>,
) -> Option<f64> {
    [
        ghosts.map(|g| g.amplitude_percent / STILL_GHOST_PERCENT),
        echo_shift_mm.map(|mm| mm / STILL_ECHO_SHIFT_MM),
        alternation_spread(acquisition, noise, mask).map(|spread| spread / STILL_ALTERNATION),
    ]
    .into_iter()
    .flatten()
    .max_by(f64::total_cmp)
}

/// Voxels of the region alternate by chance alone when still. The second difference of the first four echoes,
/// s0 − 3·s1 + 3·s2 − s3, is small for any smooth decay and eight times the alternation; its robust spread over
/// the region is divided by that of noise, √20·σ. `None` where the region is too small or the signal too low.
fn alternation_spread(acquisition: &Acquisition, noise: &Noise, mask: &[bool]) -> Option<f64> {
    if acquisition.echo_times().len() < 4 || noise.sigma <= 0.0 {
        return None;
    }
    let images: [_; 4] = std::array::from_fn(|echo| acquisition.echo(echo));
    let inside: Vec<usize> = (0..mask.len()).filter(|&at| mask[at]).collect();
    let third = super::median(inside.iter().map(|&at| f64::from(images[3][at])).collect())?;
    if inside.len() < 100 || third < 6.0 * noise.sigma {
        return None;
    }
    let differences: Vec<f64> = inside
        .iter()
        .map(|&at| {
            let s = |echo: usize| f64::from(images[echo][at]);
            s(0) - 3.0 * s(1) + 3.0 * s(2) - s(3)
        })
        .collect();
    let middle = super::median(differences.clone())?;
    let spread = 1.4826 * super::median(differences.iter().map(|d| (d - middle).abs()).collect())?;
    Some(spread / (20f64.sqrt() * noise.sigma))
}
