//! Noise for simulations: fixed seeds and `libm`, so that every run and machine draws the same.

/// A small counter-based generator (SplitMix64: Steele GL, Lea D, Flood CH, 2014; constants from memory).
pub struct Draws {
    state: u64,
    spare: Option<f64>,
}

impl Draws {
    /// From a seed; different seeds give unrelated streams.
    pub fn new(seed: u64) -> Self {
        Self { state: seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0xD1B5_4A32_D192_ED03, spare: None }
    }

    fn next(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Uniform in (0, 1).
    pub fn uniform(&mut self) -> f64 {
        ((self.next() >> 11) as f64 + 0.5) / 9_007_199_254_740_992.0
    }

    /// Standard normal, by Box and Muller's transform.
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = (-2.0 * libm::log(self.uniform())).sqrt();
        let angle = 2.0 * std::f64::consts::PI * self.uniform();
        self.spare = Some(radius * libm::sin(angle));
        radius * libm::cos(angle)
    }

    /// χ² with `df` degrees of freedom (above 0), by Marsaglia and Tsang's method for gamma variables; a single
    /// degree is the square of a normal variable.
    fn chi_square(&mut self, df: f64) -> f64 {
        if (df - 1.0).abs() < 1e-9 {
            let z = self.normal();
            return z * z;
        }
        let shape = 0.5 * df;
        let (boosted, power) =
            if shape < 1.0 { (shape + 1.0, libm::pow(self.uniform(), 1.0 / shape)) } else { (shape, 1.0) };
        let d = boosted - 1.0 / 3.0;
        let c = 1.0 / (9.0 * d).sqrt();
        loop {
            let z = self.normal();
            let v = (1.0 + c * z) * (1.0 + c * z) * (1.0 + c * z);
            if v > 0.0 && libm::log(self.uniform()) < 0.5 * z * z + d - d * v + d * libm::log(v) {
                return 2.0 * d * v * power;
            }
        }
    }

    /// One magnitude sample in σ: amplitude `a`, root sum of squares over `elements` coil elements.
    pub fn magnitude(&mut self, a: f64, elements: f64) -> f64 {
        let [along, across] = self.noise(elements);
        libm::hypot(a + along, across)
    }

    /// Noise of one sample in σ: along the signal, and the length of the rest across it.
    pub fn noise(&mut self, elements: f64) -> [f64; 2] {
        let along = self.normal();
        let rest = 2.0 * elements - 1.0;
        [along, if rest > 1e-9 { self.chi_square(rest).sqrt() } else { 0.0 }]
    }
}
