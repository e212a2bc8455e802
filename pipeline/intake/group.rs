//! Which frames belong to one acquisition: by what the headers say and where the frames lie, never by folder,
//! file name or instance number.
//!
//! Patients and studies are separated first. A series with two or more echo times at one position is an
//! acquisition of its own; series of one echo time each are joined where grid and protocol agree and no echo
//! time repeats. Copies that the scanner normalised, and repeats, stay apart.

use super::component::Component;
use super::image::{Frame, Geometry, ImageFile};
use crate::study::{Vector, cross, dot};
use std::collections::{BTreeMap, BTreeSet};

/// Whether two echo times (ms) are one: closer than rounding in headers, which is 0.01 ms. Times below 0.1 ms are
/// in another unit, where that would be coarse; there only equal ones are one.
fn same_time(a: f64, b: f64) -> bool {
    (a - b).abs() <= if a.max(b) < 0.1 { 0.0 } else { 0.01 }
}

/// A frame of a file, by their places in the lists.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Ref {
    /// Index into the files.
    pub file: usize,
    /// Index into the file's frames.
    pub frame: usize,
}

/// Frames of one grid: every depth and echo time has a cell, which may hold none, one or several frames.
#[derive(Clone, Debug, Default)]
pub struct Cells {
    /// Depth of each slice along the normal, ascending, mm.
    pub depths: Vec<f64>,
    /// Echo times, ascending, ms.
    pub echo_times: Vec<f64>,
    /// Frames of each cell, slice-major: `slice * echo_times.len() + echo`.
    pub cells: Vec<Vec<Ref>>,
    normal: Vector,
    tolerance: f64,
}

impl Cells {
    /// The cell a frame falls in, where there is one at its depth and echo time.
    pub fn place(&self, r: Ref, book: Book<'_>) -> Option<usize> {
        let depth = dot(book.frame(r)?.geometry.position, self.normal);
        let time = book.echo_time(r);
        let slice = self.depths.iter().position(|d| (d - depth).abs() <= self.tolerance)?;
        let echo = self.echo_times.iter().position(|&t| same_time(t, time))?;
        Some(slice * self.echo_times.len() + echo)
    }
}

/// Frames that make up an acquisition.
#[derive(Clone, Debug)]
pub struct Draft {
    /// Magnitude, or real frames where there is no magnitude.
    pub frames: Vec<Ref>,
    /// Whether `frames` are real parts, to be joined with imaginary ones into magnitude.
    pub from_complex: bool,
    /// Frames of the same study and place that may complete the complex signal.
    pub others: Vec<Ref>,
    /// Frames of the same series that are magnitude but lie elsewhere or have another matrix.
    pub strays: Vec<Ref>,
}

/// What grouping made of the frames.
#[derive(Debug, Default)]
pub struct Grouping {
    /// One for each acquisition.
    pub drafts: Vec<Draft>,
    /// Frames with one echo time only.
    pub single: Vec<Ref>,
}

/// Looks frames up.
#[derive(Clone, Copy)]
pub struct Book<'a> {
    files: &'a [&'a ImageFile],
}

impl<'a> Book<'a> {
    /// Over these files.
    pub fn new(files: &'a [&'a ImageFile]) -> Self {
        Self { files }
    }
    /// The file of a frame.
    pub fn file(self, r: Ref) -> Option<&'a ImageFile> {
        self.files.get(r.file).copied()
    }
    /// The frame.
    pub fn frame(self, r: Ref) -> Option<&'a Frame> {
        self.file(r)?.frames.get(r.frame)
    }
    /// Echo time in ms; usable frames have one.
    pub fn echo_time(self, r: Ref) -> f64 {
        self.frame(r).and_then(|f| f.echo_time).unwrap_or(f64::NAN)
    }
}

/// Groups all usable frames.
pub fn group(files: &[&ImageFile]) -> Grouping {
    let book = Book::new(files);
    let mut studies: BTreeMap<StudyKey, Vec<Ref>> = BTreeMap::new();
    for (index, file) in files.iter().enumerate() {
        let usable = file.frames.iter().filter(|f| f.set_aside.is_none() && f.echo_time.is_some());
        let refs = usable.map(|f| Ref { file: index, frame: f.index });
        studies.entry(study_key(file)).or_default().extend(refs);
    }
    let mut out = Grouping::default();
    for frames in studies.values() {
        study(frames, book, &mut out);
    }
    out
}

type StudyKey = (Option<String>, Option<String>, String);

/// Issuer and ID of the patient, study.
pub fn study_key(file: &ImageFile) -> StudyKey {
    let patient = &file.header.patient;
    // Without an ID the name is all there is to keep two people apart.
    let person = patient.id.clone().or_else(|| patient.name.clone());
    (patient.issuer.clone(), person, file.header.study.uid.clone())
}

/// Frames of one component in one series, at one place and of one kind.
struct Stack {
    component: Component,
    frames: Vec<Ref>,
}

fn study(frames: &[Ref], book: Book<'_>, out: &mut Grouping) {
    let mut stacks: Vec<Stack> = Vec::new();
    let mut series: BTreeMap<(&str, Component), Vec<Ref>> = BTreeMap::new();
    for &r in frames {
        if let (Some(file), Some(component)) = (book.file(r), book.frame(r).and_then(|f| f.component)) {
            series.entry((file.series_uid.as_str(), component)).or_default().push(r);
        }
    }
    for ((_, component), frames) in series {
        let clusters = cluster(&frames, |&a, &b| same_stack(a, b, book));
        stacks.extend(clusters.into_iter().map(|frames| Stack { component, frames }));
    }
    let has_magnitude = |real: &Stack| {
        let place = |s: &&Stack| s.component == Component::Magnitude && meets(&s.frames, &real.frames, book);
        stacks.iter().any(|s| place(&s))
    };
    // Real parts stand in where no magnitude was exported.
    let leading = |s: &&Stack| match s.component {
        Component::Magnitude => true,
        Component::Real => !has_magnitude(s),
        _ => false,
    };
    let mut single: Vec<&Stack> = Vec::new();
    let mut sets: Vec<(Component, Vec<Ref>)> = Vec::new();
    for stack in stacks.iter().filter(leading) {
        if most_echoes(&stack.frames, book) >= 2 {
            sets.extend(split_repeats(&stack.frames, book).into_iter().map(|f| (stack.component, f)));
        } else {
            single.push(stack);
        }
    }
    for (component, frames) in join_single(&single, book) {
        if most_echoes(&frames, book) >= 2 {
            sets.push((component, frames));
        } else {
            out.single.extend(frames);
        }
    }
    // A few frames of a series that lie elsewhere are strays of its acquisition, not frames of one echo.
    for (component, frames) in sets {
        let others = stacks.iter().filter(|s| !matches!(s.component, Component::Magnitude));
        let others = others.flat_map(|s| s.frames.iter().copied()).collect();
        let series: BTreeSet<_> = frames.iter().filter_map(|&r| book.file(r)).map(|f| &f.series_uid).collect();
        let stray = |r: &Ref| book.file(*r).is_some_and(|f| series.contains(&f.series_uid));
        let strays = out.single.iter().copied().filter(stray).collect();
        out.drafts.push(Draft { frames, from_complex: component == Component::Real, others, strays });
    }
    let strays: BTreeSet<Ref> = out.drafts.iter().flat_map(|d| d.strays.iter().copied()).collect();
    out.single.retain(|r| !strays.contains(r));
}

/// Sorts into clusters: each item joins the first cluster whose first member it matches.
fn cluster<T: Copy>(items: &[T], same: impl Fn(&T, &T) -> bool) -> Vec<Vec<T>> {
    let mut out: Vec<Vec<T>> = Vec::new();
    for item in items {
        match out.iter_mut().find(|c| c.first().is_some_and(|first| same(first, item))) {
            Some(cluster) => cluster.push(*item),
            None => out.push(vec![*item]),
        }
    }
    out
}

/// Same place and same kind of image.
fn same_stack(a: Ref, b: Ref, book: Book<'_>) -> bool {
    let (Some(fa), Some(fb)) = (book.frame(a), book.frame(b)) else { return false };
    same_place(a, b, book) && fa.normalised == fb.normalised && words(fa) == words(fb)
}

/// The words of the image type that tell kinds of image apart: not the component's own.
fn words(frame: &Frame) -> Vec<&str> {
    const COMPONENT: &[&str] = &[
        "M",
        "M_FFE",
        "M_SE",
        "M_IR",
        "MAGNITUDE",
        "P",
        "P_FFE",
        "PHASE",
        "PHASE MAP",
        "R",
        "R_FFE",
        "REAL",
        "I",
        "I_FFE",
        "IMAGINARY",
    ];
    frame.words.iter().map(String::as_str).filter(|w| !COMPONENT.contains(w)).collect()
}

/// Same frame of reference, matrix, spacing and planes that lie over one another.
pub fn same_place(a: Ref, b: Ref, book: Book<'_>) -> bool {
    let frame_of = |r: Ref| book.file(r).map(|f| &f.frame_of_reference);
    let (Some(fa), Some(fb)) = (book.frame(a), book.frame(b)) else { return false };
    frame_of(a) == frame_of(b) && same_planes(&fa.geometry, &fb.geometry)
}

fn same_planes(a: &Geometry, b: &Geometry) -> bool {
    // The cosine of 0.1 degrees.
    const PARALLEL: f64 = 0.999_998_477;
    let spacing = a.spacing.iter().zip(&b.spacing).all(|(x, y)| (x / y - 1.0).abs() < 1e-4);
    let directions = dot(a.along_row, b.along_row) > PARALLEL && dot(a.along_column, b.along_column) > PARALLEL;
    if a.size != b.size || !spacing || !directions {
        return false;
    }
    let step: [f64; 3] = std::array::from_fn(|k| b.position[k] - a.position[k]);
    let shift = |along, spacing: f64| dot(step, along).abs() < 0.1 * spacing;
    shift(a.along_row, a.spacing[1]) && shift(a.along_column, a.spacing[0])
}

fn meets(a: &[Ref], b: &[Ref], book: Book<'_>) -> bool {
    a.first().zip(b.first()).is_some_and(|(&x, &y)| same_place(x, y, book))
}

/// The largest number of echo times at one position.
fn most_echoes(frames: &[Ref], book: Book<'_>) -> usize {
    let cells = cells(frames, book);
    let echoes = cells.echo_times.len().max(1);
    cells.cells.chunks(echoes).map(|slice| slice.iter().filter(|c| !c.is_empty()).count()).max().unwrap_or(0)
}

/// Sorts frames into slices and echoes.
pub fn cells(frames: &[Ref], book: Book<'_>) -> Cells {
    let mut out = Cells::default();
    let mut times: Vec<f64> = frames.iter().map(|&r| book.echo_time(r)).collect();
    times.sort_by(f64::total_cmp);
    for t in times {
        if out.echo_times.last().is_none_or(|&last| !same_time(last, t)) {
            out.echo_times.push(t);
        }
    }
    let Some(first) = frames.first().and_then(|&r| book.frame(r)) else { return out };
    // All depths along one normal, so that rounded cosines do not spread them.
    let normal = cross(first.geometry.along_row, first.geometry.along_column);
    let depth = |r: Ref| book.frame(r).map_or(f64::NAN, |f| dot(f.geometry.position, normal));
    let mut depths: Vec<f64> = frames.iter().map(|&r| depth(r)).collect();
    depths.sort_by(f64::total_cmp);
    let tolerance = depth_tolerance(&depths);
    (out.normal, out.tolerance) = (normal, tolerance);
    for d in depths {
        if out.depths.last().is_none_or(|last| d - last > tolerance) {
            out.depths.push(d);
        }
    }
    out.cells = vec![Vec::new(); out.depths.len() * out.echo_times.len()];
    for &r in frames {
        let (d, t) = (depth(r), book.echo_time(r));
        let slice = out.depths.iter().rposition(|&x| x <= d + 1e-9);
        let echo = out.echo_times.iter().rposition(|&x| x <= t + 1e-9);
        if let (Some(slice), Some(echo)) = (slice, echo)
            && let Some(cell) = out.cells.get_mut(slice * out.echo_times.len() + echo)
        {
            cell.push(r);
        }
    }
    out
}

/// Two depths closer than this are one slice: 5 % of the typical step, at most 0.5 mm.
fn depth_tolerance(sorted: &[f64]) -> f64 {
    let mut steps: Vec<f64> = sorted.windows(2).map(|w| w[1] - w[0]).filter(|s| *s > 1e-3).collect();
    steps.sort_by(f64::total_cmp);
    // Rounding can leave steps of a hundredth of a millimetre among echoes of one slice; the real step is the
    // large one.
    let largest = steps.last().copied().unwrap_or(10.0);
    let real: Vec<f64> = steps.into_iter().filter(|s| *s > 0.05 * largest).collect();
    let typical = real.get(real.len() / 2).copied().unwrap_or(10.0);
    (0.05 * typical).min(0.5)
}

/// Several frames in a cell: repeats. Split by form of export, acquisition number,
/// temporal position, then time, as long as
/// each part is an acquisition of its own; what remains several is judged by its pixels later.
fn split_repeats(frames: &[Ref], book: Book<'_>) -> Vec<Vec<Ref>> {
    let crowded = |frames: &[Ref]| {
        let distinct = |cell: &Vec<Ref>| {
            let mut uids: Vec<_> = cell.iter().map(|&r| (book.file(r).map(|f| &f.uid), r.frame)).collect();
            uids.sort();
            uids.dedup();
            uids.len() > 1
        };
        cells(frames, book).cells.iter().any(distinct)
    };
    if !crowded(frames) {
        return vec![frames.to_vec()];
    }
    // A re-export of the same scan in the other form comes first: it repeats every number of the original.
    let keys: [fn(&Frame) -> Option<i64>; 4] = [
        |f| Some(i64::from(f.number.is_some())),
        |f| f.acquisition,
        |f| f.temporal,
        |f| f.time.map(|t| (t * 1000.0) as i64),
    ];
    for key in keys {
        let mut parts: BTreeMap<Option<i64>, Vec<Ref>> = BTreeMap::new();
        for &r in frames {
            parts.entry(book.frame(r).and_then(key)).or_default().push(r);
        }
        if parts.len() > 1 && parts.values().all(|p| most_echoes(p, book) >= 2) {
            // A part can hold repeats of its own; each round has fewer frames than the last.
            return parts.values().flat_map(|p| split_repeats(p, book)).collect();
        }
    }
    vec![frames.to_vec()]
}

/// Joins series of one echo time each.
fn join_single(stacks: &[&Stack], book: Book<'_>) -> Vec<(Component, Vec<Ref>)> {
    let mut stacks: Vec<&&Stack> = stacks.iter().collect();
    let number = |s: &Stack| {
        let file = s.frames.first().and_then(|&r| book.file(r));
        file.map(|f| (f.header.series.first().and_then(|s| s.number), f.series_uid.clone()))
    };
    stacks.sort_by_key(|s| number(s));
    let mut sets: Vec<(Component, Vec<Ref>)> = Vec::new();
    for stack in stacks {
        let Some(&first) = stack.frames.first() else { continue };
        let time = book.echo_time(first);
        let fits = |(component, frames): &&mut (Component, Vec<Ref>)| {
            *component == stack.component
                && frames.first().is_some_and(|&r| same_stack(r, first, book) && same_protocol(r, first, book))
                && frames.iter().all(|&r| !same_time(book.echo_time(r), time))
        };
        match sets.iter_mut().find(fits) {
            Some((_, frames)) => frames.extend_from_slice(&stack.frames),
            None => sets.push((stack.component, stack.frames.clone())),
        }
    }
    sets
}

/// Same scanner, sequence and settings, echo time aside.
fn same_protocol(a: Ref, b: Ref, book: Book<'_>) -> bool {
    let (Some(fa), Some(fb)) = (book.file(a), book.file(b)) else { return false };
    let (Some(ra), Some(rb)) = (book.frame(a), book.frame(b)) else { return false };
    let close = |x: &Option<f64>, y: &Option<f64>| match (x, y) {
        (Some(x), Some(y)) => (x - y).abs() <= 0.01 * x.abs().max(y.abs()),
        (None, None) => true,
        _ => false,
    };
    let (sa, sb) = (&fa.header.sequence, &fb.header.sequence);
    ra.settings.iter().zip(&rb.settings).all(|(x, y)| close(x, y))
        && fa.header.scanner.serial == fb.header.scanner.serial
        && sa.echo_kind == sb.echo_kind
        && sa.fat_suppressed == sb.fat_suppressed
        && sa.dimensions == sb.dimensions
}
