//! Random numbers by counter: the value depends on where it is used, never on which thread came first.

/// The output function of SplitMix64 (Steele, Lea and Flood, OOPSLA 2014, doi:10.1145/2660193.2660195).
pub fn mix(counter: u64) -> u64 {
    let mut z = counter.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// One key from a seed and what the numbers are for.
pub fn key(seed: u64, purpose: &[u64]) -> u64 {
    purpose.iter().fold(mix(seed), |key, &part| mix(key ^ mix(part.wrapping_add(1))))
}

/// Uniform in (0, 1): never 0, so that its logarithm is finite.
fn unit(bits: u64) -> f64 {
    ((bits >> 11) as f64 + 0.5) / (1u64 << 53) as f64
}

/// Two independent standard normals for this key and counter (Box and Muller, doi:10.1214/aoms/1177706645).
pub fn normal_pair(key: u64, counter: u64) -> (f64, f64) {
    let first = mix(key.wrapping_add(counter.wrapping_mul(2)));
    let second = mix(key.wrapping_add(counter.wrapping_mul(2)).wrapping_add(1));
    let radius = (-2.0 * libm::log(unit(first))).sqrt();
    let (sine, cosine) = libm::sincos(std::f64::consts::TAU * unit(second));
    (radius * cosine, radius * sine)
}

/// A chi-squared number with `2·pairs` degrees of freedom: minus twice the logarithm of a product of uniforms.
pub fn chi_squared(key: u64, counter: u64, pairs: u32) -> f64 {
    let start = mix(key ^ counter.wrapping_mul(0xd1b5_4a32_d192_ed03));
    let product: f64 = (0..u64::from(pairs)).map(|i| unit(mix(start.wrapping_add(i)))).product();
    -2.0 * libm::log(product)
}

/// A sequence of numbers for one purpose, for shapes drawn in a fixed order.
pub struct Stream {
    key: u64,
    counter: u64,
}

impl Stream {
    /// The sequence for this seed and purpose.
    pub fn new(seed: u64, purpose: &[u64]) -> Self {
        Self { key: key(seed, purpose), counter: 0 }
    }

    /// The next bits.
    pub fn bits(&mut self) -> u64 {
        self.counter += 1;
        mix(self.key.wrapping_add(self.counter))
    }

    /// Uniform in (0, 1).
    pub fn uniform(&mut self) -> f64 {
        unit(self.bits())
    }

    /// Uniform between two numbers.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// True in this fraction of draws.
    pub fn chance(&mut self, fraction: f64) -> bool {
        self.uniform() < fraction
    }
}

/// Smooth noise in three dimensions: random values on a periodic lattice, blended between its points.
/// Every component is between −1 and 1.
pub struct Lattice {
    values: Vec<[f32; 3]>,
}

impl Lattice {
    const SIDE: usize = 16;

    /// A lattice for this seed and purpose.
    pub fn new(seed: u64, purpose: &[u64]) -> Self {
        let mut stream = Stream::new(seed, purpose);
        let mut draw = || stream.between(-1.0, 1.0) as f32;
        Self { values: (0..Self::SIDE.pow(3)).map(|_| [draw(), draw(), draw()]).collect() }
    }

    /// At a place given in lattice steps.
    pub fn at(&self, place: [f64; 3]) -> [f64; 3] {
        let mut low = [0usize; 3];
        let mut high = [0usize; 3];
        let mut blend = [0.0; 3];
        for axis in 0..3 {
            let floor = place[axis].floor();
            let fraction = place[axis] - floor;
            low[axis] = (floor as i64).rem_euclid(Self::SIDE as i64) as usize;
            high[axis] = (low[axis] + 1) % Self::SIDE;
            blend[axis] = fraction * fraction * (3.0 - 2.0 * fraction);
        }
        let mut sum = [0.0; 3];
        for corner in 0..8usize {
            let mut weight = 1.0;
            let mut index = 0;
            for axis in 0..3 {
                let upper = corner >> axis & 1 == 1;
                weight *= if upper { blend[axis] } else { 1.0 - blend[axis] };
                index = index * Self::SIDE + if upper { high[axis] } else { low[axis] };
            }
            for (total, &value) in sum.iter_mut().zip(&self.values[index]) {
                *total += weight * f64::from(value);
            }
        }
        sum
    }
}
