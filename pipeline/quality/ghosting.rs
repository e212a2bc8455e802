//! Ghosts in the background along phase encoding.
//!
//! The ratio is the percent-signal ghosting of the American College of Radiology's large-phantom test (ACR, Large
//! and Medium Phantom Test Guidance): background along phase encoding less background along frequency encoding,
//! over twice the signal. There the regions are ellipses beside a phantom; here all background beside the body.

use super::body::{Body, Outline};
use crate::study::Acquisition;

/// Voxels left between body and background: chemical shift and the outline's own uncertainty.
const MARGIN: usize = 4;
/// Fewer background voxels than this along a direction say nothing.
const FEWEST: usize = 150;
/// Where more of the background than this is exactly zero, the scanner has blanked it.
const BLANKED: f64 = 0.3;

/// What the background shows.
#[derive(Clone, Debug)]
pub(super) struct Ghosts {
    /// |(phase − frequency) / (2 · signal)| of the first echo, percent, worst slice.
    pub(super) ratio_percent: f64,
    /// Ghost amplitude over body signal from the difference of mean squares, which the noise floor cancels from;
    /// first echo, all slices together, percent.
    pub(super) amplitude_percent: f64,
}

/// Sums over background voxels.
#[derive(Clone, Copy, Default)]
struct Sums {
    count: usize,
    zero: usize,
    sum: f64,
    squares: f64,
}

impl Sums {
    fn add(&mut self, value: f64) {
        self.count += 1;
        self.zero += usize::from(value == 0.0);
        self.sum += value;
        self.squares += value * value;
    }
    fn join(self, other: Self) -> Self {
        Self {
            count: self.count + other.count,
            zero: self.zero + other.zero,
            sum: self.sum + other.sum,
            squares: self.squares + other.squares,
        }
    }
    fn mean(self) -> f64 {
        self.sum / self.count.max(1) as f64
    }
    fn mean_square(self) -> f64 {
        self.squares / self.count.max(1) as f64
    }
}

/// Looks at the first echo of every slice. `None` where no slice has background on both sides, or it is blanked.
pub(super) fn measure(acquisition: &Acquisition, body: &Body) -> Option<Ghosts> {
    let along_row = acquisition.header().sequence.phase_encoding_along_row;
    let mut all = (Sums::default(), Sums::default());
    let mut worst: Option<f64> = None;
    for (slice, outline) in body.outlines.iter().enumerate().filter(|(_, o)| o.signal > 0.0) {
        // Beside the body along columns, and along rows.
        let (columns, rows) = beside(acquisition, slice, outline);
        let (phase, frequency) = if along_row == Some(true) { (rows, columns) } else { (columns, rows) };
        if phase.count < FEWEST || frequency.count < FEWEST {
            continue;
        }
        let ratio = 100.0 * ((phase.mean() - frequency.mean()) / (2.0 * outline.signal)).abs();
        worst = Some(worst.map_or(ratio, |w| w.max(ratio)));
        all = (all.0.join(phase), all.1.join(frequency));
    }
    let (phase, frequency) = all;
    let blanked = |s: Sums| s.zero as f64 > BLANKED * s.count as f64;
    if blanked(phase) || blanked(frequency) {
        return None;
    }
    let signal = body.signal()?;
    let power = phase.mean_square() - frequency.mean_square();
    // Where the direction is not known, ghosts may lie along either.
    let power = if along_row.is_none() { power.abs() } else { power.max(0.0) };
    Some(Ghosts { ratio_percent: worst?, amplitude_percent: 100.0 * power.sqrt() / signal })
}

/// Background beside the body along columns, and along rows.
fn beside(acquisition: &Acquisition, slice: usize, outline: &Outline) -> (Sums, Sums) {
    let grid = acquisition.grid();
    let image = acquisition.echo(0);
    let value = |row, column| f64::from(image[grid.index(slice, row, column)]);
    let outside =
        |(from, to): (usize, usize), length: usize| (0..from.saturating_sub(MARGIN)).chain((to + MARGIN + 1)..length);
    let mut along_columns = Sums::default();
    for (column, span) in outline.columns.iter().enumerate() {
        for row in span.iter().flat_map(|&span| outside(span, grid.rows())) {
            along_columns.add(value(row, column));
        }
    }
    let mut along_rows = Sums::default();
    for (row, span) in outline.rows.iter().enumerate() {
        for column in span.iter().flat_map(|&span| outside(span, grid.columns())) {
            along_rows.add(value(row, column));
        }
    }
    (along_columns, along_rows)
}
