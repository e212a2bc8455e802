//! Damped Gauss-Newton in lanes: each lane keeps its own damping and stops by itself, so that a voxel's result
//! does not depend on which voxels share its block.

use super::lanes::{Flags, Lane, Real};

/// Residuals (data minus model), their model's derivatives, and the variance of each sample, at one point.
/// `E` rows, `P` parameters.
pub struct Rows<T, const P: usize, const E: usize, const L: usize> {
    /// Data minus model.
    pub residual: [Lane<T, L>; E],
    /// Derivative of the model by each parameter.
    pub slope: [[Lane<T, L>; E]; P],
    /// Expected signal.
    pub model: [Lane<T, L>; E],
}

impl<T: Real, const P: usize, const E: usize, const L: usize> Rows<T, P, E, L> {
    /// All zero.
    #[inline(always)]
    pub fn new() -> Self {
        Self { residual: [Lane::ZERO; E], slope: [[Lane::ZERO; E]; P], model: [Lane::ZERO; E] }
    }
}

/// A least-squares problem in lanes.
pub trait Problem<T: Real, const P: usize, const E: usize, const L: usize> {
    /// Residuals and slopes at these parameters.
    fn rows(&self, at: &[Lane<T, L>; P], rows: &mut Rows<T, P, E, L>);
    /// Variance of each sample at the point `rows` was filled for.
    fn variance(&self, at: &[Lane<T, L>; P], rows: &Rows<T, P, E, L>) -> [Lane<T, L>; E];
    /// Lower and upper limit of each parameter.
    fn limits(&self) -> [[T; 2]; P];
    /// A size below which each parameter is as good as zero.
    fn sizes(&self) -> [T; P];
    /// Sum of squares of the data, which sets the rounding level.
    fn energy(&self) -> Lane<T, L>;
}

/// Where an iteration ended.
pub struct Solution<T, const P: usize, const L: usize> {
    /// Parameters.
    pub at: [Lane<T, L>; P],
    /// Sum of squared residuals.
    pub cost: Lane<T, L>,
    /// Covariance of the parameters from the known variance of the samples.
    pub covariance: [[Lane<T, L>; P]; P],
    /// Whether the step became negligible.
    pub converged: Flags<L>,
    /// Iterations taken.
    pub iterations: [u8; L],
}

const MOST_ITERATIONS: u8 = 40;

struct Normal<T, const P: usize, const L: usize> {
    cost: Lane<T, L>,
    gradient: [Lane<T, L>; P],
    curvature: [[Lane<T, L>; P]; P],
}

#[inline(always)]
fn normal<T: Real, const P: usize, const E: usize, const L: usize>(rows: &Rows<T, P, E, L>) -> Normal<T, P, L> {
    let mut out = Normal { cost: Lane::ZERO, gradient: [Lane::ZERO; P], curvature: [[Lane::ZERO; P]; P] };
    for e in 0..E {
        let r = rows.residual[e];
        out.cost += r * r;
        for p in 0..P {
            let s = rows.slope[p][e];
            out.gradient[p] += s * r;
            for q in 0..=p {
                out.curvature[p][q] += s * rows.slope[q][e];
            }
        }
    }
    for p in 0..P {
        for q in p + 1..P {
            out.curvature[p][q] = out.curvature[q][p];
        }
    }
    out
}

/// Solves the symmetric positive system by Cholesky; a pivot that vanishes leaves its parameter alone.
#[inline(always)]
fn solve<T: Real, const P: usize, const L: usize>(
    matrix: &[[Lane<T, L>; P]; P],
    right: &[Lane<T, L>; P],
) -> [Lane<T, L>; P] {
    let mut lower = [[Lane::ZERO; P]; P];
    let mut inverse = [Lane::ZERO; P];
    for p in 0..P {
        for q in 0..=p {
            let mut sum = matrix[p][q];
            for k in 0..q {
                sum -= lower[p][k] * lower[q][k];
            }
            if p == q {
                let tiny = matrix[p][p].times(T::of(1e-14));
                let held = sum.compare(tiny, |s, t| s > t && s > T::ZERO);
                inverse[p] = (Lane::splat(T::ONE) / sum.sqrt()).or(&held, Lane::ZERO);
            } else {
                lower[p][q] = sum * inverse[q];
            }
        }
    }
    let mut y = *right;
    for p in 0..P {
        for k in 0..p {
            y[p] = y[p] - lower[p][k] * y[k];
        }
        y[p] = y[p] * inverse[p];
    }
    for p in (0..P).rev() {
        for k in p + 1..P {
            y[p] = y[p] - lower[k][p] * y[k];
        }
        y[p] = y[p] * inverse[p];
    }
    y
}

/// From this start to the least sum of squares within the limits.
#[inline(always)]
pub fn minimise<T: Real, Q: Problem<T, P, E, L>, const P: usize, const E: usize, const L: usize>(
    problem: &Q,
    start: [Lane<T, L>; P],
) -> Solution<T, P, L> {
    let (limits, sizes) = (problem.limits(), problem.sizes());
    let hold = |mut at: [Lane<T, L>; P]| {
        for p in 0..P {
            at[p] = at[p].between(limits[p][0], limits[p][1]);
        }
        at
    };
    // Differences of this size between two costs are rounding.
    let rounding = problem.energy().times(T::SLACK * T::SLACK);
    let mut rows = Rows::new();
    let mut at = hold(start);
    problem.rows(&at, &mut rows);
    let mut now = normal(&rows);
    let mut damping = Lane::splat(T::of(1e-3));
    let mut open = [true; L];
    let mut iterations = [0u8; L];
    let mut round = 0;
    while round < MOST_ITERATIONS && open.iter().any(|&o| o) {
        round += 1;
        let mut matrix = now.curvature;
        for p in 0..P {
            matrix[p][p] = matrix[p][p] + matrix[p][p] * damping;
        }
        let step = solve(&matrix, &now.gradient);
        let mut trial = at;
        for p in 0..P {
            trial[p] += step[p];
        }
        trial = hold(trial);
        problem.rows(&trial, &mut rows);
        let next = normal(&rows);
        let allowed = now.cost + now.cost.times(T::SLACK) + rounding;
        let better = next.cost.compare(allowed, |n, a| n <= a);
        let mut small = [true; L];
        for p in 0..P {
            for l in 0..L {
                let moved = (trial[p].0[l] - at[p].0[l]).abs();
                small[l] &= moved <= T::TOLERANCE * (at[p].0[l].abs() + sizes[p]);
            }
        }
        let mut taken = [false; L];
        for l in 0..L {
            taken[l] = open[l] & better[l];
            iterations[l] += u8::from(open[l]);
            open[l] &= !small[l];
        }
        for p in 0..P {
            at[p] = trial[p].or(&taken, at[p]);
            now.gradient[p] = next.gradient[p].or(&taken, now.gradient[p]);
            for q in 0..P {
                now.curvature[p][q] = next.curvature[p][q].or(&taken, now.curvature[p][q]);
            }
        }
        now.cost = next.cost.or(&taken, now.cost);
        let eased = damping.map(|d| (d * T::of(0.1)).at_least(T::of(1e-7)));
        let stiffened = damping.map(|d| (d * T::of(10.0)).at_most(T::of(1e7)));
        damping = eased.or(&better, stiffened);
    }
    problem.rows(&at, &mut rows);
    let variance = problem.variance(&at, &rows);
    let covariance = covariance(&rows, &variance, &now.curvature);
    let converged = open.map(|o| !o);
    Solution { at, cost: now.cost, covariance, converged, iterations }
}

/// (JᵀJ)⁻¹ JᵀVJ (JᵀJ)⁻¹: least squares with samples of unequal, known variance.
#[inline(always)]
fn covariance<T: Real, const P: usize, const E: usize, const L: usize>(
    rows: &Rows<T, P, E, L>,
    variance: &[Lane<T, L>; E],
    curvature: &[[Lane<T, L>; P]; P],
) -> [[Lane<T, L>; P]; P] {
    let mut spread = [[Lane::ZERO; P]; P];
    for e in 0..E {
        for p in 0..P {
            let s = rows.slope[p][e] * variance[e];
            for q in 0..=p {
                spread[p][q] += s * rows.slope[q][e];
            }
        }
    }
    for p in 0..P {
        for q in p + 1..P {
            spread[p][q] = spread[q][p];
        }
    }
    let mut half = [[Lane::ZERO; P]; P];
    for p in 0..P {
        half[p] = solve(curvature, &spread[p]);
    }
    let mut out = [[Lane::ZERO; P]; P];
    for p in 0..P {
        let mut column = [Lane::ZERO; P];
        for q in 0..P {
            column[q] = half[q][p];
        }
        out[p] = solve(curvature, &column);
    }
    out
}
