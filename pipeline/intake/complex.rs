//! Real and imaginary images: exported as such, or made from magnitude and phase on the same grid and echo times.

use super::build::{Chosen, fill, pixels_of};
use super::component::Component;
use super::decode::Pixels;
use super::group::{Book, Cells, Draft, Ref, same_place};
use super::image::{Frame, Scale};
use super::pixels::{PixelFormat, Sample};
use super::scaling::{self, Mode};
use super::vendor;
use crate::study::{ComplexImages, Finding, Severity, Stage};
use ndarray::Array2;
use std::collections::BTreeMap;

/// Frames of one component, by cell.
type ByCell = BTreeMap<usize, Ref>;

/// What completes the complex signal.
#[derive(Debug, Default)]
pub enum Parts {
    /// Nothing does.
    #[default]
    None,
    /// Phase beside magnitude.
    Phase(ByCell),
    /// Real and imaginary.
    Cartesian(ByCell, ByCell),
}

impl Parts {
    /// The frames to decode.
    pub fn frames(&self) -> impl Iterator<Item = Ref> {
        let (a, b) = match self {
            Self::None => (None, None),
            Self::Phase(phase) => (Some(phase), None),
            Self::Cartesian(real, imaginary) => (Some(real), Some(imaginary)),
        };
        a.into_iter().chain(b).flat_map(|m| m.values().copied())
    }
}

/// Finds the frames that complete the signal of every cell that has magnitude.
pub fn parts(draft: &Draft, cells: &Cells, book: Book<'_>) -> Parts {
    let find = |component| complete(component, draft, cells, book);
    if draft.from_complex {
        let real = cells.cells.iter().enumerate().filter_map(|(i, c)| Some((i, *c.first()?))).collect();
        return find(Component::Imaginary).map_or(Parts::None, |imaginary| Parts::Cartesian(real, imaginary));
    }
    match (find(Component::Real), find(Component::Imaginary)) {
        (Some(real), Some(imaginary)) => Parts::Cartesian(real, imaginary),
        _ => find(Component::Phase).map_or(Parts::None, Parts::Phase),
    }
}

/// The frames of one component of one series (and run) that fill every cell exactly once; the series of the
/// magnitude first, then the nearest series number.
fn complete(component: Component, draft: &Draft, cells: &Cells, book: Book<'_>) -> Option<ByCell> {
    let first = *draft.frames.first()?;
    let number = |r: Ref| book.file(r).and_then(|f| f.header.series.first()?.number).unwrap_or(0);
    let home = book.file(first)?.series_uid.as_str();
    let (run, form) = (book.frame(first)?.acquisition, book.frame(first)?.number.is_some());
    // Other form, other series, other run, distance in series number, series, run: the nearest comes first.
    type Nearness<'a> = (bool, bool, bool, i64, &'a str, Option<i64>);
    let mut runs: BTreeMap<Nearness<'_>, Vec<Ref>> = BTreeMap::new();
    for &r in &draft.others {
        let (Some(file), Some(frame)) = (book.file(r), book.frame(r)) else { continue };
        if frame.component == Some(component) && same_place(first, r, book) {
            let away = file.series_uid != home;
            let far = (number(r) - number(first)).abs();
            let other_form = frame.number.is_some() != form;
            let other_run = frame.acquisition != run;
            let key = (other_form, away, other_run, far, file.series_uid.as_str(), frame.acquisition);
            runs.entry(key).or_default().push(r);
        }
    }
    runs.into_values().find_map(|frames| {
        let mut by_cell = ByCell::new();
        for r in frames {
            if let Some(cell) = cells.place(r, book)
                && by_cell.insert(cell, r).is_some()
            {
                return None;
            }
        }
        let full = cells.cells.iter().enumerate().all(|(i, c)| c.is_empty() || by_cell.contains_key(&i));
        full.then_some(by_cell)
    })
}

/// The images, where they can be made, and what kept them from being made.
pub struct Images {
    /// Real and imaginary.
    pub images: Option<ComplexImages>,
    /// Why not.
    pub findings: Vec<Finding>,
}

/// Makes the images in the units of the magnitude.
pub fn images(
    parts: &Parts,
    chosen: &Chosen,
    cells: &Cells,
    pixels: &Pixels<'_>,
    mode: Mode,
    book: Book<'_>,
) -> Images {
    let made = match parts {
        Parts::None => return Images { images: None, findings: Vec::new() },
        Parts::Phase(phase) => from_phase(phase, chosen, cells, pixels, mode, book),
        Parts::Cartesian(real, imaginary) => cartesian(real, imaginary, chosen, cells, pixels, book),
    };
    match made {
        Ok(images) => Images { images: Some(images), findings: Vec::new() },
        Err(why) => {
            let text = format!("The complex images are not used: {why}.");
            let finding = Finding::new(Stage::Intake, Severity::Note, "complex-unused", text);
            Images { images: None, findings: vec![finding] }
        }
    }
}

/// A component's frame for each chosen one.
fn matched(by_cell: &ByCell, chosen: &Chosen, cells: &Cells, book: Book<'_>) -> Option<BTreeMap<Ref, Ref>> {
    chosen.frames.iter().map(|&r| Some((r, *by_cell.get(&cells.place(r, book)?)?))).collect()
}

fn from_phase(
    phase: &ByCell,
    chosen: &Chosen,
    cells: &Cells,
    pixels: &Pixels<'_>,
    mode: Mode,
    book: Book<'_>,
) -> Result<ComplexImages, &'static str> {
    let partner = matched(phase, chosen, cells, book).ok_or("phase is missing for some images")?;
    let all = |r: &Ref| matches!(pixels.get(r), Some(Ok(_)));
    if !partner.values().all(all) {
        return Err("some phase images cannot be decoded");
    }
    let lines: Option<BTreeMap<Ref, (f64, f64)>> =
        partner.values().map(|&r| Some((r, radians(book.frame(r)?, &book.file(r)?.format)?))).collect();
    let lines = lines.ok_or("the unit of the phase images cannot be established")?;
    let part = |of: fn(f64) -> f64| {
        let image = |r: Ref, out: &mut [f32]| {
            let Some(other) = partner.get(&r) else { return };
            let (Some(Ok(m)), Some(Ok(p))) = (pixels.get(&r), pixels.get(other)) else { return };
            let (Some(frame), Some((factor, offset))) = (book.frame(r), lines.get(other)) else { return };
            let (scale, shift) = mode.line(&frame.scale);
            for (i, out) in out.iter_mut().enumerate() {
                if let (Some(m), Some(p)) = (m.at(i), p.at(i)) {
                    *out = ((m * scale + shift) * of(p * factor + offset)) as f32;
                }
            }
        };
        fill(chosen, image, pixels_of(chosen, book)).0
    };
    Ok(ComplexImages { real: part(libm::cos), imaginary: part(libm::sin) })
}

fn cartesian(
    real: &ByCell,
    imaginary: &ByCell,
    chosen: &Chosen,
    cells: &Cells,
    pixels: &Pixels<'_>,
    book: Book<'_>,
) -> Result<ComplexImages, &'static str> {
    let part = |by_cell: &ByCell| {
        let partner = matched(by_cell, chosen, cells, book).ok_or("real or imaginary images are missing")?;
        if !partner.values().all(|r| matches!(pixels.get(r), Some(Ok(_)))) {
            return Err("some real or imaginary images cannot be decoded");
        }
        let scales: Vec<&Scale> = partner.values().filter_map(|&r| book.frame(r)).map(|f| &f.scale).collect();
        let maker = partner.values().next().and_then(|&r| book.file(r)?.header.scanner.manufacturer.as_deref());
        let mode = scaling::decide(&scales, vendor::philips::made_by(maker));
        let mode = mode.map_err(|_| "their scaling cannot be established")?;
        let image = |r: Ref, out: &mut [f32]| {
            let Some(other) = partner.get(&r) else { return };
            let (Some(Ok(stored)), Some(frame)) = (pixels.get(other), book.frame(*other)) else { return };
            let (factor, offset) = mode.line(&frame.scale);
            for (i, out) in out.iter_mut().enumerate() {
                *out = stored.at(i).map_or(0.0, |v| (v * factor + offset) as f32);
            }
        };
        Ok(fill(chosen, image, pixels_of(chosen, book)).0)
    };
    Ok(ComplexImages { real: part(real)?, imaginary: part(imaginary)? })
}

/// Magnitude of real and imaginary parts.
pub fn modulus(images: &ComplexImages) -> Array2<f32> {
    let mut out = images.real.clone();
    out.zip_mut_with(&images.imaginary, |r, &i| {
        let (a, b) = (f64::from(*r), f64::from(i));
        *r = (a * a + b * b).sqrt() as f32;
    });
    out
}

/// Factor and offset from stored phase to radians. The rescale says which of three habits the maker has:
/// radians, thousandths of radians, or 4096 for π; without a rescale the stored range itself spans a turn.
fn radians(frame: &Frame, format: &PixelFormat) -> Option<(f64, f64)> {
    use std::f64::consts::PI;
    let (slope, intercept) = (frame.scale.slope.unwrap_or(1.0), frame.scale.intercept.unwrap_or(0.0));
    let Sample::Whole { stored, signed, .. } = format.sample else {
        return Some((slope, intercept));
    };
    let steps = 2f64.powi(i32::from(stored)) - 1.0;
    let lowest = if signed { -(steps + 1.0) / 2.0 } else { 0.0 };
    let (low, high) = (lowest * slope + intercept, (lowest + steps) * slope + intercept);
    let half_turn = [PI, 1000.0 * PI, 4096.0]
        .into_iter()
        .find(|half| (high / half - 1.0).abs() < 0.01 && (low / half + 1.0).abs() < 0.01)?;
    let unit = PI / half_turn;
    Some((slope * unit, intercept * unit))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Habits seen in `../shared/data`: thousandths of radians (philips_classic_vs_enhanced) and ±4096
    /// (dcm_qa_fmap).
    #[test]
    fn phase_units_are_told_by_their_range() {
        let format = PixelFormat {
            rows: 1,
            columns: 1,
            sample: Sample::Whole { allocated: 16, stored: 12, signed: false },
            padding: None,
            element: 0x7FE0_0010,
            inverted: false,
        };
        let with = |slope, intercept| Frame {
            number: None,
            index: 0,
            echo_time: None,
            component: None,
            set_aside: None,
            words: Vec::new(),
            normalised: None,
            geometry: crate::intake::image::Geometry {
                size: [1, 1],
                spacing: [1.0, 1.0],
                along_row: [1.0, 0.0, 0.0],
                along_column: [0.0, 1.0, 0.0],
                position: [0.0; 3],
                thickness: None,
            },
            scale: Scale { slope: Some(slope), intercept: Some(intercept), ..Scale::default() },
            acquisition: None,
            temporal: None,
            time: None,
            settings: [None; 3],
        };
        let pi = std::f64::consts::PI;
        for (slope, intercept) in [(1.534_554_334_554_33, -3142.0), (2.0, -4096.0)] {
            let (factor, offset) = radians(&with(slope, intercept), &format).expect("known unit");
            assert!((offset + pi).abs() < 0.001 && (4095.0 * factor + offset - pi).abs() < 0.002, "{slope}");
        }
        assert_eq!(radians(&with(1.0, 0.0), &format), None);
    }
}
