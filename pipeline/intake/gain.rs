//! An echo with another gain than its neighbours: a step in the decay that no decay can make.

use crate::study::text::plain;
use crate::study::{Finding, Severity, Stage};
use ndarray::{Array2, ArrayView1};

/// Signal may rise between two echoes where water and fat come back into phase, by less than half over a whole
/// image; a larger rise is no decay (common practice, no source).
const LARGEST_RISE: f64 = 1.5;
/// The smallest step that is called, as a natural logarithm: a factor of about 1.3.
const STEP: f64 = 0.25;
/// Share of the voxels that must show it. Fat makes steps of this size where it is mixed with water, and never in
/// nine voxels of ten of a body.
const SHARE: f64 = 0.9;
/// Voxels looked at: enough for a sum over an image.
const SAMPLES: usize = 8000;
/// Voxels of those whose decay is followed: enough for a share of nine in ten.
const VOXELS: usize = 4000;
/// Fewer voxels prove nothing.
const FEWEST: usize = 24;

/// Looks at magnitude, echo × voxel, with echo times in ms.
pub fn step(magnitude: &Array2<f32>, echo_times: &[f64]) -> Option<Finding> {
    let stride = magnitude.ncols().div_ceil(SAMPLES).max(1);
    let first: Vec<(usize, f32)> = magnitude.row(0).iter().copied().enumerate().step_by(stride).collect();
    let mut values: Vec<f32> = first.iter().map(|(_, v)| *v).collect();
    let high = values.len() * 98 / 100;
    let bright = if high < values.len() { *values.select_nth_unstable_by(high, f32::total_cmp).1 } else { 0.0 };
    // Foreground: above a tenth of the brightest voxels of the first echo.
    let inside: Vec<usize> = first.into_iter().filter(|(_, v)| *v > 0.1 * bright).map(|(i, _)| i).collect();
    let some: Vec<usize> = inside.iter().copied().step_by(inside.len().div_ceil(VOXELS).max(1)).collect();
    rise(magnitude, echo_times, &inside).or_else(|| dip(magnitude, echo_times, &some, bright))
}

/// The whole image grows brighter.
fn rise(magnitude: &Array2<f32>, echo_times: &[f64], inside: &[usize]) -> Option<Finding> {
    let total =
        |row: ArrayView1<'_, f32>| -> f64 { inside.iter().filter_map(|&i| row.get(i)).map(|v| f64::from(*v)).sum() };
    let totals: Vec<f64> = magnitude.rows().into_iter().map(total).collect();
    let at = totals.windows(2).position(|w| w[0] > 0.0 && w[1] > LARGEST_RISE * w[0])?;
    let ratio = totals.get(at + 1)? / totals.get(at)?;
    let text = format!(
        "The signal rises by a factor of {} from {} ms to {} ms, which no decay does: one echo has another gain.",
        plain(ratio),
        plain(*echo_times.get(at)?),
        plain(*echo_times.get(at + 1)?)
    );
    let expected = format!("a rise of less than {LARGEST_RISE} between echoes");
    Some(finding(text, expected, plain(ratio), &[at, at + 1]))
}

/// The signal falls faster than it did before. A sum of decays, with or without a noise floor below it, is convex
/// on a logarithmic scale: its fall can only slow down. Fat beating against water is not, but never alike in
/// nearly all of a body, while a gain is alike in every voxel.
fn dip(magnitude: &Array2<f32>, echo_times: &[f64], inside: &[usize], bright: f32) -> Option<Finding> {
    // Below this a noise floor that the scanner cut off, or rounding to whole numbers, looks like a fall.
    let (clear, faint) = (0.1 * bright, 0.02 * bright);
    let mut worst: Option<(f64, usize)> = None;
    for middle in 1..magnitude.nrows().saturating_sub(1) {
        let [before, here, after] = [middle - 1, middle, middle + 1].map(|echo| magnitude.row(echo));
        let (first, second) = (
            echo_times.get(middle)? - echo_times.get(middle - 1)?,
            echo_times.get(middle + 1)? - echo_times.get(middle)?,
        );
        let mut excess: Vec<f64> = inside
            .iter()
            .filter_map(|&i| {
                let (a, b, c) = (*before.get(i)?, *here.get(i)?, *after.get(i)?);
                if a <= clear || b <= clear || c <= faint {
                    return None;
                }
                let fall = |from: f32, to: f32| libm::log(f64::from(from) / f64::from(to));
                Some(fall(b, c) - fall(a, b) * second / first)
            })
            .collect();
        if excess.len() < FEWEST {
            continue;
        }
        excess.sort_by(f64::total_cmp);
        // All but a tenth fall by at least this much more than before.
        let most = *excess.get(((1.0 - SHARE) * excess.len() as f64) as usize)?;
        if most > STEP && worst.is_none_or(|(w, _)| most > w) {
            worst = Some((most, middle));
        }
    }
    let (most, middle) = worst?;
    let factor = (libm::exp(most) * 100.0).round() / 100.0;
    let text = format!(
        "Nearly everywhere the signal from {} ms to {} ms falls {} times lower than its fall before allows, which no decay \
         does: one echo has another gain.",
        plain(*echo_times.get(middle)?),
        plain(*echo_times.get(middle + 1)?),
        plain(factor)
    );
    let expected = format!(
        "a fall that does not grow by more than a factor of {}",
        plain((libm::exp(STEP) * 100.0).round() / 100.0)
    );
    Some(finding(text, expected, plain(factor), &[middle, middle + 1]))
}

fn finding(text: String, expected: String, found: String, echoes: &[usize]) -> Finding {
    Finding::new(Stage::Intake, Severity::Stop, "echo-gain-step", text)
        .expected(expected)
        .found(found)
        .images(echoes.iter().map(|echo| format!("echo {}", echo + 1)).collect())
        .advice("Export the series again with the scanner's scaling kept.")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Voxels with rates of their own over a noise floor, each echo times its gain.
    fn voxels(gains: &[f32], of: impl Fn(usize, f64) -> f64) -> (Array2<f32>, Vec<f64>) {
        let times: Vec<f64> = (0..gains.len()).map(|echo| 1.0 + 1.1 * echo as f64).collect();
        let values =
            Array2::from_shape_fn((gains.len(), 600), |(echo, voxel)| gains[echo] * of(voxel, times[echo]) as f32);
        (values, times)
    }

    fn decay(voxel: usize, t: f64) -> f64 {
        let rate = 0.03 + 0.0008 * voxel as f64;
        let signal = 900.0 * libm::exp(-rate * t);
        libm::sqrt(signal * signal + 30.0 * 30.0)
    }

    fn named(gains: &[f32], of: impl Fn(usize, f64) -> f64) -> Option<Vec<String>> {
        let (values, times) = voxels(gains, of);
        step(&values, &times).map(|finding| finding.images)
    }

    #[test]
    fn a_step_down_is_seen_whether_one_echo_has_it_or_all_that_follow() {
        let echoes = |a: usize, b: usize| Some(vec![format!("echo {a}"), format!("echo {b}")]);
        assert_eq!(named(&[1.0, 1.0, 1.0, 0.5, 0.5, 0.5, 0.5, 0.5], decay), echoes(3, 4));
        assert_eq!(named(&[1.0, 1.0, 0.3, 0.3, 0.3, 0.3], decay), echoes(2, 3));
        // One echo alone: the rise after it is seen first where it is large.
        assert_eq!(named(&[1.0, 1.0, 1.0, 0.7, 1.0, 1.0], decay), echoes(3, 4));
        // An echo that is too bright shows by the fall after it.
        assert_eq!(named(&[1.0, 1.0, 1.4, 1.0, 1.0, 1.0], decay), echoes(3, 4));
        assert!(named(&[1.0, 1.0, 1.0, 2.0, 2.0, 2.0], decay).is_some());
    }

    #[test]
    fn decays_fat_and_floors_are_no_steps() {
        let even = [1.0; 8];
        assert_eq!(named(&even, decay), None);
        // One rate throughout, far into the floor, as a physicist's tube shows it.
        assert_eq!(named(&even, |_, t| libm::sqrt(libm::exp(-3.0 * t) * 4e6 + 400.0)), None);
        // Cut off to zero below a threshold.
        assert_eq!(
            named(&even, |_, t| {
                let s = 900.0 * libm::exp(-0.5 * t);
                if s < 60.0 { 0.0 } else { s }
            }),
            None
        );
        // Every seventh voxel is free of fat, the others half fat at 217 Hz.
        let fat = |voxel: usize, t: f64| {
            let f = if voxel.is_multiple_of(7) { 0.0 } else { 0.4 };
            let angle = std::f64::consts::TAU * 0.217 * t;
            decay(voxel, t) * libm::hypot(1.0 - f + f * libm::cos(angle), f * libm::sin(angle))
        };
        assert_eq!(named(&even, fat), None);
        // Odd and even echoes of a bipolar readout differ by some percent.
        assert_eq!(named(&[1.0, 0.93, 1.0, 0.93, 1.0, 0.93], decay), None);
    }
}
