//! Least squares on the first moment of the noncentral chi distribution with known noise level and effective number
//! of coil elements: E[S] of A = S₀·exp(−R2*·TE) (Feng et al., Magn Reson Med 2013, doi:10.1002/mrm.24607).

use super::Common;
use crate::fit::batch::{Fitted, Kernel};
use crate::fit::lanes::{Lane, Real};
use crate::fit::solver::{Problem, Rows, minimise};

/// The decay under its noise floor. Both unknowns are nonlinear: amplitude at the first echo over σ, and R2*.
pub struct NoiseCorrected<T, const E: usize>(pub Common<T, E>);

struct Voxels<'a, T, const E: usize, const L: usize> {
    common: &'a Common<T, E>,
    data: &'a [Lane<T, L>; E],
}

impl<T: Real, const E: usize, const L: usize> Problem<T, 2, E, L> for Voxels<'_, T, E, L> {
    #[inline(always)]
    fn rows(&self, at: &[Lane<T, L>; 2], rows: &mut Rows<T, 2, E, L>) {
        let echoes = &self.common.echoes;
        let decay = echoes.decay(at[1]);
        for e in 0..E {
            let signal = at[0] * decay[e];
            let floor = self.common.floor.at(signal);
            let present = echoes.present[e];
            rows.model[e] = signal;
            rows.residual[e] = (self.data[e] - floor.mean).times(present);
            let slope = floor.slope.times(present);
            rows.slope[0][e] = slope * decay[e];
            rows.slope[1][e] = (slope * signal).times(-echoes.since[e]);
        }
    }
    #[inline(always)]
    fn variance(&self, _: &[Lane<T, L>; 2], rows: &Rows<T, 2, E, L>) -> [Lane<T, L>; E] {
        let mut out = [Lane::ZERO; E];
        for e in 0..E {
            out[e] = self.common.floor.at(rows.model[e]).variance;
        }
        out
    }
    #[inline(always)]
    fn limits(&self) -> [[T; 2]; 2] {
        [[T::of(1e-3), T::of(1e7)], self.common.rates]
    }
    #[inline(always)]
    fn sizes(&self) -> [T; 2] {
        [T::of(0.1), self.common.size]
    }
    #[inline(always)]
    fn energy(&self) -> Lane<T, L> {
        let mut sum = Lane::ZERO;
        for e in 0..E {
            sum += self.data[e] * self.data[e];
        }
        sum
    }
}

impl<T: Real, const E: usize, const L: usize> Kernel<T, E, L> for NoiseCorrected<T, E> {
    #[inline(always)]
    fn block(&self, data: &[Lane<T, L>; E]) -> Fitted<T, L> {
        let (rate, amplitude) = self.0.grid.best(&self.0.without_floor(data));
        let problem = Voxels { common: &self.0, data };
        let end = minimise::<T, _, 2, E, L>(&problem, [amplitude.map(|a| a.at_least(T::ONE)), rate]);
        self.0.fitted(end.at[1], end.covariance[1][1], end.at[0], end.cost, end.converged, end.iterations)
    }
}
