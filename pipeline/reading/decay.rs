//! The region's decay: what was measured at each echo, what the fit says, and where the noise floor lies.

use super::stats::{median, quantile, sorted};
use crate::fit::{Maps, Noise, State};
use crate::study::{Acquisition, Mask, Seconds};
use serde::Serialize;

/// Points of the fitted curve.
const CURVE_POINTS: usize = 61;
/// Voxels the curve is made from: enough for a median, few enough to cost nothing.
const CURVE_VOXELS: usize = 400;

/// The decay of the region for the quality image and the page. Signals in scaled image units.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct RegionDecay {
    /// Echo times.
    pub echo_times: Vec<Seconds>,
    /// Median signal of the region at each echo.
    pub median: Vec<f64>,
    /// Lower quartile at each echo.
    pub q25: Vec<f64>,
    /// Upper quartile at each echo.
    pub q75: Vec<f64>,
    /// Median of the fitted voxels' expected signal at each echo; empty where nothing was fitted.
    pub fitted: Vec<f64>,
    /// `median` minus `fitted`.
    pub residuals: Vec<f64>,
    /// Times of the fitted curve, from zero to a little past the last echo.
    pub curve_times: Vec<Seconds>,
    /// The fitted curve.
    pub curve: Vec<f64>,
    /// Expected signal where there is only noise.
    pub noise_floor: f64,
    /// Median signal at echo time zero, fitted; `None` where nothing was fitted.
    pub s0: Option<f64>,
}

impl RegionDecay {
    /// Median absolute residual over the fitted signal at the first echo.
    pub fn relative_residual(&self) -> Option<f64> {
        let first = self.fitted.first().copied().filter(|f| *f > 0.0)?;
        median(&self.residuals.iter().map(|r| r.abs() / first).collect::<Vec<_>>())
    }
}

/// Of this region. `expected` gives a fitted voxel's expected signal at a time in seconds.
pub(super) fn region_decay(
    acquisition: &Acquisition,
    maps: &Maps,
    noise: &Noise,
    mask: &Mask,
    expected: &dyn Fn(usize, f64) -> Option<f64>,
) -> RegionDecay {
    let mut decay = RegionDecay {
        echo_times: acquisition.echo_times().to_vec(),
        median: Vec::new(),
        q25: Vec::new(),
        q75: Vec::new(),
        fitted: Vec::new(),
        residuals: Vec::new(),
        curve_times: Vec::new(),
        curve: Vec::new(),
        noise_floor: noise.sigma * crate::fit::mean_signal(0.0, noise.coil_elements),
        s0: None,
    };
    for echo in 0..acquisition.echo_times().len() {
        let samples = acquisition.echo(echo);
        let values: Vec<f64> = mask.indices().filter_map(|v| samples.get(v)).map(|s| f64::from(*s)).collect();
        let order = sorted(&values);
        let at = |q| quantile(&order, q).unwrap_or(f64::NAN);
        decay.median.push(at(0.5));
        decay.q25.push(at(0.25));
        decay.q75.push(at(0.75));
    }
    let fitted: Vec<usize> = mask.indices().filter(|&v| maps.state.get(v) == Some(&State::Fitted)).collect();
    let stride = fitted.len().div_ceil(CURVE_VOXELS).max(1);
    let some: Vec<usize> = fitted.into_iter().step_by(stride).collect();
    if some.is_empty() {
        return decay;
    }
    let at =
        |time: f64| median(&some.iter().filter_map(|&v| expected(v, time)).collect::<Vec<_>>()).unwrap_or(f64::NAN);
    decay.fitted = acquisition.echo_times().iter().map(|t| at(t.0)).collect();
    decay.residuals = decay.median.iter().zip(&decay.fitted).map(|(m, f)| m - f).collect();
    let last = acquisition.echo_times().last().map_or(0.0, |t| 1.05 * t.0);
    decay.curve_times = (0..CURVE_POINTS).map(|i| Seconds(last * i as f64 / (CURVE_POINTS - 1) as f64)).collect();
    decay.curve = decay.curve_times.iter().map(|t| at(t.0)).collect();
    decay.s0 = median(&some.iter().filter_map(|&v| maps.s0.get(v)).map(|s| f64::from(*s)).collect::<Vec<_>>());
    decay
}
