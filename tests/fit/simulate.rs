//! Decays with multi-coil complex noise, made here and not by the room under test.

use ndarray::Array2;

/// A generator of normal deviates with a fixed seed: xorshift and the polar method.
pub struct Normal {
    state: u64,
    spare: Option<f64>,
}

impl Normal {
    pub fn new(seed: u64) -> Self {
        Self { state: seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1, spare: None }
    }

    fn uniform(&mut self) -> f64 {
        self.state ^= self.state << 13;
        self.state ^= self.state >> 7;
        self.state ^= self.state << 17;
        (self.state.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1u64 << 53) as f64 * 2.0 - 1.0
    }

    pub fn draw(&mut self) -> f64 {
        if let Some(value) = self.spare.take() {
            return value;
        }
        loop {
            let (x, y) = (self.uniform(), self.uniform());
            let s = x * x + y * y;
            if s < 1.0 && s > 0.0 {
                let factor = (-2.0 * s.ln() / s).sqrt();
                self.spare = Some(y * factor);
                return x * factor;
            }
        }
    }
}

/// Root sum of squares over `coils` of a true signal spread unevenly over them, with unit noise in each channel.
pub fn magnitude(signal: f64, coils: usize, normal: &mut Normal) -> f64 {
    let weight = |c: usize| (1.0 + c as f64 % 3.0).sqrt();
    let total: f64 = (0..coils).map(|c| weight(c).powi(2)).sum();
    let power: f64 = (0..coils)
        .map(|c| {
            let real = signal * weight(c) / total.sqrt() + normal.draw();
            real * real + normal.draw().powi(2)
        })
        .sum();
    power.sqrt()
}

/// `voxels` noisy copies of one signal, echo × voxel.
pub fn noisy(signal: &[f64], coils: usize, voxels: usize, seed: u64) -> Array2<f32> {
    let mut normal = Normal::new(seed);
    let mut out = Array2::zeros((signal.len(), voxels));
    for v in 0..voxels {
        for (e, &a) in signal.iter().enumerate() {
            out[[e, v]] = magnitude(a, coils, &mut normal) as f32;
        }
    }
    out
}

/// First, first + spacing, …, in seconds.
pub fn train(first_ms: f64, spacing_ms: f64, echoes: usize) -> Vec<f64> {
    (0..echoes).map(|k| (first_ms + spacing_ms * k as f64) * 1e-3).collect()
}

/// Middle of the values.
pub fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}
