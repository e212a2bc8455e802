//! The complex model on a whole neighbourhood: field map first, then each voxel from there.

use super::batch::{Maps, Sigma, State};
use super::field::field_map;
use super::model::{MOST_ECHOES, Model};
use super::models::ComplexDecay;
use ndarray::ArrayView2;
use rayon::prelude::*;

/// Rows of the engine for short and for long trains: a real and an imaginary part for each echo.
const FEW_ROWS: usize = 32;
const MOST_ROWS: usize = 2 * MOST_ECHOES;
/// Voxels whose strongest echo is below this many σ are noise.
const SIGNAL: f64 = 4.0;

/// Fits real and imaginary samples, echo × voxel over the whole grid, at these voxels of a grid of `shape` (slices, rows,
/// columns). Returns maps of the listed voxels and, for each, whether a swap of water and fat is suspected.
///
/// # Panics
/// Where the samples do not have one row for each echo time of the model.
pub fn fit_complex(
    model: &Model,
    real: ArrayView2<'_, f32>,
    imaginary: ArrayView2<'_, f32>,
    sigma: Sigma<'_>,
    shape: [usize; 3],
    voxels: &[usize],
) -> (Maps, Vec<bool>) {
    let times = model.echo_times();
    assert_eq!((real.nrows(), imaginary.nrows()), (times.len(), times.len()), "one row of samples for each echo time");
    let field = model.settings().field_strength.unwrap_or(f64::NAN);
    let decay = ComplexDecay::new(times, model.settings().spectrum, field);
    let shift = model.settings().spectrum.peaks(field)[1].0.abs();
    let at = |voxel: usize| -> Vec<[f64; 2]> {
        let scale = 1.0 / sigma.at(voxel);
        (0..times.len()).map(|e| [real[[e, voxel]], imaginary[[e, voxel]]].map(|x| f64::from(x) * scale)).collect()
    };
    let with_signal = |voxel: usize| at(voxel).iter().any(|[re, im]| re.hypot(*im) > SIGNAL);
    let tried: Vec<usize> = (0..voxels.len()).filter(|&k| with_signal(voxels[k])).collect();
    let places: Vec<usize> = tried.iter().map(|&k| voxels[k]).collect();
    let map = field_map(&decay, shape, &places, at, shift);
    let fits: Vec<_> = places
        .par_iter()
        .zip(&map.chosen)
        .map(|(&voxel, start)| {
            let samples: Vec<f64> = at(voxel).into_iter().flatten().collect();
            let start = [start.rate, start.offset];
            if samples.len() <= FEW_ROWS {
                decay.fit::<FEW_ROWS>(&samples, start)
            } else {
                decay.fit::<MOST_ROWS>(&samples, start)
            }
        })
        .collect();
    let mut maps = Maps::untried(voxels.len());
    maps.state.fill(State::NoSignal);
    let mut suspected = vec![false; voxels.len()];
    for ((&k, found), &swap) in tried.iter().zip(&fits).zip(&map.suspected) {
        maps.iterations[k] = found.iterations;
        maps.state[k] = if found.converged { State::Fitted } else { State::NotConverged };
        if !found.converged {
            continue;
        }
        suspected[k] = swap;
        let total = found.water + found.fat;
        let first = total * libm::exp(-found.rate * times[0]);
        maps.r2star[k] = found.rate as f32;
        maps.standard_error[k] = found.error as f32;
        maps.s0[k] = (total * sigma.at(voxels[k])) as f32;
        maps.fat_fraction[k] = (found.fat / total) as f32;
        maps.ambiguous[k] = swap;
        maps.residual[k] = ((found.cost / (2.0 * times.len() as f64)).sqrt() / first) as f32;
    }
    (maps, suspected)
}
