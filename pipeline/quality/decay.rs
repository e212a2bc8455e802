//! Decays that disagree: a slice against its neighbours, odd echoes against even ones.

use crate::fit::{Noise, State, Survey};
use crate::study::{Acquisition, text};

/// Voxels of a slice below which its median says nothing.
const FEWEST: usize = 40;
/// An echo counts where the region's median stands above the noise by this factor.
const LEAST_SIGNAL: f64 = 5.0;
/// Main fat peak against water, ppm (Hamilton 2011 with water at 4.7 ppm), and the proton's MHz per tesla.
const FAT_PPM: f64 = 3.4;
const MHZ_PER_TESLA: f64 = 42.577;
/// Echo spacings whose fat phase lies this near to half a turn alternate wherever there is fat.
const NEAR_HALF: f64 = 0.12;

/// The slice that disagrees most.
#[derive(Clone, Copy, Debug)]
pub(super) struct Disagreement {
    pub(super) slice: usize,
    /// Difference from its neighbours over the whole median, percent, less what chance explains.
    pub(super) percent: f64,
}

/// Median R2* of each slice against the mean of its neighbours'. `None` with fewer than three usable slices.
pub(super) fn by_slice(acquisition: &Acquisition, survey: &Survey, mask: &[bool]) -> Option<Disagreement> {
    let voxels = acquisition.grid().slice_voxels();
    let mut medians = Vec::new();
    let mut all = Vec::new();
    for slice in 0..acquisition.grid().slices() {
        let values: Vec<f64> = (slice * voxels..(slice + 1) * voxels)
            .filter(|&at| mask.get(at) == Some(&true) && survey.state[at] == State::Fitted)
            .map(|at| f64::from(survey.r2star[at]))
            .collect();
        if values.len() >= FEWEST {
            all.extend_from_slice(&values);
            let count = values.len() as f64;
            let middle = super::median(values.clone())?;
            let spread = super::median(values.iter().map(|v| (v - middle).abs()).collect())?;
            // Standard error of a median of normal values, from the median absolute deviation.
            medians.push((slice, middle, 1.253 * 1.4826 * spread / count.sqrt()));
        }
    }
    if medians.len() < 3 {
        return None;
    }
    let whole = super::median(all)?.max(1.0);
    let mut worst: Option<Disagreement> = None;
    for (place, &(slice, middle, error)) in medians.iter().enumerate() {
        let around: Vec<&(usize, f64, f64)> =
            [place.checked_sub(1), Some(place + 1)].into_iter().flatten().filter_map(|k| medians.get(k)).collect();
        let mean = around.iter().map(|m| m.1).sum::<f64>() / around.len() as f64;
        let chance = around.iter().map(|m| m.2).fold(error, f64::max);
        let percent = 100.0 * ((middle - mean).abs() - 3.0 * chance).max(0.0) / whole;
        if worst.is_none_or(|w| percent > w.percent) {
            worst = Some(Disagreement { slice, percent });
        }
    }
    worst
}

/// Alternation of odd and even echoes: how far the logarithm of the region's median signal at an echo lies from
/// the mean of its neighbours', with alternating sign, percent. `None` where fewer than five echoes stand above the
/// noise, where the spacing is uneven, or where fat alternates by itself at this spacing.
pub(super) fn alternation(acquisition: &Acquisition, noise: &Noise, mask: &[bool]) -> Option<f64> {
    let times = acquisition.echo_seconds();
    let spacing = times[1] - times[0];
    if times.windows(2).any(|w| ((w[1] - w[0]) - spacing).abs() > 0.02 * spacing) {
        return None;
    }
    let tesla = acquisition.header().scanner.field_strength?.0;
    let turns = spacing * FAT_PPM * MHZ_PER_TESLA * tesla;
    if ((turns - libm::floor(turns)) - 0.5).abs() < NEAR_HALF {
        return None;
    }
    let inside: Vec<usize> = (0..mask.len()).filter(|&at| mask[at]).collect();
    let logs: Vec<f64> = (0..times.len())
        .map_while(|echo| {
            let image = acquisition.echo(echo);
            let signal = super::median(inside.iter().map(|&at| f64::from(image[at])).collect())?;
            (signal > LEAST_SIGNAL * noise.sigma).then(|| libm::log(signal))
        })
        .collect();
    if logs.len() < 5 {
        return None;
    }
    let mut sum = 0.0;
    for (echo, w) in logs.windows(3).enumerate() {
        let bend = w[1] - 0.5 * (w[0] + w[2]);
        sum += if echo % 2 == 0 { bend } else { -bend };
    }
    // A true alternation of ±a/2 bends by ±a at every echo.
    let value = 100.0 * (sum / (logs.len() - 2) as f64).abs();
    text::plain(value).parse().ok()
}
