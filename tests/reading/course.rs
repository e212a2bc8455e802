//! Earlier readings, the change since, the rate, what is due.

use super::statistics::near;
use siderolog::reading::{
    Calibrations, CourseEvents, Event, EventKind, FollowUp, JudgeChange, PastProfile, PastReading, PastScanner,
    PatientKey, Relation, Today, course,
};
use siderolog::study::{Finding, ModelKind};

fn at(date: &str, r2star: f64) -> PastReading {
    let calibration = Calibrations::shipped();
    let lic = calibration.get("hernando-2023-1.5t").unwrap().equation.lic(r2star);
    PastReading {
        schema_version: 1,
        patient: PatientKey {
            issuer: Some("Norrfell".into()),
            id: Some("4711".into()),
            birth_date: Some("2012-04-02".into()),
            sex: Some("F".into()),
        },
        date: Some(date.into()),
        study_uid: Some(format!("1.2.3.{}", date.replace('-', ""))),
        acquisition: None,
        scanner: PastScanner {
            manufacturer: Some("Norrfell".into()),
            model: Some("Lumen".into()),
            serial: Some("17".into()),
            software: Some("A1".into()),
            field_strength_t: Some(1.5),
        },
        profile: Some(PastProfile { name: "liver".into(), revision: 1, digest: None }),
        model: Some(ModelKind::NoiseCorrected),
        calibration: Some("hernando-2023-1.5t".into()),
        r2star_per_s: Some(r2star),
        r2star_se_per_s: Some(1.0),
        lic_mg_per_g: Some(lic),
        relation: Relation::Equal,
        method: None,
    }
}

fn run(
    today: &PastReading,
    history: &[PastReading],
    events: &[CourseEvents],
    rules: &FollowUp,
) -> (siderolog::reading::Course, Vec<Finding>) {
    let calibrations = Calibrations::shipped();
    let calibration = today.calibration.as_deref().and_then(|name| calibrations.get(name));
    course(&Today { reading: today, calibration }, history, events, rules)
}

fn rules() -> FollowUp {
    FollowUp::shipped().unwrap()
}

/// Two scans with wCV 4.6 %: RCV = 1.96 √(wSD₁² + wSD₂²) in mg/g, the slope of the line alone scaling the variation.
#[test]
fn a_change_is_called_against_the_reference_change_value() {
    let (history, today) = ([at("2025-03-01", 400.0)], at("2026-03-01", 330.0));
    let (found, findings) = run(&today, &history, &[], &rules());
    assert!(findings.is_empty(), "{findings:?}");
    let change = found.change.unwrap();
    let wsd = |r: f64| 0.046 * r * 0.02603;
    near(change.reference_change_value, 1.959964 * f64::hypot(wsd(400.0), wsd(330.0)), 1e-6, "RCV");
    near(change.difference_mg_per_g, -70.0 * 0.02603, 1e-9, "difference");
    assert!(change.changed && change.high < 0.0);
    insta::assert_snapshot!(change.text, @"LIC fell by 1.8 mg/g since 2025-03-01: more than two scans of an unchanged patient differ by (reference change value 1.2 mg/g at 95 %).");
    let (same, _) = run(&at("2026-03-01", 380.0), &history, &[], &rules());
    let change = same.change.unwrap();
    assert!(!change.changed && change.low < 0.0 && change.high > 0.0);
    insta::assert_snapshot!(change.text, @"No change can be told since 2025-03-01: −0.52 mg/g is within what two scans of an unchanged patient differ by (reference change value 1.3 mg/g at 95 %).");
}

#[test]
fn relative_judging_uses_the_ratio() {
    let mut relative = rules();
    relative.judge_change = JudgeChange::Relative;
    let (found, _) = run(&at("2026-03-01", 330.0), &[at("2025-03-01", 400.0)], &[], &relative);
    let change = found.change.unwrap();
    assert_eq!(change.reference_change_unit, "percent");
    let cv = |r: f64| 0.046 * r * 0.02603 / (r * 0.02603 - 0.16);
    let wanted = 100.0 * libm::expm1(1.959964 * f64::hypot(cv(400.0), cv(330.0)));
    near(change.reference_change_value, wanted, 1e-6, "RCV");
    assert!(change.changed);
}

#[test]
fn what_differs_between_the_scans_is_said_and_widens_the_interval() {
    let today = at("2026-03-01", 330.0);
    let plain = run(&today, &[at("2025-03-01", 340.0)], &[], &rules()).0.change.unwrap();
    assert!(plain.widened_by.is_empty());
    let width = |change: &siderolog::reading::Change| change.high - change.low;
    type Alter = fn(&mut PastReading);
    let cases: [(&str, Alter); 5] = [
        ("scanner software", |p| p.scanner.software = Some("A2".into())),
        ("scanner (Norrfell Lumen)", |p| p.scanner.serial = Some("18".into())),
        ("protocol profile", |p| p.profile = Some(PastProfile { name: "liver".into(), revision: 2, digest: None })),
        ("signal model", |p| p.model = Some(ModelKind::MonoexponentialWithOffset)),
        ("calibration", |p| {
            p.r2star_per_s = None;
            p.calibration = Some("wood-2005-1.5t".into());
        }),
    ];
    for (what, alter) in cases {
        let mut past = at("2025-03-01", 340.0);
        alter(&mut past);
        let change = run(&today, &[past], &[], &rules()).0.change.unwrap();
        assert_eq!(change.widened_by, [what]);
        assert!(width(&change) > 1.02 * width(&plain), "{what}");
        assert!(change.text.contains(what), "{}", change.text);
    }
}

/// Another field strength: the earlier LIC stands as it was reported, and Storey's standard errors (3 % and 4 /s at
/// 3 T) enter the comparison.
#[test]
fn another_field_strength_is_compared_in_lic_with_storeys_error() {
    let mut past = at("2025-03-01", 650.0);
    past.scanner.field_strength_t = Some(3.0);
    past.calibration = Some("hernando-2023-3t".into());
    past.lic_mg_per_g = Some(650.0 * 0.01349 - 0.03);
    let (found, _) = run(&at("2026-03-01", 335.0), &[past], &[], &rules());
    let point = &found.previous[0];
    near(point.lic_mg_per_g, 650.0 * 0.01349 - 0.03, 1e-12, "as reported");
    assert!(point.differs[0].starts_with("field strength (3 T)"), "{:?}", point.differs);
    let lic = point.lic_mg_per_g;
    let field = lic * f64::hypot(0.03, 4.0 / 650.0);
    let calibration = lic * 0.07;
    near(point.added_sd, f64::hypot(field, calibration), 1e-9, "added");
    assert!(!found.change.unwrap().changed);
}

/// An earlier R2* at the same field is read with today's calibration, so a change of calibration alone is no change.
#[test]
fn an_earlier_r2star_is_read_with_todays_calibration() {
    let mut past = at("2025-03-01", 300.0);
    past.calibration = Some("garbowski-2014-1.5t".into());
    past.lic_mg_per_g = Some(9.42);
    let (found, _) = run(&at("2026-03-01", 300.0), &[past], &[], &rules());
    let point = &found.previous[0];
    near(point.lic_mg_per_g, 300.0 * 0.02603 - 0.16, 1e-12, "re-expressed");
    assert_eq!(point.reported_lic_mg_per_g, Some(9.42));
    assert_eq!(point.calibration.as_deref(), Some("hernando-2023-1.5t"));
    let change = found.change.unwrap();
    assert!(change.difference_mg_per_g.abs() < 1e-12 && !change.changed && change.widened_by.is_empty());
}

#[test]
fn another_patients_readings_are_never_merged() {
    let today = at("2026-03-01", 300.0);
    let mut other_issuer = at("2025-03-01", 500.0);
    other_issuer.patient.issuer = Some("Sundvik".into());
    let mut other_birth = at("2025-04-01", 500.0);
    other_birth.patient.birth_date = Some("1971-01-01".into());
    let (found, findings) = run(&today, &[other_issuer, other_birth], &[], &rules());
    assert!(found.previous.is_empty() && found.change.is_none());
    let codes: Vec<&str> = findings.iter().map(|f| f.code.as_ref()).collect();
    assert_eq!(codes, ["history-of-another-patient", "patient-identity-mismatch"]);
    insta::assert_snapshot!(findings.iter().map(|f| f.message.clone()).collect::<Vec<_>>().join("\n"), @r#"
An earlier reading that was supplied carries another patient identifier or issuer; it was not used.
An earlier reading under this patient identifier has another birth date or sex; it was not merged.
"#);
}

#[test]
fn bounds_and_values_from_elsewhere_are_shown_but_not_tested() {
    let mut bound = at("2024-03-01", 1500.0);
    bound.relation = Relation::AtLeast;
    let mut elsewhere = at("2025-03-01", 500.0);
    elsewhere.method = Some("biopsy".into());
    elsewhere.r2star_per_s = None;
    let today = at("2026-03-01", 300.0);
    let (found, _) = run(&today, &[bound, elsewhere], &[], &rules());
    assert_eq!(found.previous.len(), 2);
    assert!(found.change.is_none() && found.rate.is_none());
    // And nothing is compared with today's bound.
    let mut above = at("2026-03-01", 1500.0);
    above.relation = Relation::AtLeast;
    let (found, _) = run(&above, &[at("2025-03-01", 800.0)], &[], &rules());
    assert!(found.change.is_none() && found.previous.len() == 1);
}

#[test]
fn later_scans_and_the_same_study_are_left_out() {
    let today = at("2026-03-01", 300.0);
    let (found, _) = run(&today, &[at("2027-01-01", 100.0), today.clone()], &[], &rules());
    assert!(found.previous.is_empty());
}

#[test]
fn three_readings_give_a_rate_per_year() {
    let history = [at("2024-03-01", 500.0), at("2025-03-01", 430.0)];
    let (found, _) = run(&at("2026-03-01", 360.0), &history, &[], &rules());
    let rate = found.rate.unwrap();
    assert_eq!(rate.points, 3);
    // 70 /s a year at 0.02603 mg/g per /s.
    near(rate.per_year, -70.0 * 0.02603, 0.01, "rate");
    assert!(rate.low < rate.per_year && rate.high < 0.0);
    insta::assert_snapshot!(rate.text, @"Over 3 readings LIC falls by 1.8 mg/g per year (95 % interval 1.1 to 2.5).");
}

fn event(date: &str, kind: EventKind) -> Event {
    Event { date: date.into(), kind, text: None }
}

#[test]
fn a_change_is_told_since_treatment_changed() {
    let events =
        CourseEvents { events: vec![event("2025-01-10", EventKind::ChelationChanged)], ..CourseEvents::default() };
    let history = [at("2025-01-02", 500.0), at("2025-09-01", 400.0)];
    let (found, _) = run(&at("2026-03-01", 360.0), &history, std::slice::from_ref(&events), &rules());
    assert_eq!(found.change.unwrap().since, "2025-09-01");
    let since = found.change_since_event.unwrap();
    assert_eq!(since.since, "2025-01-02");
    insta::assert_snapshot!(since.text, @"LIC fell by 3.6 mg/g since chelation changed on 2025-01-10: more than two scans of an unchanged patient differ by (reference change value 1.4 mg/g at 95 %).");
    // With one earlier reading the two are the same, told once.
    let (found, _) = run(&at("2026-03-01", 360.0), &history[..1], &[events], &rules());
    assert!(found.change.unwrap().since_event.is_some() && found.change_since_event.is_none());
}

#[test]
fn what_is_due_follows_the_sites_rules() {
    let due = |r2star: f64, events: Vec<Event>| {
        let events = CourseEvents { events, ..CourseEvents::default() };
        let (found, _) = run(&at("2026-03-01", r2star), &[], &[events], &rules());
        found.due.iter().map(|d| format!("{} {}", d.by, d.rule)).collect::<Vec<_>>()
    };
    assert_eq!(due(300.0, vec![]), ["2027-03-01 yearly"]);
    assert_eq!(due(700.0, vec![]), ["2026-07-01 heavily-loaded", "2027-03-01 yearly"]);
    assert_eq!(
        due(300.0, vec![event("2026-01-15", EventKind::ChelationChanged)]),
        ["2026-07-01 treatment-changed", "2027-03-01 yearly"]
    );
    assert_eq!(due(300.0, vec![event("2024-01-15", EventKind::ChelationChanged)]), ["2027-03-01 yearly"]);
    assert_eq!(
        due(300.0, vec![event("2027-01-31", EventKind::TransplantPlanned)]),
        ["2026-07-31 before-transplant", "2027-03-01 yearly"]
    );
    // Within the lead time today's scan is the one that was due.
    assert_eq!(due(300.0, vec![event("2026-06-01", EventKind::TransplantPlanned)]), ["2027-03-01 yearly"]);
    let (found, _) = run(&at("2026-03-01", 700.0), &[], &[], &rules());
    insta::assert_snapshot!(found.next_scan.unwrap().text, @"every three to four months when heavily loaded (the site's rule; common practice, no source); the clinician decides");
}

#[test]
fn events_of_another_patient_are_not_used() {
    let events = CourseEvents {
        patient_id: Some("12".into()),
        events: vec![event("2026-01-15", EventKind::ChelationChanged)],
        ..CourseEvents::default()
    };
    let (found, findings) = run(&at("2026-03-01", 300.0), &[], &[events], &rules());
    assert!(found.events.is_empty());
    assert_eq!(findings[0].code, "events-of-another-patient");
}

/// Years, scanners, field strengths, a biopsy from elsewhere, a bound and two events on one picture, written to
/// `target/course-picture.png` to be looked at.
#[test]
fn a_long_course_is_drawn_on_one_picture() {
    let mut biopsy = at("2019-05-20", 0.0);
    biopsy.method = Some("biopsy".into());
    biopsy.r2star_per_s = None;
    biopsy.lic_mg_per_g = Some(21.5);
    let mut bound = at("2020-06-02", 1150.0);
    bound.relation = Relation::AtLeast;
    let mut at_3t = at("2022-05-30", 1080.0);
    at_3t.scanner = PastScanner { field_strength_t: Some(3.0), serial: Some("30".into()), ..at_3t.scanner };
    at_3t.calibration = Some("hernando-2023-3t".into());
    at_3t.lic_mg_per_g = Some(1080.0 * 0.01349 - 0.03);
    let mut old_scanner = at("2021-06-10", 760.0);
    old_scanner.scanner.serial = Some("3".into());
    let history =
        [biopsy, bound, old_scanner, at_3t, at("2023-06-12", 430.0), at("2024-06-03", 330.0), at("2025-06-10", 262.0)];
    let mut changed = event("2020-07-01", EventKind::ChelationChanged);
    changed.text = Some("deferasirox 28 mg/kg".into());
    let events = CourseEvents {
        events: vec![changed, event("2026-11-15", EventKind::TransplantPlanned)],
        ..CourseEvents::default()
    };
    let (found, findings) = run(&at("2026-03-01", 205.0), &history, &[events], &rules());
    assert!(findings.is_empty() && found.previous.len() == 7);
    let picture =
        siderolog::report::picture::course::draw(&found, &rules().thresholds, "For review by a qualified person.");
    let bytes = picture.png();
    assert_eq!(&bytes[1..4], b"PNG");
    assert!(picture.rgb.chunks(3).filter(|p| *p != [255, 255, 255]).count() > 10_000);
    std::fs::write(concat!(env!("CARGO_MANIFEST_DIR"), "/target/course-picture.png"), bytes).unwrap();
}
