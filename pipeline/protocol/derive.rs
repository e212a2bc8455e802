//! A starting profile from known good acquisitions: tolerances from their spread, each limit with what was seen.

use super::condition;
use super::quantity::{Kind, Quantity, Seen, Source};
use super::unit::Unit;
use crate::study::Acquisition;
use crate::study::text::{plain, safe};
use std::collections::BTreeSet;
use std::fmt::Write as _;

/// How a limit follows from the values seen.
enum Form {
    /// No more than the largest, with severity and what the room changes.
    AtMost,
    /// No less than the smallest.
    AtLeast,
    /// The middle, within the spread but at least this part of it.
    Around(f64),
    /// One of the words seen.
    OneOf,
}

/// The quantities a derived profile limits, with their severity and the words after "Repeat now, changing".
const LIMITS: [(&str, Form, &str, &str); 16] = [
    ("first echo", Form::AtMost, "by range", "the first echo time to that of the protocol"),
    ("echo spacing", Form::AtMost, "by range", "the echo spacing to that of the protocol"),
    ("number of echoes", Form::AtLeast, "by range", "the number of echoes to that of the protocol"),
    ("last echo", Form::AtLeast, "warn", "the number of echoes to that of the protocol"),
    ("repetition time", Form::Around(0.05), "warn", "the repetition time to that of the protocol"),
    ("flip angle", Form::Around(0.05), "warn", "the flip angle to that of the protocol"),
    ("bandwidth", Form::Around(0.1), "warn", "the bandwidth to that of the protocol"),
    ("parallel factor", Form::Around(0.02), "warn", "the parallel imaging factor to that of the protocol"),
    ("slice thickness", Form::Around(0.1), "warn", "the slice thickness to that of the protocol"),
    ("slice step", Form::Around(0.1), "warn", "the slice gap to that of the protocol"),
    ("pixel size", Form::Around(0.25), "note", "the matrix to that of the protocol"),
    ("phase encoding", Form::OneOf, "note", "the phase encoding direction to that of the protocol"),
    ("fat suppression", Form::OneOf, "warn", "fat suppression to that of the protocol"),
    ("breathing", Form::OneOf, "note", "what is done about breathing to that of the protocol"),
    ("receive coil", Form::OneOf, "note", "the receive coil to that of the protocol"),
    ("sequence name", Form::OneOf, "warn", "the sequence to that of the protocol"),
];

/// Why nothing can be derived.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum DeriveError {
    /// No acquisition.
    #[error("there is no acquisition to derive a profile from")]
    Nothing,
    /// The field strength is missing or differs.
    #[error("the acquisitions were made at {0}; derive one profile for each field strength")]
    FieldStrength(String),
}

/// The text of a profile that all these acquisitions satisfy (image quality aside), for a physicist to edit.
/// `calibrations` are the known ones with their field strength in tesla; the first for the field is proposed.
///
/// # Errors
/// Without acquisitions, or when their field strengths differ.
pub fn derive(acquisitions: &[&Acquisition], calibrations: &[(String, f64)]) -> Result<String, DeriveError> {
    let first = acquisitions.first().ok_or(DeriveError::Nothing)?;
    let fields: BTreeSet<String> = acquisitions
        .iter()
        .map(|a| {
            a.header().scanner.field_strength.map_or("no stated field strength".to_owned(), |t| Unit::Tesla.show(t.0))
        })
        .collect();
    let tesla = match (fields.len(), first.header().scanner.field_strength) {
        (1, Some(tesla)) => tesla.0,
        _ => return Err(DeriveError::FieldStrength(fields.into_iter().collect::<Vec<_>>().join(" and "))),
    };
    let mut out = String::from("# yaml-language-server: $schema=../schema/profile.json\n");
    let count = acquisitions.len();
    let _ = writeln!(
        out,
        "# Derived from {count} acquisition{}. A starting point: every limit says what was seen. Read it, raise or\n# narrow the limits, test it, then add `approved: {{by: …, date: …}}`.",
        if count == 1 { "" } else { "s" }
    );
    let texts = |read: fn(&Acquisition) -> Option<String>| -> Vec<String> {
        let seen: BTreeSet<String> = acquisitions.iter().filter_map(|a| read(a)).map(|t| safe(&t, 64)).collect();
        seen.into_iter().collect()
    };
    let (makers, models) =
        (texts(|a| a.header().scanner.manufacturer.clone()), texts(|a| a.header().scanner.model.clone()));
    let _ = writeln!(
        out,
        "name: {}\nrevision: 1\nextends: liver-gradient-echo\napplies to:",
        name(&makers, &models, tesla)
    );
    for (key, values) in
        [("manufacturer", &makers), ("model", &models), ("serial", &texts(|a| a.header().scanner.serial.clone()))]
    {
        if !values.is_empty() {
            let _ = writeln!(out, "  {key}: {}", list(values));
        }
    }
    let _ = writeln!(out, "  field strength: {}", Unit::Tesla.show(tesla));
    let kinds = texts(|a| a.header().sequence.dimensions.clone());
    if let [one] = kinds.as_slice()
        && ["2D", "3D"].contains(&one.as_str())
    {
        let _ = writeln!(out, "  acquisition type: {one}");
    }
    let several = |a: &&Acquisition| a.header().sequence.averages.unwrap_or(1.0) >= 1.5;
    if acquisitions.iter().all(|a| several(a) == several(first)) {
        let _ = writeln!(out, "  averages: {}", if several(first) { "several" } else { "one" });
    }
    let software = texts(|a| a.header().scanner.software.clone());
    if !software.is_empty() {
        let _ = writeln!(
            out,
            "software:\n  approved: {}\n  before approving: scan the phantom and two volunteers with the old and the new version and compare R2*.",
            list(&software)
        );
    }
    let near = |a: &&(String, f64), b: &&(String, f64)| (a.1 - tesla).abs().total_cmp(&(b.1 - tesla).abs());
    match calibrations.iter().filter(|(_, field)| (field - tesla).abs() <= 0.05).min_by(near) {
        Some((calibration, _)) => {
            let _ = writeln!(
                out,
                "# The first calibration known for {}; choose the one your department reports by.",
                Unit::Tesla.show(tesla)
            );
            let _ = writeln!(out, "calibration: {calibration}");
        }
        None => {
            let _ =
                writeln!(out, "# No calibration is known for {}; name yours.\n# calibration:", Unit::Tesla.show(tesla));
        }
    }
    out.push_str("\nrules:\n");
    for (quantity, form, severity, advice) in &LIMITS {
        if let Ok(quantity) = Quantity::find(quantity) {
            limit(&mut out, quantity, form, severity, advice, acquisitions);
        }
    }
    Ok(out)
}

fn limit(
    out: &mut String,
    quantity: &Quantity,
    form: &Form,
    severity: &str,
    advice: &str,
    acquisitions: &[&Acquisition],
) {
    let Source::Header(read) = quantity.source else {
        return;
    };
    let seen: Vec<Seen> = acquisitions.iter().map(|a| read(a)).filter(|s| *s != Seen::Missing).collect();
    if seen.is_empty() {
        return;
    }
    let missing = acquisitions.len() - seen.len();
    let (condition, what) = match quantity.kind {
        Kind::Number { unit, .. } => {
            let mut values: Vec<f64> =
                seen.iter().filter_map(|s| if let Seen::Number(v) = s { Some(*v) } else { None }).collect();
            values.sort_by(f64::total_cmp);
            let (Some(&low), Some(&high)) = (values.first(), values.last()) else {
                return;
            };
            let what = if low == high { unit.show(low) } else { unit.show_range(low, high) };
            (number(form, unit, low, high), what)
        }
        _ => {
            let words: BTreeSet<String> = seen.iter().map(|s| condition::found(s, Unit::None)).collect();
            let words: Vec<String> = words.into_iter().collect();
            // Every word of a fixed list seen: nothing to limit.
            if let Kind::Word(known) = quantity.kind
                && words.len() >= known.len()
            {
                return;
            }
            (format!("one of: {}", list(&words)), words.join(", "))
        }
    };
    let gap = if missing > 0 { format!("; {missing} without it") } else { String::new() };
    let _ =
        writeln!(out, "  # seen: {what} in {} acquisition{}{gap}", seen.len(), if seen.len() == 1 { "" } else { "s" });
    let _ = writeln!(out, "  - quantity: {}\n    {condition}\n    severity: {severity}", quantity.name);
    if missing > 0 {
        out.push_str("    when missing: ignore\n");
    }
    let _ = writeln!(out, "    reason: As in the acquisitions this profile was derived from.\n    advice: {advice}");
}

fn number(form: &Form, unit: Unit, low: f64, high: f64) -> String {
    // Limits are widened to four figures, so that the acquisitions themselves stay inside what is printed.
    match form {
        Form::AtMost => format!("at most: {}", unit.show(rounded(high, true))),
        Form::AtLeast => format!("at least: {}", unit.show(rounded(low, false))),
        Form::Around(part) => {
            let middle: f64 = plain((low + high) / 2.0).parse().unwrap_or(low);
            let spread = (high - middle).max(middle - low).max(middle.abs() * part);
            format!("exactly: {}\n    within: {}", unit.show(middle), unit.show(rounded(spread, true)))
        }
        Form::OneOf => format!("at least: {}", unit.show(rounded(low, false))),
    }
}

/// To four significant digits, upwards or downwards.
fn rounded(value: f64, up: bool) -> f64 {
    let shown: f64 = plain(value).parse().unwrap_or(value);
    let step = libm::pow(10.0, libm::floor(libm::log10(value.abs().max(1e-12))) - 3.0);
    let moved = match up {
        true if shown < value => shown + step,
        false if shown > value => shown - step,
        _ => shown,
    };
    plain(moved).parse().unwrap_or(moved)
}

fn list(values: &[String]) -> String {
    let quoted: Vec<String> = values.iter().map(|v| serde_json::Value::from(v.as_str()).to_string()).collect();
    format!("[{}]", quoted.join(", "))
}

fn name(makers: &[String], models: &[String], tesla: f64) -> String {
    let words = format!("{} {} {}t", makers.first().map_or("", |m| m), models.first().map_or("", |m| m), plain(tesla));
    let mut slug = String::new();
    for c in words.to_lowercase().chars() {
        let keep = c.is_ascii_lowercase() || c.is_ascii_digit() || c == '.';
        if keep {
            slug.push(c);
        } else if !slug.is_empty() && !slug.ends_with('-') {
            slug.push('-');
        }
    }
    let slug: String = slug.chars().rev().take(60).collect::<Vec<_>>().into_iter().rev().collect();
    slug.trim_matches(['-', '.']).to_owned()
}
