//! The second pass: the pixels of the frames an acquisition needs, decoded in parallel over files and frames.

use super::fault::Fault;
use super::gather::{Candidate, ReadError};
use super::group::Ref;
use super::limits::Limits;
use super::look::Image;
use super::object::{self, Object};
use super::outcome::Request;
use super::pixels::{self, Stored};
use crate::study::Digest;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// A file's image with where it came from.
pub struct Owned<'a> {
    /// Where its bytes are.
    pub candidate: &'a Candidate,
    /// What its header says.
    pub image: &'a Image,
}

/// Decoded frames.
pub type Pixels<'a> = BTreeMap<Ref, Result<Stored<'a>, Fault>>;

/// Decodes these frames. Frames beyond the budget of decoded bytes fail, in order, the same way at any thread count.
pub fn decode<'a>(frames: &[Ref], files: &'a [Owned<'a>], request: &Request<'_>, budget: &mut u64) -> Pixels<'a> {
    let mut wanted: BTreeMap<usize, Vec<Ref>> = BTreeMap::new();
    let mut out = Pixels::new();
    let mut sorted = frames.to_vec();
    sorted.sort_unstable();
    sorted.dedup();
    for r in sorted {
        // Four bytes a pixel once decoded.
        let bytes = files.get(r.file).map_or(0, |f| f.image.file.format.pixels() as u64 * 4);
        if bytes > *budget {
            let text = format!("beyond the limit of {} decoded bytes in one reading", request.limits.decoded_bytes);
            out.insert(r, Err(Fault::new("decoded-limit", text)));
            continue;
        }
        *budget -= bytes;
        wanted.entry(r.file).or_default().push(r);
    }
    let decoded: Vec<Vec<Decoded<'a>>> = wanted
        .into_par_iter()
        .map(|(file, frames)| match files.get(file) {
            Some(owned) => {
                request.announce.opening(&owned.candidate.path);
                let decoded = one_file(owned, frames, request.limits);
                request.announce.done(&owned.candidate.path);
                decoded
            }
            None => Vec::new(),
        })
        .collect();
    out.extend(decoded.into_iter().flatten());
    out
}

type Decoded<'a> = (Ref, Result<Stored<'a>, Fault>);

fn one_file<'a>(owned: &'a Owned<'a>, frames: Vec<Ref>, limits: &Limits) -> Vec<Decoded<'a>> {
    let file = &owned.image.file;
    let count = file.frames.len();
    if let Some(object) = &owned.image.object {
        let one = |r: Ref| (r, pixels::decode(object, &file.format, r.frame, count));
        return frames.into_par_iter().map(one).collect();
    }
    match reread_object(owned, limits) {
        Ok(object) => {
            let decode = |r: Ref| pixels::decode(&object, &file.format, r.frame, count).map(Stored::into_owned);
            frames.into_par_iter().map(|r| (r, decode(r))).collect()
        }
        Err(fault) => frames.into_iter().map(|r| (r, Err(fault.clone()))).collect(),
    }
}

/// A file that was not kept is read again; it must still be the same.
fn reread_object(owned: &Owned<'_>, limits: &Limits) -> Result<Object, Fault> {
    let bytes = owned.candidate.bytes(limits).map_err(|error| match error {
        ReadError::TooLong(_) => Fault::new("changed", "the file grew while it was read"),
        ReadError::Failed(text) => Fault::new("unreadable", text),
    })?;
    if Digest::of(&bytes) != owned.image.digest {
        return Err(Fault::new("changed", "the file changed while it was read"));
    }
    object::open(bytes, limits)
}
