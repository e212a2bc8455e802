//! Profiles derived from known good acquisitions.

use super::acquisition::draft;
use siderolog::protocol::{DeriveError, check, derive, parse_for};
use siderolog::study::{Acquisition, Seconds, Tesla};

fn calibrations() -> Vec<(String, f64)> {
    vec![("c-3".to_owned(), 3.0), ("c-1.5".to_owned(), 1.5)]
}

#[test]
fn the_acquisitions_conform_to_what_was_derived_from_them() {
    let several: Vec<Acquisition> = (0..3)
        .map(|k| {
            let mut d = draft();
            d.header.sequence.repetition_time = Some(Seconds::from_millis(100.0 + f64::from(k) * 3.7));
            d.echo_ms.iter_mut().for_each(|t| *t += 0.013_37 * f64::from(k));
            d.header.scanner.receive_coil = (k > 0).then(|| format!("Body {k}"));
            d.assemble()
        })
        .collect();
    let text = derive(&several.iter().collect::<Vec<_>>(), &calibrations()).unwrap();
    insta::assert_snapshot!("derived", text);
    let known: Vec<String> = calibrations().into_iter().map(|(name, _)| name).collect();
    let profile = parse_for("derived.yaml", &text, &|_| None, Some(&known)).unwrap_or_else(|e| panic!("{text}\n{e}"));
    for acquisition in several {
        let checked = check(acquisition, std::slice::from_ref(&profile));
        let codes: Vec<_> = checked.findings().iter().map(|f| f.code.to_string()).collect();
        assert_eq!(codes, ["profile-not-approved"]);
        assert_eq!(checked.by_range().len(), 0);
    }
    // Another repetition time deviates from it.
    let mut other = draft();
    other.header.sequence.repetition_time = Some(Seconds::from_millis(140.0));
    let checked = check(other.assemble(), &[profile]);
    assert!(checked.findings().iter().any(|f| f.code == "repetition-time-off"));
}

#[test]
fn two_field_strengths_need_two_profiles() {
    let mut three = draft();
    three.header.scanner.field_strength = Some(Tesla(3.0));
    let (a, b) = (draft().assemble(), three.assemble());
    assert_eq!(derive(&[&a, &b], &calibrations()), Err(DeriveError::FieldStrength("1.5 T and 3 T".to_owned())));
    assert_eq!(derive(&[], &calibrations()), Err(DeriveError::Nothing));
}
