//! The region in numbers for the physicist: slice by slice, and as a histogram.

use super::result::{HistogramFacts, SliceFacts, measured};
use crate::reading::stats::{quantile, sorted};
use crate::study::{Grid, text};

/// Bins of the histogram between the first and the last percentile.
const BINS: usize = 40;

/// Median and quartiles of R2* in each slice that holds part of the region, over voxels with a value.
pub(super) fn by_slice(grid: &Grid, region: &[bool], r2star: &[f32]) -> Vec<SliceFacts> {
    let plane = grid.slice_voxels();
    region
        .chunks(plane)
        .zip(r2star.chunks(plane))
        .enumerate()
        .filter_map(|(slice, (region, map))| {
            let voxels = region.iter().filter(|&&v| v).count();
            let values = of_region(region, map);
            let at = |share: f64| quantile(&values, share).and_then(measured);
            (voxels > 0).then(|| SliceFacts { slice, voxels, median: at(0.5), q25: at(0.25), q75: at(0.75) })
        })
        .collect()
}

/// Voxels of the region by R2*; `None` where none has a value.
pub(super) fn histogram(region: &[bool], r2star: &[f32]) -> Option<HistogramFacts> {
    let values = of_region(region, r2star);
    let (low, high) = (quantile(&values, 0.01)?, quantile(&values, 0.99)?);
    // Edges as a person would write them.
    let round = |v: f64| text::plain(v).parse().unwrap_or(v);
    let width: f64 = round(((high - low) / BINS as f64).max(0.1));
    let first: f64 = (low / width).floor() * width;
    let mut counts = vec![0; BINS + 2];
    let (mut below, mut above) = (0, 0);
    for &value in &values {
        let bin = ((value - first) / width).floor();
        match bin {
            b if b < 0.0 => below += 1,
            b if b >= counts.len() as f64 => above += 1,
            b => counts[b as usize] += 1,
        }
    }
    Some(HistogramFacts { first_per_s: first, width_per_s: width, below, counts, above })
}

/// The region's values in ascending order.
fn of_region(region: &[bool], map: &[f32]) -> Vec<f64> {
    let inside = region.iter().zip(map).filter(|&(&inside, r)| inside && r.is_finite());
    sorted(&inside.map(|(_, &r)| f64::from(r)).collect::<Vec<_>>())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_voxel_with_a_value_is_counted_once() {
        let map: Vec<f32> = (0..1000).map(|k| if k == 7 { f32::NAN } else { 100.0 + (k % 97) as f32 }).collect();
        let region: Vec<bool> = (0..1000).map(|k| k % 3 != 0).collect();
        let found = histogram(&region, &map).expect("there are values");
        let total = found.below + found.above + found.counts.iter().sum::<usize>();
        assert_eq!(total, 665);
        assert!(found.first_per_s <= 100.0 && found.width_per_s > 2.0);
        assert_eq!(histogram(&region, &[f32::NAN; 1000]), None);
    }
}
