//! From a draft to an acquisition: pixels decoded and scaled, what is missing dropped and named.

use super::complex;
use super::consistency;
use super::decode::{Owned, Pixels, decode};
use super::fault::Fault;
use super::group::{Book, Cells, Draft, Ref, cells};
use super::outcome::{Found, Request, Unreadable};
use super::pixels::Stored;
use super::rectangle;
use super::scaling::{self, Mode};
use super::source;
use super::vendor;
use crate::study::{Acquisition, AcquisitionParts, Finding, Grid, GridParts, Header, Seconds, Severity, Source, Stage};
use ndarray::Array2;
use rayon::prelude::*;
use std::collections::BTreeSet;

/// Everything the first pass found.
pub struct Shelf<'a> {
    /// The image files.
    pub files: &'a [Owned<'a>],
    /// Their frames.
    pub book: Book<'a>,
    /// Files that could not be read: name and reason.
    pub unreadable: &'a [(String, String)],
    /// Studies that hold images of more than one patient.
    pub shared_studies: &'a BTreeSet<String>,
}

/// What became of a draft.
pub struct Built {
    /// The acquisition.
    pub found: Found,
    /// Frames that are part of it.
    pub used: Vec<Ref>,
    /// Frames that are not, and why.
    pub failed: Vec<(Ref, Fault)>,
}

/// The chosen frame of each slice and echo, after dropping what is incomplete.
pub struct Chosen {
    /// Slice-major.
    pub frames: Vec<Ref>,
    /// Echo times in ms.
    pub echo_times: Vec<f64>,
    /// Number of slices.
    pub slices: usize,
}

impl Chosen {
    /// The frame of a slice and echo.
    pub fn at(&self, slice: usize, echo: usize) -> Option<Ref> {
        self.frames.get(slice * self.echo_times.len() + echo).copied()
    }
}

/// Builds one acquisition.
pub fn build(draft: &Draft, shelf: &Shelf<'_>, request: &Request<'_>, budget: &mut u64) -> Built {
    let (files, book) = (shelf.files, shelf.book);
    let cells = cells(&draft.frames, book);
    let mut findings = consistency::before_pixels(draft, shelf);
    let scales: Vec<_> = draft.frames.iter().filter_map(|&r| book.frame(r)).map(|f| &f.scale).collect();
    let maker = draft.frames.first().and_then(|&r| book.file(r)).and_then(|f| f.header.scanner.manufacturer.as_deref());
    let mode = scaling::decide(&scales, vendor::philips::made_by(maker));
    let seconds = consistency::echo_times_in_seconds(&cells.echo_times);
    let blocked: Vec<Finding> = mode.as_ref().err().cloned().into_iter().chain(seconds).collect();
    let (Ok(mode), true) = (mode, blocked.is_empty()) else {
        findings.extend(blocked);
        return unreadable(draft, &cells, files, book, findings, Vec::new());
    };
    let parts = complex::parts(draft, &cells, book);
    let wanted: Vec<Ref> = draft.frames.iter().copied().chain(parts.frames()).collect();
    let pixels = decode(&wanted, files, request, budget);
    let failed: Vec<(Ref, Fault)> =
        pixels.iter().filter_map(|(r, p)| p.as_ref().err().map(|f| (*r, f.clone()))).collect();
    let (chosen, kept) = choose(&cells, &pixels, &mut findings);
    if chosen.slices == 0 || chosen.echo_times.len() < 2 {
        findings.push(consistency::nothing_left(&draft.frames, &failed, &cells, book));
        return unreadable(draft, &cells, files, book, findings, failed);
    }
    findings.extend(consistency::dropped(&cells, &kept, &failed, book));
    let grid = match grid(&chosen, book) {
        Ok(grid) => grid,
        Err(error) => {
            let text = format!("The images do not form a grid: {error}.");
            findings.push(Finding::new(Stage::Intake, Severity::Stop, "no-grid", text));
            return unreadable(draft, &cells, files, book, findings, failed);
        }
    };
    let complex = complex::images(&parts, &chosen, &cells, &pixels, mode, book);
    let used_complex: Vec<Ref> = if complex.images.is_some() { parts.frames().collect() } else { Vec::new() };
    findings.extend(complex.findings);
    let (magnitude, seen) = match (draft.from_complex, &complex.images) {
        (false, _) => scaled(&chosen, &pixels, mode, book),
        (true, Some(images)) => (complex::modulus(images), seen(&chosen, &pixels, book)),
        (true, None) => {
            let text = "Only real images can be used, without imaginary ones; magnitude cannot be formed.";
            findings.push(Finding::new(Stage::Intake, Severity::Stop, "no-magnitude", text));
            return unreadable(draft, &cells, files, book, findings, failed);
        }
    };
    let flaws = consistency::flaws(&chosen, &pixels, &seen, &grid, book, &mut findings);
    findings.extend(consistency::of_images(&magnitude, &chosen, &seen));
    let used: Vec<Ref> = chosen.frames.iter().copied().chain(used_complex).collect();
    let header = source::header(&chosen, book);
    findings.extend(consistency::of_headers(&chosen, &grid, book));
    consistency::unreadable_files(&mut findings, shelf.unreadable);
    let source = source::source(&chosen, &used, files);
    let echo_times = chosen.echo_times.iter().map(|&t| Seconds::from_millis(t)).collect();
    let scaling = mode.word().to_owned();
    let parts = AcquisitionParts {
        grid,
        echo_times,
        magnitude,
        complex: complex.images,
        flaws,
        header,
        source,
        scaling,
        findings: Vec::new(),
    };
    finish(parts, findings, used, failed)
}

/// Checks the invariants once more, by the type that holds them.
fn finish(mut parts: AcquisitionParts, findings: Vec<Finding>, used: Vec<Ref>, failed: Vec<(Ref, Fault)>) -> Built {
    let (header, source, grid) = (parts.header.clone(), parts.source.clone(), parts.grid.clone());
    let echo_times = parts.echo_times.clone();
    parts.findings.clone_from(&findings);
    let found = match Acquisition::assemble(parts) {
        Ok(acquisition) => Found::Acquisition(Box::new(acquisition)),
        Err(error) => {
            let mut findings = findings;
            let text = format!("The images cannot be put together: {error}.");
            findings.push(Finding::new(Stage::Intake, Severity::Stop, "images-unusable", text));
            Found::Unreadable(Box::new(Unreadable { header, source, grid: Some(grid), echo_times, findings }))
        }
    };
    Built { found, used, failed }
}

/// An acquisition that the headers tell and whose images cannot be used.
fn unreadable(
    draft: &Draft,
    cells: &Cells,
    files: &[Owned<'_>],
    book: Book<'_>,
    findings: Vec<Finding>,
    failed: Vec<(Ref, Fault)>,
) -> Built {
    let chosen = Chosen {
        frames: cells.cells.iter().filter_map(|c| c.first().copied()).collect(),
        echo_times: cells.echo_times.clone(),
        slices: cells.depths.len(),
    };
    let complete = chosen.frames.len() == chosen.slices * chosen.echo_times.len();
    let header: Header = source::header(&chosen, book);
    let source: Source = source::source(&chosen, &draft.frames, files);
    let found = Found::Unreadable(Box::new(Unreadable {
        header,
        source,
        grid: complete.then(|| grid(&chosen, book).ok()).flatten(),
        echo_times: chosen.echo_times.iter().map(|&t| Seconds::from_millis(t)).collect(),
        findings,
    }));
    Built { found, used: Vec::new(), failed }
}

/// One frame for each cell, then the full rectangle of them.
fn choose(cells: &Cells, pixels: &Pixels<'_>, findings: &mut Vec<Finding>) -> (Chosen, rectangle::Kept) {
    let echoes = cells.echo_times.len();
    let sole: Vec<Option<Ref>> =
        cells.cells.iter().enumerate().map(|(i, cell)| consistency::sole(i, cell, cells, pixels, findings)).collect();
    let usable = consistency::without_flat(sole, cells, pixels, findings);
    let at = |s: usize, e: usize| usable.get(s * echoes + e).copied().flatten();
    let kept = rectangle::full(cells.depths.len(), echoes, at);
    let frames = kept.slices.iter().flat_map(|&s| kept.echoes.iter().filter_map(move |&e| at(s, e))).collect();
    let echo_times = kept.echoes.iter().filter_map(|&e| cells.echo_times.get(e).copied()).collect();
    (Chosen { frames, echo_times, slices: kept.slices.len() }, kept)
}

fn grid(chosen: &Chosen, book: Book<'_>) -> Result<Grid, crate::study::GridError> {
    let first = chosen.at(0, 0).and_then(|r| Some((book.file(r)?, &book.frame(r)?.geometry)));
    let Some((file, geometry)) = first else { return Err(crate::study::GridError::Empty(0, 0, 0)) };
    let position = |slice| chosen.at(slice, 0).and_then(|r| book.frame(r)).map(|f| f.geometry.position);
    Grid::new(GridParts {
        rows: geometry.size[0],
        columns: geometry.size[1],
        positions: (0..chosen.slices).filter_map(position).collect(),
        row_spacing: geometry.spacing[0],
        column_spacing: geometry.spacing[1],
        slice_thickness: geometry.thickness,
        along_row: geometry.along_row,
        along_column: geometry.along_column,
        frame_of_reference: file.frame_of_reference.clone(),
    })
}

/// What an image showed while its pixels were at hand: a second pass over all of them would wait for memory.
#[derive(Clone, Copy, Default)]
pub struct Seen {
    /// Pixels at the top of the stored range.
    pub at_top: usize,
    /// Pixels below zero once scaled.
    pub negative: usize,
}

impl Seen {
    fn of(stored: &Stored<'_>, top: Option<f64>, scaled: &[f32]) -> Self {
        // Nearly always none: a look without counting goes several pixels at a time.
        let any = scaled.iter().fold(false, |any, &v| any | (v < 0.0));
        Self {
            at_top: top.map_or(0, |top| stored.count(top)),
            negative: if any { scaled.iter().filter(|v| **v < 0.0).count() } else { 0 },
        }
    }
}

/// Scaled values, echo × voxel, and what was seen of each frame of the chosen.
pub fn scaled(chosen: &Chosen, pixels: &Pixels<'_>, mode: Mode, book: Book<'_>) -> (Array2<f32>, Vec<Seen>) {
    let image = |r: Ref, out: &mut [f32]| {
        let (Some(frame), Some(Ok(stored))) = (book.frame(r), pixels.get(&r)) else { return Seen::default() };
        let (factor, offset) = mode.line(&frame.scale);
        stored.scale_into(factor, offset, out);
        Seen::of(stored, book.file(r).and_then(|file| file.format.top_value()), out)
    };
    fill(chosen, image, pixels_of(chosen, book))
}

/// What is seen of frames whose magnitude comes from elsewhere.
fn seen(chosen: &Chosen, pixels: &Pixels<'_>, book: Book<'_>) -> Vec<Seen> {
    let one = |r: &Ref| match (pixels.get(r), book.file(*r)) {
        (Some(Ok(stored)), Some(file)) => Seen::of(stored, file.format.top_value(), &[]),
        _ => Seen::default(),
    };
    chosen.frames.par_iter().map(one).collect()
}

/// Pixels of one image.
pub fn pixels_of(chosen: &Chosen, book: Book<'_>) -> usize {
    chosen.frames.first().and_then(|&r| book.file(r)).map_or(0, |f| f.format.pixels())
}

/// Fills an echo × voxel array image by image, in parallel; what is made besides comes in the order of the frames.
pub fn fill<R: Send + Clone + Default>(
    chosen: &Chosen,
    image: impl Fn(Ref, &mut [f32]) -> R + Sync,
    pixels: usize,
) -> (Array2<f32>, Vec<R>) {
    let (echoes, slices) = (chosen.echo_times.len(), chosen.slices.max(1));
    let mut values = vec![0f32; echoes * chosen.slices * pixels];
    let made: Vec<R> = values
        .par_chunks_mut(pixels.max(1))
        .enumerate()
        .map(|(i, out)| chosen.at(i % slices, i / slices).map(|r| image(r, out)).unwrap_or_default())
        .collect();
    let in_order = |frame: usize| made.get(frame % echoes * slices + frame / echoes).cloned().unwrap_or_default();
    let made = (0..chosen.frames.len()).map(in_order).collect();
    (Array2::from_shape_vec((echoes, chosen.slices * pixels), values).unwrap_or_default(), made)
}
