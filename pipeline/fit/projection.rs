//! Variable projection: where a signal is a linear combination of curves that depend on few nonlinear unknowns, the
//! linear ones are solved exactly inside, and the iteration sees only the others (Golub and Pereyra, SIAM J Numer
//! Anal 1973, doi:10.1137/0710036, with the simplified Jacobian of Kaufman, BIT 1975, doi:10.1007/BF01932995).

use super::floor::NoiseFloor;
use super::lanes::{Column, Lane, Real, each, pick};
use super::solver::{Normal, Problem, Sample, Sink, Spread};

/// Curves and their derivatives: `K` columns of `E` rows for `P` nonlinear unknowns.
pub struct Curves<T, const P: usize, const K: usize, const E: usize, const L: usize> {
    /// One curve for each linear unknown.
    pub columns: [Column<T, E, L>; K],
    /// Derivative of each curve by each nonlinear unknown.
    pub slopes: [[Column<T, E, L>; K]; P],
}

impl<T: Real, const P: usize, const K: usize, const E: usize, const L: usize> Curves<T, P, K, E, L> {
    #[inline(always)]
    fn new() -> Self {
        Self { columns: [[[T::ZERO; L]; E]; K], slopes: [[[[T::ZERO; L]; E]; K]; P] }
    }
}

/// A separable model.
pub trait Basis<T: Real, const P: usize, const K: usize, const E: usize, const L: usize> {
    /// Rows that count.
    fn count(&self) -> usize;
    /// Curves and slopes at these nonlinear unknowns.
    fn fill(&self, at: &[Lane<T, L>; P], curves: &mut Curves<T, P, K, E, L>);
    /// Lower and upper limit of each nonlinear unknown.
    fn limits(&self) -> [[T; 2]; P];
    /// A size below which each nonlinear unknown is as good as zero.
    fn sizes(&self) -> [T; P];
}

/// A separable model with its data: the reduced problem in the nonlinear unknowns alone.
pub struct Projected<'a, T, B, const P: usize, const K: usize, const E: usize, const L: usize> {
    basis: &'a B,
    data: &'a Column<T, E, L>,
    floor: Option<&'a NoiseFloor<T>>,
    curves: Curves<T, P, K, E, L>,
    base: Base<T, K, E, L>,
    residual: Column<T, E, L>,
    /// Slopes of the reduced problem.
    slope: [Column<T, E, L>; P],
    /// The linear unknowns at the point looked at last.
    pub linear: [Lane<T, L>; K],
}

impl<'a, T: Real, B, const P: usize, const K: usize, const E: usize, const L: usize> Projected<'a, T, B, P, K, E, L> {
    /// The model and its data over σ; the noise floor gives the variance of each sample, which is 1 without.
    #[inline(always)]
    pub fn new(basis: &'a B, data: &'a Column<T, E, L>, floor: Option<&'a NoiseFloor<T>>) -> Self {
        let base = Base { columns: [[[T::ZERO; L]; E]; K], upper: [[[T::ZERO; L]; K]; K], inverse: [[T::ZERO; L]; K] };
        let blank = [[T::ZERO; L]; E];
        let linear = [[T::ZERO; L]; K];
        Self { basis, data, floor, curves: Curves::new(), base, residual: blank, slope: [blank; P], linear }
    }
}

/// An orthonormal base of the columns, with what was taken out to make it.
struct Base<T, const K: usize, const E: usize, const L: usize> {
    columns: [Column<T, E, L>; K],
    upper: [[Lane<T, L>; K]; K],
    inverse: [Lane<T, L>; K],
}

#[inline(always)]
fn inner<T: Real, const E: usize, const L: usize>(
    a: &Column<T, E, L>,
    b: &Column<T, E, L>,
    count: usize,
) -> Lane<T, L> {
    let mut sum = [T::ZERO; L];
    for e in 0..count {
        each!(l in L, sum[l] += a[e][l] * b[e][l]);
    }
    sum
}

#[inline(always)]
fn remove<T: Real, const E: usize, const L: usize>(
    from: &mut Column<T, E, L>,
    share: &Lane<T, L>,
    of: &Column<T, E, L>,
    count: usize,
) {
    for e in 0..count {
        each!(l in L, from[e][l] -= share[l] * of[e][l]);
    }
}

impl<T: Real, const K: usize, const E: usize, const L: usize> Base<T, K, E, L> {
    /// Modified Gram-Schmidt; a column that adds nothing is dropped.
    #[inline(always)]
    fn fill(&mut self, columns: &[Column<T, E, L>; K], count: usize) {
        for k in 0..K {
            let (before, after) = self.columns.split_at_mut(k);
            let column = &mut after[0];
            let mut whole = [T::ZERO; L];
            for e in 0..count {
                each!(l in L, {
                    let value = columns[k][e][l];
                    column[e][l] = value;
                    whole[l] += value * value;
                });
            }
            for j in 0..k {
                self.upper[j][k] = inner(&before[j], column, count);
                remove(column, &self.upper[j][k], &before[j], count);
            }
            let left = if k == 0 { whole } else { inner(column, column, count) };
            each!(l in L, {
                let held = left[l] > whole[l] * T::SLACK * T::SLACK;
                self.inverse[k][l] = pick(held, T::ONE / left[l].sqrt(), T::ZERO);
            });
            for e in 0..count {
                each!(l in L, column[e][l] = column[e][l] * self.inverse[k][l]);
            }
        }
    }

    /// The linear unknowns; leaves in `data` what no combination explains.
    #[inline(always)]
    fn project(&self, data: &mut Column<T, E, L>, linear: &mut [Lane<T, L>; K], count: usize) {
        for k in 0..K {
            linear[k] = inner(&self.columns[k], data, count);
            remove(data, &linear[k], &self.columns[k], count);
        }
        each!(l in L, {
            for k in (0..K).rev() {
                for j in k + 1..K {
                    linear[k][l] -= self.upper[k][j][l] * linear[j][l];
                }
                linear[k][l] = linear[k][l] * self.inverse[k][l];
            }
        });
    }
}

impl<T: Real, B: Basis<T, P, K, E, L>, const P: usize, const K: usize, const E: usize, const L: usize> Problem<T, P, L>
    for Projected<'_, T, B, P, K, E, L>
{
    #[inline(always)]
    fn normal(&mut self, at: &[Lane<T, L>; P], sums: &mut Normal<T, P, L>) {
        let count = self.basis.count();
        self.basis.fill(at, &mut self.curves);
        self.base.fill(&self.curves.columns, count);
        for e in 0..count {
            self.residual[e] = self.data[e];
        }
        self.base.project(&mut self.residual, &mut self.linear, count);
        for p in 0..P {
            for e in 0..count {
                each!(l in L, {
                    let mut sum = T::ZERO;
                    for k in 0..K {
                        sum += self.linear[k][l] * self.curves.slopes[p][k][e][l];
                    }
                    self.slope[p][e][l] = sum;
                });
            }
            for k in 0..K {
                let share = inner(&self.base.columns[k], &self.slope[p], count);
                remove(&mut self.slope[p], &share, &self.base.columns[k], count);
            }
        }
        let mut sample = Sample::new();
        for e in 0..count {
            sample.residual = self.residual[e];
            for p in 0..P {
                sample.slope[p] = self.slope[p][e];
            }
            sums.take(&sample);
        }
    }

    #[inline(always)]
    fn spread(&mut self, at: &[Lane<T, L>; P], sums: &mut Spread<T, P, L>) {
        // The last point looked at may have been a step that was not taken.
        self.normal(at, &mut Normal::new());
        let mut sample = Sample::new();
        for e in 0..self.basis.count() {
            each!(l in L, {
                sample.variance[l] = match self.floor {
                    Some(floor) => floor.at(self.data[e][l] - self.residual[e][l]).variance,
                    None => T::ONE,
                };
            });
            for p in 0..P {
                sample.slope[p] = self.slope[p][e];
            }
            sums.take(&sample);
        }
    }

    #[inline(always)]
    fn rounding(&self) -> Lane<T, L> {
        let mut sum = inner(self.data, self.data, self.basis.count());
        each!(l in L, sum[l] = sum[l] * T::SLACK * T::SLACK);
        sum
    }
    #[inline(always)]
    fn limits(&self) -> [[T; 2]; P] {
        self.basis.limits()
    }
    #[inline(always)]
    fn sizes(&self) -> [T; P] {
        self.basis.sizes()
    }
}
