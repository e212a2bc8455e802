//! The signal models, one file each; what they share is here.

mod complex;
mod decay;
mod fat_corrected;
mod noise_corrected;
mod offset;

pub use complex::ComplexDecay;
pub use decay::Decay;
pub use fat_corrected::FatCorrected;
pub use noise_corrected::NoiseCorrected;
pub use offset::WithOffset;

use super::batch::{Fitted, State};
use super::echoes::{Echoes, rate_limits};
use super::floor::NoiseFloor;
use super::grid::Grid;
use super::lanes::{Column, Lane, Real, each};
use super::solver::Solution;

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
        let span = times[times.len() - 1] - times[0];
        Self {
            echoes: Echoes::new(times),
            grid: Grid::new(times, |_| 1.0),
            floor: NoiseFloor::new(coil_elements),
            rates: rate_limits(times).map(T::of),
            size: T::of(0.1 / span),
        }
    }

    /// The data with the power of the noise taken out, √max(S² − 2Nσ², 0): a start, never a result.
    #[inline(always)]
    fn without_floor<const L: usize>(&self, data: &Column<T, E, L>) -> Column<T, E, L> {
        let mut out = [[T::ZERO; L]; E];
        let power = self.floor.power();
        for e in 0..self.echoes.count {
            each!(l in L, out[e][l] = (data[e][l] * data[e][l] - power).at_least(T::ZERO).sqrt());
        }
        out
    }

    /// Rounding error of a sum of squared residuals of these data.
    #[inline(always)]
    fn rounding<const L: usize>(&self, data: &Column<T, E, L>) -> Lane<T, L> {
        let mut sum = [T::ZERO; L];
        for row in data.iter().take(self.echoes.count) {
            each!(l in L, sum[l] += row[l] * row[l] * (T::SLACK * T::SLACK));
        }
        sum
    }

    /// What came of an iteration whose parameter `rate` is R2*, given the amplitude at the first echo.
    #[inline(always)]
    fn fitted<const P: usize, const L: usize>(
        &self,
        end: &Solution<T, P, L>,
        rate: usize,
        amplitude: &Lane<T, L>,
    ) -> Fitted<T, L> {
        let mut out = Fitted { rate: end.at[rate], iterations: end.iterations, ..Fitted::nothing() };
        let share = T::ONE / T::of(self.echoes.count as f64);
        each!(l in L, {
            out.error[l] = end.variance[rate][l].sqrt();
            out.start[l] = amplitude[l] * (end.at[rate][l] * self.echoes.first).exp();
            out.residual[l] = (end.cost[l] * share).sqrt() / amplitude[l];
        });
        for l in 0..L {
            out.state[l] = self.state(out.rate[l], end.converged[l], out.error[l], out.start[l]);
        }
        out
    }

    /// What became of a voxel with this R2*, its error and its signal at echo time zero.
    #[inline(always)]
    fn state(&self, rate: T, converged: bool, error: T, start: T) -> State {
        // Within this of a limit the limit decides, not the data.
        let margin = self.size * T::of(1e-3);
        if rate >= self.rates[1] - margin {
            State::AtBound
        } else if rate <= self.rates[0] + margin {
            State::BelowBound
        } else if converged && error > T::ZERO && start > T::ZERO {
            State::Fitted
        } else {
            State::NotConverged
        }
    }
}
