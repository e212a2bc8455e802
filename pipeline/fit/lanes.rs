//! Numbers in lanes: `L` voxels advance together, one in each lane, in loops over lanes that the compiler turns into
//! vector instructions. Only plain arithmetic, comparisons, square roots and bit patterns: every CPU gives the same bits.

use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub, SubAssign};

/// The floating-point types the engine runs in.
pub trait Real:
    Copy
    + PartialOrd
    + Add<Output = Self>
    + Sub<Output = Self>
    + Mul<Output = Self>
    + Div<Output = Self>
    + Neg<Output = Self>
    + AddAssign
    + SubAssign
    + Send
    + Sync
    + std::fmt::Debug
    + 'static
{
    /// 0.
    const ZERO: Self;
    /// 1.
    const ONE: Self;
    /// Not a number.
    const NAN: Self;
    /// A step below this share of a parameter ends an iteration.
    const TOLERANCE: Self;
    /// A step that promises to take less than this share off the cost ends an iteration.
    const SETTLED: Self;
    /// Relative rounding error of a sum of squares, which must not count as getting worse.
    const SLACK: Self;
    /// Terms of the noise-floor polynomial; an even number.
    const TERMS: usize;
    /// Rounds from double precision.
    fn of(value: f64) -> Self;
    /// Widens to double precision.
    fn double(self) -> f64;
    /// Correctly rounded square root.
    fn sqrt(self) -> Self;
    /// Absolute value.
    fn abs(self) -> Self;
    /// e to this power, by our own reduction and polynomial. Relative error at most 4 units in the last place
    /// for arguments between -80 and 80 (a test holds it); arguments beyond the type's range saturate.
    fn exp(self) -> Self;
    /// Natural logarithm of a positive, normal number to about 1e-3: a start, never a result.
    fn rough_ln(self) -> Self;

    /// The smaller; the other where this is not a number.
    #[inline(always)]
    fn at_most(self, limit: Self) -> Self {
        if self < limit { self } else { limit }
    }
    /// The larger; the other where this is not a number.
    #[inline(always)]
    fn at_least(self, limit: Self) -> Self {
        if self > limit { self } else { limit }
    }
}

/// Taylor coefficients 1/k!. After reduction |x| <= ln(2)/2, so the remainder of degree 7 is below 5.3e-9 and
/// that of degree 13 below 4.2e-18, both under half a unit in the last place of their type.
const INVERSE_FACTORIAL: [f64; 14] = [
    1.0,
    1.0,
    1.0 / 2.0,
    1.0 / 6.0,
    1.0 / 24.0,
    1.0 / 120.0,
    1.0 / 720.0,
    1.0 / 5040.0,
    1.0 / 40320.0,
    1.0 / 362_880.0,
    1.0 / 3_628_800.0,
    1.0 / 39_916_800.0,
    1.0 / 479_001_600.0,
    1.0 / 6_227_020_800.0,
];

macro_rules! real {
    ($real:ident, $signed:ident, tolerance: $tolerance:expr, settled: $settled:expr, slack: $slack:expr, terms: $terms:expr, limit: $limit:expr,
     magic: $magic:expr, ln2: $high:expr, $low:expr, degree: $degree:expr, mantissa: $mantissa:expr) => {
        impl Real for $real {
            const ZERO: Self = 0.0;
            const ONE: Self = 1.0;
            const NAN: Self = $real::NAN;
            const TOLERANCE: Self = $tolerance;
            const SETTLED: Self = $settled;
            const SLACK: Self = $slack;
            const TERMS: usize = $terms;
            #[inline(always)]
            fn of(value: f64) -> Self {
                value as $real
            }
            #[inline(always)]
            fn double(self) -> f64 {
                f64::from(self)
            }
            #[inline(always)]
            fn sqrt(self) -> Self {
                $real::sqrt(self)
            }
            #[inline(always)]
            fn abs(self) -> Self {
                $real::abs(self)
            }
            #[inline(always)]
            fn exp(self) -> Self {
                let x = self.at_least(-$limit).at_most($limit);
                // Adding 1.5·2^mantissa rounds to a whole number and leaves it in the low bits.
                let shifted = x * std::$real::consts::LOG2_E + $magic;
                let whole = shifted - $magic;
                let rest = (x - whole * $high) - whole * $low;
                let mut sum = INVERSE_FACTORIAL[$degree] as $real;
                let mut k = $degree;
                while k > 0 {
                    k -= 1;
                    sum = sum * rest + INVERSE_FACTORIAL[k] as $real;
                }
                // Adding to the exponent field multiplies by the power of two.
                $real::from_bits(sum.to_bits().wrapping_add(shifted.to_bits() << $mantissa))
            }
            #[inline(always)]
            fn rough_ln(self) -> Self {
                // x = m·2^k with m in [1/2, 1); ln m by its series about √½ in (m − √½)/(m + √½).
                let bits = self.to_bits();
                let half = (0.5 as $real).to_bits();
                let power = (bits >> $mantissa) as $signed - (half >> $mantissa) as $signed;
                let m = $real::from_bits((bits & ((1 << $mantissa) - 1)) | half);
                let z = (m - std::$real::consts::FRAC_1_SQRT_2) / (m + std::$real::consts::FRAC_1_SQRT_2);
                (power as $real - 0.5) * std::$real::consts::LN_2 + z * (2.0 + z * z * (2.0 / 3.0))
            }
        }
    };
}

// ln 2 in two parts, the first short enough that its product with the exponent is exact.
real!(f32, i32, tolerance: 3e-6, settled: 1e-6, slack: 4e-6, terms: 16, limit: 87.0, magic: 12_582_912.0,
      ln2: 0.693_359_4, -2.121_944_4e-4, degree: 7, mantissa: 23);
real!(f64, i64, tolerance: 1e-11, settled: 1e-14, slack: 1e-13, terms: 30, limit: 708.0, magic: 6_755_399_441_055_744.0,
      ln2: 0.693_147_180_369_123_8, 1.908_214_929_270_587_7e-10, degree: 13, mantissa: 52);

/// One number for each of `L` voxels.
pub type Lane<T, const L: usize> = [T; L];

/// One number for each row and voxel.
pub type Column<T, const E: usize, const L: usize> = [[T; L]; E];

/// `each!(l in L, …)` does this for every lane. The count is hidden from the compiler, which would otherwise unroll the
/// loop before it thinks of vector registers; the limit lets it drop the bounds checks. A macro because a closure might
/// stay a function of its own, compiled for the narrowest registers.
macro_rules! each {
    ($lane:ident in $lanes:ident, $body:expr) => {
        for $lane in 0..std::hint::black_box($lanes).min($lanes) {
            $body;
        }
    };
}
pub(super) use each;

/// One of two numbers.
#[inline(always)]
pub fn pick<T: Real>(first: bool, yes: T, no: T) -> T {
    if first { yes } else { no }
}

/// `W` numbers that stay in registers where they fill two or less: each operation is a short loop of its own, which the
/// compiler turns into an instruction or two. No closures: one that stays a function is compiled for the narrowest
/// registers.
#[derive(Clone, Copy)]
pub struct Pack<T, const W: usize>(pub [T; W]);

macro_rules! operation {
    ($trait:ident, $name:ident, $sign:tt) => {
        impl<T: Real, const W: usize> $trait for Pack<T, W> {
            type Output = Self;
            #[inline(always)]
            fn $name(self, other: Self) -> Self {
                let mut out = self;
                for i in 0..W {
                    out.0[i] = self.0[i] $sign other.0[i];
                }
                out
            }
        }
    };
}
operation!(Add, add, +);
operation!(Sub, sub, -);
operation!(Mul, mul, *);
operation!(Div, div, /);

impl<T: Real, const W: usize> Pack<T, W> {
    /// The same number in every place.
    #[inline(always)]
    pub fn of(value: T) -> Self {
        Self([value; W])
    }
    /// From a lane, at its place `from` and after.
    #[inline(always)]
    pub fn from<const L: usize>(lane: &Lane<T, L>, from: usize) -> Self {
        let mut out = [T::ZERO; W];
        out.copy_from_slice(&lane[from..from + W]);
        Self(out)
    }
    /// Into a lane, at its place `from` and after.
    #[inline(always)]
    pub fn into<const L: usize>(self, lane: &mut Lane<T, L>, from: usize) {
        lane[from..from + W].copy_from_slice(&self.0);
    }
    /// Absolute value.
    #[inline(always)]
    pub fn abs(self) -> Self {
        let mut out = self;
        for i in 0..W {
            out.0[i] = self.0[i].abs();
        }
        out
    }
    /// Square root.
    #[inline(always)]
    pub fn sqrt(self) -> Self {
        let mut out = self;
        for i in 0..W {
            out.0[i] = self.0[i].sqrt();
        }
        out
    }
    /// See [`Real::exp`].
    #[inline(always)]
    pub fn exp(self) -> Self {
        let mut out = self;
        for i in 0..W {
            out.0[i] = self.0[i].exp();
        }
        out
    }
    /// See [`Real::rough_ln`].
    #[inline(always)]
    pub fn rough_ln(self) -> Self {
        let mut out = self;
        for i in 0..W {
            out.0[i] = self.0[i].rough_ln();
        }
        out
    }
    /// The larger of each pair.
    #[inline(always)]
    pub fn at_least(self, limit: Self) -> Self {
        let mut out = self;
        for i in 0..W {
            out.0[i] = self.0[i].at_least(limit.0[i]);
        }
        out
    }
    /// The smaller of each pair.
    #[inline(always)]
    pub fn at_most(self, limit: Self) -> Self {
        let mut out = self;
        for i in 0..W {
            out.0[i] = self.0[i].at_most(limit.0[i]);
        }
        out
    }
    /// Where the first is positive the second number, else the third.
    #[inline(always)]
    pub fn choose(self, yes: Self, no: Self) -> Self {
        let mut out = no;
        for i in 0..W {
            out.0[i] = pick(self.0[i] > T::ZERO, yes.0[i], no.0[i]);
        }
        out
    }
    /// 1 where this is above the other, else 0.
    #[inline(always)]
    pub fn above(self, other: Self) -> Self {
        let mut out = self;
        for i in 0..W {
            out.0[i] = pick(self.0[i] > other.0[i], T::ONE, T::ZERO);
        }
        out
    }
    /// Whether any number is positive.
    #[inline(always)]
    pub fn any(self) -> bool {
        let mut sum = T::ZERO;
        for i in 0..W {
            sum += self.0[i];
        }
        sum > T::ZERO
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against `libm`, over the whole range the solver can ask for.
    #[test]
    fn exponentials_stay_within_their_error_bound() {
        let (mut single, mut double) = (0.0f64, 0.0f64);
        for k in 0..=160_000 {
            let x = f64::from(k) / 1000.0 - 80.0;
            double = double.max((Real::exp(x) / libm::exp(x) - 1.0).abs() / f64::EPSILON);
            let x = x as f32;
            let exact = libm::exp(f64::from(x));
            single = single.max((f64::from(Real::exp(x)) / exact - 1.0).abs() / f64::from(f32::EPSILON));
        }
        assert!(double < 4.0 && single < 4.0, "{double} and {single} units in the last place");
    }

    #[test]
    fn exponentials_saturate_instead_of_wrapping() {
        assert!(Real::exp(-1e9f32) > 0.0 && Real::exp(-1e9f32) < 1e-37);
        assert!(Real::exp(1e9f32).is_finite() && Real::exp(1e9f64).is_finite());
    }
}
