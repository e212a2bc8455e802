//! Reading and decoding a study of 300 images against a bare loop of dicom-rs over the same files in the same
//! run: `cargo bench --bench intake` (with `--features jpeg-ls` for the compressed study as well). The loop leaves what
//! intake leaves, every image's scaled values in memory, and fails above 1.3. A loop that drops each image once it is
//! decoded is printed beside it: most of what it saves is the time a system takes to give out 50 MB of memory.

use dicom_pixeldata::PixelDecoder as _;
use siderolog::intake::{Found, Limits, Request, read};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, Instant};

const SLICES: usize = 25;
const ECHOES: usize = 12;
const ROWS: u16 = 160;
const COLUMNS: u16 = 192;
const LIMIT: f64 = 1.3;

fn main() -> ExitCode {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let plain = write(&dir.path().join("plain"));
    let mut worst = compare("explicit little endian", &plain);
    if cfg!(feature = "jpeg-ls") {
        worst = worst.max(compare("JPEG-LS lossless", &compress(&plain, &dir.path().join("jpeg-ls"))));
    }
    if worst <= LIMIT { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

/// The best of several runs of each, taken in turn so that all see the same machine.
fn compare(name: &str, files: &[PathBuf]) -> f64 {
    const RUNS: u32 = 15;
    let runs: [(&str, &dyn Fn() -> u64); 3] = [
        ("bare loop", &|| kept(files).iter().map(|image| image.len() as u64).sum()),
        ("loop that keeps nothing", &|| dropped(files)),
        ("intake", &|| intake(files)),
    ];
    let mut best = [Duration::MAX; 3];
    // Processor time, which a busy machine does not stretch as it does the clock's.
    let mut work = [0.0; 3];
    for _ in 0..RUNS {
        for (k, (_, run)) in runs.iter().enumerate() {
            let before = processor_ms();
            best[k] = best[k].min(time(run));
            work[k] += (processor_ms() - before) / f64::from(RUNS);
        }
    }
    for (k, (what, _)) in runs.iter().enumerate() {
        println!("{name}: {what} {:.1} ms, processor time {:.1} ms", best[k].as_secs_f64() * 1e3, work[k]);
    }
    let over = |k: usize| best[2].as_secs_f64() / best[k].as_secs_f64();
    println!(
        "{name}: intake on {} threads over the bare loop on one {:.2} (limit {LIMIT}), over the loop that keeps nothing {:.2}",
        rayon::current_num_threads(),
        over(0),
        over(1)
    );
    over(0)
}

/// Processor time of this process so far, in ticks of 10 ms (Linux proc_pid_stat(5), fields 14 and 15).
fn processor_ms() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    // The program's name stands in brackets and may hold anything.
    let fields = stat.rsplit(')').next().unwrap_or_default().split_whitespace();
    fields.skip(11).take(2).filter_map(|ticks| ticks.parse::<f64>().ok()).sum::<f64>() * 10.0
}

fn time(run: &dyn Fn() -> u64) -> Duration {
    let begin = Instant::now();
    std::hint::black_box(run());
    begin.elapsed()
}

/// Opens, decodes and scales each file on one thread, with nothing checked or sorted.
fn kept(files: &[PathBuf]) -> Vec<Vec<f32>> {
    let one = |file: &PathBuf| {
        let object = dicom_object::open_file(file).expect("readable");
        object.decode_pixel_data().expect("decodable").to_vec::<f32>().expect("numbers")
    };
    files.iter().map(one).collect()
}

/// Opens and decodes each file on one thread and looks at every byte once, no more.
fn dropped(files: &[PathBuf]) -> u64 {
    let mut sum = 0u64;
    for file in files {
        let object = dicom_object::open_file(file).expect("readable");
        let pixels = object.decode_pixel_data().expect("decodable");
        sum += pixels.data().chunks_exact(2).map(|c| u64::from(u16::from_le_bytes([c[0], c[1]]))).sum::<u64>();
    }
    sum
}

fn intake(files: &[PathBuf]) -> u64 {
    let limits = Limits::default();
    let found =
        read(&Request { inputs: files, limits: &limits, set_aside: &BTreeMap::new(), announce: &() }).expect("inputs");
    match found.found.as_slice() {
        [Found::Acquisition(a)] => {
            assert_eq!(a.magnitude().dim(), (ECHOES, SLICES * usize::from(ROWS) * usize::from(COLUMNS)));
            a.magnitude().len() as u64
        }
        other => panic!("{} acquisitions", other.len()),
    }
}

/// Writes the study with dicom-rs.
fn write(dir: &Path) -> Vec<PathBuf> {
    use dicom_core::{DataElement, PrimitiveValue, VR};
    use dicom_dictionary_std::tags;
    use dicom_object::{FileMetaTableBuilder, InMemDicomObject};
    std::fs::create_dir_all(dir).expect("writable");
    let mut out = Vec::new();
    for index in 0..SLICES * ECHOES {
        let (slice, echo) = (index / ECHOES, index % ECHOES);
        let text = |tag, vr, value: String| DataElement::new(tag, vr, PrimitiveValue::from(value));
        let short = |tag, value: u16| DataElement::new(tag, VR::US, PrimitiveValue::from(value));
        let uid = format!("1.2.3.4.{}", index + 1);
        let mut state = index as u32 + 1;
        let pixels: Vec<u16> = (0..usize::from(ROWS) * usize::from(COLUMNS))
            .map(|i| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let signal = 1500.0 * (-0.15 * (echo + 1) as f64).exp() * (1.0 + 0.3 * (i as f64 / 900.0).sin());
                signal as u16 + (state >> 27) as u16
            })
            .collect();
        let object = InMemDicomObject::from_element_iter([
            text(tags::IMAGE_TYPE, VR::CS, "ORIGINAL\\PRIMARY\\M".into()),
            text(tags::SOP_CLASS_UID, VR::UI, "1.2.840.10008.5.1.4.1.1.4".into()),
            text(tags::SOP_INSTANCE_UID, VR::UI, uid.clone()),
            text(tags::PATIENT_ID, VR::LO, "P1".into()),
            text(tags::SCANNING_SEQUENCE, VR::CS, "GR".into()),
            text(tags::ECHO_TIME, VR::DS, format!("{:.2}", 1.0 + 1.05 * echo as f64)),
            text(tags::STUDY_INSTANCE_UID, VR::UI, "1.2.3".into()),
            text(tags::SERIES_INSTANCE_UID, VR::UI, "1.2.3.1".into()),
            text(tags::IMAGE_POSITION_PATIENT, VR::DS, format!("0\\0\\{}", 8 * slice)),
            text(tags::IMAGE_ORIENTATION_PATIENT, VR::DS, "1\\0\\0\\0\\1\\0".into()),
            text(tags::PHOTOMETRIC_INTERPRETATION, VR::CS, "MONOCHROME2".into()),
            text(tags::PIXEL_SPACING, VR::DS, "2\\2".into()),
            short(tags::SAMPLES_PER_PIXEL, 1),
            short(tags::ROWS, ROWS),
            short(tags::COLUMNS, COLUMNS),
            short(tags::BITS_ALLOCATED, 16),
            short(tags::BITS_STORED, 12),
            short(tags::HIGH_BIT, 11),
            short(tags::PIXEL_REPRESENTATION, 0),
            DataElement::new(tags::PIXEL_DATA, VR::OW, PrimitiveValue::U16(pixels.into())),
        ]);
        let meta = FileMetaTableBuilder::new()
            .transfer_syntax("1.2.840.10008.1.2.1")
            .media_storage_sop_class_uid("1.2.840.10008.5.1.4.1.1.4")
            .media_storage_sop_instance_uid(uid);
        let path = dir.join(index.to_string());
        object.with_meta(meta).expect("complete").write_to_file(&path).expect("writable");
        out.push(path);
    }
    out
}

/// The same study in JPEG-LS.
fn compress(files: &[PathBuf], dir: &Path) -> Vec<PathBuf> {
    use dicom_encoding::transfer_syntax::TransferSyntaxIndex as _;
    use dicom_pixeldata::Transcode as _;
    std::fs::create_dir_all(dir).expect("writable");
    let syntax = dicom_transfer_syntax_registry::TransferSyntaxRegistry.get("1.2.840.10008.1.2.4.80").expect("known");
    let one = |file: &PathBuf| {
        let mut object = dicom_object::open_file(file).expect("readable");
        object.transcode(syntax).expect("encodable");
        let path = dir.join(file.file_name().expect("a name"));
        object.write_to_file(&path).expect("writable");
        path
    };
    files.iter().map(one).collect()
}
