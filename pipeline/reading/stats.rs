//! Plain statistics, from `libm` and arithmetic only, so that every machine gives the same bits.

/// Two-sided 95 % point of the normal distribution.
pub const Z95: f64 = 1.959_963_984_540_054;

/// Standard deviations that cover the middle quartiles' span of a normal distribution: 2 · 0.6744897502.
const QUARTILE_SPAN: f64 = 1.348_979_500_392_163_4;

/// Probability that a standard normal variable is below `z`.
pub fn normal_below(z: f64) -> f64 {
    0.5 * libm::erfc(-z / std::f64::consts::SQRT_2)
}

/// Sorts a copy, smallest first; infinities allowed, NaN last.
pub fn sorted(values: &[f64]) -> Vec<f64> {
    let mut copy = values.to_vec();
    copy.sort_by(f64::total_cmp);
    copy
}

/// Quantile `q` in 0..=1 of sorted values, linear between order statistics (Hyndman and Fan's type 7).
/// `None` when empty. Between a finite and an infinite neighbour the infinite one counts.
pub fn quantile(sorted: &[f64], q: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1)?;
    let place = q.clamp(0.0, 1.0) * last as f64;
    let (below, above) = (sorted.get(place.floor() as usize)?, sorted.get(place.ceil() as usize)?);
    let part = place - place.floor();
    if part == 0.0 || below == above {
        return Some(*below);
    }
    Some(below + part * (above - below))
}

/// Median of unsorted values.
pub fn median(values: &[f64]) -> Option<f64> {
    quantile(&sorted(values), 0.5)
}

/// Mean; `None` when empty.
pub fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

/// Sample standard deviation (n − 1); `None` below two values.
pub fn standard_deviation(values: &[f64]) -> Option<f64> {
    let centre = mean(values)?;
    let squares: f64 = values.iter().map(|v| (v - centre) * (v - centre)).sum();
    (values.len() > 1).then(|| (squares / (values.len() - 1) as f64).sqrt())
}

/// Standard deviation of a normal distribution with this span between its quartiles.
pub fn sd_from_quartiles(q25: f64, q75: f64) -> f64 {
    (q75 - q25) / QUARTILE_SPAN
}

/// Natural logarithm of the beta function.
fn ln_beta(a: f64, b: f64) -> f64 {
    libm::lgamma(a) + libm::lgamma(b) - libm::lgamma(a + b)
}

/// Regularised incomplete beta function, by Lentz's continued fraction.
fn incomplete_beta(a: f64, b: f64, x: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    if x > (a + 1.0) / (a + b + 2.0) {
        return 1.0 - incomplete_beta(b, a, 1.0 - x);
    }
    let front = libm::exp(a * libm::log(x) + b * libm::log(1.0 - x) - ln_beta(a, b)) / a;
    let tiny = 1e-300;
    let guard = |v: f64| if v.abs() < tiny { tiny } else { v };
    let (mut f, mut c, mut d) = (1.0, 1.0, 0.0);
    for step in 0..400u32 {
        let m = f64::from(step / 2);
        let term = match step {
            0 => 1.0,
            s if s % 2 == 0 => m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m)),
            _ => -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0)),
        };
        d = 1.0 / guard(1.0 + term * d);
        c = guard(1.0 + term / c);
        f *= c * d;
        if (c * d - 1.0).abs() < 1e-15 {
            break;
        }
    }
    front * (f - 1.0)
}

/// Probability that Student's t with `df` degrees of freedom is below `t`.
pub fn student_below(t: f64, df: f64) -> f64 {
    let tail = 0.5 * incomplete_beta(df / 2.0, 0.5, df / (df + t * t));
    if t > 0.0 { 1.0 - tail } else { tail }
}

/// The `t` below which Student's t falls with probability `p` (0.5 < p < 1), by bisection.
pub fn student_quantile(p: f64, df: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    while student_below(high, df) < p && high < 1e12 {
        high *= 2.0;
    }
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if student_below(middle, df) < p { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

/// A straight line fitted by weighted least squares with known variances.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Line {
    /// Value at x = 0.
    pub intercept: f64,
    /// Change of y per x.
    pub slope: f64,
    /// Standard error of the slope from the known variances, widened by √(χ²/(n − 2)) where the points scatter
    /// more than their variances say (Birge's ratio).
    pub slope_se: f64,
}

/// Weighted regression of y on x with known variances; `None` below three points or without spread in x.
pub fn weighted_line(x: &[f64], y: &[f64], variance: &[f64]) -> Option<Line> {
    let n = x.len();
    if n < 3 || y.len() != n || variance.len() != n || variance.iter().any(|v| v.is_nan() || *v <= 0.0) {
        return None;
    }
    let total: f64 = variance.iter().map(|v| 1.0 / v).sum();
    let centre = |of: &[f64]| of.iter().zip(variance).map(|(a, v)| a / v).sum::<f64>() / total;
    let (mx, my) = (centre(x), centre(y));
    let sxx: f64 = x.iter().zip(variance).map(|(a, v)| (a - mx) * (a - mx) / v).sum();
    let sxy: f64 = x.iter().zip(y).zip(variance).map(|((a, b), v)| (a - mx) * (b - my) / v).sum();
    if sxx.is_nan() || sxx <= 0.0 {
        return None;
    }
    let slope = sxy / sxx;
    let intercept = my - slope * mx;
    let chi: f64 = x
        .iter()
        .zip(y)
        .zip(variance)
        .map(|((a, b), v)| {
            let off = b - intercept - slope * a;
            off * off / v
        })
        .sum();
    let birge = (chi / (n - 2) as f64).max(1.0).sqrt();
    Some(Line { intercept, slope, slope_se: birge / sxx.sqrt() })
}
