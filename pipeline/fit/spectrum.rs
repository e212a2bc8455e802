//! The spectrum of liver fat relative to water.
//!
//! Sign convention, pinned by a test: a peak below water in ppm has a negative frequency, and its signal is
//! exp(+i·2π·f·TE). Magnitude images cannot tell the sign; complex images may carry either, by the scanner's sense of
//! precession.

use std::f64::consts::TAU;

/// Gyromagnetic ratio of the proton over 2π, MHz/T (CODATA).
pub const PROTON_MHZ_PER_TESLA: f64 = 42.577_478;

/// A fat spectrum.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum FatSpectrum {
    /// Six peaks: the liver spectrum widely used for water-fat separation, credited to Hamilton et al. 2011.
    #[default]
    SixPeak,
    /// Nine peaks of liver fat (Hamilton et al., NMR Biomed 2011, doi:10.1002/nbm.1622).
    NinePeak,
}

/// Water at this place in the lists below, ppm.
const WATER_PPM: f64 = 4.7;

/// Place in ppm and relative amplitude.
const SIX: [(f64, f64); 6] = [(0.90, 0.087), (1.30, 0.693), (2.10, 0.128), (2.76, 0.004), (4.31, 0.039), (5.30, 0.048)];
const NINE: [(f64, f64); 9] = [
    (0.90, 0.088),
    (1.30, 0.642),
    (1.60, 0.058),
    (2.02, 0.062),
    (2.24, 0.058),
    (2.75, 0.006),
    (4.20, 0.039),
    (5.19, 0.010),
    (5.29, 0.037),
];

impl FatSpectrum {
    fn lines(self) -> &'static [(f64, f64)] {
        match self {
            Self::SixPeak => &SIX,
            Self::NinePeak => &NINE,
        }
    }

    /// Frequency in Hz relative to water and relative amplitude of each peak; the amplitudes add up to 1.
    pub fn peaks(self, field_strength: f64) -> Vec<(f64, f64)> {
        let total: f64 = self.lines().iter().map(|(_, amplitude)| amplitude).sum();
        let hertz_per_ppm = PROTON_MHZ_PER_TESLA * field_strength;
        self.lines().iter().map(|(ppm, amplitude)| ((ppm - WATER_PPM) * hertz_per_ppm, amplitude / total)).collect()
    }

    /// Signal of unit fat relative to water in phase, real and imaginary, at an echo time in seconds.
    pub fn signal(self, field_strength: f64, echo_time: f64) -> [f64; 2] {
        let mut sum = [0.0; 2];
        for (frequency, amplitude) in self.peaks(field_strength) {
            let (sin, cos) = libm::sincos(TAU * frequency * echo_time);
            sum[0] += amplitude * cos;
            sum[1] += amplitude * sin;
        }
        sum
    }

    /// |water + fat| over water and fat together at echo time zero, of this fat fraction at an echo time in seconds.
    pub fn length(self, field_strength: f64, fraction: f64, echo_time: f64) -> f64 {
        let [along, across] = self.signal(field_strength, echo_time);
        libm::hypot(1.0 - fraction + fraction * along, fraction * across)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Main-peak frequencies at 3.4 ppm from gyromagnetic ratio and field.
    #[test]
    fn methylene_resonates_below_water() {
        for (field, hertz) in [(1.5, -217.15), (2.89, -418.4), (3.0, -434.29)] {
            for spectrum in [FatSpectrum::SixPeak, FatSpectrum::NinePeak] {
                let peaks = spectrum.peaks(field);
                assert!((peaks[1].0 - hertz).abs() < 0.05, "{field} T: {}", peaks[1].0);
                assert!((peaks.iter().map(|p| p.1).sum::<f64>() - 1.0).abs() < 1e-12);
            }
        }
        // A quarter of a cycle after excitation the main peak lags behind water.
        assert!(FatSpectrum::SixPeak.signal(1.5, 0.25 / 217.15)[1] < -0.5);
    }
}
