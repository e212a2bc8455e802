//! The reading itself: files in, acquisitions and an account of every file out.

use super::build::{Shelf, build};
use super::decode::Owned;
use super::gather::{Candidate, gather};
use super::group::{Book, Ref, group, study_key};
use super::image::ImageFile;
use super::look::{Content, Image, look};
use super::outcome::{FileOutcome, FileRecord, Found, Intake, IntakeError, Request};
use crate::study::Digest;
use crate::study::text::safe;
use std::collections::{BTreeMap, BTreeSet};

/// Reads everything in the inputs. Only an input that does not exist is an error; whatever else is wrong is told
/// by the outcome of a file or the findings of an acquisition.
pub fn read(request: &Request<'_>) -> Result<Intake, IntakeError> {
    let candidates = gather(request)?;
    let contents = look(&candidates, request);
    let mut intake = Intake::default();
    let mut records: Vec<FileRecord> = candidates.iter().map(record).collect();
    let mut images: Vec<(usize, Box<Image>)> = Vec::new();
    for (index, content) in contents.into_iter().enumerate() {
        let mut set = |outcome, reason: &str| set(&mut records, index, outcome, reason);
        match content {
            Content::Image(image) => images.push((index, image)),
            Content::Region(region) => {
                set(FileOutcome::Ignored, "a region; not an image");
                intake.regions.push(region);
            }
            Content::Events(events) => {
                set(FileOutcome::Ignored, "course events; not an image");
                intake.events.push(events);
            }
            Content::Ignored(reason) => set(FileOutcome::Ignored, &reason),
            Content::Unreadable(reason) => set(FileOutcome::Unreadable, &reason),
        }
    }
    without_copies(&mut images, &mut records);
    let unreadable: Vec<(String, String)> = records
        .iter()
        .filter(|r| r.outcome == FileOutcome::Unreadable)
        .map(|r| (file_name(&r.path), r.reason.clone().unwrap_or_default()))
        .collect();
    let places: Vec<usize> = images.iter().map(|(index, _)| *index).collect();
    let owned: Vec<Owned<'_>> =
        images.iter().filter_map(|(index, image)| Some(Owned { candidate: candidates.get(*index)?, image })).collect();
    let files: Vec<&ImageFile> = owned.iter().map(|o| &o.image.file).collect();
    let book = Book::new(&files);
    let grouping = group(&files);
    let shared_studies = shared_studies(&files);
    let shelf = Shelf { files: &owned, book, unreadable: &unreadable, shared_studies: &shared_studies };
    let mut budget = request.limits.decoded_bytes;
    let mut fates = Fates::default();
    for draft in &grouping.drafts {
        let built = build(draft, &shelf, request, &mut budget);
        fates.take(&built.found, &built.used, &draft.frames);
        for (r, fault) in built.failed {
            fates.failed.entry(r.file).or_insert_with(|| fault.to_string());
        }
        intake.found.push(built.found);
    }
    for (file, &index) in places.iter().enumerate() {
        let (outcome, reason, acquisition) = fates.of(file, files.get(file).copied(), &grouping.single);
        if let Some(record) = records.get_mut(index) {
            (record.outcome, record.reason, record.acquisition) = (outcome, reason, acquisition);
        }
    }
    intake.found.sort_by(|a, b| sort_key(a).cmp(&sort_key(b)));
    intake.files = records;
    Ok(intake)
}

/// Studies whose images name more than one patient.
fn shared_studies(files: &[&ImageFile]) -> BTreeSet<String> {
    let keys: BTreeSet<_> = files.iter().map(|f| study_key(f)).collect();
    let mut seen = BTreeSet::new();
    keys.into_iter().map(|(.., study)| study).filter(|study| !seen.insert(study.clone())).collect()
}

fn record(candidate: &Candidate) -> FileRecord {
    let path = safe(&candidate.path.to_string_lossy(), 4096);
    FileRecord { path, outcome: FileOutcome::Ignored, reason: None, acquisition: None }
}

fn set(records: &mut [FileRecord], index: usize, outcome: FileOutcome, reason: &str) {
    if let Some(record) = records.get_mut(index) {
        record.outcome = outcome;
        record.reason = Some(safe(reason, 500));
    }
}

/// The last part of a path, as findings name a file.
fn file_name(path: &str) -> String {
    path.rsplit('/').next().unwrap_or(path).to_owned()
}

fn sort_key(found: &Found) -> (&str, Option<i64>, &Digest) {
    let header = found.header();
    (&header.study.uid, header.series.first().and_then(|s| s.number), &found.source().digest)
}

/// Copies of a file, byte for byte, count once.
fn without_copies(images: &mut Vec<(usize, Box<Image>)>, records: &mut [FileRecord]) {
    let mut seen: BTreeMap<Digest, String> = BTreeMap::new();
    images.retain(|(index, image)| {
        let name = records.get(*index).map(|r| file_name(&r.path)).unwrap_or_default();
        match seen.get(&image.digest) {
            Some(first) => {
                set(records, *index, FileOutcome::Ignored, &format!("an identical copy of {first}"));
                false
            }
            None => {
                seen.insert(image.digest.clone(), name);
                true
            }
        }
    });
}

/// What became of the image files.
#[derive(Default)]
struct Fates {
    used: BTreeMap<usize, Digest>,
    failed: BTreeMap<usize, String>,
    /// Part of an acquisition that cannot be used, or left out of one.
    left_out: BTreeMap<usize, Option<Digest>>,
}

impl Fates {
    fn take(&mut self, found: &Found, used: &[Ref], drafted: &[Ref]) {
        let digest = &found.source().digest;
        for r in used {
            self.used.entry(r.file).or_insert_with(|| digest.clone());
        }
        for r in drafted {
            self.left_out.entry(r.file).or_insert_with(|| Some(digest.clone()));
        }
    }

    fn of(
        &self,
        file: usize,
        image: Option<&ImageFile>,
        single: &[Ref],
    ) -> (FileOutcome, Option<String>, Option<Digest>) {
        if let Some(reason) = self.failed.get(&file) {
            let digest = self.used.get(&file).or_else(|| self.left_out.get(&file).and_then(Option::as_ref));
            return (FileOutcome::Unreadable, Some(reason.clone()), digest.cloned());
        }
        if let Some(digest) = self.used.get(&file) {
            return (FileOutcome::Used, None, Some(digest.clone()));
        }
        if let Some(digest) = self.left_out.get(&file) {
            let reason = "left out of its acquisition; the findings there say why";
            return (FileOutcome::Ignored, Some(reason.to_owned()), digest.clone());
        }
        let aside = image.and_then(|i| i.frames.iter().find_map(|f| f.set_aside.clone()));
        let reason = match aside {
            Some(reason) => reason,
            None if single.iter().any(|r| r.file == file) => {
                "one echo time only; a decay needs at least two".to_owned()
            }
            None => {
                let component = image.and_then(|i| i.frames.iter().find_map(|f| f.component));
                format!("a {} image that no acquisition needs", component.map_or("further", |c| c.word()))
            }
        };
        (FileOutcome::Ignored, Some(reason), None)
    }
}
