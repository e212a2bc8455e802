//! Echo times as the solver wants them: counted from the first echo, in a fixed number of rows.

use super::lanes::{Column, Lane, Real, each};

/// `E` rows, of which the first `count` are echoes.
#[derive(Clone, Debug)]
pub struct Echoes<T, const E: usize> {
    /// Echo time of the first echo, s.
    pub first: T,
    /// Time since the first echo, s.
    pub since: [T; E],
    /// Number of real echoes.
    pub count: usize,
    /// Spacing, where all spacings are equal to 1e-7.
    pub spacing: Option<T>,
}

impl<T: Real, const E: usize> Echoes<T, E> {
    /// From echo times in seconds, at most `E`, strictly increasing.
    pub fn new(times: &[f64]) -> Self {
        let count = times.len().min(E);
        let mut since = [T::ZERO; E];
        for (since, t) in since.iter_mut().zip(times) {
            *since = T::of(t - times[0]);
        }
        Self { first: T::of(times[0]), since, count, spacing: spacing(times).map(T::of) }
    }
}

/// The decay at one echo, on its way along the train.
pub struct Running<T, const L: usize> {
    /// In each lane.
    pub now: Lane<T, L>,
    ratio: Lane<T, L>,
}

impl<T: Real, const E: usize> Echoes<T, E> {
    /// exp(−rate·(t − t₁)) at every echo. With equal spacing by repeated multiplication, else one exponential each.
    #[inline(always)]
    pub fn decay<const L: usize>(&self, rate: &Lane<T, L>, out: &mut Column<T, E, L>) {
        let mut running = self.start(rate);
        for e in 0..self.count {
            out[e] = running.now;
            self.advance(rate, &mut running, e);
        }
    }

    /// The decay at the first echo, which is 1.
    #[inline(always)]
    pub fn start<const L: usize>(&self, rate: &Lane<T, L>) -> Running<T, L> {
        let mut ratio = [T::ONE; L];
        if let Some(spacing) = self.spacing {
            each!(l in L, ratio[l] = (-(rate[l] * spacing)).exp());
        }
        Running { now: [T::ONE; L], ratio }
    }

    /// From echo `e` to the next.
    #[inline(always)]
    pub fn advance<const L: usize>(&self, rate: &Lane<T, L>, running: &mut Running<T, L>, e: usize) {
        if self.spacing.is_some() {
            each!(l in L, running.now[l] = running.now[l] * running.ratio[l]);
        } else if e + 1 < self.count {
            let since = self.since[e + 1];
            each!(l in L, running.now[l] = (-(rate[l] * since)).exp());
        }
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
