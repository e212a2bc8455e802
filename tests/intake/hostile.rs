//! Broken and malicious files beside a good series: nothing panics, nothing takes long, the good series is still
//! reported, and each bad file is named with a reason.

use super::files::{Mr, enhanced, folder, intake, shared};
use siderolog::intake::{FileOutcome, FileRecord, Found, Limits, probe::probe};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

fn files_below(root: &Path) -> Vec<PathBuf> {
    let mut out = Vec::new();
    let mut waiting = vec![root.to_path_buf()];
    while let Some(path) = waiting.pop() {
        for entry in std::fs::read_dir(path).unwrap().flatten() {
            if entry.path().is_dir() { waiting.push(entry.path()) } else { out.push(entry.path()) }
        }
    }
    out.sort();
    out
}

/// Reads a file beside a good series and says what became of it.
fn beside_good(file: &Path, good: &Path) -> FileRecord {
    let begin = Instant::now();
    let found = intake(&[good.to_path_buf(), file.to_path_buf()]);
    assert!(begin.elapsed() < Duration::from_secs(2), "{} took {:?}", file.display(), begin.elapsed());
    let whole = found
        .found
        .iter()
        .any(|f| matches!(f, Found::Acquisition(a) if a.header().patient.id.as_deref() == Some("GOOD")));
    assert!(whole, "{}: the good series is lost", file.display());
    let record = found.files.iter().find(|f| Path::new(&f.path) == file).unwrap().clone();
    assert!(record.outcome == FileOutcome::Used || record.reason.is_some(), "{}", record.path);
    record
}

/// Runs the calling test again in a process of its own with 1 GiB of address space, so that what kills it or
/// swells in it fails one test and not the suite. True in that process, which then does the work.
fn confined(test: &str) -> bool {
    const CONFINED: &str = "SIDEROLOG_CONFINED";
    if std::env::var_os(CONFINED).is_some() {
        let limit = rustix::process::Rlimit { current: Some(1 << 30), maximum: Some(1 << 30) };
        rustix::process::setrlimit(rustix::process::Resource::As, limit).unwrap();
        return true;
    }
    let child = std::process::Command::new(std::env::current_exe().unwrap())
        .args([&format!("intake::hostile::{test}"), "--exact", "--nocapture"])
        .env(CONFINED, "1")
        // Each thread reserves address space for its stack and heap.
        .env("RAYON_NUM_THREADS", "2")
        .output()
        .unwrap();
    let (out, error) = (String::from_utf8_lossy(&child.stdout), String::from_utf8_lossy(&child.stderr));
    assert!(child.status.success() && out.contains("1 passed"), "{:?}\n{out}\n{error}", child.status);
    println!("{out}");
    false
}

fn good_series() -> tempfile::TempDir {
    let good = |m: Mr| m.text(0x0010_0020, b"LO", "GOOD").text(0x0020_000D, b"UI", "1.2.77");
    folder(&Mr::series(2, 3).into_iter().map(good).collect::<Vec<_>>())
}

/// Cases of `../shared/data/hostile` that are odd but can be read: an image of one echo, set aside as such, or
/// part of an acquisition. All others must be unreadable, or no DICOM at all.
const HARMLESS: &[&str] = &[
    "a04", "a05", "a09", "a10", "a17", "b10", "b11", "b15", "c09", "c10", "c11", "c12", "c13", "c15", "c16", "c27",
    "c32", "c33", "c34", "d07", "d11", "d13", "d15", "d21", "e16", "e17", "e18", "f05", "f06", "f08", "f09", "f10",
    "g01", "g05", "g06", "h03", "h06", "h07", "h08", "h09", "h10", "h11", "i05", "i06",
];
/// Cases whose header is sound and whose pixels are not: they show only where the image is needed.
const BAD_PIXELS: &[&str] =
    &["d03", "d04", "d05", "e01", "e03", "e04", "e05", "e06", "e07", "e08", "e09", "e10", "e11", "e12"];

#[test]
fn each_hostile_case_is_named_and_costs_nothing_else_shared_data() {
    let Some(root) = shared("hostile") else { return };
    if !confined("each_hostile_case_is_named_and_costs_nothing_else_shared_data") {
        return;
    }
    let good = good_series();
    let cases: Vec<PathBuf> =
        files_below(&root).into_iter().filter(|p| p.extension().is_some_and(|e| e == "dcm")).collect();
    assert_eq!(cases.len(), 138);
    for case in cases {
        let record = beside_good(&case, good.path());
        let name = case.file_name().unwrap().to_string_lossy().into_owned();
        let reason = record.reason.clone().unwrap_or_default();
        let harmless = HARMLESS.iter().chain(BAD_PIXELS).any(|h| name.starts_with(h));
        let refused = record.outcome == FileOutcome::Unreadable
            || reason.contains("not a DICOM file")
            || reason.contains("empty");
        assert_eq!(refused, !harmless, "{name}: {record:?}");
    }
}

#[test]
fn bad_pixels_cost_their_image_alone_shared_data() {
    let (Some(root), Some(series)) = (shared("hostile"), shared("dicom_reference/input/classic")) else { return };
    for case in files_below(&root) {
        let name = case.file_name().unwrap().to_string_lossy().into_owned();
        if !BAD_PIXELS.iter().any(|b| name.starts_with(b)) {
            continue;
        }
        // The cases were made from the first image, which therefore stays out.
        let mut inputs: Vec<PathBuf> = files_below(&series).into_iter().filter(|p| !p.ends_with("IM0001")).collect();
        inputs.push(case.clone());
        let found = intake(&inputs);
        let record = found.files.iter().find(|f| Path::new(&f.path) == case).unwrap();
        // Case e03 has no table before its one fragment, which then is taken for the table.
        assert_eq!(record.outcome, FileOutcome::Unreadable, "{name}: {record:?}");
        let [Found::Acquisition(a)] = found.found.as_slice() else { panic!("{name}: {:?}", found.found) };
        assert!(a.findings().iter().any(|f| f.code == "slice-incomplete"), "{name}: {:?}", a.findings());
    }
}

#[test]
fn the_third_party_corpus_is_survived_shared_data() {
    let Some(root) = shared("fuzz_pwnlab") else { return };
    if !confined("the_third_party_corpus_is_survived_shared_data") {
        return;
    }
    let good = good_series();
    let files = files_below(&root);
    assert!(files.len() > 300, "{}", files.len());
    for file in files {
        beside_good(&file, good.path());
    }
}

/// Numbers from a fixed seed (Marsaglia's xorshift64, J. Stat. Softw. 8(14), 2003).
struct Random(u64);

impl Random {
    fn below(&mut self, n: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 % n as u64) as usize
    }
}

/// Changes a few bytes, cuts, repeats or moves a piece.
fn mutate(bytes: &mut Vec<u8>, random: &mut Random) {
    for _ in 0..=random.below(4) {
        let (at, length) = (random.below(bytes.len()), random.below(64));
        let end = (at + length).min(bytes.len());
        match random.below(6) {
            0 => bytes[at] = random.below(256) as u8,
            1 => bytes[at] ^= 1 << random.below(8),
            2 => drop(bytes.drain(at..end)),
            3 => bytes.truncate(at.max(140)),
            4 => {
                let piece = bytes[at..end].to_vec();
                let to = random.below(bytes.len());
                bytes.splice(to..to, piece);
            }
            _ => {
                let word = [0u32, u32::MAX, 0x7FFF_FFFF, 0xFFFE, 65_535][random.below(5)].to_le_bytes();
                for (byte, value) in bytes.iter_mut().skip(at).zip(word) {
                    *byte = value;
                }
            }
        }
        if bytes.len() < 140 {
            bytes.resize(140, 0);
        }
    }
}

/// A folder of foreign files named by `SIDEROLOG_ODD_FILES`; `tests/outside/intake_odd_files.py` gives the one that
/// comes with pydicom.
#[test]
fn odd_files_of_others_are_survived() {
    let Some(root) = std::env::var_os("SIDEROLOG_ODD_FILES") else {
        println!("SKIPPED: run by tests/outside/intake_odd_files.py, which names the folder");
        return;
    };
    if !confined("odd_files_of_others_are_survived") {
        return;
    }
    let good = good_series();
    for file in files_below(Path::new(&root)) {
        let record = beside_good(&file, good.path());
        println!("{:?}  {}: {}", record.outcome, file.display(), record.reason.unwrap_or_default());
    }
}

#[test]
fn mutated_files_never_end_the_process() {
    if !confined("mutated_files_never_end_the_process") {
        return;
    }
    let compressed = ["generic/compressed_rle/001", "generic/compressed_j2k/001", "generic/compressed_jpeg/001"];
    let mut seeds: Vec<Vec<u8>> = vec![Mr::image(0, 0).file(), enhanced(&Mr::series(2, 3)).file()];
    for folder in compressed {
        let found = shared(&format!("dicom2nifti_vendor/{folder}")).and_then(|f| files_below(&f).into_iter().next());
        seeds.extend(found.and_then(|f| std::fs::read(f).ok()));
    }
    let limits = Limits { decoded_bytes: 64 << 20, ..Limits::default() };
    let mut random = Random(0x5EED_CAFE_F00D_0001);
    let begin = Instant::now();
    let (mut read, mut refused) = (0, 0);
    while begin.elapsed() < Duration::from_secs(3) {
        let mut bytes = seeds[random.below(seeds.len())].clone();
        mutate(&mut bytes, &mut random);
        match probe(bytes, &limits) {
            Ok(frames) if frames.iter().all(|f| f.pixels.is_ok()) => read += 1,
            _ => refused += 1,
        }
    }
    println!("{read} mutants read, {refused} refused");
    assert!(read > 0 && refused > 0);
}

#[test]
fn an_enhanced_object_holds_what_its_classic_images_held() {
    let mut images = Mr::series(3, 4);
    for (i, image) in images.iter_mut().enumerate() {
        *image = image.clone().text(0x0028_1052, b"DS", "3").text(0x0028_1053, b"DS", &format!("1.{}", i % 4));
    }
    let read = |images: &[Mr]| {
        let dir = folder(images);
        let mut found = intake(&[dir.path().to_path_buf()]);
        let Found::Acquisition(a) = found.found.remove(0) else { panic!("read") };
        a
    };
    let classic = read(&images);
    images.reverse();
    let enhanced = read(&[enhanced(&images)]);
    assert_eq!(classic.magnitude(), enhanced.magnitude());
    assert_eq!((classic.grid(), classic.echo_times()), (enhanced.grid(), enhanced.echo_times()));
    assert_eq!(enhanced.source().frames[1].frame, Some(11));
}
