//! One human line for each result, and the exit status a set of results adds up to.

use crate::report::ResultDocument;
use crate::report::result::Relation;
use crate::study::Verdict;
use crate::study::text::{plain, safe};
use std::process::ExitCode;

/// Status where an acquisition was refused or nothing could be read.
pub(super) const REFUSED: u8 = 4;
/// Status where an acquisition needs review and none was refused.
const REVIEW: u8 = 3;

/// LIC for a person, such as `5.4 mg/g (4.2 to 6.7)` or `at least 28.5 mg/g`.
pub(super) fn lic(result: &ResultDocument) -> String {
    let Some(lic) = &result.lic_mg_per_g else { return "no LIC".to_owned() };
    let rounded = |value: f64| format!("{value:.1}");
    let relation = match lic.relation {
        Relation::Equal => "",
        Relation::AtLeast => "at least ",
        Relation::AtMost => "at most ",
    };
    let interval = match (lic.low, lic.high, lic.relation) {
        (Some(low), Some(high), Relation::Equal) => format!(" ({} to {})", rounded(low), rounded(high)),
        _ => String::new(),
    };
    format!("LIC {relation}{} mg/g{interval}", rounded(lic.value))
}

/// R2* for a person.
pub(super) fn r2star(result: &ResultDocument) -> String {
    let median = result.r2star_per_s.as_ref().and_then(|r2star| r2star.median);
    median.map_or_else(|| "no R2*".to_owned(), |median| format!("R2* {} /s", plain(median)))
}

/// Which series, without saying whose.
pub(super) fn series(result: &ResultDocument) -> String {
    let Some(first) = result.input.series.first() else { return "series not named".to_owned() };
    let number = first.number.map_or_else(String::new, |number| format!(" {number}"));
    let description = first.description.as_deref().map_or_else(String::new, |d| format!(" {}", safe(d, 40)));
    format!("series{number}{description}")
}

/// The verdict's word.
pub(super) fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Clear => "clear",
        Verdict::Review => "review",
        Verdict::Refused => "refused",
    }
}

/// The contract's exit status: the worst verdict, and no acquisition at all counts as refused.
pub(super) fn status<'a>(results: impl Iterator<Item = &'a ResultDocument>) -> ExitCode {
    match results.map(|result| result.verdict).max() {
        Some(Verdict::Clear) => ExitCode::SUCCESS,
        Some(Verdict::Review) => ExitCode::from(REVIEW),
        Some(Verdict::Refused) | None => ExitCode::from(REFUSED),
    }
}
