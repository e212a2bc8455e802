//! S₀·exp(−R2*·TE) + C, least squares on the magnitude as it is. Overestimates R2* where the floor is noise
//! (Beaumont and Cheng, ISMRM 2009, 2156; Feng et al. 2013).

use super::Common;
use crate::fit::batch::{Fitted, Kernel};
use crate::fit::dispatch::Level;
use crate::fit::lanes::{Column, Lane, Real, each};
use crate::fit::projection::{Basis, Curves, Projected};
use crate::fit::solver::minimise;

/// The decay with a constant: two linear unknowns, one nonlinear.
pub struct WithOffset<T, const E: usize>(pub Common<T, E>);

impl<T: Real, const E: usize, const L: usize> Basis<T, 1, 2, E, L> for WithOffset<T, E> {
    #[inline(always)]
    fn count(&self) -> usize {
        self.0.echoes.count
    }
    #[inline(always)]
    fn fill(&self, at: &[Lane<T, L>; 1], curves: &mut Curves<T, 1, 2, E, L>) {
        let echoes = &self.0.echoes;
        echoes.decay(&at[0], &mut curves.columns[0]);
        for e in 0..echoes.count {
            let since = echoes.since[e];
            curves.columns[1][e] = [T::ONE; L];
            each!(l in L, curves.slopes[0][0][e][l] = -(curves.columns[0][e][l] * since));
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

impl<T: Real, const E: usize, const L: usize> Kernel<T, E, L> for WithOffset<T, E> {
    #[inline(always)]
    fn block(&self, data: &Column<T, E, L>, most: u8, _level: Level) -> Fitted<T, L> {
        let count = self.0.echoes.count;
        // The last echo stands in for the constant while the grid looks for a rate.
        let mut above = *data;
        for e in 0..count {
            each!(l in L, above[e][l] = data[e][l] - data[count - 1][l]);
        }
        let start = self.0.grid.best(&above);
        let mut problem = Projected::new(self, data, Some(&self.0.floor));
        let end = minimise(&mut problem, [start.rate], most);
        let [amplitude, offset] = problem.linear;
        Fitted { offset, ..self.0.fitted(&end, 0, &amplitude) }
    }
}
