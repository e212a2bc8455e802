//! Least squares on the first moment of the noncentral chi distribution with known noise level and effective number
//! of coil elements: E[S] of A = S₀·exp(−R2*·TE) (Feng et al., Magn Reson Med 2013, doi:10.1002/mrm.24607).

use super::Common;
use crate::fit::batch::{Fitted, Kernel};
use crate::fit::dispatch::Level;
use crate::fit::lanes::{Column, Lane, Real, each};
use crate::fit::solver::{Normal, Problem, Sample, Sink, Spread, minimise};

/// The decay under its noise floor. Both unknowns are nonlinear: amplitude at the first echo over σ, and R2*.
pub struct NoiseCorrected<T, const E: usize>(pub Common<T, E>);

struct Voxels<'a, T, const E: usize, const L: usize> {
    common: &'a Common<T, E>,
    data: &'a Column<T, E, L>,
}

impl<T: Real, const E: usize, const L: usize> Voxels<'_, T, E, L> {
    /// Gives every sample to the sink, echo by echo.
    #[inline(always)]
    fn sweep(&self, at: &[Lane<T, L>; 2], sink: &mut impl Sink<T, 2, L>) {
        let echoes = &self.common.echoes;
        let mut decay = echoes.start(&at[1]);
        let mut sample = Sample::new();
        for e in 0..echoes.count {
            let since = echoes.since[e];
            each!(l in L, {
                let part = decay.now[l];
                let signal = at[0][l] * part;
                let floor = self.common.floor.at(signal);
                sample.residual[l] = self.data[e][l] - floor.mean;
                sample.slope[0][l] = floor.slope * part;
                sample.slope[1][l] = -(floor.slope * signal * since);
                sample.variance[l] = floor.variance;
            });
            sink.take(&sample);
            echoes.advance(&at[1], &mut decay, e);
        }
    }
}

impl<T: Real, const E: usize, const L: usize> Problem<T, 2, L> for Voxels<'_, T, E, L> {
    #[inline(always)]
    fn normal(&mut self, at: &[Lane<T, L>; 2], sums: &mut Normal<T, 2, L>) {
        self.sweep(at, sums);
    }
    #[inline(always)]
    fn spread(&mut self, at: &[Lane<T, L>; 2], sums: &mut Spread<T, 2, L>) {
        self.sweep(at, sums);
    }
    #[inline(always)]
    fn rounding(&self) -> Lane<T, L> {
        self.common.rounding(self.data)
    }
    #[inline(always)]
    fn limits(&self) -> [[T; 2]; 2] {
        [[T::of(1e-3), T::of(1e7)], self.common.rates]
    }
    #[inline(always)]
    fn sizes(&self) -> [T; 2] {
        [T::of(0.1), self.common.size]
    }
}

impl<T: Real, const E: usize, const L: usize> Kernel<T, E, L> for NoiseCorrected<T, E> {
    #[inline(always)]
    fn block(&self, data: &Column<T, E, L>, most: u8, _level: Level) -> Fitted<T, L> {
        let start = self.0.grid.best(&self.0.without_floor(data));
        let mut amplitude = start.amplitude;
        each!(l in L, amplitude[l] = amplitude[l].at_least(T::ONE));
        let end = minimise(&mut Voxels { common: &self.0, data }, [amplitude, start.rate], most);
        self.0.fitted(&end, 1, &end.at[0])
    }
}
