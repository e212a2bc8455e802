//! A discrete Fourier transform of any length, for mixing the lines of k-space.

use std::f64::consts::TAU;

/// A complex number in double precision.
pub type Complex64 = (f64, f64);

fn times(a: Complex64, b: Complex64) -> Complex64 {
    (a.0 * b.0 - a.1 * b.1, a.0 * b.1 + a.1 * b.0)
}

/// Transforms of one length, by repeated splitting into the prime factors of the length (Cooley and Tukey 1965,
/// doi:10.1090/S0025-5718-1965-0178586-1). The order of sums is fixed.
pub struct Fourier {
    length: usize,
    /// exp(−2πi k / length).
    roots: Vec<Complex64>,
}

impl Fourier {
    /// For vectors of this length.
    pub fn new(length: usize) -> Self {
        let root = |k: usize| {
            let (sine, cosine) = libm::sincos(-TAU * k as f64 / length as f64);
            (cosine, sine)
        };
        Self { length, roots: (0..length).map(root).collect() }
    }

    /// X(k) = Σ x(n) exp(−2πi k n / N).
    pub fn forward(&self, values: &[Complex64]) -> Vec<Complex64> {
        let mut out = vec![(0.0, 0.0); self.length];
        self.split(values, 0, 1, &mut out);
        out
    }

    /// x(n) = 1/N Σ X(k) exp(2πi k n / N).
    pub fn inverse(&self, values: &[Complex64]) -> Vec<Complex64> {
        let swapped: Vec<Complex64> = values.iter().map(|z| (z.1, z.0)).collect();
        let scale = 1.0 / self.length as f64;
        self.forward(&swapped).into_iter().map(|z| (z.1 * scale, z.0 * scale)).collect()
    }

    /// Transforms every `stride`-th value from `start` into `out`, whose length times the stride is the whole.
    fn split(&self, values: &[Complex64], start: usize, stride: usize, out: &mut [Complex64]) {
        let length = out.len();
        if length == 1 {
            out[0] = values[start];
            return;
        }
        let factor = (2..=length).find(|f| length.is_multiple_of(*f)).unwrap_or(length);
        let part = length / factor;
        for (index, block) in out.chunks_mut(part).enumerate() {
            self.split(values, start + index * stride, stride * factor, block);
        }
        if factor == 2 {
            // Most of the work is here.
            let (even, odd) = out.split_at_mut(part);
            for (k, (a, b)) in even.iter_mut().zip(odd).enumerate() {
                let turned = times(*b, self.roots[k * stride]);
                (*a, *b) = ((a.0 + turned.0, a.1 + turned.1), (a.0 - turned.0, a.1 - turned.1));
            }
            return;
        }
        let mut terms = vec![(0.0, 0.0); factor];
        for k in 0..part {
            for (index, term) in terms.iter_mut().enumerate() {
                *term = out[index * part + k];
            }
            for block in 0..factor {
                let frequency = k + block * part;
                out[frequency] = terms.iter().enumerate().fold((0.0, 0.0), |sum, (index, &term)| {
                    let root = self.roots[index * frequency * stride % self.length];
                    let turned = times(term, root);
                    (sum.0 + turned.0, sum.1 + turned.1)
                });
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the sum that defines it, for even, odd, prime and composite lengths.
    #[test]
    fn transform_matches_its_definition_and_inverts() {
        for length in [1usize, 2, 5, 12, 49, 97, 160] {
            let values: Vec<Complex64> =
                (0..length).map(|i| (((i * 7 + 3) % 11) as f64, ((i * 5) % 13) as f64 - 6.0)).collect();
            let fourier = Fourier::new(length);
            let found = fourier.forward(&values);
            for (k, z) in found.iter().enumerate() {
                let wanted = values.iter().enumerate().fold((0.0, 0.0), |sum, (n, &x)| {
                    let (sine, cosine) = libm::sincos(-TAU * (k * n) as f64 / length as f64);
                    let turned = times(x, (cosine, sine));
                    (sum.0 + turned.0, sum.1 + turned.1)
                });
                assert!((z.0 - wanted.0).abs() + (z.1 - wanted.1).abs() < 1e-9 * length as f64, "{length} {k}");
            }
            for (back, x) in fourier.inverse(&found).iter().zip(&values) {
                assert!((back.0 - x.0).abs() + (back.1 - x.1).abs() < 1e-9);
            }
        }
    }
}
