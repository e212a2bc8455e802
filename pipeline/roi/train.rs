//! What an echo train can tell: its times, what fat does at each, how well a decay is known from them.

use crate::fit::FatSpectrum;
use crate::study::Acquisition;

/// Smallest and largest rate the fit may give, 1/s.
pub(super) const RATES: [f32; 2] = [3.0, 5000.0];
/// What an imperfect shim may add to a decay, 1/s. Rates are compared as ln(R2* + SHIM): among slow decays the
/// difference counts, among fast ones the ratio, and a decay slower than the echoes can tell is not mistaken for any.
pub(super) const SHIM: f32 = 25.0;
/// A first echo below this many standard errors above nothing is dark,
pub(super) const SEEN: f32 = 3.0;
/// unless one of those up to this stands above it this many times as clearly: fat may cancel water at the first.
pub(super) const FIRST: usize = 3;
pub(super) const LATER: f32 = 2.0;
/// An error of ln rate or ln S0 beyond this says no more than this.
pub(super) const UNKNOWN: f32 = 1.5;
/// Neighbours whose echoes differ by this many standard deviations more than noise lets them are another tissue.
pub(super) const UNLIKE: f32 = 1.0;

/// Echo times with what fat does at each, and the noise of a square.
#[derive(Clone, Debug)]
pub(super) struct Train {
    pub(super) times: Vec<f32>,
    pub(super) beat: Vec<f32>,
    /// Twice the logarithm of adipose tissue's signal at each echo but for its decay.
    pub(super) adipose: Vec<f32>,
    pub(super) coil_elements: f64,
    /// Mean and standard deviation of the beat before anything is measured. At high iron the echoes cannot tell
    /// beat from decay, and a wide prior would leave the rate unknown.
    pub(super) expected_beat: [f32; 2],
    /// Mean and precision of ln S0² before anything is measured: tissues differ less in water than in decay, and where
    /// one echo alone is seen, nothing else tells the rate.
    pub(super) expected_origin: [f32; 2],
}

/// Fat fraction of adipose tissue: 85 to 97 % (common practice, no source).
const ADIPOSE: f64 = 0.93;
/// Adipose tissue stores no iron; nothing decays faster than this, 1/s, and is fat (common practice, no source).
pub(super) const ADIPOSE_RATE: f32 = 250.0;
/// Frequency of the main fat peak below water, Hz per tesla: 3.4 ppm of 42.58 MHz/T (common practice).
const FAT_HZ_PER_TESLA: f64 = 3.4 * 42.58;

impl Train {
    /// Of an acquisition; 1.5 T where the header does not say, which costs contrast and nothing else.
    pub fn of(acq: &Acquisition, coil_elements: f64) -> Self {
        let field = acq.header().scanner.field_strength.map_or(1.5, |t| t.0);
        let turn = std::f64::consts::TAU * FAT_HZ_PER_TESLA * field;
        let times = acq.echo_seconds();
        Self {
            beat: times.iter().map(|&t| libm::cos(turn * t) as f32).collect(),
            adipose: times
                .iter()
                .map(|&t| {
                    let [real, imaginary] = FatSpectrum::SixPeak.signal(field, t);
                    let (real, imaginary) = (1.0 - ADIPOSE + ADIPOSE * real, ADIPOSE * imaginary);
                    libm::log((real * real + imaginary * imaginary).max(1e-6)) as f32
                })
                .collect(),
            times: times.iter().map(|&t| t as f32).collect(),
            coil_elements,
            expected_beat: [0.0, 0.25],
            expected_origin: [0.0; 2],
        }
    }

    /// The same echoes where a beat is expected.
    pub fn expecting(&self, mean: f32, deviation: f32) -> Self {
        Self { expected_beat: [mean, deviation], ..self.clone() }
    }

    /// The same echoes where tissue is known to have about this ln S0, in σ.
    pub fn about(&self, origin: f32) -> Self {
        /// Standard deviation of ln S0 over tissues and the coils' shading.
        const SPREAD: f32 = 0.5;
        Self { expected_origin: [2.0 * origin, 0.25 / (SPREAD * SPREAD)], ..self.clone() }
    }

    /// Errors that ln rate and ln S0 of a place of so many samples have where they are `rate` and `origin` (in σ), the
    /// beat as expected: from the information the echoes carry (the inverse of Fisher's matrix), no more than
    /// [`UNKNOWN`].
    pub fn errors_at(&self, [rate, origin]: [f32; 2], samples: f32) -> [f32; 2] {
        let r2star = f64::from((libm::expf(rate) - SHIM).max(RATES[0]));
        let [expected, deviation] = self.expected_beat.map(f64::from);
        let mut m = [[0.0; 3]; 3];
        m[0][0] = f64::from(self.expected_origin[1]);
        m[2][2] = 1.0 / (deviation * deviation);
        for (&t, &cosine) in self.times.iter().zip(&self.beat) {
            let (t, cosine) = (f64::from(t), f64::from(cosine));
            let slopes = [1.0, -2.0 * r2star * t, 2.0 * cosine];
            let model = libm::exp(2.0 * f64::from(origin) + slopes[1] + expected * slopes[2]);
            let weight = f64::from(samples) * model * model / (4.0 * model + 4.0 * self.coil_elements);
            for (row, a) in m.iter_mut().zip(slopes) {
                row.iter_mut().zip(slopes).for_each(|(slot, b)| *slot += weight * a * b);
            }
        }
        let minor = |i: usize, j: usize, k: usize, l: usize| m[i][k] * m[j][l] - m[i][l] * m[j][k];
        let determinant = m[0][0] * minor(1, 2, 1, 2) - m[0][1] * minor(1, 2, 0, 2) + m[0][2] * minor(1, 2, 0, 1);
        let shifted = r2star / (r2star + f64::from(SHIM));
        let errors =
            [shifted * (minor(0, 2, 0, 2) / determinant).sqrt(), 0.5 * (minor(1, 2, 1, 2) / determinant).sqrt()];
        errors.map(|e| if e.is_finite() { (e as f32).min(UNKNOWN) } else { UNKNOWN })
    }

    /// Whether a signal of this rate and ln S0 (in σ) would be lost in the noise of one voxel at the first echoes.
    pub fn loses(&self, rate: f32, origin: f32) -> bool {
        let r2star = (libm::expf(rate) - SHIM).max(0.0);
        let power = |t: &f32, cosine: &f32| libm::expf(2.0 * (origin - r2star * t + self.expected_beat[0] * cosine));
        let mut echoes = self.times.iter().zip(&self.beat).take(FIRST).map(|(t, cosine)| power(t, cosine));
        let first = echoes.next().unwrap_or(0.0);
        let brightest = echoes.map(|later| later / LATER).fold(first, f32::max);
        brightest < 2.0 * SEEN * ((4.0 * self.coil_elements) as f32).sqrt()
    }
}
