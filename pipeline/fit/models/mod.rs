//! The signal models, one file each; what they share is here.

mod monoexponential;
mod noise_corrected;
mod offset;
mod truncated;

pub use monoexponential::Monoexponential;
pub use noise_corrected::NoiseCorrected;
pub use offset::WithOffset;
pub use truncated::Truncated;

use super::batch::{Fitted, State};
use super::echoes::{Echoes, rate_limits};
use super::floor::NoiseFloor;
use super::grid::Grid;
use super::lanes::{Lane, Real};

/// What every model of one acquisition needs.
pub struct Common<T, const E: usize> {
    /// Echo times.
    pub echoes: Echoes<T, E>,
    /// Starting rates.
    pub grid: Grid<T, E>,
    /// The noise floor.
    pub floor: NoiseFloor<T>,
    /// Lowest and highest R2*, 1/s.
    pub rates: [T; 2],
    /// A rate as good as zero, 1/s.
    pub size: T,
}

impl<T: Real, const E: usize> Common<T, E> {
    /// For these echo times in seconds and this effective number of coil elements.
    pub fn new(times: &[f64], coil_elements: f64) -> Self {
        let echoes = Echoes::new(times);
        let grid = Grid::new(times, &echoes);
        let span = times[times.len() - 1] - times[0];
        Self {
            grid,
            echoes,
            floor: NoiseFloor::new(coil_elements),
            rates: rate_limits(times).map(T::of),
            size: T::of(0.1 / span),
        }
    }

    /// The data with the power of the noise taken out, √max(S² − 2Nσ², 0): a start, never a result.
    #[inline(always)]
    fn without_floor<const L: usize>(&self, data: &[Lane<T, L>; E]) -> [Lane<T, L>; E] {
        let mut out = *data;
        for e in 0..E {
            let power = Lane::splat(self.floor.power());
            out[e] = (out[e] * out[e] - power).map(|x| x.at_least(T::ZERO)).sqrt().times(self.echoes.present[e]);
        }
        out
    }

    /// What came of a rate, its standard error, the amplitude at the first echo and a sum of squares over `rows` rows.
    #[inline(always)]
    fn fitted<const L: usize>(
        &self,
        rate: Lane<T, L>,
        variance: Lane<T, L>,
        amplitude: Lane<T, L>,
        cost: Lane<T, L>,
        converged: [bool; L],
        iterations: [u8; L],
    ) -> Fitted<T, L> {
        let mut state = [State::NotConverged; L];
        // Within this of a limit the limit decides, not the data.
        let margin = self.size * T::of(1e-3);
        for l in 0..L {
            let (r, v) = (rate.0[l], variance.0[l]);
            if r >= self.rates[1] - margin {
                state[l] = State::AtBound;
            } else if r <= self.rates[0] + margin {
                state[l] = State::BelowBound;
            } else if converged[l] && v > T::ZERO && amplitude.0[l] > T::ZERO {
                state[l] = State::Fitted;
            }
        }
        Fitted {
            rate,
            error: variance.sqrt(),
            start: amplitude * rate.times(self.echoes.first).exp(),
            offset: Lane::splat(T::NAN),
            fat: Lane::splat(T::NAN),
            fat_error: Lane::splat(T::NAN),
            ambiguous: [false; L],
            residual: cost.times(T::ONE / T::of(self.echoes.count as f64)).sqrt() / amplitude,
            state,
            iterations,
        }
    }
}
