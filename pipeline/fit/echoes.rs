//! Echo times as the solver wants them: counted from the first echo, padded to a fixed number of rows.

use super::lanes::{Lane, Real};

/// `E` rows, of which the first are real echoes and the rest carry no weight.
#[derive(Clone, Debug)]
pub struct Echoes<T, const E: usize> {
    /// Echo time of the first echo, s.
    pub first: T,
    /// Time since the first echo, s.
    pub since: [T; E],
    /// 1 for an echo, 0 for padding.
    pub present: [T; E],
    /// Number of real echoes.
    pub count: usize,
    /// Spacing, where all spacings are equal to 1e-7.
    pub spacing: Option<T>,
}

impl<T: Real, const E: usize> Echoes<T, E> {
    /// From echo times in seconds, at most `E`, strictly increasing.
    pub fn new(times: &[f64]) -> Self {
        let count = times.len().min(E);
        let (mut since, mut present) = ([T::ZERO; E], [T::ZERO; E]);
        for (k, t) in times.iter().take(E).enumerate() {
            since[k] = T::of(t - times[0]);
            present[k] = T::ONE;
        }
        Self { first: T::of(times[0]), since, present, count, spacing: spacing(times).map(T::of) }
    }

    /// exp(−rate·(t − t₁)) at every echo. With equal spacing by repeated multiplication, else one exponential each.
    #[inline(always)]
    pub fn decay<const L: usize>(&self, rate: Lane<T, L>) -> [Lane<T, L>; E] {
        let mut out = [Lane::splat(T::ONE); E];
        if let Some(spacing) = self.spacing {
            let ratio = rate.times(-spacing).exp();
            for e in 1..E {
                out[e] = out[e - 1] * ratio;
            }
        } else {
            for e in 1..E {
                out[e] = rate.times(-self.since[e]).exp();
            }
        }
        out
    }
}

/// The common spacing in seconds, if there is one.
pub fn spacing(times: &[f64]) -> Option<f64> {
    let (first, last) = (times.first()?, times.last()?);
    let step = (last - first) / (times.len() as f64 - 1.0);
    let even = times.iter().enumerate().all(|(k, t)| (t - first - k as f64 * step).abs() <= 1e-7 * step);
    (times.len() > 1 && even).then_some(step)
}

/// Limits of R2* that these echoes can tell at all, 1/s: below, growth by e over the train (noise about zero must not
/// be cut off, or medians would shift); above, five e-foldings in the shortest spacing, when only one echo is left.
pub fn rate_limits(times: &[f64]) -> [f64; 2] {
    let span = times[times.len() - 1] - times[0];
    let shortest = times.windows(2).map(|w| w[1] - w[0]).fold(span, f64::min);
    [-1.0 / span, 5.0 / shortest]
}
