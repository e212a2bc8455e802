//! Slices as pixels: windowing, cropping to the body, resampling to millimetres, outlines.

use super::canvas::Pixels;
use super::colour::{self, Rgb};
use crate::report::view::View;
use std::fmt::Write as _;

/// A part of an image: first and one-past-last row and column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Crop {
    /// Rows.
    pub rows: [usize; 2],
    /// Columns.
    pub columns: [usize; 2],
}

/// Where a cropped image lies on the canvas: its pixel box after keeping the millimetres square.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placed {
    /// The part shown.
    pub crop: Crop,
    /// Left, top, width, height in canvas pixels.
    pub place: [f64; 4],
}

/// How grey values are shown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window {
    /// The signal shown white.
    pub white: f32,
}

impl Window {
    /// From all voxels of the first echo: white at the 99.5th percentile.
    pub fn of(view: &View<'_>) -> Self {
        let mut values: Vec<f32> = match &view.magnitude {
            // Every seventh voxel is enough to find a percentile.
            Some(m) if m.nrows() > 0 => m.row(0).iter().step_by(7).copied().collect(),
            _ => return Self { white: 1.0 },
        };
        values.sort_by(f32::total_cmp);
        let at = (values.len() as f64 * 0.995) as usize;
        let white = values.get(at.min(values.len().saturating_sub(1))).copied().unwrap_or(1.0);
        Self { white: if white > 0.0 { white } else { 1.0 } }
    }

    /// Grey of a signal. The square root lifts the dark liver without hiding what is bright.
    fn grey(self, signal: f32) -> f32 {
        (signal / self.white).clamp(0.0, 1.0).sqrt()
    }
}

impl Crop {
    /// The trunk at the first echo, with a margin: the largest piece of what is bright in a quarter of the slices, so
    /// that arms beside it do not make it small. The whole image where nothing stands out.
    pub fn body(view: &View<'_>, window: Window) -> Self {
        let [slices, rows, columns] = view.shape();
        let Some(magnitude) = &view.magnitude else { return Self { rows: [0, rows], columns: [0, columns] } };
        let mut bright = vec![0usize; rows * columns];
        for index in (0..slices * rows * columns).filter(|&index| magnitude[[0, index]] > 0.12 * window.white) {
            bright[index % (rows * columns)] += 1;
        }
        let plane: Vec<bool> = bright.iter().map(|&n| n * 4 >= slices.max(4)).collect();
        let trunk = largest_piece(&plane, columns);
        Self::around(view, 0.02, |index| trunk[index % (rows * columns)])
    }

    /// The region in all slices with a margin.
    pub fn region(view: &View<'_>) -> Self {
        Self::around(view, 0.06, |index| view.region.is_some_and(|r| r.get(index).copied().unwrap_or(false)))
    }

    fn around(view: &View<'_>, margin: f64, wanted: impl Fn(usize) -> bool) -> Self {
        let [slices, rows, columns] = view.shape();
        let (mut r, mut c) = ([rows, 0], [columns, 0]);
        // Lines with only a speck of noise or an artefact do not widen the box.
        let mut by_row = vec![0usize; rows];
        let mut by_column = vec![0usize; columns];
        for index in 0..slices * rows * columns {
            if wanted(index) {
                by_row[index / columns % rows] += 1;
                by_column[index % columns] += 1;
            }
        }
        let least = slices.max(2);
        for (row, &n) in by_row.iter().enumerate() {
            if n >= least {
                r = [r[0].min(row), row + 1];
            }
        }
        for (column, &n) in by_column.iter().enumerate() {
            if n >= least {
                c = [c[0].min(column), column + 1];
            }
        }
        if r[0] + 4 > r[1] || c[0] + 4 > c[1] {
            return Self { rows: [0, rows], columns: [0, columns] };
        }
        let widen = |[from, to]: [usize; 2], limit: usize| {
            let extra = ((to - from) as f64 * margin).ceil() as usize + 1;
            [from.saturating_sub(extra), (to + extra).min(limit)]
        };
        Self { rows: widen(r, rows), columns: widen(c, columns) }
    }

    /// Width over height in millimetres.
    pub fn aspect(self, view: &View<'_>) -> f64 {
        let (height, width) = self.extent(view);
        width / height.max(1e-6)
    }

    fn extent(self, view: &View<'_>) -> (f64, f64) {
        let (dy, dx) = view.grid.map_or((1.0, 1.0), |g| (g.row_spacing().0, g.column_spacing().0));
        ((self.rows[1] - self.rows[0]) as f64 * dy, (self.columns[1] - self.columns[0]) as f64 * dx)
    }

    /// Fits the part into a box of the canvas, millimetres square, centred.
    pub fn placed(self, view: &View<'_>, [x, y, w, h]: [f64; 4]) -> Placed {
        let (height, width) = self.extent(view);
        let scale = (w / width.max(1e-6)).min(h / height.max(1e-6));
        let (fw, fh) = ((width * scale).floor(), (height * scale).floor());
        Placed { crop: self, place: [(x + (w - fw) / 2.0).floor(), (y + (h - fh) / 2.0).floor(), fw, fh] }
    }
}

/// The largest piece of a plane whose pixels touch by an edge.
fn largest_piece(plane: &[bool], columns: usize) -> Vec<bool> {
    let mut piece_of = vec![0usize; plane.len()];
    let mut sizes = vec![0usize];
    for start in 0..plane.len() {
        if !plane[start] || piece_of[start] != 0 {
            continue;
        }
        let piece = sizes.len();
        sizes.push(0);
        piece_of[start] = piece;
        let mut waiting = vec![start];
        while let Some(at) = waiting.pop() {
            sizes[piece] += 1;
            let column = at % columns;
            let beside = [
                (column > 0).then(|| at - 1),
                (column + 1 < columns).then_some(at + 1),
                at.checked_sub(columns),
                Some(at + columns).filter(|&below| below < plane.len()),
            ];
            for next in beside.into_iter().flatten() {
                if plane[next] && piece_of[next] == 0 {
                    piece_of[next] = piece;
                    waiting.push(next);
                }
            }
        }
    }
    let largest = (1..sizes.len()).max_by_key(|&piece| (sizes[piece], std::cmp::Reverse(piece))).unwrap_or(0);
    piece_of.iter().map(|&piece| piece != 0 && piece == largest).collect()
}

/// What colours a voxel beyond its grey: colour and how much of it.
pub type Tint<'a> = &'a dyn Fn(usize) -> Option<(Rgb, f32)>;

/// Draws a slice of one echo. Grey is interpolated, tints are not: a voxel is a voxel.
pub fn paint(
    pixels: &mut Pixels,
    view: &View<'_>,
    [slice, echo]: [usize; 2],
    placed: Placed,
    window: Window,
    dim: f32,
    tint: Tint<'_>,
) {
    let Some(magnitude) = &view.magnitude else { return };
    let [_, rows, columns] = view.shape();
    let Placed { crop, place: [left, top, width, height] } = placed;
    let (crop_rows, crop_columns) = ((crop.rows[1] - crop.rows[0]) as f64, (crop.columns[1] - crop.columns[0]) as f64);
    let base = slice * rows * columns;
    let signal = |row: usize, column: usize| magnitude[[echo, base + row * columns + column]];
    for py in 0..height as usize {
        let v = crop.rows[0] as f64 + (py as f64 + 0.5) / height * crop_rows;
        let row = (v as usize).min(rows - 1);
        let (r0, r1, fr) = neighbours(v, rows);
        for px in 0..width as usize {
            let u = crop.columns[0] as f64 + (px as f64 + 0.5) / width * crop_columns;
            let column = (u as usize).min(columns - 1);
            let (c0, c1, fc) = neighbours(u, columns);
            let upper = signal(r0, c0) * (1.0 - fc) + signal(r0, c1) * fc;
            let lower = signal(r1, c0) * (1.0 - fc) + signal(r1, c1) * fc;
            let grey = window.grey(upper * (1.0 - fr) + lower * fr) * dim * 255.0;
            let mut colour = [grey as u8; 3];
            if let Some((tint, amount)) = tint(base + row * columns + column) {
                for (c, t) in colour.iter_mut().zip(tint) {
                    *c = (f32::from(*c) * (1.0 - amount) + f32::from(t) * amount) as u8;
                }
            }
            pixels.set(left as usize + px, top as usize + py, colour);
        }
    }
}

/// The two samples around a position in voxel units (centres at halves) and the weight of the second.
fn neighbours(position: f64, count: usize) -> (usize, usize, f32) {
    let at = (position - 0.5).clamp(0.0, (count - 1) as f64);
    let first = at as usize;
    (first, (first + 1).min(count - 1), (at - first as f64) as f32)
}

/// The outline of a region in one slice as an SVG path along voxel edges.
pub fn outline(view: &View<'_>, slice: usize, placed: Placed) -> String {
    let [_, rows, columns] = view.shape();
    let Some(region) = view.region else { return String::new() };
    let mask = view.slice_of(region, slice);
    if mask.len() != rows * columns {
        return String::new();
    }
    let Placed { crop, place: [left, top, width, height] } = placed;
    let sx = width / (crop.columns[1] - crop.columns[0]) as f64;
    let sy = height / (crop.rows[1] - crop.rows[0]) as f64;
    let x = |column: usize| left + (column as f64 - crop.columns[0] as f64) * sx;
    let y = |row: usize| top + (row as f64 - crop.rows[0] as f64) * sy;
    let inside = |row: usize, column: usize| row < rows && column < columns && mask[row * columns + column];
    let mut path = String::new();
    // Horizontal edges, then vertical ones, neighbours joined into one stroke.
    for row in 0..=rows {
        let edge = |c: usize| (row > 0 && inside(row - 1, c)) != inside(row, c);
        for (from, to) in runs(columns, edge) {
            let _ = write!(path, "M{:.1} {:.1}H{:.1}", x(from), y(row), x(to));
        }
    }
    for column in 0..=columns {
        let edge = |r: usize| (column > 0 && inside(r, column - 1)) != inside(r, column);
        for (from, to) in runs(rows, edge) {
            let _ = write!(path, "M{:.1} {:.1}V{:.1}", x(column), y(from), y(to));
        }
    }
    path
}

fn runs(count: usize, wanted: impl Fn(usize) -> bool) -> Vec<(usize, usize)> {
    let mut found = Vec::new();
    let mut start = None;
    for at in 0..=count {
        match (at < count && wanted(at), start) {
            (true, None) => start = Some(at),
            (false, Some(from)) => {
                found.push((from, at));
                start = None;
            }
            _ => {}
        }
    }
    found
}

/// Tints a voxel with its R2* on a scale from 0 to `top`.
pub fn r2star_tint(map: &[f32], top: f64) -> impl Fn(usize) -> Option<(Rgb, f32)> + '_ {
    move |index| {
        let value = *map.get(index)?;
        value.is_finite().then(|| (colour::of_fraction(f64::from(value) / top), 1.0))
    }
}

/// Tints a voxel with the colour of the reason it was left out for.
pub fn exclusion_tint(excluded: &[u8]) -> impl Fn(usize) -> Option<(Rgb, f32)> + '_ {
    move |index| match excluded.get(index) {
        None | Some(0) => None,
        Some(&code) => Some((colour::of_exclusion(code), 0.8)),
    }
}
