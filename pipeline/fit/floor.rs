//! The noise floor in lanes: mean, slope and variance of the magnitude as a function of the true signal.
//!
//! The variance v(a) of the noncentral chi distribution rises smoothly from its central value to 1. As a function of
//! `t = k/(k + a²)`, `k = 2N + 4`, on \[0, 1\] it is almost a straight line, so that a short Chebyshev
//! interpolant carries it; the mean follows exactly as `√(a² + 2N − v)`, since `E[S²] = a² + 2N`.
//! Tested bounds for N of 1 and more: 16 terms (f32) hold the mean to 3e-7, 30 terms (f64) to 1e-9.

use super::lanes::{Pack, Real};
use super::moments::moments;

const MOST_TERMS: usize = 32;

/// Mean, its slope and variance at one true signal.
pub struct FloorAt<T> {
    /// E\[S\]/σ.
    pub mean: T,
    /// d E\[S\] / dA.
    pub slope: T,
    /// var\[S\]/σ².
    pub variance: T,
}

/// The noise floor of one effective number of coil elements.
#[derive(Clone, Debug)]
pub struct NoiseFloor<T> {
    /// 2N.
    twice: T,
    scale: T,
    inverse_scale: T,
    /// Variance as a polynomial in `2t − 1`, lowest power first.
    powers: [T; MOST_TERMS],
    /// Its derivative.
    slopes: [T; MOST_TERMS],
}

impl<T: Real> NoiseFloor<T> {
    /// For this effective number of coil elements; below one half it is taken as one half.
    pub fn new(coil_elements: f64) -> Self {
        let n = coil_elements.max(0.5);
        let scale = 2.0 * n + 4.0;
        let terms = T::TERMS;
        let count = terms as f64;
        let angle = |k: usize| std::f64::consts::PI * (k as f64 + 0.5) / count;
        let values: Vec<f64> = (0..terms)
            .map(|k| {
                let t = 0.5 * (libm::cos(angle(k)) + 1.0);
                moments((scale * (1.0 / t - 1.0)).sqrt(), n).1
            })
            .collect();
        let mut powers = [0.0f64; MOST_TERMS];
        // Chebyshev polynomials by their recurrence, as powers.
        let (mut before, mut now) = ([0.0f64; MOST_TERMS], [0.0f64; MOST_TERMS]);
        now[0] = 1.0;
        for degree in 0..terms {
            let sum: f64 = values.iter().enumerate().map(|(k, v)| v * libm::cos(degree as f64 * angle(k))).sum();
            let share = if degree == 0 { sum / count } else { 2.0 * sum / count };
            for (power, term) in powers.iter_mut().zip(now) {
                *power += share * term;
            }
            let factor = if degree == 0 { 1.0 } else { 2.0 };
            let mut next = [0.0f64; MOST_TERMS];
            for k in 0..MOST_TERMS {
                next[k] = if k > 0 { factor * now[k - 1] } else { 0.0 } - before[k];
            }
            (before, now) = (now, next);
        }
        let mut slopes = [0.0f64; MOST_TERMS];
        for k in 1..terms {
            slopes[k - 1] = k as f64 * powers[k];
        }
        Self {
            twice: T::of(2.0 * n),
            scale: T::of(scale),
            inverse_scale: T::of(1.0 / scale),
            powers: powers.map(T::of),
            slopes: slopes.map(T::of),
        }
    }

    /// At this true signal over σ.
    #[inline(always)]
    pub fn at(&self, a: T) -> FloorAt<T> {
        let square = a * a;
        let t = self.scale / (self.scale + square);
        let s = t + t - T::ONE;
        // Even and odd powers apart: four short chains of operations instead of one long one.
        let ss = s * s;
        let (mut even, mut odd) = (self.powers[T::TERMS - 2], self.powers[T::TERMS - 1]);
        let (mut slope_even, mut slope_odd) = (self.slopes[T::TERMS - 2], self.slopes[T::TERMS - 1]);
        let mut k = T::TERMS - 2;
        while k > 0 {
            k -= 2;
            even = even * ss + self.powers[k];
            odd = odd * ss + self.powers[k + 1];
            slope_even = slope_even * ss + self.slopes[k];
            slope_odd = slope_odd * ss + self.slopes[k + 1];
        }
        let value = even + odd * s;
        let slope = slope_even + slope_odd * s;
        let mean = (square + self.twice - value).sqrt();
        // dv/da = 2·slope·dt/da with dt/da = −2·a·t²/k.
        let bend = T::ONE + (slope + slope) * t * t * self.inverse_scale;
        FloorAt { mean, slope: a * bend / mean, variance: value }
    }

    /// Variance alone, of a few at once.
    #[inline(always)]
    pub fn variance<const W: usize>(&self, a: Pack<T, W>) -> Pack<T, W> {
        let scale = Pack::of(self.scale);
        let t = scale / (scale + a * a);
        let s = t + t - Pack::of(T::ONE);
        let ss = s * s;
        let (mut even, mut odd) = (Pack::of(self.powers[T::TERMS - 2]), Pack::of(self.powers[T::TERMS - 1]));
        let mut k = T::TERMS - 2;
        while k > 0 {
            k -= 2;
            even = even * ss + Pack::of(self.powers[k]);
            odd = odd * ss + Pack::of(self.powers[k + 1]);
        }
        even + odd * s
    }

    /// E\[S²\]/σ² without signal: 2N.
    pub fn power(&self) -> T {
        self.twice
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn worst<T: Real>(n: f64) -> [f64; 3] {
        let floor = NoiseFloor::<T>::new(n);
        let mut worst = [0.0f64; 3];
        for k in 0..2000 {
            let a = 1e-3 * (f64::from(k) * 0.0065).exp() - 1e-3;
            let at = floor.at(T::of(a));
            let (mean, variance) = moments(a, n);
            let h = 1e-4 * (1.0 + a);
            let slope = (moments(a + h, n).0 - moments((a - h).abs(), n).0) / (a + h - (a - h).max(h - a));
            worst[0] = worst[0].max((at.mean.double() / mean - 1.0).abs());
            worst[1] = worst[1].max((at.variance.double() - variance).abs());
            if a > h {
                worst[2] = worst[2].max((at.slope.double() - slope).abs());
            }
        }
        worst
    }

    #[test]
    fn floor_stays_within_its_error_bound() {
        for n in [1.0, 1.37, 2.0, 4.0, 6.5, 8.0, 16.0, 32.0] {
            let [mean, variance, slope] = worst::<f32>(n);
            assert!(mean < 3e-7 && variance < 3e-6 && slope < 3e-6, "f32, N {n}: {mean:e} {variance:e} {slope:e}");
            let [mean, variance, slope] = worst::<f64>(n);
            assert!(mean < 1e-9 && variance < 2e-9 && slope < 1e-7, "f64, N {n}: {mean:e} {variance:e} {slope:e}");
        }
    }
}
