//! What does not fit together: each a finding with a code, the exact images, and what a person can do. What can
//! still be used is used.

use super::build::{Chosen, Seen, Shelf};
use super::dataset::attribute;
use super::decode::Pixels;
use super::fault::Fault;
use super::gain;
use super::group::{Book, Cells, Draft, Ref};
use super::image::ECHO_TIME;
use super::pixels::Stored;
use super::rectangle::Kept;
use crate::study::text::{plain, safe};
use crate::study::{Finding, Grid, Severity, Stage, cross, dot, flaw};
use ndarray::Array2;
use std::collections::BTreeSet;

/// Findings that mean an acquisition lacks images.
pub const LACKING: &[&str] =
    &["slice-incomplete", "echo-incomplete", "slice-missing", "echoes-missing", "images-missing", "unusable-images"];

fn finding(severity: Severity, code: &'static str, message: impl Into<String>) -> Finding {
    Finding::new(Stage::Intake, severity, code, message)
}

/// `slice 3, echo 2`, counted from 1.
fn place(slice: usize, echo: usize) -> String {
    format!("slice {}, echo {}", slice + 1, echo + 1)
}

/// An image as a person finds it again in the delivery.
fn image(r: Ref, book: Book<'_>) -> String {
    let Some(file) = book.file(r) else { return "an image".to_owned() };
    let series = file.header.series.first().and_then(|s| s.number).map_or("?".to_owned(), |n| n.to_string());
    let instance = file.instance_number.map_or("?".to_owned(), |n| n.to_string());
    match book.frame(r).and_then(|f| f.number) {
        Some(frame) => format!("series {series}, image {instance}, frame {frame}"),
        None => format!("series {series}, image {instance}"),
    }
}

/// Echo times so short that they must be in seconds. They are not multiplied: a guess of a thousand is a guess.
pub fn echo_times_in_seconds(echo_times: &[f64]) -> Option<Finding> {
    let shortest = echo_times.first().copied().filter(|t| *t < 0.1)?;
    let text =
        format!("The shortest echo time is {} ms; the echo times look as if they were in seconds.", plain(shortest));
    let finding = finding(Severity::Stop, "echo-time-in-seconds", text).expected("0.1 ms or more");
    Some(finding.found(format!("{} ms", plain(shortest))).attribute(attribute(ECHO_TIME)))
}

/// What can be said from headers alone.
pub fn before_pixels(draft: &Draft, shelf: &Shelf<'_>) -> Vec<Finding> {
    let book = shelf.book;
    let mut out = Vec::new();
    let texts = |of: fn(&crate::study::Patient) -> &Option<String>| -> BTreeSet<String> {
        let files = draft.frames.iter().filter_map(|&r| book.file(r));
        files.filter_map(|f| of(&f.header.patient).clone()).collect()
    };
    for (what, tag, values) in [
        ("name", 0x0010_0010, texts(|p| &p.name)),
        ("birth date", 0x0010_0030, texts(|p| &p.birth_date)),
        ("sex", 0x0010_0040, texts(|p| &p.sex)),
    ] {
        if values.len() > 1 {
            let text = format!(
                "The images of one patient ID give {} different values for the patient's {what}.",
                values.len()
            );
            let advice = "Find out whose images these are before using any number.";
            out.push(finding(Severity::Stop, "patient-mixed", text).attribute(attribute(tag)).advice(advice));
        }
    }
    let study = draft.frames.first().and_then(|&r| book.file(r)).map(|f| f.header.study.uid.as_str());
    if study.is_some_and(|uid| shelf.shared_studies.contains(uid)) {
        let text = "Images of more than one patient ID carry the same study.";
        let advice = "Find out whose images these are before using any number.";
        out.push(finding(Severity::Stop, "patient-mixed", text).attribute(attribute(0x0010_0020)).advice(advice));
    }
    out.extend(images_missing(draft, shelf));
    out.extend(strays(draft, book));
    for (label, index) in [("repetition times", 0), ("flip angles", 1), ("bandwidths", 2)] {
        let values: Vec<f64> = draft.frames.iter().filter_map(|&r| book.frame(r)?.settings[index]).collect();
        let (low, high) = values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &v| (l.min(v), h.max(v)));
        if high - low > 0.01 * high.abs() {
            let text = format!("The images have different {label}, from {} to {}.", plain(low), plain(high));
            out.push(finding(Severity::Warn, "settings-mixed", text));
        }
    }
    out
}

/// Fewer images than the header counts. Seen on scans of one maker, where it is the number of all images of the
/// series (`../shared/data/dcm_qa_fmap`); where echoes come in a series each, it is not known what it counts.
fn images_missing(draft: &Draft, shelf: &Shelf<'_>) -> Option<Finding> {
    let home = shelf.book.file(*draft.frames.first()?)?;
    let one_series = draft.frames.iter().filter_map(|&r| shelf.book.file(r)).all(|f| f.series_uid == home.series_uid);
    let stated = home.stated_images.filter(|_| one_series)?;
    let files = shelf.files.iter().map(|owned| &owned.image.file);
    let here: usize = files.filter(|f| f.series_uid == home.series_uid).map(|f| f.frames.len()).sum();
    (here < stated).then(|| {
        let text = format!("The series has {stated} images by its header; {here} are here.");
        finding(Severity::Warn, "images-missing", text)
            .expected(stated.to_string())
            .found(here.to_string())
            .attribute(attribute(0x0020_1002))
            .advice("Send the missing images; the result is then made again.")
    })
}

/// Images of the same series that lie elsewhere.
fn strays(draft: &Draft, book: Book<'_>) -> Option<Finding> {
    let home = book.frame(*draft.frames.first()?)?;
    let home_file = book.file(*draft.frames.first()?)?;
    let first = draft.strays.first().copied()?;
    let (frame, file) = (book.frame(first)?, book.file(first)?);
    let (g, h) = (&frame.geometry, &home.geometry);
    let parallel = dot(g.along_row, h.along_row) > 0.999_998 && dot(g.along_column, h.along_column) > 0.999_998;
    let (code, what) = match () {
        () if g.size != h.size => ("mixed-matrix", "another matrix"),
        () if file.frame_of_reference != home_file.frame_of_reference => {
            ("mixed-frame-of-reference", "another frame of reference")
        }
        () if !parallel => ("mixed-orientation", "another orientation"),
        () => ("mixed-images", "another position, spacing or kind"),
    };
    let text = format!("{} images of the same series have {what} and are left out.", draft.strays.len());
    let images = draft.strays.iter().map(|&r| image(r, book)).collect();
    Some(finding(Severity::Warn, code, text).images(images))
}

/// The one frame of a cell. Several are copies where their pixels are equal; where they differ, the first is
/// taken so that there is a picture to look at, and no number is given.
pub fn sole(
    index: usize,
    cell: &[Ref],
    cells: &Cells,
    pixels: &Pixels<'_>,
    findings: &mut Vec<Finding>,
) -> Option<Ref> {
    let readable: Vec<(Ref, &Stored<'_>)> =
        cell.iter().filter_map(|&r| pixels.get(&r)?.as_ref().ok().map(|s| (r, s))).collect();
    let (first, stored) = *readable.first()?;
    if readable.len() > 1 {
        let equal = readable.iter().skip(1).all(|(_, s)| s.same(stored));
        let echoes = cells.echo_times.len().max(1);
        let here = place(index / echoes, index % echoes);
        let (severity, code, message) = if equal {
            (
                Severity::Note,
                "duplicate-equal",
                "Images are present more than once with the same pixels; one of each is used.",
            )
        } else {
            (
                Severity::Stop,
                "duplicate-different",
                "Images are present more than once with different pixels, and nothing in their headers tells them apart.",
            )
        };
        match findings.iter_mut().find(|f| f.code == code) {
            Some(finding) => finding.images.push(here),
            None => {
                let advice = "Export the series again, one run at a time.";
                let new = finding(severity, code, message).images(vec![here]);
                findings.push(if equal { new } else { new.advice(advice) });
            }
        }
    }
    Some(first)
}

/// Images that are flat: the scanner wrote nothing. One flat echo spoils its slice; a slice flat in every echo is
/// outside the coil and leaves too.
pub fn without_flat(
    sole: Vec<Option<Ref>>,
    cells: &Cells,
    pixels: &Pixels<'_>,
    findings: &mut Vec<Finding>,
) -> Vec<Option<Ref>> {
    let flat = |r: &Ref| matches!(pixels.get(r), Some(Ok(stored)) if stored.is_flat());
    let echoes = cells.echo_times.len().max(1);
    let mut places = Vec::new();
    let keep = |(i, r): (usize, Option<Ref>)| match r {
        Some(r) if flat(&r) => {
            places.push(place(i / echoes, i % echoes));
            None
        }
        other => other,
    };
    let out: Vec<Option<Ref>> = sole.into_iter().enumerate().map(keep).collect();
    if !places.is_empty() {
        let text = format!("{} images hold one value throughout and are left out.", places.len());
        findings.push(finding(Severity::Warn, "flat-image", text).images(places));
    }
    out
}

/// Nothing is left to measure: why.
pub fn nothing_left(frames: &[Ref], failed: &[(Ref, Fault)], cells: &Cells, book: Book<'_>) -> Finding {
    let ours: Vec<&(Ref, Fault)> = failed.iter().filter(|(r, _)| frames.contains(r)).collect();
    match ours.first() {
        Some((_, fault)) if fault.code == "lossy" => {
            let text = format!("The images cannot be used: {}.", fault.text);
            finding(Severity::Stop, "lossy-compression", text)
                .expected("uncompressed or losslessly compressed images")
                .advice("Export the series again without lossy compression.")
        }
        Some((r, fault)) => {
            let text = format!("The images cannot be decoded: {fault}.");
            finding(Severity::Stop, "unusable-images", text)
                .images(vec![image(*r, book)])
                .advice("Send or copy the series again.")
        }
        None => {
            let text = format!(
                "No slice has two echoes that can be used, of {} slices and {} echo times found.",
                cells.depths.len(),
                cells.echo_times.len()
            );
            finding(Severity::Stop, "unusable-images", text).advice("Send or copy the whole series again.")
        }
    }
}

/// Slices and echoes that were dropped.
pub fn dropped(cells: &Cells, kept: &Kept, failed: &[(Ref, Fault)], book: Book<'_>) -> Vec<Finding> {
    let echoes = cells.echo_times.len();
    let mut out = Vec::new();
    let missing = |s: usize, e: usize| cells.cells.get(s * echoes + e).is_none_or(Vec::is_empty);
    let unusable = |s: usize, e: usize| {
        let cell = cells.cells.get(s * echoes + e);
        cell.is_some_and(|c| !c.is_empty() && c.iter().all(|r| failed.iter().any(|(f, _)| f == r)))
    };
    let lost_echoes: Vec<usize> = (0..echoes).filter(|e| !kept.echoes.contains(e)).collect();
    if !lost_echoes.is_empty() {
        let times: Vec<String> =
            lost_echoes.iter().filter_map(|&e| cells.echo_times.get(e)).map(|t| format!("{} ms", plain(*t))).collect();
        let text = format!(
            "{} of {echoes} echoes are missing on most slices and left out: {}.",
            times.len(),
            times.join(", ")
        );
        out.push(finding(Severity::Warn, "echo-incomplete", text).advice("Send the whole series again."));
    }
    let lost_slices: Vec<usize> = (0..cells.depths.len()).filter(|s| !kept.slices.contains(s)).collect();
    let mut places = Vec::new();
    for &s in &lost_slices {
        places.extend(kept.echoes.iter().filter(|&&e| missing(s, e) || unusable(s, e)).map(|&e| place(s, e)));
    }
    // Slices that were dropped because their images are flat have their own finding.
    if !places.is_empty() {
        let text = format!("{} of {} slices lack an echo and are left out.", lost_slices.len(), cells.depths.len());
        let finding = finding(Severity::Warn, "slice-incomplete", text).images(places);
        out.push(finding.advice("Send the missing images; the result is then made again."));
    }
    if let Some((_, fault)) = failed.first() {
        let text = format!("{} images cannot be decoded; the first: {fault}.", failed.len());
        let images = failed.iter().take(50).map(|(r, _)| image(*r, book)).collect();
        out.push(finding(Severity::Warn, "images-undecodable", text).images(images));
    }
    out
}

/// Padding and saturation, voxel by voxel.
pub fn flaws(
    chosen: &Chosen,
    pixels: &Pixels<'_>,
    seen: &[Seen],
    grid: &Grid,
    book: Book<'_>,
    findings: &mut Vec<Finding>,
) -> Vec<u8> {
    /// Scaling to the full range puts one voxel at the top by design; a plateau is clipping (common practice,
    /// no source).
    const PLATEAU: usize = 8;
    let mut out = vec![flaw::NONE; grid.voxels()];
    let echoes = chosen.echo_times.len().max(1);
    let (mut padded, mut saturated) = (0usize, Vec::new());
    for (i, (r, seen)) in chosen.frames.iter().zip(seen).enumerate() {
        let (Some(Ok(stored)), Some(file)) = (pixels.get(r), book.file(*r)) else { continue };
        let (slice, echo) = (i / echoes, i % echoes);
        let start = slice * grid.slice_voxels();
        let Some(flags) = out.get_mut(start..start + grid.slice_voxels()) else { continue };
        if let Some([low, high]) = file.format.padding {
            for (pixel, flag) in flags.iter_mut().enumerate() {
                if stored.at(pixel).is_some_and(|v| (low..=high).contains(&v)) {
                    padded += usize::from(*flag != flaw::PADDING);
                    *flag = flaw::PADDING;
                }
            }
        }
        let Some(top) = file.format.top_value() else { continue };
        if seen.at_top >= PLATEAU {
            saturated.push(place(slice, echo));
            for (pixel, flag) in flags.iter_mut().enumerate() {
                if *flag == flaw::NONE && stored.at(pixel) == Some(top) {
                    *flag = flaw::SATURATED;
                }
            }
        }
    }
    if padded > 0 {
        let text = format!("{padded} voxels hold the padding value in at least one echo and are not fitted.");
        findings.push(finding(Severity::Note, "padding", text).attribute(attribute(0x0028_0120)));
    }
    if !saturated.is_empty() {
        let text = format!("{} images are saturated: many voxels are at the top of the stored range.", saturated.len());
        findings.push(finding(Severity::Warn, "saturated", text).images(saturated));
    }
    out
}

/// What the scaled images show.
pub fn of_images(magnitude: &Array2<f32>, chosen: &Chosen, seen: &[Seen]) -> Vec<Finding> {
    let mut out = Vec::new();
    let negative: usize = seen.iter().map(|image| image.negative).sum();
    if negative > 0 {
        let text = format!("{negative} magnitude values are negative; magnitude cannot be.");
        out.push(finding(Severity::Warn, "negative-magnitude", text).advice("Check the export's rescale intercept."));
    }
    out.extend(gain::step(magnitude, &chosen.echo_times));
    out
}

/// What the chosen images' headers and places say.
pub fn of_headers(chosen: &Chosen, grid: &Grid, book: Book<'_>) -> Vec<Finding> {
    let mut out = Vec::new();
    let files: Vec<_> = chosen.frames.iter().filter_map(|&r| book.file(r)).collect();
    if let Some(why) = files.iter().find_map(|f| f.lossy.as_deref()) {
        let found = finding(Severity::Stop, "lossy-compression", format!("Intensities cannot be trusted: {why}."));
        out.push(
            found
                .attribute(attribute(0x0028_2110))
                .advice("Export the series from where it was never compressed with loss."),
        );
    }
    if files.iter().any(|f| f.gauss) {
        let text = "The field strength is written in gauss and was converted to tesla.";
        out.push(finding(Severity::Note, "field-strength-in-gauss", text).attribute(attribute(0x0018_0087)));
    }
    if let Some(term) = files.iter().find_map(|f| f.unknown_charset.as_deref()) {
        let text = format!("The character set {} is not known; names may be wrong.", safe(term, 40));
        out.push(finding(Severity::Note, "unknown-character-set", text).attribute(attribute(0x0008_0005)));
    }
    if files.iter().any(|f| f.format.inverted) {
        let text = "The images are meant to be shown inverted (MONOCHROME1); stored values are used as they are.";
        out.push(finding(Severity::Note, "inverted-display", text).attribute(attribute(0x0028_0004)));
    }
    if let Some(stated) = files.iter().find_map(|f| f.stated_echoes)
        && stated as usize > chosen.echo_times.len()
    {
        let text = format!("The scanner made {stated} echoes; {} are here.", chosen.echo_times.len());
        out.push(finding(Severity::Warn, "echoes-missing", text).advice("Send the whole series again."));
    }
    let odd = files.iter().filter(|f| !f.oddities.is_empty()).count();
    if let Some(first) = files.iter().find_map(|f| f.oddities.first()) {
        let text = format!("{odd} files are not as the standard asks but could be read; the first: {first}.");
        out.push(finding(Severity::Note, "odd-file", text));
    }
    out.extend(slice_gaps(grid));
    out.extend(echo_gaps(&chosen.echo_times));
    out
}

/// Slices further apart than the others: one is missing between them.
fn slice_gaps(grid: &Grid) -> Option<Finding> {
    let normal = cross(grid.along_row(), grid.along_column());
    let step = grid.slice_step()?.0;
    let depth: Vec<f64> = grid.positions().iter().map(|&p| dot(p, normal)).collect();
    let gaps: Vec<String> = depth
        .windows(2)
        .enumerate()
        .filter(|(_, w)| ((w[1] - w[0]) / step - 1.0).abs() > 0.05)
        .map(|(i, _)| format!("between slices {} and {}", i + 1, i + 2))
        .collect();
    if gaps.is_empty() {
        return None;
    }
    let text =
        format!("Slices are not evenly spaced: {}. A slice may be missing; the volume is not right.", gaps.join(", "));
    Some(
        finding(Severity::Warn, "slice-missing", text)
            .expected(format!("{} mm between slices", plain(step)))
            .images(gaps),
    )
}

/// A step between echo times that is a multiple of the others: an echo is missing between them.
fn echo_gaps(echo_times: &[f64]) -> Option<Finding> {
    let mut steps: Vec<f64> = echo_times.windows(2).map(|w| w[1] - w[0]).collect();
    if steps.len() < 3 {
        return None;
    }
    steps.sort_by(f64::total_cmp);
    let typical = steps.get(steps.len() / 2).copied()?;
    let at = echo_times.windows(2).position(|w| {
        let n = (w[1] - w[0]) / typical;
        n > 1.9 && (n - n.round()).abs() < 0.05
    })?;
    let text = format!(
        "The step from {} to {} ms is a multiple of the others ({} ms): an echo may be missing between them.",
        plain(*echo_times.get(at)?),
        plain(*echo_times.get(at + 1)?),
        plain(typical)
    );
    Some(finding(Severity::Warn, "echoes-missing", text).attribute(attribute(ECHO_TIME)))
}

/// Files that could not be read: a warning where the acquisition lacks an image, otherwise a note.
pub fn unreadable_files(findings: &mut Vec<Finding>, unreadable: &[(String, String)]) {
    let Some((_, reason)) = unreadable.first() else { return };
    let lacking = findings.iter().any(|f| LACKING.contains(&f.code.as_ref()));
    let severity = if lacking { Severity::Warn } else { Severity::Note };
    let text = match unreadable.len() {
        1 => format!("One file beside these images cannot be read: {reason}."),
        n => format!("{n} files beside these images cannot be read; the first: {reason}."),
    };
    let images = unreadable.iter().take(50).map(|(name, _)| name.clone()).collect();
    findings.push(finding(severity, "unreadable-file", text).images(images));
}
