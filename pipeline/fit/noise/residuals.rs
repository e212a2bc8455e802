//! Noise from what fits leave over. What a decay model misses (fat, field gradients) varies slowly over the image,
//! so that differences between neighbours' residuals are noise alone.

use super::{Noise, NoiseMethod};
use crate::fit::dispatch::Level;
use crate::fit::{Model, ModelSettings, Sigma, fit_at};
use crate::study::{Acquisition, Finding, ModelKind, Severity, Stage};

/// Voxels looked at, spread evenly over those with most signal.
const SHARE: f64 = 0.25;

/// From the brightest quarter of the voxels that are not flawed.
pub fn estimate(acquisition: &Acquisition, coil_elements: f64) -> Noise {
    let samples = acquisition.magnitude();
    let times = acquisition.echo_seconds();
    let echoes = times.len();
    let first = samples.row(0);
    let mut order: Vec<usize> = (0..first.len()).filter(|&v| acquisition.flaws()[v] == 0).collect();
    order.sort_by(|&a, &b| first[b].total_cmp(&first[a]));
    order.truncate(((order.len() as f64 * SHARE) as usize).max(1));
    let chosen = samples.select(ndarray::Axis(1), &order);
    let scale = f64::from(chosen.row(0).iter().copied().fold(0.0, f32::max)).max(f64::MIN_POSITIVE);
    let model = Model::new(ModelKind::Monoexponential, &times, &ModelSettings::default());
    let mut spread = Vec::new();
    if let Ok(model) = model {
        let maps = fit_at(Level::best(), &model, chosen.view(), Sigma::Uniform(1e-4 * scale), 1.0);
        let last = times.len() - 1;
        for v in 0..order.len() {
            let amplitude = f64::from(maps.s0[v]) * libm::exp(-f64::from(maps.r2star[v]) * times[0]);
            let sum = f64::from(maps.residual[v]) * amplitude * (echoes as f64).sqrt();
            if sum.is_finite() && last >= 2 {
                spread.push(sum * sum / (echoes as f64 - 2.0));
            }
        }
    }
    spread.sort_by(f64::total_cmp);
    // A voxel's variance over its true value follows chi-squared with n−2 degrees of freedom; its median lies at
    // about (1 − 2/(9k))³ of it (Wilson and Hilferty 1931).
    let k = (echoes as f64 - 2.0).max(1.0);
    let median = libm::pow(1.0 - 2.0 / (9.0 * k), 3.0);
    let variance = spread.get(spread.len() / 2).copied().unwrap_or(0.0) / median;
    let mut noise = Noise {
        method: NoiseMethod::Residuals,
        relative_uncertainty: 0.1,
        ..Noise::given(variance.sqrt().max(1e-6 * scale), coil_elements)
    };
    noise.findings.push(
        Finding::new(
            Stage::Fit,
            Severity::Note,
            "noise-from-residuals",
            "The images show no background air and no decayed voxels, so the noise level is taken from what the fits \
             leave over; it is less certain.",
        )
        .attribute("noise level"),
    );
    noise
}
