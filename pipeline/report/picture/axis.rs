//! Axes: round ticks, positions, numbers as people write them.

/// A scale from data to canvas.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    from: [f64; 2],
    to: [f64; 2],
    logarithmic: bool,
}

impl Scale {
    /// `from` data to `to` canvas, evenly.
    pub fn even(from: [f64; 2], to: [f64; 2]) -> Self {
        Self { from, to, logarithmic: false }
    }

    /// Logarithmic; both ends of `from` are positive.
    pub fn logarithmic(from: [f64; 2], to: [f64; 2]) -> Self {
        Self { from, to, logarithmic: true }
    }

    /// Position of a value, kept on the canvas.
    pub fn at(&self, value: f64) -> f64 {
        let t = if self.logarithmic {
            let [a, b] = self.from.map(libm::log10);
            (libm::log10(value.max(self.from[0])) - a) / (b - a)
        } else {
            (value - self.from[0]) / (self.from[1] - self.from[0])
        };
        self.to[0] + t.clamp(0.0, 1.0) * (self.to[1] - self.to[0])
    }
}

/// The next of 1, 2, 2.5, 5 times a power of ten at or above a positive value.
pub fn round_up(value: f64) -> f64 {
    if !(value.is_finite() && value > 0.0) {
        return 1.0;
    }
    let power = libm::pow(10.0, libm::floor(libm::log10(value)));
    for step in [1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0] {
        if step * power >= value * 0.999_999 {
            return step * power;
        }
    }
    10.0 * power
}

/// Ticks from `from` to `to`, about `count` of them, at round values.
pub fn ticks([from, to]: [f64; 2], count: usize) -> Vec<f64> {
    let rough = (to - from) / count.max(1) as f64;
    if !(rough.is_finite() && rough > 0.0) {
        return Vec::new();
    }
    let power = libm::pow(10.0, libm::floor(libm::log10(rough)));
    let step = [1.0, 2.0, 5.0, 10.0].iter().map(|s| s * power).find(|s| *s >= rough * 0.999).unwrap_or(10.0 * power);
    let first = libm::ceil(from / step - 1e-9) as i64;
    let last = libm::floor(to / step + 1e-9) as i64;
    (first..=last).map(|i| i as f64 * step).collect()
}

/// Ticks of a logarithmic axis: 1, 2 and 5 times the powers of ten in it.
pub fn log_ticks([from, to]: [f64; 2]) -> Vec<f64> {
    let mut found = Vec::new();
    let mut power = libm::pow(10.0, libm::floor(libm::log10(from)));
    while power <= to && found.len() < 40 {
        found.extend([1.0, 2.0, 5.0].iter().map(|s| s * power).filter(|t| (from..=to).contains(t)));
        power *= 10.0;
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        assert_eq!(ticks([0.0, 400.0], 4), [0.0, 100.0, 200.0, 300.0, 400.0]);
        assert_eq!(ticks([0.9, 15.2], 5), [5.0, 10.0, 15.0]);
        assert!(ticks([1.0, 1.0], 4).is_empty());
        assert_eq!(log_ticks([8.0, 120.0]), [10.0, 20.0, 50.0, 100.0]);
        assert_eq!(round_up(212.0), 300.0);
        assert_eq!(round_up(f64::NAN), 1.0);
    }

    #[test]
    fn scales_keep_everything_on_the_canvas() {
        let x = Scale::even([0.0, 10.0], [100.0, 200.0]);
        assert_eq!([x.at(-5.0), x.at(5.0), x.at(50.0)], [100.0, 150.0, 200.0]);
        let y = Scale::logarithmic([1.0, 100.0], [0.0, 1.0]);
        assert_eq!([y.at(0.0), y.at(10.0), y.at(1e9)], [0.0, 0.5, 1.0]);
    }
}
