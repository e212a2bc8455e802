//! The scan on disk: every shape, read back without the intake room.

use dicom_dictionary_std::tags;
use siderolog::phantom::{Components, Format, Omission, Recipe, scan, write};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

fn small(format: Format, components: Components) -> Recipe {
    let mut recipe = Recipe::default();
    (recipe.grid.slices, recipe.grid.rows, recipe.grid.columns) = (2, 64, 80);
    recipe.grid.pixel_mm = [4.8, 4.8];
    recipe.sequence.echoes = 3;
    recipe.export.format = format;
    recipe.export.components = components;
    recipe
}

const FORMATS: [Format; 4] = [Format::Classic, Format::ClassicSeriesPerEcho, Format::Enhanced, Format::EnhancedPerEcho];
const COMPONENTS: [Components; 3] =
    [Components::Magnitude, Components::MagnitudePhase, Components::MagnitudeRealImaginary];

fn text(object: &dicom_object::InMemDicomObject, tag: dicom_object::Tag) -> String {
    object.element(tag).unwrap().to_str().unwrap().trim_end_matches(['\0', ' ']).to_owned()
}

#[test]
fn every_shape_writes_the_files_it_promises() {
    for (format, components, wanted) in [
        (Format::Classic, Components::Magnitude, 6),
        (Format::Classic, Components::MagnitudePhase, 12),
        (Format::ClassicSeriesPerEcho, Components::Magnitude, 6),
        (Format::Enhanced, Components::Magnitude, 1),
        (Format::Enhanced, Components::MagnitudePhase, 1),
        (Format::Enhanced, Components::MagnitudeRealImaginary, 3),
        (Format::EnhancedPerEcho, Components::Magnitude, 3),
    ] {
        let dir = tempfile::tempdir().unwrap();
        let files = write(&scan(&small(format, components)), dir.path()).unwrap();
        assert_eq!(files.len(), wanted, "{format:?} {components:?}");
        let uids: BTreeSet<String> =
            files.iter().map(|f| text(&dicom_object::open_file(f).unwrap(), tags::SOP_INSTANCE_UID)).collect();
        assert_eq!(uids.len(), wanted, "one UID for each file of {format:?} {components:?}");
    }
}

#[test]
fn a_classic_image_holds_the_numbers_that_are_in_memory() {
    let dir = tempfile::tempdir().unwrap();
    let scan = scan(&small(Format::Classic, Components::Magnitude));
    let parts = scan.parts();
    for (index, file) in write(&scan, dir.path()).unwrap().iter().enumerate() {
        let (slice, echo) = (index / 3, index % 3);
        let object = dicom_object::open_file(file).unwrap();
        let slope: f64 = text(&object, tags::RESCALE_SLOPE).parse().unwrap();
        let pixels = object.element(tags::PIXEL_DATA).unwrap().to_multi_int::<u16>().unwrap();
        assert_eq!(text(&object, tags::ECHO_TIME).parse::<f64>().unwrap(), scan.echo_times()[echo].as_millis());
        let first = parts.grid.index(slice, 0, 0);
        for (offset, &pixel) in pixels.iter().enumerate() {
            assert_eq!((f64::from(pixel) * slope) as f32, parts.magnitude[[echo, first + offset]]);
        }
        assert!(pixels.iter().any(|&p| p > 3000), "the stored range is used");
    }
}

#[test]
fn magnitude_phase_real_and_imaginary_agree() {
    let dir = tempfile::tempdir().unwrap();
    let with_phase = scan(&small(Format::Classic, Components::MagnitudePhase));
    let files = write(&with_phase, dir.path()).unwrap();
    let number = |object: &dicom_object::InMemDicomObject, tag| text(object, tag).parse::<f64>().unwrap();
    let read = |path: &PathBuf| -> (String, Vec<f64>) {
        let object = dicom_object::open_file(path).unwrap();
        let (slope, intercept) = (number(&object, tags::RESCALE_SLOPE), number(&object, tags::RESCALE_INTERCEPT));
        let pixels = object.element(tags::PIXEL_DATA).unwrap().to_multi_int::<u16>().unwrap();
        (text(&object, tags::IMAGE_TYPE), pixels.iter().map(|&p| f64::from(p) * slope + intercept).collect())
    };
    let (magnitude, phase) = (read(&files[0]), read(&files[1]));
    assert!(magnitude.0.ends_with("\\M") && phase.0.ends_with("\\P"), "{} {}", magnitude.0, phase.0);
    let complex = with_phase.parts().complex.unwrap();
    for index in (0..magnitude.1.len()).filter(|&i| magnitude.1[i] > 500.0) {
        let real = magnitude.1[index] * phase.1[index].cos();
        assert!((real - f64::from(complex.real[[0, index]])).abs() < 6.0, "{real}");
    }
}

#[test]
fn what_is_left_out_is_not_written() {
    let mut recipe = small(Format::Classic, Components::Magnitude);
    recipe.export.omit = vec![Omission { slice: 1, echo: Some(2) }, Omission { slice: 2, echo: None }];
    let dir = tempfile::tempdir().unwrap();
    assert_eq!(write(&scan(&recipe), dir.path()).unwrap().len(), 2);
}

#[test]
fn two_runs_write_the_same_bytes() {
    let read = |dir: &Path| -> Vec<Vec<u8>> {
        let recipe = small(Format::Enhanced, Components::MagnitudePhase);
        write(&scan(&recipe), dir).unwrap().iter().map(|f| std::fs::read(f).unwrap()).collect()
    };
    let (one, two) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    assert_eq!(read(one.path()), read(two.path()));
}

/// dciodvfy (dicom3tools) knows the standard's modules; it must find no error in what we write.
#[test]
fn objects_are_valid_for_dciodvfy() {
    if std::process::Command::new("dciodvfy").arg("-version").output().is_err() {
        println!("SKIPPED: dciodvfy is not installed");
        return;
    }
    for format in FORMATS {
        for components in COMPONENTS {
            let dir = tempfile::tempdir().unwrap();
            let mut recipe = small(format, components);
            recipe.export.normalised_copy = components == Components::Magnitude;
            recipe.grid.tilt_deg = 12.0;
            for file in write(&scan(&recipe), dir.path()).unwrap() {
                let output = std::process::Command::new("dciodvfy").arg("-new").arg(&file).output().unwrap();
                let said = String::from_utf8_lossy(&output.stderr).into_owned();
                let errors: Vec<&str> = said.lines().filter(|line| line.starts_with("Error")).collect();
                assert!(errors.is_empty(), "{format:?} {components:?}: {errors:#?}");
                assert!(said.contains("MRImage"), "dciodvfy did not recognise the object: {said}");
            }
        }
    }
}
