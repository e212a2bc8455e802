//! The first pass: what each file is and what its header says.

use super::fault::Fault;
use super::gather::{Candidate, HEAD, Place, ReadError};
use super::image::{self, ImageFile, Kind};
use super::limits::Limits;
use super::object::{self, Object};
use super::outcome::{EventsFile, RegionFile, RegionFileKind, Request};
use crate::study::Digest;
use rayon::prelude::*;
use std::sync::atomic::{AtomicU64, Ordering};

/// Begins the line by which a YAML file beside the images is known as course events: the key that
/// the reader of such files requires.
const EVENTS_KEY: &str = "course_events:";

/// What a file turned out to be.
pub enum Content {
    /// An MR image.
    Image(Box<Image>),
    /// A region.
    Region(RegionFile),
    /// Course events.
    Events(EventsFile),
    /// Of no use here.
    Ignored(String),
    /// Cannot be read.
    Unreadable(String),
}

/// An MR image file.
pub struct Image {
    /// What its header says.
    pub file: ImageFile,
    /// Digest of the file.
    pub digest: Digest,
    /// Its content, where the budget allowed keeping it.
    pub object: Option<Object>,
}

/// Looks at every candidate, in parallel; the result keeps their order.
pub fn look(candidates: &[Candidate], request: &Request<'_>) -> Vec<Content> {
    let kept = AtomicU64::new(0);
    candidates
        .par_iter()
        .map(|candidate| {
            if let Place::Closed { reason, bad } = &candidate.place {
                return if *bad { Content::Unreadable(reason.clone()) } else { Content::Ignored(reason.clone()) };
            }
            request.announce.opening(&candidate.path);
            let content = guarded(|| one(candidate, request.limits, &kept));
            request.announce.done(&candidate.path);
            content
        })
        .collect()
}

/// A mistake of this program costs the file that shows it, not the study.
fn guarded(look: impl FnOnce() -> Content) -> Content {
    std::panic::catch_unwind(std::panic::AssertUnwindSafe(look))
        .unwrap_or_else(|_| Content::Unreadable("the program failed while reading this file".to_owned()))
}

fn one(candidate: &Candidate, limits: &Limits, kept: &AtomicU64) -> Content {
    let head = match candidate.head() {
        Ok(head) => head,
        Err(error) => return failed(error),
    };
    if head.is_empty() {
        return Content::Ignored("an empty file".to_owned());
    }
    let name = candidate.path.file_name().map(|n| n.to_string_lossy().to_ascii_lowercase()).unwrap_or_default();
    // A small file has been read whole by now.
    let whole = |head: Vec<u8>| if (head.len() as u64) < HEAD { Ok(head) } else { candidate.bytes(limits) };
    if object::looks_like_dicom(&head) {
        if head.len() as u64 > limits.file_bytes {
            return failed(ReadError::TooLong(limits.file_bytes));
        }
        return match whole(head) {
            Ok(bytes) => dicom(candidate, bytes, limits, kept),
            Err(error) => failed(error),
        };
    }
    let nifti = name.ends_with(".nii") || name.ends_with(".nii.gz");
    let yaml = name.ends_with(".yaml") || name.ends_with(".yml");
    if !nifti && !yaml {
        return Content::Ignored("not a DICOM file".to_owned());
    }
    let bytes = match whole(head) {
        Ok(bytes) => bytes,
        Err(error) => return failed(error),
    };
    if nifti {
        return Content::Region(RegionFile { path: candidate.path.clone(), bytes, kind: RegionFileKind::Nifti });
    }
    match String::from_utf8(bytes) {
        Ok(text) if text.len() <= limits.text_bytes && text.lines().any(|l| l.starts_with(EVENTS_KEY)) => {
            Content::Events(EventsFile { path: candidate.path.clone(), text })
        }
        _ => Content::Ignored("not a DICOM file".to_owned()),
    }
}

fn failed(error: ReadError) -> Content {
    match error {
        ReadError::TooLong(limit) => Content::Unreadable(format!("longer than the limit of {limit} bytes")),
        ReadError::Failed(text) => Content::Unreadable(format!("cannot be read: {text}")),
    }
}

fn dicom(candidate: &Candidate, bytes: Vec<u8>, limits: &Limits, kept: &AtomicU64) -> Content {
    let digest = Digest::of(&bytes);
    let length = bytes.len() as u64;
    let object = match object::open(bytes, limits) {
        Ok(object) => object,
        Err(fault) => return Content::Unreadable(fault.to_string()),
    };
    let kind = match class(&object) {
        Ok(class) => Kind::of(&class),
        Err(fault) => return Content::Unreadable(fault.to_string()),
    };
    let multi_frame = match kind {
        Kind::Image { multi_frame } => multi_frame,
        Kind::Segmentation => {
            return match candidate.bytes(limits) {
                Ok(bytes) => {
                    Content::Region(RegionFile { path: candidate.path.clone(), bytes, kind: RegionFileKind::Seg })
                }
                Err(error) => failed(error),
            };
        }
        Kind::Directory => return Content::Ignored(directory(&object)),
        Kind::Other(what) => return Content::Ignored(what),
    };
    match image::read(&object, multi_frame, limits) {
        Ok(file) => {
            let keep = kept.fetch_add(length, Ordering::Relaxed) + length <= limits.kept_bytes;
            Content::Image(Box::new(Image { file, digest, object: keep.then_some(object) }))
        }
        Err(fault) => Content::Unreadable(fault.to_string()),
    }
}

/// The SOP class: the data set's, which the file meta group must not contradict.
fn class(object: &Object) -> Result<String, Fault> {
    const CLASS: u32 = 0x0008_0016;
    let top = object.set.root();
    // A media directory has none in its data set.
    match (top.uid(CLASS)?, object.meta_class.clone()) {
        (Some(class), Some(meta)) if class != meta => {
            Err(Fault::value("class-mismatch", CLASS, &format!("{meta} as in the file meta group"), &class))
        }
        (Some(class), _) => Ok(class),
        (None, Some(meta)) => Ok(meta),
        (None, None) => Err(Fault::new("missing-uid", "no SOP class is given").tag(CLASS)),
    }
}

fn directory(object: &Object) -> String {
    let records = object.set.root().items(0x0004_1220).filter(|r| r.has(0x0004_1500)).count();
    format!("a media directory naming {records} files; the files found count, not the list")
}
