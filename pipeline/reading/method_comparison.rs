//! Lines through paired measurements that both carry error, for a site's own calibration.

use super::stats::{self, Z95, mean, median, quantile, sorted, student_quantile};

/// A line with its 95 % confidence limits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FittedLine {
    /// y per x.
    pub slope: f64,
    /// Limits of the slope.
    pub slope_limits: [f64; 2],
    /// y at x = 0.
    pub intercept: f64,
    /// Limits of the intercept.
    pub intercept_limits: [f64; 2],
}

/// Why no line can be fitted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LineError {
    /// Too few pairs.
    #[error("{0} pairs; at least 5 are needed for a line with limits")]
    TooFew(usize),
    /// All x alike, or x and y unrelated.
    #[error("the pairs show no rising line")]
    NoLine,
}

fn enough(x: &[f64], y: &[f64]) -> Result<usize, LineError> {
    let n = x.len().min(y.len());
    if n < 5 { Err(LineError::TooFew(n)) } else { Ok(n) }
}

/// Slope and intercept of Deming's line, `ratio` = error variance of y over that of x.
fn deming_line(x: &[f64], y: &[f64], ratio: f64) -> Option<(f64, f64)> {
    let (mx, my) = (mean(x)?, mean(y)?);
    let product = |a: &[f64], ma: f64, b: &[f64], mb: f64| -> f64 {
        a.iter().zip(b).map(|(p, q)| (p - ma) * (q - mb)).sum::<f64>()
    };
    let (sxx, syy, sxy) = (product(x, mx, x, mx), product(y, my, y, my), product(x, mx, y, my));
    if sxy.is_nan() || sxy <= 0.0 {
        return None;
    }
    let lead = syy - ratio * sxx;
    let slope = (lead + (lead * lead + 4.0 * ratio * sxy * sxy).sqrt()) / (2.0 * sxy);
    slope.is_finite().then_some((slope, my - slope * mx))
}

/// Deming regression with limits by the jackknife (Linnet K, Clin Chem 1990;36:2117-23; citation from memory).
/// `ratio` is the error variance of y over that of x, in the units of the data.
pub fn deming(x: &[f64], y: &[f64], ratio: f64) -> Result<FittedLine, LineError> {
    let n = enough(x, y)?;
    let (slope, intercept) = deming_line(x, y, ratio).ok_or(LineError::NoLine)?;
    let mut pseudo = (Vec::with_capacity(n), Vec::with_capacity(n));
    for left_out in 0..n {
        let without =
            |v: &[f64]| -> Vec<f64> { v.iter().enumerate().filter(|(i, _)| *i != left_out).map(|(_, a)| *a).collect() };
        let (s, i) = deming_line(&without(x), &without(y), ratio).ok_or(LineError::NoLine)?;
        pseudo.0.push(n as f64 * slope - (n - 1) as f64 * s);
        pseudo.1.push(n as f64 * intercept - (n - 1) as f64 * i);
    }
    let t = student_quantile(0.975, (n - 2) as f64);
    let reach = |values: &[f64]| t * stats::standard_deviation(values).unwrap_or(f64::NAN) / (n as f64).sqrt();
    let limits = |centre: f64, reach: f64| [centre - reach, centre + reach];
    Ok(FittedLine {
        slope,
        slope_limits: limits(slope, reach(&pseudo.0)),
        intercept,
        intercept_limits: limits(intercept, reach(&pseudo.1)),
    })
}

/// Passing and Bablok's line: the shifted median of all pairwise slopes, with its rank-based limits
/// (Passing H, Bablok W, J Clin Chem Clin Biochem 1983;21:709-20; citation from memory).
pub fn passing_bablok(x: &[f64], y: &[f64]) -> Result<FittedLine, LineError> {
    let n = enough(x, y)?;
    let mut slopes = Vec::with_capacity(n * (n - 1) / 2);
    let mut below = 0usize;
    for i in 0..n {
        for j in i + 1..n {
            let (dx, dy) = (x[j] - x[i], y[j] - y[i]);
            if dx == 0.0 && dy == 0.0 {
                continue;
            }
            let slope = if dx == 0.0 { f64::INFINITY.copysign(dy) } else { dy / dx };
            // A slope of exactly -1 belongs to neither side and is left out.
            if slope == -1.0 {
                continue;
            }
            below += usize::from(slope < -1.0);
            slopes.push(slope);
        }
    }
    let slopes = sorted(&slopes);
    let count = slopes.len();
    let at = |rank: usize| slopes.get(rank.saturating_sub(1)).copied();
    let slope = if count % 2 == 1 {
        at(count.div_ceil(2) + below)
    } else {
        at(count / 2 + below).zip(at(count / 2 + below + 1)).map(|(a, b)| 0.5 * (a + b))
    }
    .filter(|s| s.is_finite())
    .ok_or(LineError::NoLine)?;
    let size = n as f64;
    let c = Z95 * (size * (size - 1.0) * (2.0 * size + 5.0) / 18.0).sqrt();
    let lowest = ((count as f64 - c) / 2.0).round().max(1.0) as usize;
    let highest = (count - lowest.min(count) + 1).min(count);
    let slope_limits = [at(lowest + below).unwrap_or(f64::NAN), at(highest + below).unwrap_or(f64::INFINITY)];
    let intercept_for =
        |s: f64| median(&x.iter().zip(y).map(|(a, b)| b - s * a).collect::<Vec<_>>()).unwrap_or(f64::NAN);
    Ok(FittedLine {
        slope,
        slope_limits,
        intercept: intercept_for(slope),
        intercept_limits: [intercept_for(slope_limits[1]), intercept_for(slope_limits[0])],
    })
}

/// Bland and Altman's figures for the differences `a − b`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Agreement {
    /// Mean difference.
    pub bias: f64,
    /// Standard deviation of the differences.
    pub sd: f64,
    /// Limits of agreement: bias ± 1.96 SD.
    pub limits: [f64; 2],
    /// Half-width of the 95 % confidence interval of each limit: t · SD · √(1/n + 1.96²/(2(n − 1))).
    pub limit_reach: f64,
}

/// Agreement of two methods; `None` below three pairs.
pub fn agreement(a: &[f64], b: &[f64]) -> Option<Agreement> {
    let differences: Vec<f64> = a.iter().zip(b).map(|(p, q)| p - q).collect();
    let n = differences.len() as f64;
    if n < 3.0 {
        return None;
    }
    let (bias, sd) = (mean(&differences)?, stats::standard_deviation(&differences)?);
    let t = student_quantile(0.975, n - 1.0);
    Some(Agreement {
        bias,
        sd,
        limits: [bias - Z95 * sd, bias + Z95 * sd],
        limit_reach: t * sd * (1.0 / n + Z95 * Z95 / (2.0 * (n - 1.0))).sqrt(),
    })
}

/// Standard deviation of y about a line, with n − 2 degrees of freedom: what one prediction of y carries.
pub fn residual_sd(x: &[f64], y: &[f64], slope: f64, intercept: f64) -> Option<f64> {
    let n = x.len().min(y.len());
    let squares: f64 = x.iter().zip(y).map(|(a, b)| (b - intercept - slope * a).powi(2)).sum();
    (n > 2).then(|| (squares / (n - 2) as f64).sqrt())
}

/// Spread of relative residuals about a line as a robust standard deviation: tells whether the error grows with
/// the LIC. `None` where the line predicts nothing positive.
pub fn relative_residual_sd(x: &[f64], y: &[f64], slope: f64, intercept: f64) -> Option<f64> {
    let relative: Vec<f64> = x
        .iter()
        .zip(y)
        .map(|(a, b)| (b, intercept + slope * a))
        .filter(|(_, line)| *line > 0.0)
        .map(|(b, line)| (b - line) / line)
        .collect();
    let order = sorted(&relative);
    Some(stats::sd_from_quartiles(quantile(&order, 0.25)?, quantile(&order, 0.75)?))
}
