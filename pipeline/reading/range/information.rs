//! How much one magnitude sample tells of the amplitude under it: Fisher information of the noncentral chi
//! distribution, and from it the Cramér-Rao bound of R2*.
//!
//! For samples in units of σ with amplitude `a` and N coil elements the density of s is
//! sᴺ a¹⁻ᴺ exp(−(s² + a²)/2) I_{N−1}(s·a), so the score is s·I_N(sa)/I_{N−1}(sa) − a and, its mean being zero,
//! the information is E[(s·I_N(sa)/I_{N−1}(sa))²] − a².

/// Information per sample against the amplitude, tabulated for one number of coil elements.
pub struct Information {
    elements: f64,
    table: Vec<f64>,
}

/// Amplitudes above this (in σ) carry as much as a normal sample, to within 1/(2a²).
const FAR: f64 = 20.0;
const STEP: f64 = 0.2;

impl Information {
    /// For this number of coil elements (0.5 and above; 1 is the Rice distribution).
    pub fn new(elements: f64) -> Self {
        let elements = elements.max(0.5);
        let count = (FAR / STEP).round() as usize;
        let table = (0..=count).map(|i| information(i as f64 * STEP, elements)).collect();
        Self { elements, table }
    }

    /// Number of coil elements.
    pub fn elements(&self) -> f64 {
        self.elements
    }

    /// Information of one sample with amplitude `a` (in σ), per σ²; cubic between tabulated amplitudes. It is an even
    /// function of the amplitude, so the table goes on below zero as a mirror.
    pub fn at(&self, a: f64) -> f64 {
        let place = a.max(0.0) / STEP;
        let below = place.floor() as usize;
        let t = place - place.floor();
        let tabulated = [below.abs_diff(1), below, below + 1, below + 2].map(|i| self.table.get(i).copied());
        let [Some(p), Some(q), Some(r), Some(s)] = tabulated else {
            return 1.0 - (self.elements - 0.5) / (a * a);
        };
        // Lagrange's polynomial through -1, 0, 1, 2.
        -p * t * (t - 1.0) * (t - 2.0) / 6.0 + q * (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0
            - r * (t + 1.0) * t * (t - 2.0) / 2.0
            + s * (t + 1.0) * t * (t - 1.0) / 6.0
    }

    /// Cramér-Rao bound of R2* (standard deviation, /s) for S0·exp(−R2*·TE) with unknown S0, one voxel.
    /// `snr` is S0/σ, echo times in seconds. Infinite where the samples tell nothing.
    pub fn bound(&self, echo_times: &[f64], snr: f64, r2star: f64) -> f64 {
        let (mut ss, mut sr, mut rr) = (0.0, 0.0, 0.0);
        for &time in echo_times {
            let amplitude = snr * libm::exp(-r2star * time);
            // Derivatives by ln S0 and by R2*.
            let weight = self.at(amplitude) * amplitude * amplitude;
            ss += weight;
            sr += weight * time;
            rr += weight * time * time;
        }
        let determinant = ss * rr - sr * sr;
        if determinant > 0.0 { (ss / determinant).sqrt() } else { f64::INFINITY }
    }
}

/// By trapezoids over the density, which vanishes at both ends, so that the rule converges geometrically.
fn information(a: f64, elements: f64) -> f64 {
    if a <= 0.0 {
        return 0.0;
    }
    let high = a + 9.0 + (2.0 * elements).sqrt();
    let steps = 240;
    let width = high / f64::from(steps);
    // Logarithms of the density up to a constant; the largest is taken out before exponentiation.
    let points: Vec<(f64, f64, f64)> = (1..=steps)
        .map(|i| {
            let s = width * f64::from(i);
            let log = elements * libm::log(s) - 0.5 * s * s + ln_bessel(elements - 1.0, s * a);
            (s, log, s * bessel_ratio(elements, s * a))
        })
        .collect();
    let top = points.iter().map(|p| p.1).fold(f64::NEG_INFINITY, f64::max);
    let (mut mass, mut second) = (0.0, 0.0);
    for (_, log, score) in points {
        let density = libm::exp(log - top);
        mass += density;
        second += density * score * score;
    }
    (second / mass - a * a).max(0.0)
}

/// I_ν(x)/I_{ν−1}(x) by Perron's continued fraction (Gautschi and Slavik, Math Comp 1978; citation from memory),
/// evaluated backwards from a depth where it has converged.
fn bessel_ratio(order: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    let depth = (30.0 + 0.8 * x).min(4000.0) as u32;
    let mut tail = 0.0;
    for k in (0..depth).rev() {
        let v = 2.0 * (order + f64::from(k)) / x;
        tail = 1.0 / (v + tail);
    }
    tail
}

/// ln I_ν(x), up to a constant that depends on ν alone, for ν > −1 and x > 0.
fn ln_bessel(order: f64, x: f64) -> f64 {
    if x > 60.0_f64.max(4.0 * order * order) {
        // Hankel's expansion for large x.
        let mu = 4.0 * order * order;
        let (mut term, mut sum) = (1.0, 1.0);
        for k in 1..30u32 {
            let k = f64::from(k);
            let odd = 2.0 * k - 1.0;
            let next = -term * (mu - odd * odd) / (8.0 * k * x);
            if next.abs() >= f64::abs(term) {
                break;
            }
            term = next;
            sum += term;
            if term.abs() < 1e-17 {
                break;
            }
        }
        return x - 0.5 * libm::log(2.0 * std::f64::consts::PI * x) + libm::log(sum);
    }
    // Ascending series; all terms positive.
    let quarter = 0.25 * x * x;
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..2000u32 {
        let k = f64::from(k);
        term *= quarter / (k * (k + order));
        sum += term;
        if term < sum * 1e-17 {
            break;
        }
    }
    order * libm::log(0.5 * x) - libm::lgamma(order + 1.0) + libm::log(sum)
}
