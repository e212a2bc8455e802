//! Ghosts in the background along phase encoding.
//!
//! The ratio is the percent-signal ghosting of the American College of Radiology's large-phantom test (ACR, Large
//! and Medium Phantom Test Guidance): background along phase encoding less background along frequency encoding,
//! over twice the signal. There the regions are ellipses beside a phantom. Here the first is all background in
//! lines of phase encoding that cross the body, where its ghosts must lie, and the second all lines that miss the
//! body, where no ghost can.

use super::body::{Body, Outline};
use crate::fit::Noise;
use crate::study::Acquisition;

/// Voxels left between body and background: chemical shift and the outline's own uncertainty.
const MARGIN: usize = 4;
/// Fewer background voxels than this along a direction say nothing.
const FEWEST: usize = 150;
/// Where more of the background than this is exactly zero, the scanner has blanked it.
const BLANKED: f64 = 0.3;
/// Echoes whose background is looked at for the amplitude; motion acts alike on all of a train.
const ECHOES: usize = 4;
/// Where the noise varies in space, ghosts are what decays as the body does; the body must have lost at least this share of
/// its energy by the last echoes.
const DECAYED: f64 = 0.3;

/// What the background shows.
#[derive(Clone, Debug)]
pub(super) struct Ghosts {
    /// |(phase − frequency) / (2 · signal)| of the first echo, percent, worst slice.
    pub(super) ratio_percent: f64,
    /// Ghost amplitude over body signal from the difference of mean squares, which the noise floor cancels from;
    /// first echoes and all slices together, percent.
    pub(super) amplitude_percent: f64,
}

/// Sums over background voxels.
#[derive(Clone, Copy, Default)]
struct Sums {
    /// At the first echo.
    count: usize,
    zero: usize,
    sum: f64,
    /// At the first echoes together.
    samples: usize,
    squares: f64,
    /// At the last echoes together.
    late_samples: usize,
    late_squares: f64,
}

impl Sums {
    fn add(&mut self, echo: usize, late: bool, value: f64) {
        if late {
            self.late_samples += 1;
            self.late_squares += value * value;
        }
        if echo >= ECHOES {
            return;
        }
        if echo == 0 {
            self.count += 1;
            self.zero += usize::from(value == 0.0);
            self.sum += value;
        }
        self.samples += 1;
        self.squares += value * value;
    }
    fn join(self, other: Self) -> Self {
        Self {
            count: self.count + other.count,
            zero: self.zero + other.zero,
            sum: self.sum + other.sum,
            samples: self.samples + other.samples,
            squares: self.squares + other.squares,
            late_samples: self.late_samples + other.late_samples,
            late_squares: self.late_squares + other.late_squares,
        }
    }
    fn mean(self) -> f64 {
        self.sum / self.count.max(1) as f64
    }
    fn mean_square(self) -> f64 {
        self.squares / self.samples.max(1) as f64
    }
    /// Of the first echoes less that of the last: steady noise is gone, however it lies in space.
    fn decayed(self) -> f64 {
        self.mean_square() - self.late_squares / self.late_samples.max(1) as f64
    }
    fn blanked(self) -> bool {
        self.zero as f64 > BLANKED * self.count as f64
    }
}

/// Looks at every slice. `None` where no slice has both backgrounds, or they are blanked. Where the header does not
/// give the direction of phase encoding, ghosts may lie along either and the larger counts.
pub(super) fn measure(acquisition: &Acquisition, noise: &Noise, body: &Body) -> Option<Ghosts> {
    // Amplified noise differs between the two backgrounds by itself.
    let lost = noise.local.is_some().then(|| energy_lost(acquisition, body));
    let directions: &[bool] = match acquisition.header().sequence.phase_encoding_along_row {
        Some(true) => &[true],
        Some(false) => &[false],
        None => &[true, false],
    };
    let found = directions.iter().filter_map(|&along_row| along(acquisition, body, along_row, lost));
    found.max_by(|a, b| a.amplitude_percent.total_cmp(&b.amplitude_percent))
}

/// Share of its energy that the body has lost from the first echoes to the last.
fn energy_lost(acquisition: &Acquisition, body: &Body) -> f64 {
    let grid = acquisition.grid();
    let mut inside = Sums::default();
    for echo in 0..acquisition.echo_times().len() {
        let (image, late) = (acquisition.echo(echo), is_late(acquisition, echo));
        for (index, &value) in image.iter().enumerate() {
            let (slice, row, column) = grid.place(index);
            if body.outlines[slice].contains(row, column) {
                inside.add(echo, late, f64::from(value));
            }
        }
    }
    inside.decayed() / inside.mean_square().max(f64::MIN_POSITIVE)
}

/// Whether an echo is one of the last.
fn is_late(acquisition: &Acquisition, echo: usize) -> bool {
    let echoes = acquisition.echo_times().len();
    echo + ECHOES.min(echoes / 2) >= echoes
}

fn along(acquisition: &Acquisition, body: &Body, along_row: bool, lost: Option<f64>) -> Option<Ghosts> {
    let mut all = (Sums::default(), Sums::default());
    let mut worst: Option<f64> = None;
    for (slice, outline) in body.outlines.iter().enumerate().filter(|(_, o)| o.signal > 0.0) {
        let (phase, frequency) = backgrounds(acquisition, slice, outline, along_row);
        if phase.count < FEWEST || frequency.count < FEWEST {
            continue;
        }
        let ratio = 100.0 * ((phase.mean() - frequency.mean()) / (2.0 * outline.signal)).abs();
        worst = Some(worst.map_or(ratio, |w| w.max(ratio)));
        all = (all.0.join(phase), all.1.join(frequency));
    }
    let (phase, frequency) = all;
    if phase.blanked() || frequency.blanked() {
        return None;
    }
    let power = match lost {
        None => phase.mean_square() - frequency.mean_square(),
        Some(share) if share >= DECAYED => (phase.decayed() - frequency.decayed()) / share,
        Some(_) => return None,
    };
    let power = power.max(0.0);
    Some(Ghosts { ratio_percent: worst?, amplitude_percent: 100.0 * power.sqrt() / body.signal()? })
}

/// Background in lines of phase encoding that cross the body, and in lines that miss it.
fn backgrounds(acquisition: &Acquisition, slice: usize, outline: &Outline, along_row: bool) -> (Sums, Sums) {
    let grid = acquisition.grid();
    let (spans, length) = if along_row { (&outline.rows, grid.columns()) } else { (&outline.columns, grid.rows()) };
    let mut crossing = Sums::default();
    let mut missing = Sums::default();
    for echo in 0..acquisition.echo_times().len() {
        let late = is_late(acquisition, echo);
        if echo >= ECHOES && !late {
            continue;
        }
        let image = acquisition.echo(echo);
        let value = |line: usize, place: usize| {
            let (row, column) = if along_row { (line, place) } else { (place, line) };
            f64::from(image[grid.index(slice, row, column)])
        };
        for (line, span) in spans.iter().enumerate() {
            match span {
                Some((from, to)) => {
                    for place in (0..from.saturating_sub(MARGIN)).chain((to + MARGIN + 1)..length) {
                        crossing.add(echo, late, value(line, place));
                    }
                }
                None => {
                    let near = line.saturating_sub(MARGIN)..(line + MARGIN + 1).min(spans.len());
                    if spans[near].iter().all(Option::is_none) {
                        (0..length).for_each(|place| missing.add(echo, late, value(line, place)));
                    }
                }
            }
        }
    }
    (crossing, missing)
}
