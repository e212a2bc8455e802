//! Where files may lie, and what is told about each of them.

use super::files::{Mr, folder, intake, intake_within};
use siderolog::intake::{Announce, FileOutcome, Found, Intake, Limits, RegionFileKind, Request, read};
use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

fn zipped(images: &[Mr], name: impl Fn(usize) -> String) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let mut zip = zip::ZipWriter::new(std::fs::File::create(dir.path().join("study.zip")).unwrap());
    for (i, image) in images.iter().enumerate() {
        zip.start_file(name(i), zip::write::SimpleFileOptions::default()).unwrap();
        zip.write_all(&image.file()).unwrap();
    }
    zip.finish().unwrap();
    dir
}

fn is_whole(intake: &Intake) -> bool {
    matches!(intake.found.as_slice(), [Found::Acquisition(a)] if a.echo_times().len() == 3 && a.grid().slices() == 2)
}

#[test]
fn an_archive_reads_like_the_folder_it_was_made_from() {
    let images = Mr::series(2, 3);
    let dir = zipped(&images, |i| format!("DICOM/ST0/{i}"));
    let from_zip = intake(&[dir.path().to_path_buf()]);
    assert!(is_whole(&from_zip));
    assert!(from_zip.files.iter().all(|f| f.outcome == FileOutcome::Used && f.path.contains("study.zip/DICOM/ST0/")));
    let plain = folder(&images);
    let from_folder = intake(&[plain.path().to_path_buf()]);
    assert_eq!(from_zip.found[0].source(), from_folder.found[0].source());
    // The archive itself as the input.
    assert!(is_whole(&intake(&[dir.path().join("study.zip")])));
}

#[test]
fn entry_names_that_climb_are_only_names() {
    let dir = zipped(&Mr::series(2, 3), |i| format!("../../{i}"));
    let found = intake(&[dir.path().to_path_buf()]);
    assert!(is_whole(&found));
    assert!(found.files.iter().all(|f| !f.path.contains("..")));
    assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1);
}

#[test]
fn nested_folders_and_files_without_extension_are_read_and_litter_is_left() {
    let dir = tempfile::tempdir().unwrap();
    let images = Mr::series(2, 3);
    for (i, image) in images.iter().enumerate() {
        let inside = dir.path().join(format!("a/b{i}/c"));
        std::fs::create_dir_all(&inside).unwrap();
        std::fs::write(inside.join("IM_0001"), image.file()).unwrap();
    }
    std::fs::write(dir.path().join("Thumbs.db"), b"x").unwrap();
    std::fs::write(dir.path().join("note.txt"), b"may leave").unwrap();
    std::os::unix::fs::symlink(dir.path(), dir.path().join("a/loop")).unwrap();
    std::os::unix::net::UnixListener::bind(dir.path().join("socket")).unwrap();
    let found = intake(&[dir.path().to_path_buf()]);
    assert!(is_whole(&found));
    let mut reasons: Vec<_> = found.files.iter().filter_map(|f| f.reason.as_deref()).collect();
    reasons.sort_unstable();
    assert_eq!(
        reasons,
        ["a symbolic link", "left behind by a system or viewer", "not a DICOM file", "not a regular file"]
    );
}

#[test]
fn an_input_that_is_not_there_is_an_error_and_an_empty_one_is_not() {
    let request = |inputs: &[PathBuf]| {
        let set_aside = BTreeMap::new();
        read(&Request { inputs, limits: &Limits::default(), set_aside: &set_aside, announce: &() })
            .map(|i| i.files.len())
    };
    let dir = tempfile::tempdir().unwrap();
    assert_eq!(request(&[dir.path().to_path_buf()]).unwrap(), 0);
    let missing = request(&[PathBuf::from("/no/such/folder")]).unwrap_err();
    insta::assert_snapshot!(missing, @"/no/such/folder: No such file or directory (os error 2)");
}

struct Log(Mutex<Vec<(bool, PathBuf)>>);

impl Announce for Log {
    fn opening(&self, path: &Path) {
        self.0.lock().unwrap().push((true, path.to_path_buf()));
    }
    fn done(&self, path: &Path) {
        self.0.lock().unwrap().push((false, path.to_path_buf()));
    }
}

#[test]
fn every_file_is_announced_and_those_set_aside_are_not_opened() {
    let images = Mr::series(2, 3);
    let dir = folder(&images);
    let aside = dir.path().join("5");
    let set_aside = BTreeMap::from([(aside.clone(), "the program stopped in this file".to_owned())]);
    let log = Log(Mutex::new(Vec::new()));
    let inputs = [dir.path().to_path_buf()];
    let found =
        read(&Request { inputs: &inputs, limits: &Limits::default(), set_aside: &set_aside, announce: &log }).unwrap();
    let record = found.files.iter().find(|f| f.path.ends_with("/5")).unwrap();
    assert_eq!(record.outcome, FileOutcome::Unreadable);
    assert_eq!(record.reason.as_deref(), Some("the program stopped in this file"));
    let log = log.0.into_inner().unwrap();
    assert!(log.iter().all(|(_, path)| *path != aside));
    for i in 0..5 {
        let of_file: Vec<bool> = log.iter().filter(|(_, p)| p.ends_with(i.to_string())).map(|(o, _)| *o).collect();
        assert_eq!(of_file, [true, false, true, false], "once for the header, once for the pixels");
    }
    // The slice that lost its image is gone, the rest is reported.
    assert!(found.found[0].findings().iter().any(|f| f.code == "slice-incomplete"));
}

#[test]
fn files_are_read_again_where_they_could_not_be_kept() {
    let dir = folder(&Mr::series(2, 3));
    let limits = Limits { kept_bytes: 0, ..Limits::default() };
    assert!(is_whole(&intake_within(&[dir.path().to_path_buf()], &limits)));
}

#[test]
fn limits_are_kept_and_named() {
    let dir = folder(&Mr::series(2, 3));
    let reason = |limits: Limits| {
        let found = intake_within(&[dir.path().to_path_buf()], &limits);
        found.files.last().unwrap().reason.clone().unwrap_or_default()
    };
    insta::assert_snapshot!(reason(Limits { files: 5, ..Limits::default() }), @"beyond the limit of 5 files in one reading");
    insta::assert_snapshot!(reason(Limits { file_bytes: 200, ..Limits::default() }), @"longer than the limit of 200 bytes");
    insta::assert_snapshot!(reason(Limits { elements: 9, ..Limits::default() }), @"more than 9 elements (byte 326)");
    insta::assert_snapshot!(reason(Limits { image_pixels: 40, ..Limits::default() }), @"(0028,0010) Rows: an image of 8 by 6 pixels; the limit is 40");
    insta::assert_snapshot!(reason(Limits { decoded_bytes: 1000, ..Limits::default() }), @"beyond the limit of 1000 decoded bytes in one reading");
}

#[test]
fn regions_and_events_beside_the_series_are_handed_on() {
    let dir = folder(&Mr::series(2, 3));
    std::fs::write(dir.path().join("liver.nii.gz"), b"\x1f\x8b").unwrap();
    std::fs::write(dir.path().join("course.yaml"), "course_events:\n  - date: 2026-01-01\n").unwrap();
    std::fs::write(dir.path().join("other.yaml"), "name: x\n").unwrap();
    let seg = Mr::image(0, 0).text(0x0008_0016, b"UI", "1.2.840.10008.5.1.4.1.1.66.4");
    std::fs::write(dir.path().join("seg"), seg.file()).unwrap();
    let found = intake(&[dir.path().to_path_buf()]);
    let mut kinds: Vec<_> = found.regions.iter().map(|r| format!("{:?}", r.kind)).collect();
    kinds.sort();
    assert_eq!(kinds, [format!("{:?}", RegionFileKind::Nifti), format!("{:?}", RegionFileKind::Seg)]);
    assert_eq!(found.events.len(), 1);
    assert!(is_whole(&found));
}

#[test]
fn the_result_does_not_depend_on_the_number_of_threads() {
    let dir = folder(&Mr::series(4, 5));
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let found = pool.install(|| intake(&[dir.path().to_path_buf()]));
        let Found::Acquisition(a) = &found.found[0] else { panic!("read") };
        (a.source().clone(), a.magnitude().to_owned(), serde_json::to_string(&found.files).unwrap())
    };
    assert_eq!(with(1), with(4));
}

#[test]
fn names_are_right_in_every_character_set() {
    let name = |set: &str, bytes: &[u8]| {
        let mut bytes = bytes.to_vec();
        if bytes.len() % 2 == 1 {
            bytes.push(b' ');
        }
        let with = |m: Mr| m.text(0x0008_0005, b"CS", set).bytes(0x0010_0010, b"PN", bytes.clone());
        let dir = folder(&Mr::series(1, 2).into_iter().map(with).collect::<Vec<_>>());
        intake(&[dir.path().to_path_buf()]).found[0].header().patient.name.clone().unwrap()
    };
    assert_eq!(name("ISO_IR 192", "Prüfling^Änne".as_bytes()), "Prüfling^Änne");
    assert_eq!(name("ISO_IR 100", b"Pr\xfcfling^\xc4nne"), "Prüfling^Änne");
    assert_eq!(name("\\ISO 2022 IR 87", b"Yamada^Tarou=\x1b$B;3ED\x1b(B^\x1b$BB@O:\x1b(B"), "Yamada^Tarou=山田^太郎");
    assert_eq!(
        name("\\ISO 2022 IR 149", b"Hong^Gildong=\x1b$)C\xfb\xf3^\x1b$)C\xd1\xce\xd4\xd7"),
        "Hong^Gildong=洪^吉洞"
    );
    assert_eq!(name("GB18030", b"Wang^XiaoDong=\xcd\xf5^\xd0\xa1\xb6\xab"), "Wang^XiaoDong=王^小东");
}
