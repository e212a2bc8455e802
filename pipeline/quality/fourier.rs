//! A small fast Fourier transform (Cooley and Tukey 1965, radix 2) in plain arithmetic, so that every machine
//! gives the same bits.

/// A complex number.
pub(super) type Complex = (f64, f64);

/// Twiddle factors for transforms of one length.
pub(super) struct Plan {
    size: usize,
    twiddles: Vec<Complex>,
}

impl Plan {
    /// For lines of `size`, a power of two.
    pub(super) fn new(size: usize) -> Self {
        debug_assert!(size.is_power_of_two());
        let twiddles = (0..size / 2)
            .map(|k| {
                let (sine, cosine) = libm::sincos(-2.0 * std::f64::consts::PI * k as f64 / size as f64);
                (cosine, sine)
            })
            .collect();
        Self { size, twiddles }
    }

    /// Forward transform of one line, in place, without scaling.
    pub(super) fn line(&self, data: &mut [Complex]) {
        let n = self.size;
        let mut j = 0;
        for i in 1..n {
            let mut bit = n >> 1;
            while j & bit != 0 {
                j ^= bit;
                bit >>= 1;
            }
            j |= bit;
            if i < j {
                data.swap(i, j);
            }
        }
        let mut half = 1;
        while half < n {
            let step = n / (2 * half);
            for block in data.chunks_exact_mut(2 * half) {
                let (low, high) = block.split_at_mut(half);
                for (k, (a, b)) in low.iter_mut().zip(high).enumerate() {
                    let w = self.twiddles[k * step];
                    let t = (b.0 * w.0 - b.1 * w.1, b.0 * w.1 + b.1 * w.0);
                    *b = (a.0 - t.0, a.1 - t.1);
                    *a = (a.0 + t.0, a.1 + t.1);
                }
            }
            half *= 2;
        }
    }

    /// Forward transform of a square image of `size` × `size`, in place; the result is transposed.
    pub(super) fn square(&self, image: &mut [Complex]) {
        for _ in 0..2 {
            image.chunks_exact_mut(self.size).for_each(|line| self.line(line));
            for row in 0..self.size {
                for column in row + 1..self.size {
                    image.swap(row * self.size + column, column * self.size + row);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the defining sum of the discrete Fourier transform.
    #[test]
    fn the_transform_is_the_defining_sum() {
        let n = 16;
        let data: Vec<Complex> = (0..n).map(|k| ((k * k % 7) as f64, (k * 3 % 5) as f64)).collect();
        let mut fast = data.clone();
        Plan::new(n).line(&mut fast);
        for (k, got) in fast.iter().enumerate() {
            let mut sum = (0.0, 0.0);
            for (j, x) in data.iter().enumerate() {
                let (s, c) = libm::sincos(-2.0 * std::f64::consts::PI * (k * j) as f64 / n as f64);
                sum = (sum.0 + x.0 * c - x.1 * s, sum.1 + x.0 * s + x.1 * c);
            }
            assert!((got.0 - sum.0).abs() < 1e-12 && (got.1 - sum.1).abs() < 1e-12);
        }
    }

    #[test]
    fn a_square_transform_of_a_plane_wave_is_one_point() {
        let n = 16;
        let wave = |r: usize, c: usize| {
            let (s, k) = libm::sincos(2.0 * std::f64::consts::PI * (3 * r + 5 * c) as f64 / n as f64);
            (k, s)
        };
        let mut image: Vec<Complex> = (0..n * n).map(|i| wave(i / n, i % n)).collect();
        Plan::new(n).square(&mut image);
        for (i, x) in image.iter().enumerate() {
            let wanted = if (i / n, i % n) == (3, 5) { (n * n) as f64 } else { 0.0 };
            assert!((x.0 - wanted).abs() < 1e-9 && x.1.abs() < 1e-9, "{i}");
        }
    }
}
