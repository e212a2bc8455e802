//! How numbers and foreign text appear in sentences.

/// A number for a sentence: at most four significant digits, no trailing zeros.
pub fn plain(value: f64) -> String {
    if !value.is_finite() {
        return "not a number".to_owned();
    }
    if value == 0.0 {
        return "0".to_owned();
    }
    let magnitude = libm::log10(value.abs()).floor() as i32;
    let decimals = (3 - magnitude).clamp(0, 12) as usize;
    let text = format!("{value:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// A number measured on images for a sentence: two significant digits, whole from 100 on.
pub fn rough(value: f64) -> String {
    if !value.is_finite() || value == 0.0 {
        return plain(value);
    }
    let magnitude = libm::log10(value.abs()).floor() as i32;
    plain(format!("{value:.*}", (1 - magnitude).clamp(0, 12) as usize).parse().unwrap_or(value))
}

/// Text from a header made safe for a message, a log or a terminal: control characters become `·`
/// and what is longer than `limit` characters is cut with `…`.
pub fn safe(text: &str, limit: usize) -> String {
    let mut out = String::new();
    for (count, c) in text.trim_matches(|c: char| c == ' ' || c == '\0').chars().enumerate() {
        if count == limit {
            out.push('…');
            break;
        }
        // Bidirectional overrides could make a message read as something else.
        let hidden =
            c.is_control() || matches!(c, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
        out.push(if hidden { '·' } else { c });
    }
    out
}

/// The first representation of a person's name that is there: the alphabetic one unless a name has none (PS3.5 6.2.1).
pub fn first_form(name: &str) -> &str {
    name.split('=').find(|form| form.chars().any(|c| c != '^' && !c.is_whitespace())).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_numbers_read_as_a_person_would_write_them() {
        for (value, text) in [
            (120.0, "120"),
            (0.9, "0.9"),
            (212.44, "212.4"),
            (0.001234, "0.001234"),
            (15000.0, "15000"),
            (-2.5, "-2.5"),
        ] {
            assert_eq!(plain(value), text);
        }
    }

    #[test]
    fn measured_numbers_have_two_digits() {
        for (value, text) in [(7.726, "7.7"), (42.3, "42"), (628.4, "628"), (0.1234, "0.12"), (9.96, "10"), (0.0, "0")]
        {
            assert_eq!(rough(value), text);
        }
    }

    #[test]
    fn foreign_text_cannot_forge_lines_or_grow() {
        assert_eq!(safe("a\r\nb\u{1b}[31m", 20), "a··b·[31m");
        assert_eq!(safe("abcdef", 3), "abc…");
    }
}
