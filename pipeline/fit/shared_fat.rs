//! The fat fraction that a region's voxels share. In one voxel of a fast-decaying liver the echoes hardly tell fat from
//! R2*, and what noise makes of its fat fraction pulls R2* along; thousands of voxels together tell it well. So the
//! region's mean fat fraction is estimated first and then held before every voxel as a prior.
//!
//! Estimated as the fixed point of the EM iteration for the mean of normally distributed fat fractions (Dempster, Laird
//! and Rubin, J R Stat Soc B 1977): the prior mean μ for which the voxels' most probable fat fractions have the mean μ.
//! Where the noise is strong those of voxels that do have the fat fraction μ have another mean, for the model is not
//! linear; so the data are held against voxels simulated with μ (indirect inference: Gourieroux, Monfort and Renault, J
//! Appl Econom 1993). What is left of that error, and how little the echoes may tell, is weighed against what is known of
//! livers. Citations from memory.

use super::batch::{Maps, Sigma, State};
use super::draws::Draws;
use super::fat::middle;
use super::model::{FatPrior, Model, ModelSettings, fit};
use crate::study::ModelKind;
use ndarray::{Array2, ArrayView2};

/// Prior means looked at first: livers hold more water than fat, but for the rarest.
const LADDER: [f64; 6] = [-0.02, 0.05, 0.13, 0.25, 0.4, 0.6];
/// Looks between two of them.
const LOOKS: usize = 4;
/// Half the span of means over which the pull of fat on R2* is taken.
const SPAN: f64 = 0.02;
/// Fewest voxels that can share.
const FEWEST: usize = 50;
/// Voxels simulated at each look.
const SIMULATED: usize = 1500;
/// Fat fraction of livers and its standard deviation, for where the echoes tell little: 95 of 100 healthy livers are below
/// 0.056 (Szczepaniak et al., Am J Physiol Endocrinol Metab 2005; from memory), and iron overload seldom comes with more.
const LIVERS: [f64; 2] = [0.03, 0.05];
/// What is left of the error of noise, for a standard error of one voxel's fat fraction of 1; it grows with the square
/// of it. By trials on simulated livers, no source.
const LEFT: f64 = 0.1;

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
    /// Mean of the voxels' fat fractions less that of simulated voxels: above zero where there is more fat.
    pull: f64,
    /// Standard deviation of it from voxel to voxel.
    deviation: f64,
    /// Voxels fitted.
    count: f64,
    /// Median R2*, 1/s.
    median: f64,
}

/// Samples of a region and what they are fitted with.
struct Asked<'a> {
    times: &'a [f64],
    settings: &'a ModelSettings,
    samples: ArrayView2<'a, f32>,
    sigma: Sigma<'a>,
    coil_elements: f64,
    /// Noise of the simulated voxels: the same at every look, so that looks differ by their mean alone.
    noise: Vec<[f64; 2]>,
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
    let mut draws = Draws::new(0xFA7);
    let noise = (0..SIMULATED * echo_times.len()).map(|_| draws.noise(coil_elements)).collect();
    let asked = Asked { times: echo_times, settings, samples, sigma, coil_elements, noise };
    // The lowest place where the pull turns from more fat to less, for a liver seldom holds more fat than water.
    let mut low = asked.look(LADDER[0])?;
    let mut high = None;
    for mean in &LADDER[1..] {
        if low.pull <= 0.0 {
            break;
        }
        let next = asked.look(*mean)?;
        if next.pull <= 0.0 {
            high = Some(next);
            break;
        }
        low = next;
    }
    let turn = match high {
        Some(high) => asked.turn(low, high)?,
        None if low.pull <= 0.0 => low,
        None => return None,
    };
    let (below, above) = (asked.look(turn.mean - SPAN)?, asked.look(turn.mean + SPAN)?);
    let by_mean = |of: fn(&Look) -> f64| (of(&above) - of(&below)) / (2.0 * SPAN);
    let one = turn.deviation / by_mean(|l| -l.pull).max(f64::MIN_POSITIVE);
    let variance = one * one / turn.count + (LEFT * one * one).powi(2);
    let [expected, spread] = LIVERS;
    let weight = spread * spread / (spread * spread + variance);
    let mean = (expected + weight * (turn.mean - expected)).max(0.0);
    Some(SharedFat {
        prior: FatPrior::of_region(mean),
        standard_error: (weight * variance).sqrt(),
        r2star_slope: by_mean(|l| l.median),
    })
}

impl Asked<'_> {
    fn look(&self, mean: f64) -> Option<Look> {
        let settings = ModelSettings { fat_prior: Some(FatPrior::of_region(mean)), ..self.settings.clone() };
        let model = Model::new(ModelKind::FatCorrected, self.times, &settings).ok()?;
        let found = fit(&model, self.samples, self.sigma, self.coil_elements);
        let fitted: Vec<usize> = (0..found.state.len()).filter(|&v| found.state[v] == State::Fitted).collect();
        if fitted.len() < FEWEST {
            return None;
        }
        let strength = middle(fitted.iter().map(|&v| f64::from(found.s0[v]) / self.sigma.at(v)))?;
        let median = middle(fitted.iter().map(|&v| f64::from(found.r2star[v])))?;
        let simulated = Array2::from_shape_fn((self.times.len(), SIMULATED), |(e, v)| {
            let [along, across] = self.noise[e * SIMULATED + v];
            libm::hypot(strength * model.expected_signal(median, self.times[e]) + along, across) as f32
        });
        let known = fit(&model, simulated.view(), Sigma::Uniform(1.0), self.coil_elements);
        let (fat, deviation) = fractions(&found)?;
        let (expected, _) = fractions(&known)?;
        Some(Look { mean, pull: fat - expected, deviation, count: fitted.len() as f64, median })
    }

    /// Where the pull vanishes between two looks: false position, the end that stays halved (Illinois).
    fn turn(&self, mut low: Look, mut high: Look) -> Option<Look> {
        let (mut left, mut right) = (low.pull, high.pull);
        let mut between = low;
        for _ in 0..LOOKS {
            between = self.look(low.mean + (high.mean - low.mean) * left / (left - right))?;
            if between.pull > 0.0 {
                (low, left, right) = (between, between.pull, 0.5 * right);
            } else {
                (high, right, left) = (between, between.pull, 0.5 * left);
            }
        }
        Some(between)
    }
}

/// Mean and standard deviation of the fat fractions.
fn fractions(maps: &Maps) -> Option<(f64, f64)> {
    let values: Vec<f64> = maps.fat_fraction.iter().filter(|f| f.is_finite()).map(|&f| f64::from(f)).collect();
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    let squares: f64 = values.iter().map(|f| (f - mean) * (f - mean)).sum();
    (count >= 2.0).then(|| (mean, (squares / (count - 1.0)).sqrt()))
}
