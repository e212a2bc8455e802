//! Each quantity violated alone gives exactly one finding with its code, expected, found and attribute.

use super::acquisition::{Draft, draft, profile};
use siderolog::protocol::{ImageMeasures, Quantity, check, check_images, parse};
use siderolog::study::*;
use std::collections::BTreeSet;
use std::time::Instant;

fn findings(draft: Draft) -> Vec<Finding> {
    check(draft.assemble(), &[profile()]).findings().to_vec()
}

fn ms(value: f64) -> Option<Seconds> {
    Some(Seconds::from_millis(value))
}

type Change = fn(&mut Draft);

/// What is changed, and the finding's code, expected, found and attribute.
type Case = (Change, &'static str, &'static str, &'static str, &'static str);

#[rustfmt::skip]
fn cases() -> Vec<Case> {
    vec![
        (|d| d.echo_ms.iter_mut().for_each(|t| *t += 0.4), "first-echo-too-high", "at most 1 ms", "1.3 ms", "(0018,0081) Echo Time"),
        (|d| d.echo_ms.truncate(10), "last-echo-too-low", "at least 10 ms", "9 ms", "(0018,0081) Echo Time"),
        (|d| d.echo_ms = (0..12).map(|k| 0.9 + 1.2 * f64::from(k)).collect(), "echo-spacing-too-high", "at most 1 ms", "1.2 ms", "(0018,0081) Echo Time"),
        (|d| d.echo_ms = (0..16).map(|k| 0.9 + 0.7 * f64::from(k)).collect(), "number-of-echoes-off", "6 to 14", "16", "(0018,0081) Echo Time"),
        (|d| { d.echo_ms.remove(5); }, "echo-spacing-unevenness-too-high", "at most 10 %", "100 %", "(0018,0081) Echo Time"),
        (|d| d.header.sequence.repetition_time = ms(120.0), "repetition-time-off", "90 to 110 ms", "120 ms", "(0018,0080) Repetition Time"),
        (|d| d.header.sequence.repetition_time = None, "repetition-time-missing", "90 to 110 ms", "not given", "(0018,0080) Repetition Time"),
        (|d| d.header.sequence.flip_angle_deg = Some(30.0), "flip-angle-off", "15 to 25 degrees", "30 degrees", "(0018,1314) Flip Angle"),
        (|d| d.header.sequence.bandwidth_hz_per_pixel = Some(800.0), "bandwidth-too-low", "at least 1000 Hz/pixel", "800 Hz/pixel", "(0018,0095) Pixel Bandwidth"),
        (|d| d.header.sequence.averages = Some(3.0), "averages-off", "1", "3", "(0018,0083) Number of Averages"),
        (|d| d.header.sequence.parallel_factor = Some(3.0), "parallel-factor-too-high", "at most 2", "3", "(0018,9069) Parallel Reduction Factor In-plane"),
        (|d| d.header.sequence.echo_time_span = Some(Seconds(45.0)), "time-between-echoes-too-high", "at most 20 s", "45 s", "(0008,0032) Acquisition Time"),
        (|d| d.grid.positions.truncate(3), "slices-off", "4 to 40", "3", "(0020,0032) Image Position (Patient)"),
        (|d| d.grid.slice_thickness = Some(5.0), "slice-thickness-off", "6 to 10 mm", "5 mm", "(0018,0050) Slice Thickness"),
        (|d| for (k, p) in d.grid.positions.iter_mut().enumerate() { p[2] = 15.0 * k as f64 }, "slice-step-too-high", "at most 12 mm", "15 mm", "(0020,0032) Image Position (Patient)"),
        (|d| for (k, p) in d.grid.positions.iter_mut().enumerate() { p[2] = 7.0 * k as f64 }, "slice-gap-too-low", "at least 0 mm", "-1 mm", "(0018,0088) Spacing Between Slices"),
        (|d| { d.grid.positions.remove(2); }, "slice-step-unevenness-too-high", "at most 5 %", "100 %", "(0020,0032) Image Position (Patient)"),
        (|d| d.grid.column_spacing = 3.5, "pixel-size-too-high", "at most 3 mm", "3.5 mm", "(0028,0030) Pixel Spacing"),
        (|d| { d.grid.row_spacing = 1.5; d.grid.rows = 100 }, "field-of-view-too-low", "at least 200 mm", "150 mm", "(0028,0030) Pixel Spacing"),
        (|d| d.grid.positions = (0..12).map(|k| [0.0, 0.0, 10.0 * f64::from(k)]).collect(), "coverage-too-high", "at most 100 mm", "120 mm", "(0020,0032) Image Position (Patient)"),
        (|d| { d.grid.along_column = [0.0, 0.8, 0.6]; for (k, p) in d.grid.positions.iter_mut().enumerate() { *p = [0.0, -6.0 * k as f64, 8.0 * k as f64] } }, "tilt-from-axial-too-high", "at most 10 degrees", "36.87 degrees", "(0020,0037) Image Orientation (Patient)"),
        (|d| d.header.sequence.acquired_matrix = Some([128, 64]), "acquired-matrix-too-low", "at least 80", "64", "(0018,1310) Acquisition Matrix"),
        (|d| d.header.sequence.phase_encoding_along_row = Some(true), "phase-encoding-off", "along columns", "along rows", "(0018,1312) In-plane Phase Encoding Direction"),
        (|d| d.header.sequence.dimensions = Some("3D".into()), "acquisition-type-off", "2D", "3D", "(0018,0023) MR Acquisition Type"),
        (|d| d.header.sequence.echo_kind = None, "kind-of-echo-missing", "not other", "not given", "(0018,0020) Scanning Sequence"),
        (|d| d.header.patient_position = Some("HFP".into()), "patient-position-off", "HFS or FFS", "HFP", "(0018,5100) Patient Position"),
        (|d| d.header.sequence.contrast_agent = Some("gadoxetate".into()), "contrast-agent-off", "not other", "other", "(0018,0010) Contrast/Bolus Agent"),
        (|d| d.header.sequence.contrast_agent = Some("FERUMOXYTOL 5 ml".into()), "contrast-iron-oxide", "none", "FERUMOXYTOL 5 ml", "(0018,0010) Contrast/Bolus Agent"),
        (|d| d.header.sequence.fat_suppressed = Some(true), "fat-suppression-off", "no", "yes", "(0018,0022) Scan Options"),
        (|d| d.header.sequence.breathing = Some(Breathing::Free), "breathing-off", "breath-hold or gated", "free", "(0018,9170) Respiratory Motion Compensation Technique"),
        (|d| d.header.intensity_normalised = Some(true), "intensity-normalisation-off", "no", "yes", "(0008,0008) Image Type"),
        (|d| d.complex = true, "phase-images-off", "no", "yes", "(0008,0008) Image Type"),
        (|d| d.header.scanner.receive_coil = Some("Head 20".into()), "receive-coil-off", "contains `body`", "Head 20", "(0018,1250) Receive Coil Name"),
        (|d| d.header.scanner.software = Some("4.3.0".into()), "software-not-approved", "4.2.1 or 4.2.2", "4.3.0", "(0018,1020) Software Versions"),
        (|d| d.header.sequence.name = Some("epi".into()), "sequence-name-off", "me_gre", "epi", "(0018,0024) Sequence Name"),
        (|d| d.header.sequence.protocol_name = Some("brain".into()), "protocol-name-off", "contains `liver`", "brain", "(0018,1030) Protocol Name"),
        (|d| d.header.series[0].description = Some("survey".into()), "series-description-off", "contains `liver`", "survey", "(0008,103E) Series Description"),
        (|d| d.header.sequence.options = vec!["PFP".into(), "FS".into()], "scan-options-off", "not FS or SFS", "PFP, FS", "(0018,0022) Scan Options"),
        (|d| d.header.sequence.variant = vec!["SS".into()], "sequence-variant-off", "SP", "SS", "(0018,0021) Sequence Variant"),
        (|d| d.header.body_part = Some("HEAD".into()), "body-part-off", "ABDOMEN or LIVER", "HEAD", "(0018,0015) Body Part Examined"),
        (|d| { d.header.elements.insert((0x0018, 0x0087), "3".into()); }, "tag-0018-0087-too-high", "at most 1.6", "3", "(0018,0087) Magnetic Field Strength"),
        (|d| { d.header.elements.insert((0x0018, 0x1030), "brain".into()); }, "tag-0018-1030-off", "contains `r2star`", "brain", "(0018,1030) Protocol Name"),
        (|d| { d.header.elements.insert((0x0019, 0x1001), "off".into()); }, "tag-0019-1001-off", "on", "off", "(0019,1001) private attribute"),
        (|d| { d.header.elements.insert((0x0018, 0x9073), "12".into()); }, "tag-0018-9073-present", "absent", "12", "(0018,9073) Acquisition Duration"),
    ]
}

#[test]
fn a_conforming_acquisition_has_no_finding() {
    assert_eq!(findings(draft()), []);
}

#[test]
fn each_quantity_violated_alone_gives_exactly_its_finding() {
    for (number, (change, code, expected, found, attribute)) in cases().into_iter().enumerate() {
        let mut changed = draft();
        change(&mut changed);
        let got = findings(changed);
        let [one] = got.as_slice() else { panic!("case {number}, {code}: {got:#?}") };
        assert_eq!(
            (one.code.as_ref(), one.expected.as_deref(), one.found.as_deref(), one.attribute.as_deref()),
            (code, Some(expected), Some(found), Some(attribute)),
            "case {number}"
        );
    }
}

/// A profile is for one field strength, so another one is not its rule's business but a profile that is missing.
#[test]
fn another_field_strength_alone_gives_exactly_one_finding() {
    let mut stronger = draft();
    stronger.header.scanner.field_strength = Some(Tesla(3.0));
    let got = findings(stronger);
    let [one] = got.as_slice() else { panic!("{got:#?}") };
    assert_eq!((one.code.as_ref(), one.severity), ("no-profile", Severity::Stop));
}

#[test]
fn every_image_quantity_violated_alone_gives_exactly_its_finding() {
    type Set = fn(&mut ImageMeasures);
    let cases: [(Set, &str, &str, &str); 10] = [
        (|m| m.signal_to_noise = Some(6.0), "signal-to-noise-too-low", "at least 10", "6"),
        (|m| m.ghosting_percent = Some(14.46), "ghosting-too-high", "at most 10 %", "14 %"),
        (|m| m.echo_shift_mm = Some(3.0), "echo-shift-too-high", "at most 2 mm", "3 mm"),
        (|m| m.slice_shift_mm = Some(7.0), "slice-shift-too-high", "at most 5 mm", "7 mm"),
        (|m| m.slice_disagreement_percent = Some(44.0), "slice-disagreement-too-high", "at most 30 %", "44 %"),
        (|m| m.wrap_percent = Some(66.0), "wrap-around-too-high", "at most 50 %", "66 %"),
        (|m| m.saturation_percent = Some(2.0), "saturation-too-high", "at most 1 %", "2 %"),
        (|m| m.void_percent = Some(9.0), "signal-voids-too-high", "at most 5 %", "9 %"),
        (|m| m.alternation_percent = Some(3.5), "odd-even-alternation-too-high", "at most 3 %", "3.5 %"),
        (|m| m.motion = Some(1.4), "motion-too-high", "at most 1", "1.4"),
    ];
    let good = ImageMeasures {
        signal_to_noise: Some(40.0),
        ghosting_percent: Some(2.0),
        echo_shift_mm: Some(0.2),
        slice_shift_mm: Some(1.0),
        slice_disagreement_percent: Some(4.0),
        slice_disagreeing: Some(2),
        wrap_percent: Some(3.0),
        saturation_percent: Some(0.0),
        void_percent: Some(1.0),
        alternation_percent: Some(0.4),
        motion: Some(0.3),
    };
    let profile = profile();
    assert_eq!(check_images(&profile, &good), []);
    assert_eq!(check_images(&profile, &ImageMeasures::default()), [], "what was not measured fires nothing");
    for (set, code, expected, found) in cases {
        let mut measures = good.clone();
        set(&mut measures);
        let got = check_images(&profile, &measures);
        let [one] = got.as_slice() else { panic!("{code}: {got:#?}") };
        assert_eq!(
            (one.code.as_ref(), one.expected.as_deref(), one.found.as_deref()),
            (code, Some(expected), Some(found))
        );
    }
}

/// Every quantity of the documented list has its rule in the profile that the cases above violate.
#[test]
fn no_quantity_is_left_out() {
    let profile = profile();
    let ruled: BTreeSet<&str> = profile.rules().iter().map(|rule| rule.name()).collect();
    // The profile applies to one field strength, so a rule on it could never fire.
    let missing: Vec<&str> = Quantity::all()
        .iter()
        .map(|q| q.name())
        .filter(|name| *name != "field strength" && !ruled.contains(name))
        .collect();
    assert_eq!(missing, [] as [&str; 0]);
    let violated: Vec<&str> = cases().iter().map(|case| case.1).collect();
    let image = ["signal to noise", "saturation", "signal voids", "ghosting", "motion", "wrap-around"];
    let image = [&image[..], &["echo shift", "slice shift", "slice disagreement", "odd-even alternation"]].concat();
    let untested: Vec<&str> = Quantity::all()
        .iter()
        .map(|q| q.name())
        .filter(|name| *name != "field strength" && !image.contains(name))
        .filter(|name| !violated.iter().any(|code| code.starts_with(&name.replace(' ', "-"))))
        .collect();
    // The software version has a rule of its own kind, on the versions that were approved.
    assert_eq!(untested, ["software version"]);
    assert!(violated.contains(&"software-not-approved"));
}

#[test]
fn messages_read_as_sentences() {
    let mut off = draft();
    off.header.sequence.repetition_time = ms(120.0);
    off.header.scanner.software = Some("5.0".into());
    off.header.sequence.contrast_agent = Some("ferumoxytol".into());
    off.header.sequence.dimensions = None;
    off.echo_ms.iter_mut().for_each(|t| *t += 0.5);
    let mut shown: Vec<String> = Vec::new();
    for f in findings(off) {
        shown.push(format!("{:?} {}\n  {}\n  {}", f.severity, f.code, f.message, f.advice.unwrap_or_default()));
    }
    insta::assert_snapshot!("messages", shown.join("\n"));
}

#[test]
fn a_spin_echo_stops_and_is_not_fitted() {
    for (kind, decays) in [(Some(EchoKind::SpinEcho), false), (Some(EchoKind::GradientEcho), true), (None, true)] {
        let mut changed = draft();
        changed.header.sequence.echo_kind = kind;
        let checked = check(changed.assemble(), &[]);
        assert_eq!(checked.decays_with_r2star(), decays);
        let stopped = checked.findings().iter().any(|f| f.code == "not-gradient-echo" && f.severity == Severity::Stop);
        assert_eq!(stopped, !decays);
    }
}

#[test]
fn by_range_warns_inside_the_measuring_range_and_stops_outside() {
    let text = "name: a\nrevision: 1\napproved: {by: x, date: 2026-01-01}\napplies to: {field strength: 1.5 T}\ncalibration: c\nrules:\n  - {quantity: first echo, at most: 0.5 ms, severity: by range, reason: r, advice: the first echo time}\n";
    let profile = parse("a.yaml", text, &|_| None).unwrap_or_else(|e| panic!("{e}"));
    let checked = check(draft().assemble(), &[profile]);
    assert_eq!(checked.findings(), []);
    let [rule] = checked.by_range() else { panic!("one rule by range") };
    let (inside, outside) = (rule.judge(true), rule.judge(false));
    assert_eq!((inside.severity, inside.scanner_room), (Severity::Warn, None));
    assert_eq!(outside.severity, Severity::Stop);
    assert_eq!(outside.scanner_room, Some(ScannerRoom::Repeat("the first echo time".into())));
    assert_eq!(outside.code, "first-echo-too-high");
}

/// The promise is 5 ms an acquisition; here with a rule on every quantity. Prints, because a machine may be busy.
#[test]
fn what_checking_costs_is_printed() {
    let profiles = [profile()];
    let acquisitions: Vec<Acquisition> = (0..200).map(|_| draft().assemble()).collect();
    let mut times: Vec<f64> = acquisitions
        .into_iter()
        .map(|acquisition| {
            let start = Instant::now();
            let checked = check(acquisition, &profiles);
            assert_eq!(checked.findings(), []);
            start.elapsed().as_secs_f64() * 1e3
        })
        .collect();
    times.sort_by(f64::total_cmp);
    println!(
        "checking one acquisition against {} rules: median {:.3} ms, longest of {} {:.3} ms",
        profiles[0].rules().len(),
        times[times.len() / 2],
        times.len(),
        times[times.len() - 1]
    );
}
