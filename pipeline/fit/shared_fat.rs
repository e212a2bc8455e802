//! The fat fraction that a region's voxels share. In one voxel of a fast-decaying liver the echoes hardly tell fat from
//! R2*, and what noise makes of its fat fraction pulls R2* along; thousands of voxels together tell it well. So the
//! region's mean fat fraction is estimated first and then held before every voxel as a prior.
//!
//! Estimated as the fixed point of the EM iteration for the mean of normally distributed fat fractions (Dempster, Laird
//! and Rubin, J R Stat Soc B 1977): the prior mean μ for which the voxels' most probable fat fractions have the mean μ.

use super::batch::{Maps, Sigma, State};
use super::model::{FatPrior, Model, ModelSettings, fit};
use crate::study::ModelKind;
use ndarray::ArrayView2;

/// Prior means looked at first: livers hold more water than fat, but for the rarest.
const LADDER: [f64; 6] = [-0.02, 0.05, 0.13, 0.25, 0.4, 0.6];
/// Looks between two of them.
const LOOKS: usize = 4;
/// Half the span of means over which the pull of fat on R2* is taken.
const SPAN: f64 = 0.02;
/// Fewest voxels that can share.
const FEWEST: usize = 50;

/// What a region's voxels say of their fat together.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SharedFat {
    /// The prior to fit the voxels with. Its mean is never below zero.
    pub prior: FatPrior,
    /// Standard error of the mean if the noise of the voxels is independent.
    pub standard_error: f64,
    /// How the median R2* moves with the mean, 1/s for a fat fraction of 1.
    pub r2star_slope: f64,
}

/// Voxels fitted with one prior mean.
#[derive(Clone, Copy)]
struct Look {
    mean: f64,
    /// Mean of the voxels' fat fractions less the prior mean: above zero where there is more fat.
    pull: f64,
    /// Standard error of it.
    error: f64,
    /// Median R2*, 1/s.
    median: f64,
}

/// Of these magnitude samples, echo × voxel, with the noise level of one real channel, by the fat-corrected model of
/// these echo times in seconds. `None` where too few voxels can be fitted, or they hold more fat than water.
pub fn shared_fat(
    echo_times: &[f64],
    settings: &ModelSettings,
    samples: ArrayView2<'_, f32>,
    sigma: Sigma<'_>,
    coil_elements: f64,
) -> Option<SharedFat> {
    let look = |mean: f64| -> Option<Look> {
        let settings = ModelSettings { fat_prior: Some(FatPrior::of_region(mean)), ..settings.clone() };
        let model = Model::new(ModelKind::FatCorrected, echo_times, &settings).ok()?;
        seen(mean, &fit(&model, samples, sigma, coil_elements))
    };
    // The lowest place where the pull turns from more fat to less, for a liver seldom holds more fat than water.
    let mut low = look(LADDER[0])?;
    let mut high = None;
    for mean in &LADDER[1..] {
        if low.pull <= 0.0 {
            break;
        }
        let next = look(*mean)?;
        if next.pull <= 0.0 {
            high = Some(next);
            break;
        }
        low = next;
    }
    let turn = match high {
        Some(high) => turn(low, high, &look)?,
        None if low.pull <= 0.0 => low,
        None => return None,
    };
    let mean = turn.mean.max(0.0);
    let (below, above) = (look(mean - SPAN)?, look(mean + SPAN)?);
    let by_mean = |of: fn(&Look) -> f64| (of(&above) - of(&below)) / (2.0 * SPAN);
    let standard_error = turn.error / by_mean(|l| -l.pull).max(f64::MIN_POSITIVE);
    Some(SharedFat { prior: FatPrior::of_region(mean), standard_error, r2star_slope: by_mean(|l| l.median) })
}

/// Where the pull vanishes between two looks: false position, the end that stays halved (Illinois).
fn turn(mut low: Look, mut high: Look, look: &impl Fn(f64) -> Option<Look>) -> Option<Look> {
    let (mut left, mut right) = (low.pull, high.pull);
    let mut between = low;
    for _ in 0..LOOKS {
        between = look(low.mean + (high.mean - low.mean) * left / (left - right))?;
        if between.pull > 0.0 {
            (low, left, right) = (between, between.pull, 0.5 * right);
        } else {
            (high, right, left) = (between, between.pull, 0.5 * left);
        }
    }
    Some(between)
}

fn seen(mean: f64, maps: &Maps) -> Option<Look> {
    let fitted: Vec<usize> = (0..maps.state.len()).filter(|&v| maps.state[v] == State::Fitted).collect();
    if fitted.len() < FEWEST {
        return None;
    }
    let count = fitted.len() as f64;
    let pulls = || fitted.iter().map(|&v| f64::from(maps.fat_fraction[v]) - mean);
    let pull = pulls().sum::<f64>() / count;
    let variance = pulls().map(|p| (p - pull) * (p - pull)).sum::<f64>() / (count - 1.0);
    let mut rates: Vec<f32> = fitted.iter().map(|&v| maps.r2star[v]).collect();
    rates.sort_by(f32::total_cmp);
    let median = f64::from(rates[rates.len() / 2]);
    Some(Look { mean, pull, error: (variance / count).sqrt(), median })
}
