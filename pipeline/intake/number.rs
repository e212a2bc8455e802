//! Numbers written as text (DS, IS). A number that is not plainly one number is an error, never 0 or 1.

/// One number: spaces and NUL around it ignored, point as decimal sign, at most 64 characters, finite.
/// (PS3.5 allows 16 characters; real exports exceed that.)
pub fn decimal(text: &str) -> Option<f64> {
    let text = trim(text);
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
    let (mantissa, exponent) = match unsigned.split_once(['e', 'E']) {
        Some((m, e)) => (m, Some(e)),
        None => (unsigned, None),
    };
    let digits = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
    let (whole, fraction) = mantissa.split_once('.').unwrap_or((mantissa, ""));
    let is_number = digits(whole) && digits(fraction) && !(whole.is_empty() && fraction.is_empty());
    let is_exponent = exponent.is_none_or(|e| {
        let e = e.strip_prefix(['+', '-']).unwrap_or(e);
        !e.is_empty() && digits(e)
    });
    if text.len() > 64 || !is_number || !is_exponent {
        return None;
    }
    text.parse::<f64>().ok().filter(|v| v.is_finite())
}

/// Without the spaces and NUL that pad a value to even length.
pub fn trim(text: &str) -> &str {
    text.trim_matches(|c: char| c == ' ' || c == '\0')
}

/// `YYYYMMDD` (or the old `YYYY.MM.DD`) as `YYYY-MM-DD` where it is a date.
pub fn date(text: &str) -> Option<String> {
    let digits: String = trim(text).chars().filter(|&c| c != '.').collect();
    if digits.len() != 8 || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let (year, month, day) = (digits.get(..4)?, digits.get(4..6)?, digits.get(6..8)?);
    let date = jiff::civil::Date::new(year.parse().ok()?, month.parse().ok()?, day.parse().ok()?).ok()?;
    Some(date.to_string())
}

/// Seconds after midnight of `HHMMSS.FFFFFF` (or the old `HH:MM:SS`).
pub fn seconds_of_day(text: &str) -> Option<f64> {
    let text: String = trim(text).chars().filter(|&c| c != ':').collect();
    let (whole, fraction) = text.split_once('.').unwrap_or((&text, ""));
    let part = |range| whole.get(range).map_or(Some(0), |s: &str| s.parse::<u32>().ok());
    let (hours, minutes, seconds) = (whole.get(..2)?.parse::<u32>().ok()?, part(2..4)?, part(4..6)?);
    if hours > 23 || minutes > 59 || seconds > 60 || whole.len() > 6 {
        return None;
    }
    let fraction = if fraction.is_empty() { 0.0 } else { decimal(&format!("0.{fraction}"))? };
    Some(f64::from(hours * 3600 + minutes * 60 + seconds) + fraction)
}

/// `HH:MM:SS` of a DICOM time.
pub fn clock(text: &str) -> Option<String> {
    let seconds = seconds_of_day(text)? as u32;
    Some(format!("{:02}:{:02}:{:02}", seconds / 3600, seconds / 60 % 60, seconds % 60))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_plain_number_or_nothing() {
        for (text, value) in
            [("0.95", 0.95), (" 79.000 ", 79.0), ("2.3\0", 2.3), ("+9.5E-1", 0.95), (".5", 0.5), ("-1", -1.0)]
        {
            assert_eq!(decimal(text), Some(value), "{text}");
        }
        for text in
            ["", " ", "0,95", "nan", "inf", "1e400", "0x1p0", "1\\2", "1 2", "e5", "1e", "--1", ".", &"1".repeat(65)]
        {
            assert_eq!(decimal(text), None, "{text}");
        }
    }

    #[test]
    fn dates_and_times_are_checked() {
        assert_eq!(date("20240229").as_deref(), Some("2024-02-29"));
        assert_eq!(date("20241399"), None);
        assert_eq!(date("1997.04.24").as_deref(), Some("1997-04-24"));
        assert_eq!(clock("143005.25").as_deref(), Some("14:30:05"));
        assert_eq!(seconds_of_day("0001"), Some(60.0));
        assert_eq!(clock("256161"), None);
    }
}
