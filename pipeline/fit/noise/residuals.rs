//! Noise from what fits leave over. What a decay model misses (fat, field gradients) varies slowly over the image,
//! so that differences between the residuals of neighbours are noise alone.

use super::{Noise, NoiseMethod};
use crate::fit::{Maps, Model, ModelSettings, Sigma, State, fit};
use crate::study::{Acquisition, Finding, ModelKind, Severity, Stage};
use ndarray::ArrayView2;

/// Share of the voxels looked at: those with most signal at the last echo, where the noise floor lifts least.
const SHARE: f64 = 0.2;
/// One standard error of σ over σ, by trials on simulated abdomens; no source.
const UNCERTAINTY: f64 = 0.06;

/// From neighbours in the rows of the images.
pub fn estimate(acquisition: &Acquisition, coil_elements: f64) -> Noise {
    let samples = acquisition.magnitude();
    let last = samples.row(samples.nrows() - 1);
    let mut order: Vec<usize> = (0..last.len()).filter(|&v| acquisition.flaws()[v] == 0).collect();
    order.sort_by(|&a, &b| last[b].total_cmp(&last[a]));
    order.truncate(((order.len() as f64 * SHARE) as usize).max(1));
    order.sort_unstable();
    let brightest = samples.iter().copied().fold(0.0f32, f32::max);
    // Far below any real noise: only the fitted curve is wanted here.
    let tiny = f64::from(brightest).max(f64::MIN_POSITIVE) * 1e-4;
    let times = acquisition.echo_seconds();
    let variance = Model::new(ModelKind::Monoexponential, &times, &ModelSettings::default()).ok().and_then(|model| {
        let chosen = samples.select(ndarray::Axis(1), &order);
        let maps = fit(&model, chosen.view(), Sigma::Uniform(tiny), 1.0);
        differences(&order, acquisition.grid().columns(), chosen.view(), &maps, &times)
    });
    let sigma = variance.map_or(tiny, f64::sqrt).max(tiny);
    let relative_uncertainty = if variance.is_some() { UNCERTAINTY } else { 1.0 };
    let mut noise =
        Noise { method: NoiseMethod::Residuals, relative_uncertainty, ..Noise::given(sigma, coil_elements) };
    noise.findings.push(
        Finding::new(
            Stage::Fit,
            Severity::Note,
            "noise-from-residuals",
            "The images show neither background air nor voxels that have decayed into the noise, so the noise level is \
             taken from what the fits leave over; it is less certain, and the number of coil elements is not seen.",
        )
        .attribute("noise level"),
    );
    noise
}

/// Variance of one sample from differences between the residuals of neighbours `order[k]` and `order[k] + 1`.
fn differences(
    order: &[usize],
    columns: usize,
    samples: ArrayView2<'_, f32>,
    maps: &Maps,
    times: &[f64],
) -> Option<f64> {
    let freedom = times.len() as f64 - 2.0;
    let mut found = Vec::new();
    for k in 1..order.len() {
        let neighbours = order[k] == order[k - 1] + 1 && !order[k].is_multiple_of(columns);
        if !neighbours || maps.state[k] != State::Fitted || maps.state[k - 1] != State::Fitted {
            continue;
        }
        let residual = |echo: usize, voxel: usize| {
            let decay = libm::exp(-f64::from(maps.r2star[voxel]) * times[echo]);
            f64::from(samples[[echo, voxel]]) - f64::from(maps.s0[voxel]) * decay
        };
        let sum: f64 = (0..times.len()).map(|e| (residual(e, k) - residual(e, k - 1)).powi(2)).sum();
        found.push(sum / (2.0 * freedom));
    }
    super::robust_variance(&mut found, freedom)
}
