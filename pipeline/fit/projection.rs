//! Variable projection: where a signal is a linear combination of curves that depend on few nonlinear unknowns, the
//! linear ones are solved exactly inside, and the iteration sees only the others (Golub and Pereyra, SIAM J Numer
//! Anal 1973, doi:10.1137/0710036, with the simplified Jacobian of Kaufman, BIT 1975, doi:10.1007/BF01932995).

use super::floor::NoiseFloor;
use super::lanes::{Lane, Real};
use super::solver::{Problem, Rows};

/// Curves and their derivatives: `K` columns of `E` rows for `P` nonlinear unknowns.
pub struct Curves<T, const P: usize, const K: usize, const E: usize, const L: usize> {
    /// One curve for each linear unknown.
    pub columns: [[Lane<T, L>; E]; K],
    /// Derivative of each curve by each nonlinear unknown.
    pub slopes: [[[Lane<T, L>; E]; K]; P],
}

impl<T: Real, const P: usize, const K: usize, const E: usize, const L: usize> Curves<T, P, K, E, L> {
    #[inline(always)]
    fn new() -> Self {
        Self { columns: [[Lane::ZERO; E]; K], slopes: [[[Lane::ZERO; E]; K]; P] }
    }
}

/// A separable model.
pub trait Basis<T: Real, const P: usize, const K: usize, const E: usize, const L: usize> {
    /// Curves and slopes at these nonlinear unknowns; rows without weight must be zero in both.
    fn fill(&self, at: &[Lane<T, L>; P], curves: &mut Curves<T, P, K, E, L>);
    /// Lower and upper limit of each nonlinear unknown.
    fn limits(&self) -> [[T; 2]; P];
    /// A size below which each nonlinear unknown is as good as zero.
    fn sizes(&self) -> [T; P];
}

/// A separable model with its data: the reduced problem in the nonlinear unknowns alone.
pub struct Projected<'a, T, B, const K: usize, const E: usize, const L: usize> {
    /// The model.
    pub basis: &'a B,
    /// The data over σ, zero in rows without weight.
    pub data: &'a [Lane<T, L>; E],
    /// Noise floor, for the variance of each sample; none for samples of equal variance 1.
    pub floor: Option<&'a NoiseFloor<T>>,
}

/// An orthonormal base of the columns, with what was taken out to make it.
struct Base<T, const K: usize, const E: usize, const L: usize> {
    columns: [[Lane<T, L>; E]; K],
    upper: [[Lane<T, L>; K]; K],
    inverse: [Lane<T, L>; K],
}

#[inline(always)]
fn inner<T: Real, const E: usize, const L: usize>(a: &[Lane<T, L>; E], b: &[Lane<T, L>; E]) -> Lane<T, L> {
    let mut sum = Lane::ZERO;
    for e in 0..E {
        sum += a[e] * b[e];
    }
    sum
}

#[inline(always)]
fn remove<T: Real, const E: usize, const L: usize>(
    from: &mut [Lane<T, L>; E],
    share: Lane<T, L>,
    of: &[Lane<T, L>; E],
) {
    for e in 0..E {
        from[e] -= share * of[e];
    }
}

impl<T: Real, const K: usize, const E: usize, const L: usize> Base<T, K, E, L> {
    /// Modified Gram-Schmidt; a column that adds nothing is dropped.
    #[inline(always)]
    fn new(columns: &[[Lane<T, L>; E]; K]) -> Self {
        let mut base = Self { columns: *columns, upper: [[Lane::ZERO; K]; K], inverse: [Lane::ZERO; K] };
        for k in 0..K {
            let whole = inner(&columns[k], &columns[k]);
            let left = inner(&base.columns[k], &base.columns[k]);
            let held = left.compare(whole, |l, w| l > w * T::SLACK * T::SLACK && l > T::ZERO);
            base.inverse[k] = (Lane::splat(T::ONE) / left.sqrt()).or(&held, Lane::ZERO);
            for e in 0..E {
                base.columns[k][e] = base.columns[k][e] * base.inverse[k];
            }
            let pivot = base.columns[k];
            for j in k + 1..K {
                let share = inner(&pivot, &base.columns[j]);
                base.upper[k][j] = share;
                remove(&mut base.columns[j], share, &pivot);
            }
        }
        base
    }

    /// The linear unknowns and what of the data no combination explains.
    #[inline(always)]
    fn project(&self, data: &[Lane<T, L>; E]) -> ([Lane<T, L>; K], [Lane<T, L>; E]) {
        let mut rest = *data;
        let mut linear = [Lane::ZERO; K];
        for k in 0..K {
            linear[k] = inner(&self.columns[k], &rest);
            remove(&mut rest, linear[k], &self.columns[k]);
        }
        for k in (0..K).rev() {
            for j in k + 1..K {
                linear[k] = linear[k] - self.upper[k][j] * linear[j];
            }
            linear[k] = linear[k] * self.inverse[k];
        }
        (linear, rest)
    }
}

impl<T: Real, B, const K: usize, const E: usize, const L: usize> Projected<'_, T, B, K, E, L> {
    /// The linear unknowns that go with these nonlinear ones.
    #[inline(always)]
    pub fn linear<const P: usize>(&self, at: &[Lane<T, L>; P]) -> [Lane<T, L>; K]
    where
        B: Basis<T, P, K, E, L>,
    {
        let mut curves = Curves::new();
        self.basis.fill(at, &mut curves);
        Base::new(&curves.columns).project(self.data).0
    }
}

impl<T: Real, B: Basis<T, P, K, E, L>, const P: usize, const K: usize, const E: usize, const L: usize>
    Problem<T, P, E, L> for Projected<'_, T, B, K, E, L>
{
    #[inline(always)]
    fn rows(&self, at: &[Lane<T, L>; P], rows: &mut Rows<T, P, E, L>) {
        let mut curves = Curves::new();
        self.basis.fill(at, &mut curves);
        let base = Base::new(&curves.columns);
        let (linear, rest) = base.project(self.data);
        for e in 0..E {
            rows.model[e] = self.data[e] - rest[e];
        }
        rows.residual = rest;
        for p in 0..P {
            let mut slope = [Lane::ZERO; E];
            for k in 0..K {
                for e in 0..E {
                    slope[e] += linear[k] * curves.slopes[p][k][e];
                }
            }
            for k in 0..K {
                let share = inner(&base.columns[k], &slope);
                remove(&mut slope, share, &base.columns[k]);
            }
            rows.slope[p] = slope;
        }
    }

    #[inline(always)]
    fn variance(&self, _: &[Lane<T, L>; P], rows: &Rows<T, P, E, L>) -> [Lane<T, L>; E] {
        let mut out = [Lane::splat(T::ONE); E];
        if let Some(floor) = self.floor {
            for e in 0..E {
                out[e] = floor.at(rows.model[e]).variance;
            }
        }
        out
    }

    #[inline(always)]
    fn limits(&self) -> [[T; 2]; P] {
        self.basis.limits()
    }
    #[inline(always)]
    fn sizes(&self) -> [T; P] {
        self.basis.sizes()
    }
    #[inline(always)]
    fn energy(&self) -> Lane<T, L> {
        inner(self.data, self.data)
    }
}
