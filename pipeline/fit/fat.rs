//! When a fat fraction may be told, and what is said where it may not.

use super::batch::{Maps, State};
use super::shared_fat::SharedFat;
use crate::study::text::{plain, rough};
use crate::study::{Finding, ModelKind, Severity, Stage};

/// Highest median R2* in 1/s at which magnitude images still tell water from fat: up to here the fat fraction holds
/// within 3 points on simulated decays (twelve echoes from 1 ms, signal-to-noise ratio 50); no published source.
const HIGHEST_RATE: f64 = 400.0;
/// Largest median standard error of one voxel's fat fraction.
const LARGEST_ERROR: f64 = 0.15;
/// Largest standard error of the fat fraction that the region's voxels share.
const LARGEST_SHARED_ERROR: f64 = 0.015;
/// Largest share of voxels in which the solution with water and fat exchanged is as good.
const MOST_AMBIGUOUS: f64 = 0.2;
/// Share of voxels with a suspected swap that is worth a person's look.
const MANY_SWAPS: f64 = 0.02;

/// Why the region's data cannot tell its fat fraction, where they cannot. The maps keep what was fitted: R2* goes with it.
pub fn untold(maps: &Maps, region: &[usize], kind: ModelKind, shared: Option<&SharedFat>) -> Option<Finding> {
    if !matches!(kind, ModelKind::FatCorrected | ModelKind::Complex) {
        return None;
    }
    let fitted: Vec<usize> = region.iter().copied().filter(|&v| maps.state[v] == State::Fitted).collect();
    let rate = middle(fitted.iter().map(|&v| f64::from(maps.r2star[v])))?;
    let error = match shared {
        Some(shared) => Some(shared.standard_error),
        None => middle(fitted.iter().map(|&v| f64::from(maps.fat_error[v])).filter(|e| e.is_finite())),
    };
    let largest = if shared.is_some() { LARGEST_SHARED_ERROR } else { LARGEST_ERROR };
    let ambiguous = fitted.iter().filter(|&&v| maps.ambiguous[v]).count() as f64 / fitted.len() as f64;
    let (reason, found) = if rate > HIGHEST_RATE && kind == ModelKind::FatCorrected {
        ("the signal decays before water and fat have parted", format!("median R2* {} /s", rough(rate)))
    } else if error.is_some_and(|e| e > largest) {
        ("the noise is too strong", format!("standard error {} %", rough(100.0 * error.unwrap_or(0.0))))
    } else if ambiguous > MOST_AMBIGUOUS {
        ("water and fat could be exchanged", format!("in {} % of the voxels", rough(100.0 * ambiguous)))
    } else {
        return None;
    };
    Some(
        Finding::new(
            Stage::Fit,
            Severity::Note,
            "fat-fraction-not-told",
            format!("No fat fraction is given: {reason}. R2* is corrected for fat all the same."),
        )
        .found(found)
        .attribute("fat fraction"),
    )
}

/// A finding where too many voxels may have water and fat exchanged.
pub fn swaps(suspected: &[bool]) -> Option<Finding> {
    let share = suspected.iter().filter(|&&s| s).count() as f64 / suspected.len().max(1) as f64;
    (share > MANY_SWAPS).then(|| {
        Finding::new(
            Stage::Fit,
            Severity::Warn,
            "water-fat-swap-suspected",
            "The field map jumps by about the distance between water and fat; they may be exchanged in places.",
        )
        .expected(format!("at most {} % of the voxels", plain(100.0 * MANY_SWAPS)))
        .found(format!("{} %", rough(100.0 * share)))
        .attribute("field map")
        .advice("Compare the fat fraction with the images before using it; R2* is less affected.")
    })
}

/// The middle value; of an even number the upper.
pub fn middle(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied()
}
