//! Where an acquisition came from, and its header put together from its images'.

use super::build::Chosen;
use super::decode::Owned;
use super::group::{Book, Ref};
use crate::study::{Digest, Header, Seconds, SeriesFacts, Source, SourceFrame, SourceInstance};
use std::collections::BTreeMap;

/// Instances and frames, and the digest that names the acquisition.
pub fn source(chosen: &Chosen, used: &[Ref], files: &[Owned<'_>]) -> Source {
    let mut indices: Vec<usize> = used.iter().map(|r| r.file).collect();
    indices.sort_by_key(|&i| files.get(i).map(|f| (&f.image.file.uid, &f.image.digest)));
    indices.dedup();
    let instance = |&i: &usize| {
        let image = files.get(i)?.image;
        Some(SourceInstance {
            class_uid: image.file.class_uid.clone(),
            uid: image.file.uid.clone(),
            series_uid: image.file.series_uid.clone(),
            digest: image.digest.clone(),
        })
    };
    let instances: Vec<SourceInstance> = indices.iter().filter_map(instance).collect();
    let echoes = chosen.echo_times.len().max(1);
    let frame = |(i, r): (usize, &Ref)| {
        let number = files.get(r.file)?.image.file.frames.get(r.frame)?.number;
        let instance = indices.iter().position(|&index| index == r.file)?;
        Some(SourceFrame { slice: i / echoes, echo: i % echoes, instance, frame: number })
    };
    let frames = chosen.frames.iter().enumerate().filter_map(frame).collect();
    let parts = partial(chosen, files);
    let mut digests: Vec<&[u8]> = instances.iter().map(|i| i.digest.as_str().as_bytes()).collect();
    digests.sort_unstable();
    digests.extend(parts.iter().map(String::as_bytes));
    Source { digest: Digest::of_parts(digests), instances, frames }
}

/// Where a multi-frame file holds more magnitude frames than are used, which are: two acquisitions made of one
/// file must not have one name.
fn partial(chosen: &Chosen, files: &[Owned<'_>]) -> Vec<String> {
    let mut by_file: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for r in &chosen.frames {
        by_file.entry(r.file).or_default().push(r.frame);
    }
    let named = |(file, mut frames): (usize, Vec<usize>)| {
        let all = &files.get(file)?.image.file.frames;
        let component = all.get(*frames.first()?)?.component;
        let usable = all.iter().filter(|f| f.set_aside.is_none() && f.component == component).count();
        frames.sort_unstable();
        (usable > frames.len()).then(|| format!("frames {frames:?}"))
    };
    let mut out: Vec<String> = by_file.into_iter().filter_map(named).collect();
    out.sort();
    out
}

/// The first image's header, with all series and the time between echoes.
pub fn header(chosen: &Chosen, book: Book<'_>) -> Header {
    let first = chosen.frames.first().and_then(|&r| book.file(r));
    let mut header = first.map(|f| f.header.clone()).unwrap_or_default();
    let mut series: Vec<SeriesFacts> = Vec::new();
    for facts in chosen.frames.iter().filter_map(|&r| book.file(r)?.header.series.first()) {
        if !series.iter().any(|s| s.uid == facts.uid) {
            series.push(facts.clone());
        }
    }
    series.sort_by(|a, b| (a.number, &a.uid).cmp(&(b.number, &b.uid)));
    header.series = series;
    if let Some(frame) = chosen.frames.first().and_then(|&r| book.frame(r)) {
        header.intensity_normalised = frame.normalised;
    }
    header.sequence.echo_time_span = span(chosen, book).map(Seconds);
    header
}

/// The longest time between two echoes of one slice.
fn span(chosen: &Chosen, book: Book<'_>) -> Option<f64> {
    let of_slice = |frames: &[Ref]| -> Option<f64> {
        let times: Option<Vec<f64>> = frames.iter().map(|&r| book.frame(r)?.time).collect();
        let times = times?;
        let low = times.iter().copied().fold(f64::INFINITY, f64::min);
        let high = times.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        (high >= low).then_some(high - low)
    };
    let spans: Option<Vec<f64>> = chosen.frames.chunks(chosen.echo_times.len().max(1)).map(of_slice).collect();
    spans?.into_iter().reduce(f64::max)
}
