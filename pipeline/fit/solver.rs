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
            for q in 0..p + 1 {
                out[p][q] = self.curvature[p][q][l];
            }
            out[p][p] += out[p][p] * damping;
        }
        out
    }
}

/// One sample of every lane.
pub struct Sample<T, const P: usize, const L: usize> {
    /// Data minus model.
    pub residual: Lane<T, L>,
    /// Derivative of the model by each parameter.
    pub slope: [Lane<T, L>; P],
    /// Its variance.
    pub variance: Lane<T, L>,
}

impl<T: Real, const P: usize, const L: usize> Sample<T, P, L> {
    /// All zero.
    #[inline(always)]
    pub fn new() -> Self {
        Self { residual: [T::ZERO; L], slope: [[T::ZERO; L]; P], variance: [T::ZERO; L] }
    }
}

/// Takes the samples of a sweep over the echoes. In several short loops: with few arrays in each the compiler sees that
/// none overlap.
pub trait Sink<T, const P: usize, const L: usize> {
    /// Adds one sample.
    fn take(&mut self, sample: &Sample<T, P, L>);
}

impl<T: Real, const P: usize, const L: usize> Sink<T, P, L> for Normal<T, P, L> {
    #[inline(always)]
    fn take(&mut self, sample: &Sample<T, P, L>) {
        let Sample { residual, slope, .. } = sample;
        each!(l in L, self.cost[l] += residual[l] * residual[l]);
        for p in 0..P {
            each!(l in L, self.gradient[p][l] += slope[p][l] * residual[l]);
            for q in 0..p + 1 {
                each!(l in L, self.curvature[p][q][l] += slope[p][l] * slope[q][l]);
            }
        }
    }
}

/// Slope × slope × variance, the lower triangle.
pub type Spread<T, const P: usize, const L: usize> = [[Lane<T, L>; P]; P];

impl<T: Real, const P: usize, const L: usize> Sink<T, P, L> for Spread<T, P, L> {
    #[inline(always)]
    fn take(&mut self, sample: &Sample<T, P, L>) {
        let Sample { slope, variance, .. } = sample;
        for p in 0..P {
            for q in 0..p + 1 {
                each!(l in L, self[p][q][l] += slope[p][l] * slope[q][l] * variance[l]);
            }
        }
    }
}

/// Inverse square root of a pivot; next to nothing where it vanishes, which leaves its parameter alone.
#[inline(always)]
fn pivot<T: Real>(left: T, whole: T) -> T {
    // Chosen before the division, which would otherwise hide behind a branch.
    T::ONE / pick(left > whole * T::SLACK * T::SLACK, left, T::of(1e30)).sqrt()
}

/// Cholesky factor of a symmetric positive matrix given by its lower triangle, with the inverse of its diagonal there.
/// Up to three parameters it is written out, because the compiler vectorises over lanes only where nothing loops.
#[inline(always)]
fn factor<T: Real, const P: usize>(m: [[T; P]; P]) -> [[T; P]; P] {
    let mut f = m;
    if P <= 3 {
        f[0][0] = pivot(m[0][0], m[0][0]);
        if P > 1 {
            f[1][0] = m[1][0] * f[0][0];
            f[1][1] = pivot(m[1][1] - f[1][0] * f[1][0], m[1][1]);
        }
        if P > 2 {
            f[2][0] = m[2][0] * f[0][0];
            f[2][1] = (m[2][1] - f[2][0] * f[1][0]) * f[1][1];
            f[2][2] = pivot(m[2][2] - f[2][0] * f[2][0] - f[2][1] * f[2][1], m[2][2]);
        }
        return f;
    }
    for p in 0..P {
        for q in 0..p + 1 {
            let mut sum = m[p][q];
            for k in 0..q {
                sum -= f[p][k] * f[q][k];
            }
            f[p][q] = if p == q { pivot(sum, m[p][p]) } else { sum * f[q][q] };
        }
    }
    f
}

/// Solves with a factor.
#[inline(always)]
fn solve<T: Real, const P: usize>(f: &[[T; P]; P], right: [T; P]) -> [T; P] {
    let mut x = right;
    if P <= 3 {
        x[0] = x[0] * f[0][0];
        if P > 1 {
            x[1] = (x[1] - f[1][0] * x[0]) * f[1][1];
        }
        if P > 2 {
            x[2] = (x[2] - f[2][0] * x[0] - f[2][1] * x[1]) * f[2][2];
            x[2] = x[2] * f[2][2];
            x[1] -= f[2][1] * x[2];
            x[0] -= f[2][0] * x[2];
        }
        if P > 1 {
            x[1] = x[1] * f[1][1];
            x[0] -= f[1][0] * x[1];
        }
        x[0] = x[0] * f[0][0];
        return x;
    }
    for p in 0..P {
        for k in 0..p {
            x[p] -= f[p][k] * x[k];
        }
        x[p] = x[p] * f[p][p];
    }
    for p in (0..P).rev() {
        for k in p + 1..P {
            x[p] -= f[k][p] * x[k];
        }
        x[p] = x[p] * f[p][p];
    }
    x
}

/// Replaces the value of the lanes that are taken. By way of a copy, or the compiler stores lane by lane.
#[inline(always)]
fn replace<T: Real, const L: usize>(old: &mut Lane<T, L>, new: &Lane<T, L>, take: &Lane<T, L>) {
    let mut merged = [T::ZERO; L];
    each!(l in L, merged[l] = pick(take[l] > T::ZERO, new[l], old[l]));
    *old = merged;
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
    let (mut better, mut take) = ([T::ZERO; L], [T::ZERO; L]);
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
            let lower = first | (next.cost[l] <= now.cost[l] + now.cost[l] * T::SLACK + rounding[l]);
            better[l] = pick(lower, T::ONE, T::ZERO);
            take[l] = better[l] * open[l];
        });
        let mut excess = [if first { T::ONE } else { T::ZERO }; L];
        for p in 0..P {
            each!(l in L, {
                let moved = (trial[p][l] - at[p][l]).abs();
                let far = moved > T::TOLERANCE * (at[p][l].abs() + sizes[p]);
                excess[l] = excess[l].at_least(pick(far, T::ONE, T::ZERO));
            });
            replace(&mut at[p], &trial[p], &take);
            replace(&mut now.gradient[p], &next.gradient[p], &take);
            for q in 0..p + 1 {
                replace(&mut now.curvature[p][q], &next.curvature[p][q], &take);
            }
        }
        let counted = if first { T::ZERO } else { T::ONE };
        each!(l in L, {
            // A taken step that promised next to nothing ends it too: a flat valley has no end to walk to.
            let flat = promise[l] <= now.cost[l] * T::SETTLED;
            let settled = better[l] * counted * pick(flat, T::ONE, T::ZERO);
            taken[l] += open[l] * counted;
            open[l] = open[l] * excess[l] * (T::ONE - settled);
            let eased = (damping[l] * T::of(0.1)).at_least(T::of(1e-7));
            let stiffened = (damping[l] * T::of(10.0)).at_most(T::of(1e7));
            damping[l] = eased * better[l] + stiffened * (T::ONE - better[l]);
        });
        replace(&mut now.cost, &next.cost, &take);
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
                for b in 0..a + 1 {
                    let twice = if a == b { T::ONE } else { T::ONE + T::ONE };
                    sum += row[a] * row[b] * spread[a][b][l] * twice;
                }
            }
            out[p][l] = sum;
        }
    });
    out
}
