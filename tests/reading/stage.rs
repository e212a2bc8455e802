//! The whole stage on the phantom: from images to a reading.

use siderolog::fit;
use siderolog::phantom::{self, Recipe};
use siderolog::protocol::{self, ModelChoice, Profile};
use siderolog::reading::{self, Calibrations, Context, FollowUp, Position, Reading, Relation, calibrations};
use siderolog::roi;
use siderolog::study::{Acquisition, AcquisitionParts, Finding, ModelKind, Severity, Stage, Verdict};

/// The calibrations with every entry confirmed by an invented physicist, changed as `alter` says.
fn confirmed(alter: impl Fn(String) -> String) -> Calibrations {
    let text = include_str!("../../config/calibrations.yaml")
        .replace("confirmed_by: null", "confirmed_by: E. Lind (invented)")
        .replace("confirmed_on: null", "confirmed_on: 2026-02-01");
    calibrations("calibrations.yaml", &alter(text)).unwrap()
}

fn profiles(calibrations: &Calibrations) -> Vec<Profile> {
    let names: Vec<String> = calibrations.names().into_iter().map(str::to_owned).collect();
    protocol::shipped().map(|(name, text)| protocol::parse_for(name, text, &|_| None, Some(&names)).unwrap()).collect()
}

fn small(field: f64, r2star: f64, snr: f64) -> Recipe {
    let mut recipe = Recipe { field_strength_t: field, ..Recipe::default() };
    recipe.liver.r2star = r2star;
    recipe.receive.snr = snr;
    recipe.grid.slices = 3;
    recipe
}

fn read_parts(parts: AcquisitionParts, calibrations: &Calibrations, earlier: &[Finding]) -> Reading {
    read_by(ModelChoice::Auto, parts, calibrations, earlier)
}

/// As by a profile that asks for this model.
fn read_by(model: ModelChoice, parts: AcquisitionParts, calibrations: &Calibrations, earlier: &[Finding]) -> Reading {
    let acquisition = Acquisition::assemble(parts).unwrap();
    let checked = protocol::check(acquisition, &profiles(calibrations));
    let profile = checked.profile().unwrap().clone();
    let noise = fit::estimate_noise(checked.acquisition(), profile.coil_elements());
    let survey = fit::survey(checked.acquisition(), &noise);
    let region = roi::find(checked.acquisition(), &survey, &noise, profile.region());
    let accepted = calibrations.get(profile.calibration()).unwrap().accepted_models();
    let choice = fit::choose(model, &accepted, checked.acquisition());
    let fitted = fit::map(checked, noise, survey, region.mask(), choice).map_err(|b| b.1).unwrap();
    let rules = FollowUp::shipped().unwrap();
    let context = Context {
        calibrations,
        follow_up: &rules,
        history: &[],
        events: &[],
        default_issuer: Some("Norrfell"),
        earlier,
    };
    reading::read(fitted, region, &context)
}

fn read(recipe: &Recipe) -> (Reading, f64) {
    let scan = phantom::scan(recipe);
    let truth = scan.truth().median_r2star;
    (read_parts(scan.parts(), &confirmed(|t| t), &[]), truth)
}

fn codes(reading: &Reading) -> Vec<&str> {
    reading.findings().iter().map(|f| f.code.as_ref()).collect()
}

#[test]
fn a_moderate_load_is_read_with_both_intervals_apart() {
    let (reading, truth) = read(&small(1.5, 200.0, 50.0));
    let summary = reading.r2star().unwrap();
    println!("{summary:?}\n{:?}\n{:?}", reading.lic(), codes(&reading));
    assert!((summary.median / truth - 1.0).abs() < 0.03, "{} for {truth}", summary.median);
    assert!(summary.low < summary.median && summary.median < summary.high && summary.q25 < summary.q75);
    let range = reading.range().unwrap();
    assert_eq!(range.position, Position::Inside);
    assert!(range.r2star[1] >= 1000.0, "{:?}", range.r2star);
    let lic = reading.lic().unwrap();
    assert_eq!(lic.relation, Relation::Equal);
    assert!((lic.value - (0.02603 * summary.median - 0.16)).abs() < 1e-9);
    // Hernando's paper gives no prediction error that was read: no interval of the chemical LIC, no probability.
    assert!(lic.low.is_none() && lic.high.is_none());
    assert!(reading.probabilities().iter().all(|p| p.above.is_none() && p.repeat_above.is_some()));
    assert!(codes(&reading).contains(&"calibration-error-unknown"));
    // 95 % prediction interval of a second scan: sqrt(2) * 1.96 * 4.6 % of the part that scales.
    let reach = lic.repeat_high.unwrap() - lic.value;
    assert!((reach / (1.959964 * 2f64.sqrt() * 0.046 * 0.02603 * summary.median) - 1.0).abs() < 0.02, "{reach}");
    let budget = reading.budget().unwrap();
    let squares: f64 = budget
        .components
        .iter()
        .filter(|c| c.enters == reading::Enters::Both)
        .map(|c| c.lic_mg_per_g.unwrap().powi(2))
        .sum();
    assert!((squares.sqrt() - budget.repeat_mg_per_g.unwrap()).abs() < 1e-12);
    // Angelucci 2000: 10.6 mg/kg body iron per mg/g.
    assert!((lic.total_body_iron_mg_per_kg - 10.6 * lic.value).abs() < 1e-12);
    let decay = reading.decay().unwrap();
    assert_eq!(decay.median.len(), 12);
    assert!(decay.relative_residual().unwrap() < 0.02, "{:?}", decay.residuals);
    let line = serde_json::to_string(reading.past()).unwrap();
    assert_eq!(&reading::history("h", &line).unwrap()[0], reading.past());
    assert_eq!(reading.past().patient.issuer.as_deref(), Some("Norrfell"));
}

/// Above, below and beside the measuring range: never a plain number, and no lower bound above the truth.
#[test]
fn what_cannot_be_measured_gets_no_plain_number() {
    for r2star in [1600.0, 3000.0] {
        for snr in [20.0, 50.0] {
            let (reading, truth) = read(&small(1.5, r2star, snr));
            println!(
                "{r2star} SNR {snr}: {:?} {:?} {:?}",
                reading.range().map(|r| (r.r2star, r.position, r.snr)),
                reading.lic(),
                codes(&reading)
            );
            let plain = reading.lic().is_some_and(|l| l.relation == Relation::Equal);
            assert!(!plain || r2star < 2000.0, "{r2star} at SNR {snr}: {:?}", reading.lic());
            if let Some(lic) = reading.lic().filter(|l| l.relation == Relation::AtLeast) {
                assert!(lic.low.unwrap() <= 0.02603 * truth - 0.16);
                assert!(lic.high.is_none() && lic.repeat_high.is_none());
                assert!(codes(&reading).contains(&"above-measuring-range"));
            }
        }
    }
    let (reading, _) = read(&small(1.5, 5.0, 50.0));
    println!("5: {:?} {:?} {:?}", reading.range().map(|r| (r.r2star, r.position)), reading.lic(), codes(&reading));
    if let Some(lic) = reading.lic() {
        assert_eq!(lic.relation, Relation::AtMost);
        assert!(lic.low.is_none() && lic.high == Some(lic.value));
        assert_eq!(Verdict::of(reading.findings()), Verdict::Clear);
    }
}

/// Close below the upper end the interval may reach beyond it, and then the reading says so.
#[test]
fn an_interval_beyond_the_range_is_named() {
    let (reading, _) = read(&small(1.5, 500.0, 20.0));
    let end = reading.range().unwrap().r2star[1];
    assert!(!codes(&reading).contains(&"interval-beyond-range"));
    let mut named = 0;
    for share in [0.96, 0.98, 1.0] {
        let (reading, _) = read(&small(1.5, share * end, 20.0));
        let (range, summary) = (reading.range().unwrap(), reading.r2star().unwrap());
        let beyond = range.position == Position::Inside && summary.high > range.r2star[1];
        assert_eq!(codes(&reading).contains(&"interval-beyond-range"), beyond, "{share}: {summary:?}");
        named += usize::from(beyond);
    }
    assert!(named > 0, "no interval reached beyond {end}");
}

#[test]
fn pure_noise_gives_nothing() {
    let scan = phantom::scan(&small(1.5, 200.0, 50.0));
    let sigma = scan.truth().sigma;
    let mut parts = scan.parts();
    let mut noise = siderolog::fit::Draws::new(7);
    parts.magnitude.mapv_inplace(|_| (sigma * noise.magnitude(0.0, 1.0)) as f32);
    let reading = read_parts(parts, &confirmed(|t| t), &[]);
    assert!(reading.lic().is_none() && reading.probabilities().is_empty());
    assert!(reading.past().lic_mg_per_g.is_none());
}

#[test]
fn a_stop_of_any_stage_withholds_the_number_and_nothing_else() {
    let scan = phantom::scan(&small(1.5, 200.0, 50.0));
    let stop = Finding::new(Stage::Roi, Severity::Stop, "moved", "The patient moved.");
    let reading = read_parts(scan.parts(), &confirmed(|t| t), &[stop]);
    assert!(reading.lic().is_none() && reading.budget().is_none());
    assert!(reading.r2star().is_some() && reading.range().is_some() && reading.decay().is_some());
}

#[test]
fn the_calibration_must_fit_the_scanner_and_be_confirmed() {
    let parts = || phantom::scan(&small(1.5, 200.0, 50.0)).parts();
    let said = |model: ModelChoice, calibrations: &Calibrations, code: &str| {
        let reading = read_by(model, parts(), calibrations, &[]);
        let finding = reading.findings().iter().find(|f| f.code == code).cloned();
        let finding = finding.unwrap_or_else(|| panic!("no {code} in {:?}", codes(&reading)));
        (reading.lic().is_some(), finding)
    };
    let text_of = |calibrations: &Calibrations, code: &str| said(ModelChoice::Auto, calibrations, code);
    let (given, finding) = text_of(&Calibrations::shipped(), "calibration-unconfirmed");
    assert!(given && finding.severity == Severity::Warn);
    insta::assert_snapshot!(finding.message, @"Nobody at this site has compared the calibration hernando-2023-1.5t with its paper (doi:10.1148/radiol.213256).");
    let with_field = |field: &str| {
        let line = format!("title: Hernando 2023, 1.5 T\n    field_strength_t: {field}");
        confirmed(move |t| t.replace("title: Hernando 2023, 1.5 T\n    field_strength_t: 1.5", &line))
    };
    let (given, finding) = text_of(&with_field("1.6"), "field-strength-near");
    assert!(given && finding.severity == Severity::Warn);
    insta::assert_snapshot!(finding.message, @"The scanner's field is 1.5 T; the calibration hernando-2023-1.5t holds at 1.6 T. R2* differs by a few percent between the two; nothing was interpolated.");
    let (given, finding) = text_of(&with_field("3.0"), "field-strength-mismatch");
    assert!(!given && finding.severity == Severity::Stop);
    insta::assert_snapshot!(finding.message, @"The scanner's field is 1.5 T; the calibration hernando-2023-1.5t holds at 3 T. R2* of the same tissue is another at that field.");
    let other_model = confirmed(|t| {
        let start = t.find("accepts: &confounder_corrected").unwrap();
        let end = start + t[start..].find("    source:").unwrap();
        let cut = &t[start..end];
        t.replace(cut, "accepts: &confounder_corrected\n      - {model: truncated, reason: its own fit}\n")
    });
    let wanted = ModelChoice::Fixed(ModelKind::NoiseCorrected);
    let (given, finding) = said(wanted, &other_model, "model-not-accepted");
    assert!(given && finding.severity == Severity::Warn);
}

/// The same tissue at 1.5 and 3 T by Storey's relation (R2* at 3 T = 2.00 R2* at 1.5 T - 11) reads the same LIC
/// within what two scans of an unchanged patient differ by.
#[test]
fn the_same_tissue_reads_the_same_at_both_field_strengths() {
    for at_1_5t in [120.0, 300.0] {
        let (low, _) = read(&small(1.5, at_1_5t, 60.0));
        let (high, _) = read(&small(3.0, 2.0 * at_1_5t - 11.0, 60.0));
        let (a, b) = (low.lic().unwrap(), high.lic().unwrap());
        println!("{at_1_5t} /s: {:.2} mg/g at 1.5 T, {:.2} at 3 T", a.value, b.value);
        assert!(b.value > a.repeat_low.unwrap() && b.value < a.repeat_high.unwrap(), "{} and {}", a.value, b.value);
    }
}
