//! Spatial correlation of the noise: interpolated or filtered images have fewer independent voxels than voxels.

use crate::fit::{Maps, State};
use crate::study::{Acquisition, Mask};

/// Lags looked at along rows and columns; a filter that reaches further would blur the liver visibly.
const LAGS: usize = 3;

/// How many voxels with correlated noise carry as much as one independent voxel in a median, from the residuals of
/// the fit at neighbouring voxels: 1 + 2 Σ (2/π)·asin ρ along rows, columns and slices, multiplied.
///
/// asin appears because a median counts signs: two standard normal variables with correlation ρ agree in sign with
/// correlation (2/π)·asin ρ (Sheppard 1899; citation from memory).
pub(super) fn correlated_voxels(
    acquisition: &Acquisition,
    maps: &Maps,
    mask: &Mask,
    expected: &dyn Fn(usize, f64) -> Option<f64>,
) -> f64 {
    let grid = acquisition.grid();
    let (columns, area) = (grid.columns(), grid.rows() * grid.columns());
    let echoes = acquisition.echo_times().len();
    // The middle echoes: the first and last few are bound closest to the fitted curve.
    let chosen: Vec<usize> =
        if echoes < 6 { (0..echoes).collect() } else { vec![echoes / 3, echoes / 2, 2 * echoes / 3] };
    let mut factors = 1.0;
    let residuals: Vec<Vec<f32>> =
        chosen.iter().map(|&echo| residuals(acquisition, maps, mask, echo, expected)).collect();
    // Residuals are centred by slice-wise neighbours only through their product; a mean left over from misfit
    // would look like correlation, so it is taken out.
    for (step, lags) in [(1, LAGS), (columns, LAGS), (area, 1)] {
        let mut factor = 1.0;
        for lag in 1..=lags {
            let rho = correlation(&residuals, step * lag, if step == 1 { Some((columns, lag)) } else { None });
            // Below this it is chance.
            let Some(rho) = rho.filter(|r| *r > 0.05) else { break };
            factor += 2.0 * (2.0 / std::f64::consts::PI) * libm::asin(rho.min(1.0));
        }
        factors *= factor;
    }
    factors
}

fn residuals(
    acquisition: &Acquisition,
    maps: &Maps,
    mask: &Mask,
    echo: usize,
    expected: &dyn Fn(usize, f64) -> Option<f64>,
) -> Vec<f32> {
    let time = acquisition.echo_times().get(echo).map_or(0.0, |t| t.0);
    let samples = acquisition.echo(echo);
    let mut out = vec![f32::NAN; mask.voxels().len()];
    let mut values = Vec::with_capacity(mask.count());
    for voxel in mask.indices().filter(|&v| maps.state.get(v) == Some(&State::Fitted)) {
        if let (Some(model), Some(sample)) = (expected(voxel, time), samples.get(voxel)) {
            let residual = (f64::from(*sample) - model) as f32;
            values.push(f64::from(residual));
            if let Some(slot) = out.get_mut(voxel) {
                *slot = residual;
            }
        }
    }
    let middle = super::stats::median(&values).unwrap_or(0.0) as f32;
    out.iter_mut().for_each(|r| *r -= middle);
    out
}

/// Correlation of residuals a step apart, over all given echoes. `row`: columns and lag where the step stays within
/// a row, so that the end of one row is not paired with the start of the next.
fn correlation(residuals: &[Vec<f32>], step: usize, row: Option<(usize, usize)>) -> Option<f64> {
    let (mut product, mut square, mut pairs) = (0.0, 0.0, 0usize);
    for map in residuals {
        for (index, (&a, &b)) in map.iter().zip(map.iter().skip(step)).enumerate() {
            let wraps = row.is_some_and(|(columns, lag)| index % columns + lag >= columns);
            if wraps || a.is_nan() || b.is_nan() {
                continue;
            }
            let (a, b) = (f64::from(a), f64::from(b));
            product += a * b;
            square += 0.5 * (a * a + b * b);
            pairs += 1;
        }
    }
    (pairs >= 50 && square > 0.0).then(|| product / square)
}
