//! Slices that lie at other heights than their positions say: each in a breath-hold of its own.
//!
//! A body changes little by little from slice to slice, so that a slice looks like a mixture of its two neighbours, by
//! halves where the three are evenly spaced. Where organs stood higher or lower in one of them, the share is another.

use super::body::Body;
use crate::fit::Noise;
use crate::study::Acquisition;
use rayon::prelude::*;

/// Pixels averaged along rows and columns, so that noise and fine texture do not matter.
const CELL: usize = 4;
/// Brightness counts up to this many times the body's median: blood flowing in is brighter in some slices.
const BRIGHTEST: f64 = 1.3;
/// Neighbours must differ by this share of the body's signal, and by three standard deviations of noise.
const CHANGE: f64 = 0.1;
/// Cells with a change below which the share says nothing.
const FEWEST: usize = 20;

/// Largest distance in mm of a slice from where its neighbours say that it lies. `None` where fewer than three slices
/// change enough. Blank background adds nothing, and noise draws the share towards one half.
pub(super) fn through_plane(acquisition: &Acquisition, noise: &Noise, body: &Body) -> Option<f64> {
    let grid = acquisition.grid();
    let step = grid.slice_step()?.0;
    let signal = body.signal()?;
    let cells: Vec<Vec<f64>> =
        (0..grid.slices()).into_par_iter().map(|slice| cells(acquisition, slice, BRIGHTEST * signal)).collect();
    // The difference of two means of CELL² voxels has a deviation of √2·σ/CELL.
    let least = (CHANGE * signal).max(3.0 * std::f64::consts::SQRT_2 * noise.sigma / CELL as f64);
    let away = |slices: &[Vec<f64>]| {
        let (mut product, mut square, mut changed) = (0.0, 0.0, 0);
        for ((below, own), above) in slices[0].iter().zip(&slices[1]).zip(&slices[2]) {
            let whole = above - below;
            if whole.abs() > least {
                product += whole * (own - below);
                square += whole * whole;
                changed += 1;
            }
        }
        (changed >= FEWEST).then(|| (product / square - 0.5).abs() * 2.0 * step)
    };
    cells.windows(3).filter_map(away).max_by(f64::total_cmp)
}

/// Means over squares of the first echo's image, bright places cut down.
fn cells(acquisition: &Acquisition, slice: usize, brightest: f64) -> Vec<f64> {
    let grid = acquisition.grid();
    let image = acquisition.echo(0);
    let (rows, columns) = (grid.rows() / CELL, grid.columns() / CELL);
    let mut out = vec![0.0; rows * columns];
    for row in 0..rows * CELL {
        for column in 0..columns * CELL {
            let value = f64::from(image[grid.index(slice, row, column)]).min(brightest);
            out[(row / CELL) * columns + column / CELL] += value / (CELL * CELL) as f64;
        }
    }
    out
}
