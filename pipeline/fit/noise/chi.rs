//! Sums over samples of pure noise, and what the central chi distribution says of them.

use crate::fit::moments::moments;

/// Sums over magnitude samples without signal.
#[derive(Clone, Copy, Debug, Default)]
pub struct Tally {
    /// Number of samples.
    pub count: f64,
    sum: f64,
    squares: f64,
}

impl Tally {
    /// One more sample.
    pub fn add(&mut self, value: f64) {
        self.count += 1.0;
        self.sum += value;
        self.squares += value * value;
    }

    /// Both together.
    pub fn and(&self, other: &Self) -> Self {
        Self { count: self.count + other.count, sum: self.sum + other.sum, squares: self.squares + other.squares }
    }

    /// Mean.
    pub fn mean(&self) -> f64 {
        self.sum / self.count
    }

    /// Mean of the squares.
    pub fn power(&self) -> f64 {
        self.squares / self.count
    }

    /// Noise of one real channel if there are `n` elements: E[S²] = 2Nσ² (Constantinides et al., Magn Reson Med
    /// 1997, doi:10.1002/mrm.1910380524).
    pub fn sigma(&self, n: f64) -> f64 {
        (self.power() / (2.0 * n)).sqrt()
    }

    /// Number of elements from the shape: variance over mean square falls from 0.215 at N = 1 as about 1/(4N).
    /// Never above 128.
    pub fn coil_elements(&self) -> f64 {
        let mean = self.mean();
        let shape = (1.0 - mean * mean / self.power()).max(0.0);
        let of = |n: f64| moments(0.0, n).1 / (2.0 * n);
        let (mut low, mut high) = (0.25, 128.0);
        for _ in 0..50 {
            let middle = f64::sqrt(low * high);
            if of(middle) > shape { low = middle } else { high = middle }
        }
        f64::sqrt(low * high)
    }

    /// One standard error of σ over σ, for a known number of elements, plus one in a hundred for what this statistic
    /// does not see: neighbours that share noise where images were interpolated, filters of the reconstruction, rounding.
    pub fn uncertainty(&self, n: f64) -> f64 {
        let chance = 1.0 / (4.0 * n * self.count.max(1.0));
        (chance + 1e-4).sqrt()
    }
}
