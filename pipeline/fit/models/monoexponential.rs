//! S₀·exp(−R2*·TE), least squares on the magnitude as it is.

use super::Common;
use crate::fit::batch::{Fitted, Kernel};
use crate::fit::lanes::{Lane, Real};
use crate::fit::projection::{Basis, Curves, Projected};
use crate::fit::solver::minimise;

/// The plain decay: one linear unknown, one nonlinear.
pub struct Monoexponential<T, const E: usize>(pub Common<T, E>);

impl<T: Real, const E: usize, const L: usize> Basis<T, 1, 1, E, L> for Monoexponential<T, E> {
    #[inline(always)]
    fn fill(&self, at: &[Lane<T, L>; 1], curves: &mut Curves<T, 1, 1, E, L>) {
        let echoes = &self.0.echoes;
        let decay = echoes.decay(at[0]);
        for e in 0..E {
            curves.columns[0][e] = decay[e].times(echoes.present[e]);
            curves.slopes[0][0][e] = curves.columns[0][e].times(-echoes.since[e]);
        }
    }
    #[inline(always)]
    fn limits(&self) -> [[T; 2]; 1] {
        [self.0.rates]
    }
    #[inline(always)]
    fn sizes(&self) -> [T; 1] {
        [self.0.size]
    }
}

impl<T: Real, const E: usize, const L: usize> Kernel<T, E, L> for Monoexponential<T, E> {
    #[inline(always)]
    fn block(&self, data: &[Lane<T, L>; E]) -> Fitted<T, L> {
        let (rate, _) = self.0.grid.best(data);
        let problem = Projected { basis: self, data, floor: Some(&self.0.floor) };
        let end = minimise::<T, _, 1, E, L>(&problem, [rate]);
        let amplitude = problem.linear::<1>(&end.at)[0];
        self.0.fitted(end.at[0], end.covariance[0][0], amplitude, end.cost, end.converged, end.iterations)
    }
}
