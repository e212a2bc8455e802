//! Signal where it should be, and where it should not: signal-to-noise, wrap-around, saturation, voids.

use super::body::Body;
use crate::fit::Noise;
use crate::study::{Acquisition, flaw};

/// Rows and columns at the rim that a body should not reach.
const RIM: usize = 2;

/// Median signal of the region at the first echo over the noise of one real channel. `None` without a region.
pub(super) fn signal_to_noise(acquisition: &Acquisition, noise: &Noise, mask: &[bool]) -> Option<f64> {
    let first = acquisition.echo(0);
    let signal =
        super::median(first.iter().zip(mask).filter(|(_, inside)| **inside).map(|(&x, _)| f64::from(x)).collect())?;
    (noise.sigma > 0.0).then(|| signal / noise.sigma)
}

/// Mean signal above the noise in the brightest of the four rims, over the body's signal, percent; worst slice.
pub(super) fn wrap(acquisition: &Acquisition, noise: &Noise, body: &Body) -> Option<f64> {
    let grid = acquisition.grid();
    let first = acquisition.echo(0);
    let (rows, columns) = (grid.rows(), grid.columns());
    if rows <= 2 * RIM || columns <= 2 * RIM {
        return None;
    }
    let signal = body.signal()?;
    let mut worst: f64 = 0.0;
    for slice in 0..grid.slices() {
        let mean = |rows: std::ops::Range<usize>, columns: std::ops::Range<usize>| {
            let count = (rows.len() * columns.len()) as f64;
            let sum: f64 = rows
                .flat_map(|row| columns.clone().map(move |column| (row, column)))
                .map(|(row, column)| f64::from(first[grid.index(slice, row, column)]))
                .sum();
            sum / count
        };
        let rims = [
            mean(0..RIM, 0..columns),
            mean(rows - RIM..rows, 0..columns),
            mean(0..rows, 0..RIM),
            mean(0..rows, columns - RIM..columns),
        ];
        worst = rims.into_iter().fold(worst, f64::max);
    }
    // Within a tenth of a standard deviation of the noise's own mean there is nothing.
    let above = worst - body.floor;
    Some(if above < 0.1 * noise.sigma { 0.0 } else { 100.0 * above / signal })
}

/// Voxels of region and organ at the top of the stored range in any echo, percent. `None` without an organ.
pub(super) fn saturation(acquisition: &Acquisition, mask: &[bool], organ: &[bool]) -> Option<f64> {
    let inside = |at: usize| mask.get(at) == Some(&true) || organ.get(at) == Some(&true);
    let flaws = acquisition.flaws();
    let count = (0..flaws.len()).filter(|&at| inside(at)).count();
    let saturated = (0..flaws.len()).filter(|&at| inside(at) && flaws[at] == flaw::SATURATED).count();
    (count > 0).then(|| 100.0 * saturated as f64 / count as f64)
}

/// Voxels inside the body that do not stand out of the noise at the first echo, percent of the body: gas and metal,
/// and livers that are black from the start.
pub(super) fn voids(acquisition: &Acquisition, noise: &Noise, body: &Body) -> Option<f64> {
    let grid = acquisition.grid();
    let first = acquisition.echo(0);
    let limit = body.floor + 2.0 * noise.sigma;
    let (mut inside, mut empty) = (0usize, 0usize);
    for (slice, outline) in body.outlines.iter().enumerate() {
        for row in 0..grid.rows() {
            for column in (0..grid.columns()).filter(|&column| outline.contains(row, column)) {
                inside += 1;
                empty += usize::from(f64::from(first[grid.index(slice, row, column)]) < limit);
            }
        }
    }
    (inside > 0).then(|| 100.0 * empty as f64 / inside as f64)
}
