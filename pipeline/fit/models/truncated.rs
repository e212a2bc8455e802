//! Monoexponential on the echoes that stand above the noise.
//!
//! Criterion: echoes count from the first until one falls below the magnitude expected of a true signal of
//! `2·√(2N−1)` σ, and never fewer than three. There the noise floor still lifts the magnitude by one eighth; for one
//! channel it is a signal-to-noise ratio of 2, above which magnitude noise is close to normal (Gudbjartsson and
//! Patz, Magn Reson Med 1995, doi:10.1002/mrm.1910340618). Dropping late echoes by the voxel's own decay follows
//! Beaumont and Cheng (ISMRM 2009, 2156) and Sandino et al. (J Cardiovasc Magn Reson 2015;17:7); their exact
//! stopping rules differ from this one.

use super::{Common, Monoexponential};
use crate::fit::batch::{Fitted, Kernel};
use crate::fit::lanes::{Lane, Real};
use crate::fit::moments::mean_signal;
use crate::fit::projection::{Basis, Curves, Projected};
use crate::fit::solver::minimise;

const FEWEST: usize = 3;

/// The plain decay with each voxel's own set of echoes.
pub struct Truncated<T, const E: usize> {
    plain: Monoexponential<T, E>,
    threshold: T,
}

impl<T: Real, const E: usize> Truncated<T, E> {
    /// For this noise floor.
    pub fn new(common: Common<T, E>, coil_elements: f64) -> Self {
        let signal = 2.0 * (2.0 * coil_elements - 1.0).max(0.25).sqrt();
        Self { plain: Monoexponential(common), threshold: T::of(mean_signal(signal, coil_elements)) }
    }
}

/// The plain decay on the echoes with weight 1.
struct Kept<'a, T, const E: usize, const L: usize> {
    plain: &'a Monoexponential<T, E>,
    weight: [Lane<T, L>; E],
}

impl<T: Real, const E: usize, const L: usize> Basis<T, 1, 1, E, L> for Kept<'_, T, E, L> {
    #[inline(always)]
    fn fill(&self, at: &[Lane<T, L>; 1], curves: &mut Curves<T, 1, 1, E, L>) {
        self.plain.fill(at, curves);
        for e in 0..E {
            curves.columns[0][e] = curves.columns[0][e] * self.weight[e];
            curves.slopes[0][0][e] = curves.slopes[0][0][e] * self.weight[e];
        }
    }
    #[inline(always)]
    fn limits(&self) -> [[T; 2]; 1] {
        [self.plain.0.rates]
    }
    #[inline(always)]
    fn sizes(&self) -> [T; 1] {
        [self.plain.0.size]
    }
}

impl<T: Real, const E: usize, const L: usize> Kernel<T, E, L> for Truncated<T, E> {
    #[inline(always)]
    fn block(&self, data: &[Lane<T, L>; E]) -> Fitted<T, L> {
        let common = &self.plain.0;
        let mut kept = Kept { plain: &self.plain, weight: [Lane::ZERO; E] };
        let mut above = Lane::splat(T::ONE);
        let mut used = *data;
        for e in 0..E {
            if e >= FEWEST {
                above = above.zip(data[e], |w, y| if y < self.threshold { T::ZERO } else { w });
            }
            kept.weight[e] = above.times(common.echoes.present[e]);
            used[e] = data[e] * kept.weight[e];
        }
        let (rate, _) = common.grid.best(&used);
        let problem = Projected { basis: &kept, data: &used, floor: Some(&common.floor) };
        let end = minimise::<T, _, 1, E, L>(&problem, [rate]);
        let amplitude = problem.linear::<1>(&end.at)[0];
        common.fitted(end.at[0], end.covariance[0][0], amplitude, end.cost, end.converged, end.iterations)
    }
}
