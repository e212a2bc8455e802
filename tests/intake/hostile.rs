//! Broken and malicious files beside a good series: nothing panics, nothing takes long, the good series is still
//! reported, and each bad file is named with a reason.

use super::files::{Mr, enhanced, folder, intake, shared};
use super::properties::{any_bytes, differential, round_trip};
use siderolog::intake::{FileOutcome, FileRecord, Found};
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

/// Small files to change: plain ones, and packed ones where the shared folder has them.
fn seeds() -> Vec<Vec<u8>> {
    let compressed = ["generic/compressed_rle/001", "generic/compressed_j2k/001", "generic/compressed_jpeg/001"];
    let mut seeds: Vec<Vec<u8>> = vec![Mr::image(0, 0).file(), enhanced(&Mr::series(2, 3)).file()];
    for folder in compressed {
        let found = shared(&format!("dicom2nifti_vendor/{folder}")).and_then(|f| files_below(&f).into_iter().next());
        seeds.extend(found.and_then(|f| std::fs::read(f).ok()));
    }
    seeds
}

/// Counts what was read and what was refused; a test in which nothing was either proves nothing.
#[derive(Default)]
struct Count {
    read: usize,
    refused: usize,
}

impl Count {
    fn probe(&mut self, bytes: &[u8]) {
        if any_bytes(bytes) { self.read += 1 } else { self.refused += 1 }
    }
    fn said(self, what: &str) {
        println!("{what}: {} read, {} refused", self.read, self.refused);
        assert!(self.read > 0 && self.refused > 0, "{what}");
    }
}

/// A short run of what the fuzz targets do for hours, the same in every run.
#[test]
fn mutated_files_never_end_the_process() {
    if !confined("mutated_files_never_end_the_process") {
        return;
    }
    let seeds = seeds();
    let mut random = Random(0x5EED_CAFE_F00D_0001);
    let begin = Instant::now();
    let mut count = Count::default();
    while begin.elapsed() < Duration::from_millis(1500) {
        let mut bytes = seeds[random.below(seeds.len())].clone();
        mutate(&mut bytes, &mut random);
        count.probe(&bytes);
    }
    count.said("mutants");
}

/// Every byte of the header turned over, alone.
#[test]
fn a_single_wrong_byte_never_ends_the_process() {
    if !confined("a_single_wrong_byte_never_ends_the_process") {
        return;
    }
    let mut count = Count::default();
    for seed in [Mr::image(0, 0).file(), enhanced(&Mr::series(1, 2)).file()] {
        for at in 128..seed.len() {
            for change in [0x01, 0x80, 0xFF] {
                let mut bytes = seed.clone();
                bytes[at] ^= change;
                count.probe(&bytes);
            }
        }
    }
    count.said("single bytes");
}

/// Cut at every byte: a copy that was broken off anywhere.
#[test]
fn a_file_cut_anywhere_is_refused_with_a_reason() {
    if !confined("a_file_cut_anywhere_is_refused_with_a_reason") {
        return;
    }
    for seed in seeds() {
        assert!(any_bytes(&seed));
        // Packed files are long; the headers of all are cut at every byte, the rest here and there.
        let cuts = (0..seed.len().min(2048)).chain((2048..seed.len()).step_by(997));
        for cut in cuts {
            assert!(!any_bytes(&seed[..cut]), "cut at {cut} of {}", seed.len());
        }
    }
}

/// Where the length fields of an explicit little-endian data set lie, and how wide each is; sequences entered.
fn lengths(bytes: &[u8]) -> Vec<(usize, usize)> {
    let mut out = Vec::new();
    let mut at = 132;
    while at + 8 <= bytes.len() {
        let item = bytes[at..at + 2] == [0xFE, 0xFF];
        let long = item || matches!(&bytes[at + 4..at + 6], b"OB" | b"OW" | b"SQ" | b"UN" | b"UT");
        let (field, width) = match (item, long) {
            (true, _) => (at + 4, 4),
            (_, true) => (at + 8, 4),
            _ => (at + 6, 2),
        };
        let Some(value) = bytes.get(field..field + width) else { break };
        let length = value.iter().rev().fold(0usize, |n, b| n << 8 | usize::from(*b));
        out.push((field, width));
        let enters = item || &bytes[at + 4..at + 6] == b"SQ";
        at = field + width + if enters { 0 } else { length };
    }
    out
}

/// Every declared length told wrong: a byte or two off, nothing, everything, without end.
#[test]
fn a_length_that_lies_never_ends_the_process() {
    if !confined("a_length_that_lies_never_ends_the_process") {
        return;
    }
    let mut count = Count::default();
    for seed in [Mr::image(0, 0).file(), enhanced(&Mr::series(2, 3)).file()] {
        let fields = lengths(&seed);
        assert!(fields.len() > 30);
        for (field, width) in fields {
            let true_length = seed[field..field + width].iter().rev().fold(0u64, |n, b| n << 8 | u64::from(*b));
            let left = (seed.len() - field - width) as u64;
            let near = [1, 2, 4, 8].into_iter().flat_map(|d| [true_length.wrapping_sub(d), true_length + d]);
            let far = [0, 1, left, left + 1, 0xFFFE, 0xFFFF, 0x7FFF_FFFF, 0xFFFF_FFFE, 0xFFFF_FFFF];
            for length in near.chain(far) {
                let mut bytes = seed.clone();
                bytes[field..field + width].copy_from_slice(&length.to_le_bytes()[..width]);
                count.probe(&bytes);
            }
        }
    }
    count.said("lengths");
}

/// Bytes to choose by, the same in every run.
fn choices(random: &mut Random) -> Vec<u8> {
    (0..64).map(|_| random.below(256) as u8).collect()
}

#[test]
fn what_is_written_is_read() {
    let mut random = Random(0x5EED_CAFE_F00D_0002);
    for _ in 0..400 {
        round_trip(&choices(&mut random));
    }
    round_trip(&[]);
}

#[test]
fn classic_and_enhanced_read_alike_whatever_they_hold() {
    let mut random = Random(0x5EED_CAFE_F00D_0003);
    for _ in 0..120 {
        differential(&choices(&mut random));
    }
    differential(&[]);
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
