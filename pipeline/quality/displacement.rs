//! Displacement between echoes and between slices by phase correlation (Kuglin and Hines 1975).

use super::body::Body;
use super::fourier::{Complex, Plan};
use super::order;
use crate::fit::Noise;
use crate::study::Acquisition;
use rayon::prelude::*;

/// Side of the square that is transformed; larger images are averaged down to fit.
const SIDE: usize = 128;
/// Displacements beyond this many points of the square are not looked for.
const FARTHEST: usize = 16;
/// Spatial frequencies fade out from here, in parts of the sampling frequency: noise lives above.
const CUTOFF: f64 = 0.12;
/// An echo whose body signal is below this many standard deviations of the noise shows no shape.
const LEAST_SIGNAL: f64 = 6.0;
/// Correlation peaks below this part of a perfect one are not trusted.
const LEAST_PEAK: f64 = 0.12;

/// Images on their way into the square.
struct Frame<'a> {
    acquisition: &'a Acquisition,
    body: &'a Body,
    /// Pixels averaged into one point, along rows and columns alike.
    factor: usize,
    plan: Plan,
}

impl<'a> Frame<'a> {
    fn new(acquisition: &'a Acquisition, body: &'a Body) -> Self {
        let grid = acquisition.grid();
        let factor = grid.rows().max(grid.columns()).div_ceil(SIDE);
        Self { acquisition, body, factor, plan: Plan::new(SIDE) }
    }

    /// The image of a slice and echo as real numbers in the square, mean removed, faded at the rim of the body's box.
    fn square(&self, slice: usize, echo: usize) -> Vec<f64> {
        let grid = self.acquisition.grid();
        let (rows, columns) = (grid.rows() / self.factor, grid.columns() / self.factor);
        let image = self.acquisition.echo(echo);
        let area = (self.factor * self.factor) as f64;
        let mut out = vec![0.0; SIDE * SIDE];
        let mut sum = 0.0;
        for row in 0..rows {
            for column in 0..columns {
                let mut value = 0.0;
                for r in 0..self.factor {
                    for c in 0..self.factor {
                        let at = grid.index(slice, row * self.factor + r, column * self.factor + c);
                        value += f64::from(image[at]);
                    }
                }
                value = (value / area - self.body.floor).max(0.0);
                out[row * SIDE + column] = value;
                sum += value;
            }
        }
        let mean = sum / (rows * columns).max(1) as f64;
        let (fade_rows, fade_columns) = (fade(rows), fade(columns));
        for row in 0..rows {
            for column in 0..columns {
                let point = &mut out[row * SIDE + column];
                *point = (*point - mean) * fade_rows[row] * fade_columns[column];
            }
        }
        out
    }

    /// Spectra of two real images by one transform.
    fn spectra(&self, a: &[f64], b: &[f64]) -> (Vec<Complex>, Vec<Complex>) {
        let mut both: Vec<Complex> = a.iter().copied().zip(b.iter().copied()).collect();
        self.plan.square(&mut both);
        let mirror = |i: usize| (SIDE - i) % SIDE;
        let mut first = Vec::with_capacity(both.len());
        let mut second = Vec::with_capacity(both.len());
        for (at, z) in both.iter().enumerate() {
            let m = both[mirror(at / SIDE) * SIDE + mirror(at % SIDE)];
            first.push((0.5 * (z.0 + m.0), 0.5 * (z.1 - m.1)));
            second.push((0.5 * (z.1 + m.1), 0.5 * (m.0 - z.0)));
        }
        (first, second)
    }

    /// Displacement in mm from a summed, whitened cross spectrum; `None` where no peak stands out.
    fn displacement(&self, cross: &mut [Complex], images: usize) -> Option<f64> {
        // The inverse transform of a Hermitian spectrum is the forward one, mirrored.
        self.plan.square(cross);
        let perfect = images as f64 * weights_sum();
        let value = |row: i64, column: i64| {
            let wrap = |k: i64| k.rem_euclid(SIDE as i64) as usize;
            cross[wrap(row) * SIDE + wrap(column)].0
        };
        let far = FARTHEST as i64;
        let mut best = (f64::NEG_INFINITY, 0, 0);
        for row in -far..=far {
            for column in -far..=far {
                let v = value(row, column);
                if v > best.0 {
                    best = (v, row, column);
                }
            }
        }
        let (peak, row, column) = best;
        if peak < LEAST_PEAK * perfect {
            return None;
        }
        let row = row as f64 + vertex(value(row - 1, column), peak, value(row + 1, column));
        let column = column as f64 + vertex(value(best.1, column - 1), peak, value(best.1, column + 1));
        let grid = self.acquisition.grid();
        let (dy, dx) = (row * grid.row_spacing().0, column * grid.column_spacing().0);
        Some((dy * dy + dx * dx).sqrt() * self.factor as f64)
    }
}

/// Where the parabola through three equally spaced values peaks, from -0.5 to 0.5.
fn vertex(left: f64, middle: f64, right: f64) -> f64 {
    let curvature = left - 2.0 * middle + right;
    if curvature >= 0.0 { 0.0 } else { (0.5 * (left - right) / curvature).clamp(-0.5, 0.5) }
}

/// Cosine fade over the outer eighth at both ends.
fn fade(length: usize) -> Vec<f64> {
    let ramp = (length / 8).max(1);
    (0..length)
        .map(|at| {
            let edge = at.min(length - 1 - at);
            let part = ((edge as f64 + 0.5) / ramp as f64).min(1.0);
            0.5 - 0.5 * libm::cos(std::f64::consts::PI * part)
        })
        .collect()
}

/// Weight of a point of the spectrum.
fn weight(row: usize, column: usize) -> f64 {
    let frequency = |k: usize| k.min(SIDE - k) as f64 / SIDE as f64;
    let square = frequency(row) * frequency(row) + frequency(column) * frequency(column);
    libm::exp(-square / (CUTOFF * CUTOFF))
}

fn weights_sum() -> f64 {
    (0..SIDE * SIDE).map(|at| weight(at / SIDE, at % SIDE)).sum()
}

/// Adds the whitened product of one spectrum with the conjugate of another.
fn add_cross(to: &mut [Complex], a: &[Complex], b: &[Complex], weights: &[f64]) {
    for (((to, a), b), weight) in to.iter_mut().zip(a).zip(b).zip(weights) {
        let product = (a.0 * b.0 + a.1 * b.1, a.1 * b.0 - a.0 * b.1);
        let size = (product.0 * product.0 + product.1 * product.1).sqrt();
        if size > 0.0 {
            to.0 += weight * product.0 / size;
            to.1 += weight * product.1 / size;
        }
    }
}

fn weights() -> Vec<f64> {
    (0..SIDE * SIDE).map(|at| weight(at / SIDE, at % SIDE)).collect()
}

/// Largest displacement between an echo and the one before it, mm, over all slices together.
/// `None` where fewer than two echoes show a shape.
pub(super) fn between_echoes(acquisition: &Acquisition, noise: &Noise, body: &Body) -> Option<f64> {
    let frame = Frame::new(acquisition, body);
    let slices = acquisition.grid().slices();
    let shown = shaped_echoes(acquisition, noise, body);
    if shown < 2 {
        return None;
    }
    // Not every slice is needed: motion between echoes moves all of them.
    let step = slices.div_ceil(8);
    let chosen: Vec<usize> = (step / 2..slices).step_by(step).collect();
    let weights = weights();
    let spectra: Vec<Vec<Vec<Complex>>> = chosen
        .par_iter()
        .map(|&slice| {
            let images: Vec<Vec<f64>> = (0..shown).map(|echo| frame.square(slice, echo)).collect();
            let mut spectra = Vec::with_capacity(shown);
            for pair in images.chunks(2) {
                let (a, b) = frame.spectra(&pair[0], pair.last().unwrap_or(&pair[0]));
                spectra.push(a);
                if pair.len() == 2 {
                    spectra.push(b);
                }
            }
            spectra
        })
        .collect();
    let moved: Vec<Option<f64>> = (1..shown)
        .into_par_iter()
        .map(|echo| {
            let mut cross = vec![(0.0, 0.0); SIDE * SIDE];
            for slice in &spectra {
                add_cross(&mut cross, &slice[echo - 1], &slice[echo], &weights);
            }
            frame.displacement(&mut cross, spectra.len())
        })
        .collect();
    moved.into_iter().flatten().max_by(f64::total_cmp)
}

/// Echoes, from the first on, in which the body still stands out.
fn shaped_echoes(acquisition: &Acquisition, noise: &Noise, body: &Body) -> usize {
    let grid = acquisition.grid();
    let middle = grid.slices() / 2;
    let outline = &body.outlines[middle];
    let inside: Vec<usize> = (0..grid.rows())
        .step_by(2)
        .flat_map(|row| (0..grid.columns()).step_by(2).map(move |column| (row, column)))
        .filter(|&(row, column)| outline.contains(row, column))
        .map(|(row, column)| grid.index(middle, row, column))
        .collect();
    (0..acquisition.echo_times().len())
        .take_while(|&echo| {
            let image = acquisition.echo(echo);
            super::median(inside.iter().map(|&at| f64::from(image[at])).collect())
                .is_some_and(|signal| signal > LEAST_SIGNAL * noise.sigma)
        })
        .count()
}

/// Largest displacement between neighbouring slices at the first echo, mm, in the plane or through it. `None` with one
/// slice or where neither can be measured.
pub(super) fn between_slices(acquisition: &Acquisition, noise: &Noise, body: &Body) -> Option<f64> {
    if acquisition.grid().slices() < 2 {
        return None;
    }
    let found = [in_plane(acquisition, body), order::through_plane(acquisition, noise, body)];
    found.into_iter().flatten().max_by(f64::total_cmp)
}

fn in_plane(acquisition: &Acquisition, body: &Body) -> Option<f64> {
    let slices = acquisition.grid().slices();
    let frame = Frame::new(acquisition, body);
    let weights = weights();
    let moved: Vec<Option<f64>> = (1..slices)
        .into_par_iter()
        .map(|slice| {
            let (a, b) = frame.spectra(&frame.square(slice - 1, 0), &frame.square(slice, 0));
            let mut cross = vec![(0.0, 0.0); SIDE * SIDE];
            add_cross(&mut cross, &a, &b, &weights);
            frame.displacement(&mut cross, 1)
        })
        .collect();
    moved.into_iter().flatten().max_by(f64::total_cmp)
}
