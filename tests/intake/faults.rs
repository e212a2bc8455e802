//! What does not fit together: each deviation its own finding, with the exact images.

use super::files::{Mr, codes, read_images};
use siderolog::intake::{FileOutcome, Found, Intake};
use siderolog::study::{Finding, Severity};

fn finding<'a>(intake: &'a Intake, code: &str) -> &'a Finding {
    let all: Vec<&Finding> = intake.found.iter().flat_map(|f| f.findings()).collect();
    all.iter().find(|f| f.code == code).unwrap_or_else(|| panic!("no {code} among {all:#?}"))
}

fn slices(intake: &Intake) -> usize {
    match &intake.found[0] {
        Found::Acquisition(a) => a.grid().slices(),
        Found::Unreadable(u) => panic!("unreadable: {:?}", u.findings),
    }
}

#[test]
fn a_missing_image_costs_its_slice_and_is_named() {
    let mut images = Mr::series(4, 3);
    images.remove(4);
    let intake = read_images(&images);
    assert_eq!(slices(&intake), 3);
    let finding = finding(&intake, "slice-incomplete");
    assert_eq!(
        (finding.severity, finding.images.as_slice()),
        (Severity::Warn, ["slice 2, echo 2".to_owned()].as_slice())
    );
    insta::assert_snapshot!(finding.message, @"1 of 4 slices lack an echo and are left out.");
}

#[test]
fn a_missing_slice_shows_in_the_spacing() {
    let images: Vec<Mr> =
        Mr::series(5, 3).into_iter().enumerate().filter(|(i, _)| i / 3 != 2).map(|(_, m)| m).collect();
    let intake = read_images(&images);
    insta::assert_snapshot!(finding(&intake, "slice-missing").message, @"Slices are not evenly spaced: between slices 2 and 3. A slice may be missing; the volume is not right.");
}

#[test]
fn images_that_the_header_counts_and_that_are_not_there_are_missed() {
    let counted = |n: u32| {
        read_images(
            &Mr::series(4, 3).into_iter().map(|m| m.text(0x0020_1002, b"IS", &n.to_string())).collect::<Vec<_>>(),
        )
    };
    // The last slice can be missing without a gap; only the count tells.
    let short = counted(15);
    insta::assert_snapshot!(finding(&short, "images-missing").message, @"The series has 15 images by its header; 12 are here.");
    assert_eq!(short.found[0].missing().len(), 1);
    assert!(counted(12).found[0].missing().is_empty());
}

#[test]
fn an_echo_missing_on_most_slices_is_dropped() {
    let images: Vec<Mr> =
        Mr::series(4, 4).into_iter().enumerate().filter(|(i, _)| i % 4 != 3 || *i == 3).map(|(_, m)| m).collect();
    let intake = read_images(&images);
    assert_eq!(slices(&intake), 4);
    insta::assert_snapshot!(finding(&intake, "echo-incomplete").message, @"1 of 4 echoes are missing on most slices and left out: 4 ms.");
}

#[test]
fn an_unreadable_file_is_a_warning_only_where_an_image_is_missing() {
    let mut broken = Mr::image(0, 0).file();
    broken.truncate(broken.len() - 40);
    let with = |images: Vec<Mr>| {
        let dir = super::files::folder(&images);
        std::fs::write(dir.path().join("cut"), &broken).expect("writable");
        super::files::intake(&[dir.path().to_path_buf()])
    };
    let complete = with(Mr::series(3, 3));
    assert_eq!(finding(&complete, "unreadable-file").severity, Severity::Note);
    let lacking = with(Mr::series(3, 3).into_iter().skip(1).collect());
    assert_eq!(finding(&lacking, "unreadable-file").severity, Severity::Warn);
    let record = lacking.files.iter().find(|f| f.path.ends_with("/cut")).expect("listed");
    assert_eq!(record.outcome, FileOutcome::Unreadable);
    insta::assert_snapshot!(record.reason.as_deref().unwrap_or_default(), @"(7FE0,0010) Pixel Data: 96 bytes are declared where 56 are left (byte 584)");
}

#[test]
fn copies_count_once_and_contradicting_copies_are_refused() {
    let mut images = Mr::series(2, 3);
    images.push(Mr::image(0, 0));
    let intake = read_images(&images);
    assert!(codes(&intake.found[0]).is_empty());
    assert_eq!(intake.files[6].reason.as_deref(), Some("an identical copy of 0"));
    images[6] = Mr::image(0, 0).text(0x0008_0080, b"LO", "Elsewhere");
    assert_eq!(finding(&read_images(&images), "duplicate-equal").severity, Severity::Note);
    images[6] = Mr::image(0, 0).pixels(&(0..48).collect::<Vec<u16>>());
    let different = read_images(&images);
    let finding = finding(&different, "duplicate-different");
    assert_eq!(
        (finding.severity, finding.images.as_slice()),
        (Severity::Stop, ["slice 1, echo 1".to_owned()].as_slice())
    );
}

#[test]
fn strays_of_the_series_are_named_by_what_sets_them_apart() {
    let stray = |change: fn(Mr) -> Mr| {
        let mut images = Mr::series(2, 3);
        images.push(change(Mr::image(5, 0)).text(0x0008_0018, b"UI", "1.6"));
        read_images(&images)
    };
    let tilted = stray(|m| m.text(0x0020_0037, b"DS", "0\\1\\0\\0\\0\\1"));
    assert_eq!(finding(&tilted, "mixed-orientation").images, ["series 7, image 500"]);
    let small = stray(|m| m.short(0x0028_0010, 4).pixels(&[7; 24]));
    assert_eq!(finding(&small, "mixed-matrix").severity, Severity::Warn);
    let moved = stray(|m| m.text(0x0020_0052, b"UI", "1.2.3.99"));
    assert_eq!(finding(&moved, "mixed-frame-of-reference").severity, Severity::Warn);
}

#[test]
fn one_id_with_two_names_is_refused() {
    let mut images = Mr::series(2, 3);
    images[3] = images[3].clone().text(0x0010_0010, b"PN", "Other^Person");
    assert_eq!(finding(&read_images(&images), "patient-mixed").severity, Severity::Stop);
}

#[test]
fn one_study_of_two_patients_is_refused() {
    let mut images = Mr::series(2, 3);
    let other = Mr::series(2, 3).into_iter().enumerate();
    images.extend(other.map(|(i, m)| m.text(0x0010_0020, b"LO", "P2").text(0x0008_0018, b"UI", &format!("1.7.{i}"))));
    let intake = read_images(&images);
    assert_eq!(intake.found.len(), 2);
    assert!(intake.found.iter().all(|f| codes(f).contains(&"patient-mixed")));
}

#[test]
fn echo_times_in_seconds_are_refused_and_not_multiplied() {
    let in_seconds = |i: usize, m: Mr| m.text(0x0018_0081, b"DS", &format!("0.00{}", i % 3 + 1));
    let images: Vec<Mr> = Mr::series(2, 3).into_iter().enumerate().map(|(i, m)| in_seconds(i, m)).collect();
    // The step between them is below what tells two echoes apart in ms, so it must be looked for before that.
    let intake = read_images(&images);
    insta::assert_snapshot!(finding(&intake, "echo-time-in-seconds").message, @"The shortest echo time is 0.001 ms; the echo times look as if they were in seconds.");
}

#[test]
fn an_echo_with_another_gain_is_refused() {
    let mut images = Mr::series(2, 4);
    for image in images.iter_mut().skip(2).step_by(4) {
        *image = image.clone().text(0x0028_1052, b"DS", "0").text(0x0028_1053, b"DS", "3");
    }
    // A slope on some images alone is refused before any pixel is read.
    assert_eq!(codes(&read_images(&images).found[0]), ["scaling-unknown"]);
    let mut images = Mr::series(2, 4);
    for image in images.iter_mut().skip(2).step_by(4) {
        *image = image.clone().pixels(&(0..48).map(|i| 3000 + 20 * i).collect::<Vec<u16>>());
    }
    let intake = read_images(&images);
    let finding = finding(&intake, "echo-gain-step");
    assert_eq!(
        (finding.severity, finding.images.as_slice()),
        (Severity::Stop, ["echo 2".to_owned(), "echo 3".to_owned()].as_slice())
    );
}

#[test]
fn a_step_down_that_no_decay_makes_is_refused_too() {
    let dimmed = |i: usize, m: Mr| {
        let scale = if i % 5 >= 3 { 0.5 } else { 1.0 };
        let decay = |k: usize| (3000.0 + 20.0 * k as f64) * (-(0.1 + 0.001 * k as f64) * (i % 5) as f64).exp();
        m.pixels(&(0..48).map(|k| (scale * decay(k)) as u16).collect::<Vec<_>>())
    };
    let images: Vec<Mr> = Mr::series(2, 5).into_iter().enumerate().map(|(i, m)| dimmed(i, m)).collect();
    let intake = read_images(&images);
    let finding = finding(&intake, "echo-gain-step");
    assert_eq!(
        (finding.severity, finding.images.as_slice()),
        (Severity::Stop, ["echo 3".to_owned(), "echo 4".to_owned()].as_slice())
    );
    insta::assert_snapshot!(finding.message, @"Nearly everywhere the signal from 3 ms to 4 ms falls 2 times lower than its fall before allows, which no decay does: one echo has another gain.");
}

#[test]
fn saturation_padding_and_flat_images_are_seen() {
    let mut images = Mr::series(3, 3);
    images[0] = images[0].clone().pixels(&(0..48).map(|i| if i < 20 { 4095 } else { 1000 + i }).collect::<Vec<u16>>());
    images[4] = images[4].clone().pixels(&[17; 48]);
    images[8] = images[8]
        .clone()
        .short(0x0028_0120, 0)
        .pixels(&(0..48).map(|i| if i == 9 { 0 } else { 500 + i }).collect::<Vec<u16>>());
    let intake = read_images(&images);
    assert_eq!(finding(&intake, "saturated").images, ["slice 1, echo 1"]);
    assert_eq!(finding(&intake, "flat-image").images, ["slice 2, echo 2"]);
    assert_eq!(slices(&intake), 2);
    let Found::Acquisition(a) = &intake.found[0] else { panic!("read") };
    assert_eq!(a.flaws().iter().filter(|f| **f == siderolog::study::flaw::SATURATED).count(), 20);
    assert_eq!(a.flaws()[48 + 9], siderolog::study::flaw::PADDING);
}

#[test]
fn lossy_images_are_refused() {
    let images: Vec<Mr> = Mr::series(2, 3).into_iter().map(|m| m.text(0x0028_2110, b"CS", "01")).collect();
    assert_eq!(finding(&read_images(&images), "lossy-compression").severity, Severity::Stop);
}

#[test]
fn gauss_becomes_tesla_and_is_noted() {
    let images: Vec<Mr> = Mr::series(2, 3).into_iter().map(|m| m.text(0x0018_0087, b"DS", "15000")).collect();
    let intake = read_images(&images);
    assert_eq!(intake.found[0].header().scanner.field_strength.map(|b| b.0), Some(1.5));
    assert_eq!(finding(&intake, "field-strength-in-gauss").severity, Severity::Note);
}

#[test]
fn the_imaging_frequency_decides_where_the_attribute_disagrees() {
    let field = |frequency: &str| {
        let images: Vec<Mr> = Mr::series(1, 2)
            .into_iter()
            .map(|m| m.text(0x0018_0087, b"DS", "3").text(0x0018_0084, b"DS", frequency))
            .collect();
        read_images(&images).found[0].header().scanner.field_strength.expect("given").0
    };
    assert!((field("123.25") - 2.895).abs() < 0.001);
    assert_eq!(field("127.74"), 3.0);
}
