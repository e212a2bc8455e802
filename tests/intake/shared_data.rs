//! Scanner-made and third-party files, each read as its line in the folder's README says.

use super::files::{intake, shared};
use siderolog::intake::{
    FileOutcome, Found, Intake, Limits,
    probe::{Probe, probe},
};
use siderolog::study::{Acquisition, EchoKind};

fn acquisitions(intake: &Intake) -> Vec<&Acquisition> {
    intake.found.iter().filter_map(|f| if let Found::Acquisition(a) = f { Some(a.as_ref()) } else { None }).collect()
}

fn millis(a: &Acquisition) -> Vec<f64> {
    a.echo_times().iter().map(|t| t.as_millis()).collect()
}

/// What a folder holds: per acquisition the echo times (ms), slices, rows, columns and whether it is complex.
struct Expected {
    folder: &'static str,
    acquisitions: &'static [(&'static [f64], [usize; 3], bool)],
}

const TABLE: &[Expected] = &[
    Expected { folder: "philips_classic_vs_enhanced/classic", acquisitions: &[(&[2.3, 4.6], [53, 80, 80], true)] },
    Expected { folder: "philips_classic_vs_enhanced/enhanced", acquisitions: &[(&[2.3, 4.6], [53, 80, 80], true)] },
    Expected {
        folder: "dcm_qa_fmap/In/Siemens/2_gre_field_magph",
        acquisitions: &[(&[5.19, 7.65], [36, 64, 64], false)],
    },
    Expected { folder: "dcm_qa_fmap/In/Siemens/3_gre_field_magph", acquisitions: &[] },
    Expected { folder: "dcm_qa_fmap/In/Siemens/4_gre_field_ph", acquisitions: &[] },
    Expected {
        folder: "dcm_qa_fmap/In/Siemens/5_gre_field_mag",
        acquisitions: &[(&[5.19, 7.65], [36, 64, 64], false)],
    },
    Expected { folder: "dcm_qa_fmap/In/GE", acquisitions: &[] },
    Expected { folder: "dcm_qa_xa30", acquisitions: &[(&[10.0, 12.46], [33, 64, 64], false)] },
];

#[test]
fn every_folder_reads_as_described_shared_data() {
    for expected in TABLE {
        let Some(folder) = shared(expected.folder) else { return };
        let found = intake(&[folder]);
        let read: Vec<_> = acquisitions(&found)
            .iter()
            .map(|a| (millis(a), [a.grid().slices(), a.grid().rows(), a.grid().columns()], a.complex().is_some()))
            .collect();
        let wanted: Vec<_> = expected.acquisitions.iter().map(|(t, s, c)| (t.to_vec(), *s, *c)).collect();
        assert_eq!(read, wanted, "{}", expected.folder);
        assert_eq!(found.found.len(), wanted.len(), "{}: nothing unreadable", expected.folder);
    }
}

#[test]
fn classic_and_enhanced_export_are_the_same_acquisition_shared_data() {
    let Some(root) = shared("philips_classic_vs_enhanced") else { return };
    let (classic, enhanced) = (intake(&[root.join("classic")]), intake(&[root.join("enhanced")]));
    let (a, b) = (acquisitions(&classic), acquisitions(&enhanced));
    let (a, b) = (a[0], b[0]);
    assert_eq!(a.echo_times(), b.echo_times());
    assert_eq!(a.scaling(), "private scale slope");
    assert_eq!(b.scaling(), "private scale slope");
    let close = |x: f64, y: f64| (x - y).abs() < 1e-4;
    for (p, q) in a.grid().positions().iter().zip(b.grid().positions()) {
        assert!(p.iter().zip(q).all(|(x, y)| close(*x, *y)), "{p:?} {q:?}");
    }
    assert!(close(a.grid().row_spacing().0, b.grid().row_spacing().0));
    let apart =
        a.magnitude().iter().zip(b.magnitude().iter()).map(|(x, y)| ((x - y) / x.max(1.0)).abs()).fold(0.0, f32::max);
    assert!(apart < 1e-5, "{apart}");
    let raw: Vec<_> = enhanced.files.iter().filter(|f| f.outcome == FileOutcome::Ignored).collect();
    assert_eq!(raw.len(), 1);
    assert!(raw[0].reason.as_deref().is_some_and(|r| r.contains("raw data")), "{:?}", raw[0].reason);
    assert_eq!(a.header().sequence.echo_kind, Some(EchoKind::GradientEcho));
}

#[test]
fn a_spin_echo_is_read_and_called_so_shared_data() {
    let Some(folder) = shared("dcmstack_se_16echo") else { return };
    let found = intake(&[folder]);
    let all = acquisitions(&found);
    assert!(!all.is_empty());
    for a in all {
        assert_eq!(a.header().sequence.echo_kind, Some(EchoKind::SpinEcho));
    }
}

#[test]
fn both_exports_in_one_delivery_stay_two_acquisitions_shared_data() {
    let Some(root) = shared("philips_classic_vs_enhanced") else { return };
    let found = intake(&[root]);
    let all = acquisitions(&found);
    assert_eq!(all.len(), 2);
    for a in all {
        assert_eq!((millis(a), a.grid().slices(), a.complex().is_some()), (vec![2.3, 4.6], 53, true));
        assert!(a.findings().is_empty(), "{:?}", a.findings());
    }
}

#[test]
fn one_series_in_four_compressions_has_the_same_pixels_shared_data() {
    let Some(root) = shared("dicom2nifti_vendor/generic") else { return };
    let read = |folder: &str| -> Vec<Probe> {
        let mut files: Vec<_> =
            std::fs::read_dir(root.join(folder).join("001")).unwrap().flatten().map(|e| e.path()).collect();
        files.sort();
        let one = |path| probe(std::fs::read(path).unwrap(), &Limits::default()).unwrap();
        files.into_iter().flat_map(one).collect()
    };
    let reference = read("compressed_rle");
    assert_eq!(reference.len(), 4);
    assert!(reference.iter().all(|p| p.pixels.is_ok()));
    for folder in ["compressed", "compressed_j2k", "compressed_jpeg"] {
        assert_eq!(read(folder), reference, "{folder}");
    }
    let jpeg_ls = read("compressed_jpegls");
    if cfg!(feature = "jpeg-ls") {
        assert_eq!(jpeg_ls, reference);
    } else {
        let reason = jpeg_ls[0].pixels.clone().unwrap_err();
        insta::assert_snapshot!(reason, @"this build has no JPEG-LS decoder (build with the feature jpeg-ls)");
    }
}
