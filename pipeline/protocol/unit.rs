//! Numbers with units as a physicist types them, and how they are shown.

use super::errors::nearest;
use crate::study::text::{plain, safe};

/// The unit a quantity is given in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Unit {
    Milliseconds,
    Seconds,
    Degrees,
    HertzPerPixel,
    Millimetres,
    Tesla,
    Percent,
    /// A bare number: a count, a factor or a ratio.
    None,
}

impl Unit {
    /// Spellings with their factor to the quantity's own unit; the first is the one shown.
    fn spellings(self) -> &'static [(&'static str, f64)] {
        match self {
            Self::Milliseconds => &[("ms", 1.0), ("s", 1000.0), ("us", 0.001), ("µs", 0.001), ("μs", 0.001)],
            Self::Seconds => &[("s", 1.0), ("ms", 0.001), ("min", 60.0)],
            Self::Degrees => &[("degrees", 1.0), ("degree", 1.0), ("deg", 1.0), ("°", 1.0)],
            Self::HertzPerPixel => &[("Hz/pixel", 1.0), ("Hz/px", 1.0), ("kHz/pixel", 1000.0)],
            Self::Millimetres => &[("mm", 1.0), ("cm", 10.0)],
            Self::Tesla => &[("T", 1.0), ("mT", 0.001)],
            Self::Percent => &[("%", 1.0), ("percent", 1.0)],
            Self::None => &[],
        }
    }

    /// What stands behind a number.
    pub(super) fn symbol(self) -> &'static str {
        self.spellings().first().map_or("", |(symbol, _)| symbol)
    }

    /// A number with its unit: `120 ms`, `6`.
    pub(super) fn show(self, value: f64) -> String {
        match (self, self.symbol()) {
            (Self::None, _) => plain(value),
            (_, symbol) => format!("{} {symbol}", plain(value)),
        }
    }

    /// Two numbers with one unit: `90 to 110 ms`.
    pub(super) fn show_range(self, low: f64, high: f64) -> String {
        format!("{} to {}", plain(low), self.show(high))
    }

    /// Reads `100 ms`, `0.1 s`, `6`. The error is a whole sentence.
    pub(super) fn read(self, text: &str) -> Result<f64, String> {
        let text = text.trim();
        let (number, unit) = split(text);
        let shown = safe(text, 40);
        if let Some(point) = with_point(text) {
            return Err(format!("`{shown}` has a decimal comma; write `{}`", safe(&point, 40)));
        }
        let value: f64 = number.replace('−', "-").parse().map_err(|_| {
            let example =
                if self == Self::None { "such as 6".to_owned() } else { format!("such as `{}`", self.show(1.5)) };
            format!("`{shown}` is not a number{}; write a number {example}", self.wanted())
        })?;
        if !value.is_finite() {
            return Err(format!("`{shown}` is not a finite number"));
        }
        if self == Self::None {
            return if unit.is_empty() {
                Ok(value)
            } else {
                Err(format!("`{shown}` has a unit, but this is a bare number; write `{}`", plain(value)))
            };
        }
        if unit.is_empty() {
            return Err(format!("`{shown}` has no unit; write for example `{}`", self.show(value)));
        }
        let spellings = self.spellings();
        if let Some((_, factor)) = spellings.iter().find(|(word, _)| *word == unit) {
            return Ok(tidy(value * factor));
        }
        let words: Vec<&str> = spellings.iter().map(|(word, _)| *word).collect();
        let hint = nearest(unit, &words).map_or(String::new(), |near| format!("; did you mean `{near}`?"));
        Err(format!("`{}` is not a unit of this quantity{hint} Known here: {}", safe(unit, 20), words.join(", "))
            .replace("quantity Known", "quantity. Known"))
    }

    fn wanted(self) -> String {
        match self {
            Self::None => String::new(),
            unit => format!(" with a unit ({})", unit.symbol()),
        }
    }
}

/// The text with a point where it has one comma between digits.
fn with_point(text: &str) -> Option<String> {
    let (before, after) = text.split_once(',')?;
    let digits = before.ends_with(|c: char| c.is_ascii_digit()) && after.starts_with(|c: char| c.is_ascii_digit());
    (digits && !after.contains(',')).then(|| format!("{before}.{after}"))
}

/// `0.7 s × 1000` is 700, not 700.0000000000001.
fn tidy(value: f64) -> f64 {
    let rounded = (value * 1e9).round() / 1e9;
    if rounded.is_finite() { rounded } else { value }
}

/// The number at the front and the unit behind it.
fn split(text: &str) -> (&str, &str) {
    let end = text
        .char_indices()
        .find(|&(at, c)| {
            let exponent = matches!(c, 'e' | 'E')
                && at > 0
                && text[at + c.len_utf8()..].starts_with(|n: char| n.is_ascii_digit() || n == '-' || n == '+');
            !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+' | '−') || exponent)
        })
        .map_or(text.len(), |(at, _)| at);
    (&text[..end], text[end..].trim())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_with_their_unit() {
        assert_eq!(Unit::Milliseconds.read("100 ms"), Ok(100.0));
        assert_eq!(Unit::Milliseconds.read("0.7s"), Ok(700.0));
        assert_eq!(Unit::Degrees.read("20°"), Ok(20.0));
        assert_eq!(Unit::None.read("1e3"), Ok(1000.0));
        assert!(Unit::Milliseconds.read("1,5 ms").is_err_and(|e| e.ends_with("write `1.5 ms`")));
        assert!(Unit::Milliseconds.read("1.0").is_err_and(|e| e.contains("has no unit")));
        assert!(Unit::Millimetres.read("3 T").is_err_and(|e| e.contains("not a unit")));
        assert!(Unit::None.read("6 echoes").is_err_and(|e| e.contains("bare number")));
        assert!(Unit::None.read("inf").is_err());
        assert_eq!(Unit::Milliseconds.show_range(90.0, 110.0), "90 to 110 ms");
    }
}
