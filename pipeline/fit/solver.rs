//! Damped Gauss-Newton in lanes: each lane keeps its own damping and stops by itself, so that a voxel's result
//! does not depend on which voxels share its block.

use super::lanes::{Lane, Real, each, pick};

/// A least-squares problem in lanes, with `P` parameters.
pub trait Problem<T: Real, const P: usize, const L: usize> {
    /// Sums over the samples at these parameters.
    fn normal(&mut self, at: &[Lane<T, L>; P], sums: &mut Normal<T, P, L>);
    /// Adds up slope × slope × variance of the sample; the lower triangle.
    fn spread(&mut self, at: &[Lane<T, L>; P], sums: &mut Spread<T, P, L>);
    /// Rounding error of the cost.
    fn rounding(&self) -> Lane<T, L>;
    /// Lower and upper limit of each parameter.
    fn limits(&self) -> [[T; 2]; P];
    /// A size below which each parameter is as good as zero.
    fn sizes(&self) -> [T; P];
}

/// Where an iteration ended.
pub struct Solution<T, const P: usize, const L: usize> {
    /// Parameters.
    pub at: [Lane<T, L>; P],
    /// Sum of squared residuals.
    pub cost: Lane<T, L>,
    /// Variance of each parameter from the known variance of the samples.
    pub variance: [Lane<T, L>; P],
    /// Whether the step became negligible.
    pub converged: [bool; L],
    /// Iterations taken.
    pub iterations: [u8; L],
}

/// Sums over the samples at one point.
pub struct Normal<T, const P: usize, const L: usize> {
    /// Squared residuals (data minus model).
    pub cost: Lane<T, L>,
    /// Slope of the model by each parameter × residual.
    pub gradient: [Lane<T, L>; P],
    /// Slope × slope, the lower triangle.
    pub curvature: [[Lane<T, L>; P]; P],
}

impl<T: Real, const P: usize, const L: usize> Normal<T, P, L> {
    /// All zero.
    #[inline(always)]
    pub fn new() -> Self {
        Self { cost: [T::ZERO; L], gradient: [[T::ZERO; L]; P], curvature: [[[T::ZERO; L]; P]; P] }
    }

    /// The lower triangle of one lane, its diagonal raised by the damping.
    #[inline(always)]
    fn matrix(&self, l: usize, damping: T) -> [[T; P]; P] {
        let mut out = [[T::ZERO; P]; P];
        for p in 0..P {
            for q in 0..=p {
                out[p][q] = self.curvature[p][q][l];
            }
            out[p][p] += out[p][p] * damping;
        }
        out
    }
}

/// Takes the samples of a sweep over the echoes.
pub trait Sink<T, const P: usize> {
    /// Residual, slopes and variance of one sample of one lane.
    fn take(&mut self, l: usize, residual: T, slope: [T; P], variance: T);
}

impl<T: Real, const P: usize, const L: usize> Sink<T, P> for Normal<T, P, L> {
    #[inline(always)]
    fn take(&mut self, l: usize, residual: T, slope: [T; P], _: T) {
        self.cost[l] += residual * residual;
        for p in 0..P {
            self.gradient[p][l] += slope[p] * residual;
            for q in 0..=p {
                self.curvature[p][q][l] += slope[p] * slope[q];
            }
        }
    }
}

/// Slope × slope × variance, the lower triangle.
pub type Spread<T, const P: usize, const L: usize> = [[Lane<T, L>; P]; P];

impl<T: Real, const P: usize, const L: usize> Sink<T, P> for Spread<T, P, L> {
    #[inline(always)]
    fn take(&mut self, l: usize, _: T, slope: [T; P], variance: T) {
        for p in 0..P {
            for q in 0..=p {
                self[p][q][l] += slope[p] * slope[q] * variance;
            }
        }
    }
}

/// Cholesky factor of a symmetric positive matrix given by its lower triangle, with the inverse of its diagonal there;
/// a pivot that vanishes gets 0 and leaves its parameter alone.
#[inline(always)]
fn factor<T: Real, const P: usize>(mut matrix: [[T; P]; P]) -> [[T; P]; P] {
    for p in 0..P {
        for q in 0..=p {
            let mut sum = matrix[p][q];
            for k in 0..q {
                sum -= matrix[p][k] * matrix[q][k];
            }
            if p == q {
                let held = sum > matrix[p][p] * T::SLACK * T::SLACK;
                matrix[p][p] = pick(held, T::ONE / sum.sqrt(), T::ZERO);
            } else {
                matrix[p][q] = sum * matrix[q][q];
            }
        }
    }
    matrix
}

/// Solves with a factor.
#[inline(always)]
fn solve<T: Real, const P: usize>(factor: &[[T; P]; P], mut right: [T; P]) -> [T; P] {
    for p in 0..P {
        for k in 0..p {
            right[p] -= factor[p][k] * right[k];
        }
        right[p] = right[p] * factor[p][p];
    }
    for p in (0..P).rev() {
        for k in p + 1..P {
            right[p] -= factor[k][p] * right[k];
        }
        right[p] = right[p] * factor[p][p];
    }
    right
}

/// From this start to the least sum of squares within the limits, in at most `most` iterations.
#[inline(always)]
pub fn minimise<T: Real, Q: Problem<T, P, L>, const P: usize, const L: usize>(
    problem: &mut Q,
    mut at: [Lane<T, L>; P],
    most: u8,
) -> Solution<T, P, L> {
    let (limits, sizes, rounding) = (problem.limits(), problem.sizes(), problem.rounding());
    let mut now = Normal::new();
    let (mut damping, mut open, mut taken) = ([T::of(1e-2); L], [T::ONE; L], [T::ZERO; L]);
    // What the step ahead promises to take off the cost.
    let mut promise = [T::ZERO; L];
    let mut trial = at;
    each!(l in L, {
        for p in 0..P {
            trial[p][l] = at[p][l].at_least(limits[p][0]).at_most(limits[p][1]);
            at[p][l] = trial[p][l];
        }
    });
    // One call of the problem, for it is inlined: the first round looks at the start.
    let mut round = 0;
    while round <= most && open.iter().any(|&o| o > T::ZERO) {
        let mut next = Normal::new();
        problem.normal(&trial, &mut next);
        let first = round == 0;
        round += 1;
        each!(l in L, {
            let better = first | (next.cost[l] <= now.cost[l] + now.cost[l] * T::SLACK + rounding[l]);
            let take = pick(better, open[l], T::ZERO) > T::ZERO;
            let mut excess = T::ZERO;
            for p in 0..P {
                let moved = (trial[p][l] - at[p][l]).abs();
                let far = moved > T::TOLERANCE * (at[p][l].abs() + sizes[p]);
                excess = pick(far | first, T::ONE, excess);
                at[p][l] = pick(take, trial[p][l], at[p][l]);
                now.gradient[p][l] = pick(take, next.gradient[p][l], now.gradient[p][l]);
                for q in 0..=p {
                    now.curvature[p][q][l] = pick(take, next.curvature[p][q][l], now.curvature[p][q][l]);
                }
            }
            // A taken step that promised next to nothing ends it too: a flat valley has no end to walk to.
            let settled = better & !first & (promise[l] <= now.cost[l] * T::SETTLED);
            excess = pick(settled, T::ZERO, excess);
            taken[l] += pick(first, T::ZERO, open[l]);
            open[l] = open[l] * excess;
            now.cost[l] = pick(take, next.cost[l], now.cost[l]);
            let eased = (damping[l] * T::of(0.1)).at_least(T::of(1e-7));
            let stiffened = (damping[l] * T::of(10.0)).at_most(T::of(1e7));
            damping[l] = pick(better, eased, stiffened);
        });
        each!(l in L, {
            let mut gradient = [T::ZERO; P];
            for p in 0..P {
                gradient[p] = now.gradient[p][l];
            }
            let step = solve(&factor(now.matrix(l, damping[l])), gradient);
            promise[l] = T::ZERO;
            for p in 0..P {
                promise[l] += step[p] * gradient[p];
                trial[p][l] = (at[p][l] + step[p]).at_least(limits[p][0]).at_most(limits[p][1]);
            }
        });
    }
    let variance = variance(problem, &at, &now);
    let mut out = Solution { at, cost: now.cost, variance, converged: [false; L], iterations: [0; L] };
    for l in 0..L {
        out.converged[l] = open[l] <= T::ZERO;
        out.iterations[l] = taken[l].double() as u8;
    }
    out
}

/// The diagonal of (JᵀJ)⁻¹ JᵀVJ (JᵀJ)⁻¹: least squares with samples of unequal, known variance.
#[inline(always)]
fn variance<T: Real, Q: Problem<T, P, L>, const P: usize, const L: usize>(
    problem: &mut Q,
    at: &[Lane<T, L>; P],
    normal: &Normal<T, P, L>,
) -> [Lane<T, L>; P] {
    let mut spread = [[[T::ZERO; L]; P]; P];
    problem.spread(at, &mut spread);
    let mut out = [[T::ZERO; L]; P];
    each!(l in L, {
        let factor = factor(normal.matrix(l, T::ZERO));
        for p in 0..P {
            let mut unit = [T::ZERO; P];
            unit[p] = T::ONE;
            let row = solve(&factor, unit);
            let mut sum = T::ZERO;
            for a in 0..P {
                for b in 0..=a {
                    let twice = if a == b { T::ONE } else { T::ONE + T::ONE };
                    sum += row[a] * row[b] * spread[a][b][l] * twice;
                }
            }
            out[p][l] = sum;
        }
    });
    out
}
