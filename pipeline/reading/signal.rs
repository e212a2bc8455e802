//! How strong the liver's signal was before it decayed, and what a fitted voxel is expected to show.

use super::stats::median;
use crate::fit::{FatSpectrum, FittedMap, Maps, Noise, State, mean_signal};
use crate::roi::Region;
use crate::study::{Acquisition, Mask, ModelKind, Seconds};

/// Tissue outside the liver counts as a yardstick where it decays slower than this, /s.
const SLOW: f64 = 300.0;
/// And where its signal at echo time zero is at least this many σ.
const CLEAR: f64 = 10.0;
/// Fewest such voxels.
const FEWEST: usize = 200;
/// How far the liver's own S0 may lie from the body's median, as factors: proton density and T1 weighting of soft
/// tissues, and the coil's sensitivity, differ by less (common practice, no source).
const BELOW: f64 = 0.5;
const ABOVE: f64 = 1.5;

/// Signal at echo time zero.
pub(super) struct Signal {
    /// S0 over σ in the region, held near the body's: where the liver is black its own S0 is a guess.
    pub(super) snr: f64,
    /// Median S0 over σ of the body outside the liver; `None` where nothing there gives signal.
    pub(super) body: Option<f64>,
    /// Tesla, for the frequencies of fat.
    field: Option<f64>,
}

impl Signal {
    pub(super) fn of(fitted: &FittedMap, region: &Region, mask: &Mask) -> Self {
        let (survey, sigma) = (fitted.survey(), fitted.noise().sigma);
        let organ = region.organ();
        let yardstick: Vec<f64> = survey
            .s0
            .iter()
            .zip(&survey.r2star)
            .enumerate()
            .filter(|(v, _)| !organ.get(*v).copied().unwrap_or(false) && !mask.contains(*v))
            .filter(|(v, _)| survey.state.get(*v) == Some(&State::Fitted))
            .map(|(_, (s0, r))| (f64::from(*s0) / sigma, f64::from(*r)))
            .filter(|(s0, r)| *s0 >= CLEAR && *r < SLOW)
            .map(|(s0, _)| s0)
            .collect();
        let body = if yardstick.len() >= FEWEST { median(&yardstick) } else { None };
        let maps = fitted.maps();
        let own: Vec<f64> = mask
            .indices()
            .filter(|&v| maps.state.get(v) == Some(&State::Fitted))
            .filter_map(|v| maps.s0.get(v))
            .map(|s| f64::from(*s) / sigma)
            .filter(|s| s.is_finite())
            .collect();
        let told = 2 * own.len() >= mask.count();
        let own = if told { median(&own) } else { None };
        let snr = match (own, body) {
            (Some(own), Some(body)) => own.clamp(BELOW * body, ABOVE * body),
            (Some(own), None) => own,
            (None, Some(body)) => BELOW * body,
            (None, None) => 0.0,
        };
        Self { snr, body, field: fitted.acquisition().header().scanner.field_strength.map(|t| t.0) }
    }

    /// Whether the region is so dark at the first echoes that its R2* must lie above `limit`: at each less than half of
    /// what a liver at the limit would show. A fit of a liver that is black from the start can find any R2*. One echo
    /// alone would not do: there fat may cancel water.
    pub(super) fn darker_than(&self, limit: f64, acquisition: &Acquisition, mask: &Mask, noise: &Noise) -> bool {
        let dark = |(echo, time): (usize, &Seconds)| {
            let samples = acquisition.echo(echo);
            let squares: Vec<f64> = mask
                .indices()
                .filter_map(|v| samples.get(v))
                .map(|s| f64::from(*s) / noise.sigma)
                .map(|s| s * s)
                .collect();
            // E[S²] = A² + 2Nσ².
            let amplitude = |power: f64| (power - 2.0 * noise.coil_elements).max(0.0).sqrt();
            let least = BELOW * self.snr * libm::exp(-limit * time.0);
            super::stats::mean(&squares).is_some_and(|power| amplitude(power) < least)
        };
        let mut first = acquisition.echo_times().iter().enumerate().take(3).peekable();
        self.body.is_some() && first.peek().is_some() && first.all(dark)
    }

    /// The expected magnitude of a fitted voxel at a time in seconds, noise floor included where the model has one.
    pub(super) fn expected(&self, maps: &Maps, kind: ModelKind, noise: &Noise, voxel: usize, time: f64) -> Option<f64> {
        let s0 = f64::from(*maps.s0.get(voxel)?);
        let rate = f64::from(*maps.r2star.get(voxel)?);
        let amplitude = s0 * libm::exp(-rate * time);
        if !amplitude.is_finite() {
            return None;
        }
        match kind {
            ModelKind::Monoexponential | ModelKind::Truncated => Some(amplitude),
            ModelKind::MonoexponentialWithOffset => Some(amplitude + f64::from(*maps.offset.get(voxel)?)),
            ModelKind::NoiseCorrected => Some(self.magnitude(amplitude, noise)),
            ModelKind::FatCorrected | ModelKind::Complex => {
                let fat = maps.fat_fraction.get(voxel).map(|f| f64::from(*f)).filter(|f| f.is_finite());
                Some(self.magnitude(amplitude * self.beat(fat.unwrap_or(0.0), time), noise))
            }
        }
    }

    fn magnitude(&self, amplitude: f64, noise: &Noise) -> f64 {
        noise.sigma * mean_signal(amplitude / noise.sigma, noise.coil_elements)
    }

    /// |water + fat| over water and fat together, at an echo time in seconds.
    fn beat(&self, fat: f64, time: f64) -> f64 {
        let Some(field) = self.field.filter(|_| fat != 0.0) else { return 1.0 };
        FatSpectrum::default().length(field, fat, time)
    }
}
