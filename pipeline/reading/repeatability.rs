//! Within-subject variation and what follows from it.
//!
//! Raunig DL et al., Stat Methods Med Res 2015;24:27-67 (repeatability coefficient); reference change value
//! as used in laboratory medicine: RCV = √2 · Z · √(CV_A² + CV_I²).

use super::stats::Z95;

/// Within-subject standard deviation from pairs of scans of the same subjects: √(Σ(x₁ − x₂)² / 2n).
/// `None` without pairs.
pub fn within_subject_sd(pairs: &[(f64, f64)]) -> Option<f64> {
    let squares: f64 = pairs.iter().map(|(a, b)| (a - b) * (a - b)).sum();
    (!pairs.is_empty()).then(|| (squares / (2 * pairs.len()) as f64).sqrt())
}

/// Repeatability coefficient: two scans of an unchanged subject differ by less in 95 % of pairs:
/// 1.96 · √2 · wSD.
pub fn repeatability_coefficient(wsd: f64) -> f64 {
    Z95 * std::f64::consts::SQRT_2 * wsd
}

/// Limits of the ratio of two scans of an unchanged subject, as fractions below and above 1, where the variation is
/// in proportion: exp(±1.96 · √2 · SD of the logarithm) − 1.
pub fn ratio_limits(sd_of_logarithm: f64) -> (f64, f64) {
    let reach = repeatability_coefficient(sd_of_logarithm);
    (libm::expm1(-reach), libm::expm1(reach))
}

/// Reference change value as a fraction: two results differ by more only if something changed, with the
/// confidence of `z` (1.96 for 95 % two-sided), from the analytical and the within-subject coefficient of
/// variation.
pub fn reference_change_value(z: f64, analytical_cv: f64, within_subject_cv: f64) -> f64 {
    std::f64::consts::SQRT_2 * z * libm::hypot(analytical_cv, within_subject_cv)
}
