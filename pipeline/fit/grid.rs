//! A coarse look before the iteration: rates on a grid, their normalised curves shared by every voxel.

use super::echoes::{Echoes, rate_limits};
use super::lanes::{Lane, Real};

/// Rates tried for every voxel.
pub const RATES: usize = 18;

/// Unit-length decay curves on a grid of rates.
#[derive(Clone, Debug)]
pub struct Grid<T, const E: usize> {
    rates: [T; RATES],
    curves: [[T; E]; RATES],
    lengths: [T; RATES],
}

impl<T: Real, const E: usize> Grid<T, E> {
    /// From zero up to the highest rate the echoes can tell, closer where slow.
    pub fn new(times: &[f64], echoes: &Echoes<T, E>) -> Self {
        let highest = 0.8 * rate_limits(times)[1];
        let mut grid = Self { rates: [T::ZERO; RATES], curves: [[T::ZERO; E]; RATES], lengths: [T::ZERO; RATES] };
        for k in 0..RATES {
            let share = k as f64 / (RATES - 1) as f64;
            let rate = highest * share * share * share.sqrt();
            let mut length = 0.0;
            for (e, t) in times.iter().take(E).enumerate() {
                let value = libm::exp(-rate * (t - times[0])) * echoes.present[e].double();
                grid.curves[k][e] = T::of(value);
                length += value * value;
            }
            for value in &mut grid.curves[k] {
                *value = T::of(value.double() / length.sqrt());
            }
            grid.rates[k] = T::of(rate);
            grid.lengths[k] = T::of(length.sqrt());
        }
        grid
    }

    /// The rate whose curve explains most of the data, and the amplitude at the first echo that goes with it.
    #[inline(always)]
    pub fn best<const L: usize>(&self, data: &[Lane<T, L>; E]) -> (Lane<T, L>, Lane<T, L>) {
        let (mut rate, mut amplitude, mut explained) = (Lane::ZERO, Lane::ZERO, Lane::ZERO);
        for k in 0..RATES {
            let mut share = Lane::ZERO;
            for e in 0..E {
                share += data[e].times(self.curves[k][e]);
            }
            let better = share.compare(explained, |s, x| s > x);
            explained = share.or(&better, explained);
            rate = Lane::splat(self.rates[k]).or(&better, rate);
            amplitude = (share / Lane::splat(self.lengths[k])).or(&better, amplitude);
        }
        (rate, amplitude)
    }
}
