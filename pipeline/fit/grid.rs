//! A coarse look before the iteration: rates on a grid, their normalised curves shared by every voxel.

use super::echoes::rate_limits;
use super::lanes::{Column, Lane, Real, each, pick};

/// Rates tried for every voxel.
const RATES: usize = 16;
/// Rows multiplied at a time.
const STRIDE: usize = 4;

/// Unit-length decay curves on a grid of rates.
#[derive(Clone, Debug)]
pub struct Grid<T, const E: usize> {
    rates: [T; RATES],
    curves: [[T; E]; RATES],
    inverse_lengths: [T; RATES],
    count: usize,
}

/// Where to start, and how much of the data it explains.
pub struct Start<T, const L: usize> {
    /// Rate, 1/s.
    pub rate: Lane<T, L>,
    /// Amplitude at the first echo.
    pub amplitude: Lane<T, L>,
    /// Projection of the data on the curve.
    pub explained: Lane<T, L>,
}

impl<T: Real, const E: usize> Grid<T, E> {
    /// From zero up to near the highest rate the echoes can tell, closer where slow; each echo of the decay times
    /// `shape` of it.
    pub fn new(times: &[f64], shape: impl Fn(usize) -> f64) -> Self {
        let highest = 0.8 * rate_limits(times)[1];
        let zero = [T::ZERO; RATES];
        let mut grid = Self { rates: zero, curves: [[T::ZERO; E]; RATES], inverse_lengths: zero, count: times.len() };
        for k in 0..RATES {
            let share = k as f64 / (RATES - 1) as f64;
            let rate = highest * share * share * share.sqrt();
            let curve: Vec<f64> =
                times.iter().enumerate().map(|(e, t)| shape(e) * libm::exp(-rate * (t - times[0]))).collect();
            let length = curve.iter().map(|x| x * x).sum::<f64>().sqrt().max(f64::MIN_POSITIVE);
            for (out, value) in grid.curves[k].iter_mut().zip(curve) {
                *out = T::of(value / length);
            }
            grid.rates[k] = T::of(rate);
            grid.inverse_lengths[k] = T::of(1.0 / length);
        }
        grid
    }

    /// The rate whose curve explains most of the data. Rows beyond the last echo must be zero.
    #[inline(always)]
    pub fn best<const L: usize>(&self, data: &Column<T, E, L>) -> Start<T, L> {
        let zero = [T::ZERO; L];
        let mut best = Start { rate: zero, amplitude: zero, explained: zero };
        for k in 0..RATES {
            let curve = &self.curves[k];
            let mut share = zero;
            let mut e = 0;
            while e < self.count && e + STRIDE <= E {
                each!(l in L, {
                    share[l] += data[e][l] * curve[e]
                        + data[e + 1][l] * curve[e + 1]
                        + data[e + 2][l] * curve[e + 2]
                        + data[e + 3][l] * curve[e + 3];
                });
                e += STRIDE;
            }
            let (rate, inverse) = (self.rates[k], self.inverse_lengths[k]);
            // As products, for a chosen value stored where it came from becomes a slow conditional store.
            each!(l in L, {
                let better = pick(share[l] > best.explained[l], T::ONE, T::ZERO);
                let worse = T::ONE - better;
                best.explained[l] = share[l].at_least(best.explained[l]);
                best.rate[l] = best.rate[l] * worse + rate * better;
                best.amplitude[l] = best.amplitude[l] * worse + share[l] * inverse * better;
            });
        }
        best
    }
}
