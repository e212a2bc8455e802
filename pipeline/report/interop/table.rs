//! One line a result for the site's table (RFC 4180).

use crate::report::result::{Relation, ResultDocument, RoleKind};
use crate::study::Severity;

/// Names of the columns.
pub const COLUMNS: [&str; 27] = [
    "study_date",
    "patient_id",
    "accession",
    "acquisition",
    "role",
    "verdict",
    "r2star_median_per_s",
    "r2star_low",
    "r2star_high",
    "lic_mg_per_g",
    "lic_relation",
    "lic_low",
    "lic_high",
    "repeat_low",
    "repeat_high",
    "fat_fraction_percent",
    "calibration",
    "range_low_per_s",
    "range_high_per_s",
    "region_voxels",
    "snr_first_echo",
    "field_strength_t",
    "scanner_serial",
    "profile",
    "profile_revision",
    "software",
    "findings",
];

/// The header line and the line of this result.
pub fn write(result: &ResultDocument) -> Vec<u8> {
    let text = |v: &Option<String>| v.clone().unwrap_or_default();
    let number = |v: Option<f64>| v.map_or(String::new(), |v| format!("{v}"));
    let (lic, rate, range) = (&result.lic_mg_per_g, &result.r2star_per_s, &result.measuring_range);
    let of_lic = |f: fn(&crate::report::result::Lic) -> Option<f64>| number(lic.as_ref().and_then(f));
    let of_rate = |f: fn(&crate::report::result::R2Star) -> Option<f64>| number(rate.as_ref().and_then(f));
    let heavy = result.findings.iter().filter(|f| f.severity >= Severity::Warn);
    let codes: Vec<&str> = heavy.map(|f| f.code.as_ref()).collect();
    let relation = lic.as_ref().map_or("", |l| match l.relation {
        Relation::Equal => "equal",
        Relation::AtLeast => "at-least",
        Relation::AtMost => "at-most",
    });
    let role = if result.role == RoleKind::Primary { "primary" } else { "supporting" };
    let cells: [String; COLUMNS.len()] = [
        text(&result.input.study_date),
        text(&result.input.patient.id),
        text(&result.input.accession),
        result.input.digest.clone(),
        role.to_owned(),
        result.verdict.word().to_owned(),
        of_rate(|r| r.median),
        of_rate(|r| r.low),
        of_rate(|r| r.high),
        of_lic(|l| Some(l.value)),
        relation.to_owned(),
        of_lic(|l| l.low),
        of_lic(|l| l.high),
        of_lic(|l| l.repeat_low),
        of_lic(|l| l.repeat_high),
        number(result.fat_fraction_percent.as_ref().and_then(|f| f.median)),
        lic.as_ref().map_or(String::new(), |l| l.calibration.clone()),
        number(range.as_ref().map(|r| r.r2star_per_s[0])),
        number(range.as_ref().map(|r| r.r2star_per_s[1])),
        result.roi.as_ref().map_or(String::new(), |r| r.voxels.to_string()),
        number(result.noise.as_ref().and_then(|n| n.snr_first_echo)),
        number(result.field_strength()),
        text(&result.input.scanner.serial),
        result.profile.as_ref().map_or(String::new(), |p| p.name.clone()),
        result.profile.as_ref().map_or(String::new(), |p| p.revision.to_string()),
        result.software.version.clone(),
        codes.join(" "),
    ];
    let line = cells.map(|cell| quoted(&cell)).join(",");
    format!("{}\r\n{line}\r\n", COLUMNS.join(",")).into_bytes()
}

/// A cell: quoted where it must be. What a spreadsheet would take for a formula gets an apostrophe before it;
/// a negative number is none.
fn quoted(cell: &str) -> String {
    let formula = cell.starts_with(['=', '+', '-', '@', '\t', '\r']) && cell.parse::<f64>().is_err();
    let cell = if formula { format!("'{cell}") } else { cell.to_owned() };
    if cell.contains([',', '"', '\n', '\r']) { format!("\"{}\"", cell.replace('"', "\"\"")) } else { cell }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_neither_break_the_line_nor_run_in_a_spreadsheet() {
        assert_eq!(quoted("=1+1"), "'=1+1");
        assert_eq!(quoted("-1.5"), "-1.5");
        assert_eq!(quoted("a,\"b\""), "\"a,\"\"b\"\"\"");
    }
}
