//! Where the patient is in each slice, from the first echo alone.

use crate::fit::{Noise, mean_signal};
use crate::study::Acquisition;
use rayon::prelude::*;

/// Above the noise's own mean by this many standard deviations is signal.
const STANDS_OUT: f64 = 5.0;
/// Signal below this part of the slice's bright tissue counts as background, ghosts included.
const FAINT: f64 = 0.15;
/// A body begins where this many neighbours in a line stand out, so that single noisy voxels do not.
const RUN: usize = 4;

/// First and last voxel of the body along each line of a slice; `None` where the line has no body.
type Spans = Vec<Option<(usize, usize)>>;

/// The outline of the patient in one slice.
#[derive(Clone, Debug)]
pub(super) struct Outline {
    /// For each row, the columns.
    pub(super) rows: Spans,
    /// For each column, the rows.
    pub(super) columns: Spans,
    /// Median signal of what stands out; 0 where nothing does.
    pub(super) signal: f64,
}

impl Outline {
    /// Whether the voxel lies between body along its row and along its column.
    pub(super) fn contains(&self, row: usize, column: usize) -> bool {
        let inside = |span: Option<&Option<(usize, usize)>>, at: usize| matches!(span, Some(Some((from, to))) if (*from..=*to).contains(&at));
        inside(self.rows.get(row), column) && inside(self.columns.get(column), row)
    }
}

/// The patient in every slice.
#[derive(Clone, Debug)]
pub(super) struct Body {
    pub(super) outlines: Vec<Outline>,
    /// Mean magnitude of pure noise.
    pub(super) floor: f64,
}

impl Body {
    /// Looks at the first echo.
    pub(super) fn find(acquisition: &Acquisition, noise: &Noise) -> Self {
        let grid = acquisition.grid();
        let (columns, voxels) = (grid.columns(), grid.slice_voxels());
        let floor = noise.sigma * mean_signal(0.0, noise.coil_elements);
        let first = acquisition.echo(0);
        let outlines = (0..grid.slices())
            .into_par_iter()
            .map(|slice| {
                let image: Vec<f64> = first.iter().skip(slice * voxels).take(voxels).map(|&x| f64::from(x)).collect();
                outline(&image, columns, floor, noise.sigma)
            })
            .collect();
        Self { outlines, floor }
    }

    /// Median of the slices' signal; `None` where no slice has any.
    pub(super) fn signal(&self) -> Option<f64> {
        super::median(self.outlines.iter().map(|o| o.signal).filter(|&s| s > 0.0).collect())
    }
}

fn outline(image: &[f64], columns: usize, floor: f64, sigma: f64) -> Outline {
    let rows = image.len() / columns;
    let mut sorted = image.to_vec();
    let high = (sorted.len() * 95 / 100).min(sorted.len().saturating_sub(1));
    let bright = *sorted.select_nth_unstable_by(high, f64::total_cmp).1;
    let threshold = (floor + STANDS_OUT * sigma).max(FAINT * bright);
    let row_spans = (0..rows).map(|row| span((0..columns).map(|c| image[row * columns + c] > threshold))).collect();
    let column_spans =
        (0..columns).map(|column| span((0..rows).map(|r| image[r * columns + column] > threshold))).collect();
    let signal = super::median(image.iter().copied().filter(|&x| x > threshold).collect()).unwrap_or(0.0);
    Outline { rows: row_spans, columns: column_spans, signal }
}

/// From the first run of signal to the last along a line.
fn span(line: impl Iterator<Item = bool>) -> Option<(usize, usize)> {
    let mut run = 0;
    let mut found: Option<(usize, usize)> = None;
    for (at, signal) in line.enumerate() {
        run = if signal { run + 1 } else { 0 };
        if run >= RUN {
            found = Some((found.map_or(at + 1 - RUN, |(from, _)| from), at));
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_body_runs_from_the_first_run_to_the_last() {
        let line = |text: &str| text.chars().map(|c| c == '#').collect::<Vec<_>>().into_iter();
        assert_eq!(span(line("#..####..#####.#")), Some((3, 13)));
        assert_eq!(span(line("#.#.#.")), None);
    }
}
