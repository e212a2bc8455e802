//! Which images become which acquisition.

use super::files::{Mr, codes, read_images};
use siderolog::intake::{FileOutcome, Found, Intake};

/// Echo times (ms), slices and series numbers of each acquisition.
fn shape(intake: &Intake) -> Vec<(Vec<f64>, usize, Vec<i64>)> {
    let of = |found: &Found| match found {
        Found::Acquisition(a) => (
            a.echo_times().iter().map(|t| t.as_millis()).collect(),
            a.grid().slices(),
            a.header().series.iter().filter_map(|s| s.number).collect(),
        ),
        Found::Unreadable(u) => panic!("unreadable: {:?}", u.findings),
    };
    intake.found.iter().map(of).collect()
}

#[test]
fn echoes_and_slices_are_sorted_by_geometry_and_time_alone() {
    let mut images = Mr::series(3, 4);
    images.reverse();
    images.swap(1, 7);
    let intake = read_images(&images);
    assert_eq!(shape(&intake), [(vec![1.0, 2.0, 3.0, 4.0], 3, vec![7])]);
    let Found::Acquisition(a) = &intake.found[0] else { panic!("read") };
    assert_eq!(a.grid().positions()[2], [0.0, 0.0, 20.0]);
    assert!(a.findings().is_empty(), "{:?}", a.findings());
    assert!(intake.files.iter().all(|f| f.outcome == FileOutcome::Used));
    // Row spacing comes first in Pixel Spacing.
    assert_eq!((a.grid().row_spacing().0, a.grid().column_spacing().0), (2.0, 3.0));
}

#[test]
fn one_series_per_echo_is_joined_and_a_repeat_is_not_pooled() {
    let one_per_echo = |first: u32| {
        Mr::series(2, 3)
            .into_iter()
            .enumerate()
            .map(move |(i, m)| m.in_series(first + (i % 3) as u32))
            .collect::<Vec<_>>()
    };
    let mut images = one_per_echo(10);
    assert_eq!(shape(&read_images(&images)), [(vec![1.0, 2.0, 3.0], 2, vec![10, 11, 12])]);
    images.extend(one_per_echo(20));
    assert_eq!(
        shape(&read_images(&images)),
        [(vec![1.0, 2.0, 3.0], 2, vec![10, 11, 12]), (vec![1.0, 2.0, 3.0], 2, vec![20, 21, 22])]
    );
}

#[test]
fn a_series_of_many_echoes_never_merges_with_another() {
    let mut images = Mr::series(2, 3);
    images.extend(Mr::series(2, 6).into_iter().map(|m| m.in_series(8)));
    assert_eq!(shape(&read_images(&images)).len(), 2);
}

#[test]
fn normalised_and_plain_copies_stay_apart() {
    let mut images = Mr::series(2, 3);
    let normalised = Mr::series(2, 3).into_iter().enumerate().map(|(i, m)| {
        m.text(0x0008_0008, b"CS", "ORIGINAL\\PRIMARY\\M\\ND\\NORM").text(0x0008_0018, b"UI", &format!("1.2.9.{i}"))
    });
    images.extend(normalised);
    let intake = read_images(&images);
    let flags: Vec<_> = intake.found.iter().map(|f| f.header().intensity_normalised).collect();
    assert_eq!(shape(&intake).len(), 2);
    assert!(flags.contains(&Some(true)));
}

#[test]
fn repeats_in_one_series_are_split_by_acquisition_number() {
    let run = |n: usize| {
        Mr::series(2, 3).into_iter().enumerate().map(move |(i, m)| {
            m.text(0x0020_0012, b"IS", &n.to_string()).text(0x0008_0018, b"UI", &format!("1.2.{n}.{i}"))
        })
    };
    let images: Vec<Mr> = run(1).chain(run(2)).collect();
    assert_eq!(shape(&read_images(&images)).len(), 2);
}

#[test]
fn patients_and_studies_are_kept_apart() {
    let mut images = Mr::series(2, 3);
    images.extend(Mr::series(2, 3).into_iter().enumerate().map(|(i, m)| {
        m.text(0x0010_0020, b"LO", "P2").text(0x0020_000D, b"UI", "1.2.3.9").text(
            0x0008_0018,
            b"UI",
            &format!("1.7.{i}"),
        )
    }));
    let intake = read_images(&images);
    let mut people: Vec<_> = intake.found.iter().map(|f| f.header().patient.id.clone().unwrap_or_default()).collect();
    people.sort();
    assert_eq!(people, ["P1", "P2"]);
}

#[test]
fn phase_maps_and_derived_images_are_no_echoes() {
    let mut images = Mr::series(2, 3);
    let derived =
        Mr::image(0, 3).text(0x0008_0008, b"CS", "DERIVED\\PRIMARY\\M\\T2_STAR MAP").text(0x0008_0018, b"UI", "1.5");
    images.push(derived);
    let intake = read_images(&images);
    assert_eq!(shape(&intake), [(vec![1.0, 2.0, 3.0], 2, vec![7])]);
    let aside = intake.files.iter().find(|f| f.outcome == FileOutcome::Ignored).expect("one");
    assert_eq!(aside.reason.as_deref(), Some("derived image"));
}

#[test]
fn phase_completes_the_magnitude_of_its_echoes() {
    let mut images = Mr::series(1, 2);
    for echo in 0..2 {
        let phase = Mr::image(0, echo)
            .text(0x0008_0008, b"CS", "ORIGINAL\\PRIMARY\\P\\ND")
            .text(0x0008_0018, b"UI", &format!("1.8.{echo}"))
            .text(0x0028_1052, b"DS", "-4096")
            .text(0x0028_1053, b"DS", "2")
            .pixels(&[3072; 48]);
        images.push(phase);
    }
    let intake = read_images(&images);
    let Found::Acquisition(a) = &intake.found[0] else { panic!("read") };
    let complex = a.complex().expect("phase is there");
    // 3072 · 2 − 4096 = 2048 of 4096 for π: a quarter turn.
    assert!(complex.real[[0, 5]].abs() < 1e-3);
    assert!((complex.imaginary[[0, 5]] - a.magnitude()[[0, 5]]).abs() < 1e-3);
    assert_eq!(a.source().instances.len(), 4);
    assert_eq!(a.source().frames.len(), 2);
}

#[test]
fn one_echo_is_no_acquisition() {
    let intake = read_images(&Mr::series(3, 1));
    assert!(intake.found.is_empty());
    assert!(intake.files.iter().all(|f| f.reason.as_deref() == Some("one echo time only; a decay needs at least two")));
}

#[test]
fn real_and_imaginary_make_magnitude_where_none_was_exported() {
    let mut images = Vec::new();
    for echo in 0..2 {
        for (word, value) in [("REAL", 300u16), ("IMAGINARY", 400)] {
            let image = Mr::image(0, echo)
                .text(0x0008_0008, b"CS", &format!("ORIGINAL\\PRIMARY\\{word}\\ND"))
                .text(0x0008_0018, b"UI", &format!("1.9.{echo}.{}", value))
                .pixels(&(0..48).map(|i| if i == 0 { 0 } else { value }).collect::<Vec<_>>());
            images.push(image);
        }
    }
    let intake = read_images(&images);
    let Found::Acquisition(a) = &intake.found[0] else { panic!("{:?}", codes(&intake.found[0])) };
    assert_eq!(a.magnitude()[[1, 7]], 500.0);
    assert!(a.complex().is_some());
}
