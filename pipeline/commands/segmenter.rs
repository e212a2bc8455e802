//! The child's side of a site's own segmenter: fills a folder with the images, has the parent run the segmenter on it,
//! and takes what lies there then as it would take a region delivered beside the series.

use super::region::Segment;
use crate::daemon::job::{Job, SEGMENTER_FOLDER, Segmented};
use crate::daemon::segmenter::Segmenter;
use crate::daemon::voice;
use crate::fit::Survey;
use crate::intake::{FileRecord, durable, foreign};
use crate::protocol::RegionLimits;
use crate::report::interop::nifti;
use crate::roi::{self, Region, RegionFormat, SuppliedFile};
use crate::study::{Acquisition, Finding, Seconds, Severity, SourceFrame, SourceInstance, Stage, Vector};
use serde::Serialize;
use std::cell::RefCell;
use std::fs::{self, DirBuilder, File};
use std::io::{self, BufRead, BufWriter, Read as _, Write as _};
use std::os::unix::fs::DirBuilderExt as _;
use std::path::{Path, PathBuf};

/// The images: one volume an echo, in order of echo time.
const IMAGES: &str = "magnitude.nii.gz";
/// What they are.
const REQUEST: &str = "request.json";
/// What an answer may be called.
const ANSWERS: [(&str, RegionFormat); 3] =
    [("liver.nii.gz", RegionFormat::Nifti), ("liver.nii", RegionFormat::Nifti), ("liver.dcm", RegionFormat::Seg)];

/// `request.json`. The folder is for the segmenter alone: it holds identifiers, and is removed once it has answered.
#[derive(Serialize)]
struct Request<'a> {
    schema_version: u32,
    /// The file with the images.
    images: &'static str,
    /// Columns, rows, slices, echoes: the axes of the images.
    shape: [usize; 4],
    /// Along the first three axes; the step from slice to slice, or the thickness of a single one, where known.
    spacing_mm: [Option<f64>; 3],
    echo_times_ms: Vec<f64>,
    field_strength_t: Option<f64>,
    patient_position: Option<&'a str>,
    answer: Wanted,
    dicom: Identity<'a>,
}

/// What is expected.
#[derive(Serialize)]
struct Wanted {
    /// Exactly one of these.
    one_of: [&'static str; 3],
    largest_bytes: u64,
}

/// What a DICOM Segmentation must name to be taken for this acquisition's.
#[derive(Serialize)]
struct Identity<'a> {
    patient_id: Option<&'a str>,
    study_uid: &'a str,
    frame_of_reference_uid: Option<&'a str>,
    /// Direction along a row, then along a column.
    image_orientation_patient: [Vector; 2],
    /// Of each slice, in the order of the images.
    image_positions_patient: &'a [Vector],
    instances: &'a [SourceInstance],
    /// Which image is from which instance, each counted from 0; frames of an instance from 1.
    frames: &'a [SourceFrame],
    /// The files themselves, where they lie outside archives.
    files: Vec<PathBuf>,
}

/// Asks the segmenter for one region after the other.
pub struct Asker<'a> {
    segmenter: &'a Segmenter,
    folder: PathBuf,
    /// What became of every file of the delivery.
    files: &'a [FileRecord],
    /// Largest file that may be written here, bytes.
    largest: u64,
    from_parent: RefCell<&'a mut dyn BufRead>,
}

impl<'a> Asker<'a> {
    /// For one job.
    pub fn new(segmenter: &'a Segmenter, job: &Job, files: &'a [FileRecord], from_parent: &'a mut dyn BufRead) -> Self {
        let folder = job.out.path().join(SEGMENTER_FOLDER);
        let largest = job.limits.output_mb.saturating_mul(1 << 20);
        Self { segmenter, folder, files, largest, from_parent: RefCell::new(from_parent) }
    }

    /// Removes the folder, if it is there.
    pub fn clear(&self) -> io::Result<()> {
        match durable::remove_dir(&self.folder) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
            other => other,
        }
    }

    /// The answer's name, kind and bytes, or what went wrong, as the rest of a sentence about the segmenter.
    fn ask(&self, acquisition: &Acquisition) -> Result<(&'static str, RegionFormat, Vec<u8>), String> {
        let bytes = acquisition.magnitude().len() as u64 * 4;
        // Compressed noise may be a little larger than plain.
        if bytes > self.largest / 16 * 15 {
            return Err("was not asked: the images are larger than a file that may be written here".to_owned());
        }
        self.write(acquisition).map_err(|error| format!("was not asked: its folder cannot be written: {error}"))?;
        let mut from_parent = self.from_parent.borrow_mut();
        match voice::ask_segmenter(&mut **from_parent) {
            Ok(Segmented::Ended) => answer(&self.folder, self.segmenter.answer_mb << 20),
            Ok(Segmented::Failed { how }) => Err(how),
            Err(error) => Err(format!("could not be run: {error}")),
        }
    }

    fn write(&self, acquisition: &Acquisition) -> io::Result<()> {
        self.clear()?;
        DirBuilder::new().mode(0o700).create(&self.folder)?;
        let (grid, header, source) = (acquisition.grid(), acquisition.header(), acquisition.source());
        let echoes = acquisition.echo_times().len();
        let step = grid.slice_step();
        let magnitude = acquisition.magnitude();
        let images = BufWriter::new(File::create(self.folder.join(IMAGES))?);
        nifti::write_floats(images, grid, echoes, magnitude.iter().copied())?.flush()?;
        let used = self.files.iter().filter(|file| file.acquisition.as_ref() == Some(&source.digest));
        let whole = used.filter_map(|file| std::path::absolute(&file.path).ok()).filter(|path| path.is_file());
        let request = Request {
            schema_version: 1,
            images: IMAGES,
            shape: [grid.columns(), grid.rows(), grid.slices(), echoes],
            spacing_mm: [Some(grid.column_spacing().0), Some(grid.row_spacing().0), step.map(|mm| mm.0)],
            echo_times_ms: acquisition.echo_times().iter().map(|time: &Seconds| time.as_millis()).collect(),
            field_strength_t: header.scanner.field_strength.map(|tesla| tesla.0),
            patient_position: header.patient_position.as_deref(),
            answer: Wanted { one_of: ANSWERS.map(|(name, _)| name), largest_bytes: self.segmenter.answer_mb << 20 },
            dicom: Identity {
                patient_id: header.patient.id.as_deref(),
                study_uid: &header.study.uid,
                frame_of_reference_uid: grid.frame_of_reference(),
                image_orientation_patient: [grid.along_row(), grid.along_column()],
                image_positions_patient: grid.positions(),
                instances: &source.instances,
                frames: &source.frames,
                files: whole.collect(),
            },
        };
        fs::write(self.folder.join(REQUEST), serde_json::to_vec_pretty(&request)?)
    }

    fn failed(&self, how: &str) -> Finding {
        Finding::new(
            Stage::Roi,
            Severity::Warn,
            "segmenter-failed",
            format!("The site's segmenter {} {how}; the liver was searched for instead.", self.segmenter.name),
        )
        .attribute("answer of the site's segmenter")
        .expected(format!("one of {}, of at most {} MiB", names(&ANSWERS), self.segmenter.answer_mb))
        .found(how)
        .advice(
            "Judge the region that was found instead, and have the segmenter looked at; run.json says what it printed.",
        )
    }
}

impl Segment for Asker<'_> {
    /// The region as the segmenter drew it, or why there is none. Its folder is gone afterwards.
    fn region(&self, acquisition: &Acquisition, survey: &Survey, limits: &RegionLimits) -> Result<Region, Finding> {
        let answer = self.ask(acquisition);
        // What could not be removed now is tried again at the end, and then it is an error.
        let _ = self.clear();
        let (name, format, bytes) = answer.map_err(|why| self.failed(&why))?;
        let file = SuppliedFile { name, format, bytes: &bytes };
        let own = &self.segmenter.name;
        roi::segmented(acquisition, survey, limits, &file, own).map_err(|finding| {
            let message = format!("{} It is the answer of the site's segmenter {own}.", finding.message);
            Finding { message, ..finding }
                .attribute("answer of the site's segmenter")
                .advice("Judge the region that was found instead, and have the segmenter looked at.")
        })
    }
}

fn names(answers: &[(&'static str, RegionFormat)]) -> String {
    let names: Vec<&str> = answers.iter().map(|(name, _)| *name).collect();
    names.join(", ")
}

/// The one answer in the folder. No link is followed, and nothing is read that is larger than it may be.
fn answer(folder: &Path, largest: u64) -> Result<(&'static str, RegionFormat, Vec<u8>), String> {
    let there: Vec<_> = ANSWERS.into_iter().filter(|(name, _)| folder.join(name).symlink_metadata().is_ok()).collect();
    let [(name, format)] = there.as_slice() else {
        return Err(if there.is_empty() {
            "left no answer".to_owned()
        } else {
            format!("left more than one answer: {}", names(&there))
        });
    };
    let unreadable = |error: io::Error| format!("left an answer that cannot be read: {name}: {error}");
    let file = foreign::open_below(folder, Path::new(name)).map_err(unreadable)?;
    let mut bytes = Vec::new();
    file.take(largest + 1).read_to_end(&mut bytes).map_err(unreadable)?;
    if bytes.len() as u64 > largest {
        return Err(format!("left an answer that is larger than {} MiB: {name}", largest >> 20));
    }
    Ok((name, *format, bytes))
}
