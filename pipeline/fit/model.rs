//! A model, built once from the echo times, and its fit to many voxels.

use super::batch::{Kernel, LANES, Maps, Samples, Sigma, fit_all};
use super::dispatch::Level;
use super::lanes::Real;
use super::models::{Common, Decay, FatCorrected, NoiseCorrected, WithOffset};
use super::moments::moments;
use super::spectrum::FatSpectrum;
use crate::study::ModelKind;
use ndarray::{ArrayView2, CowArray};

/// What a model needs beyond the echo times.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ModelSettings {
    /// Field strength in tesla, which sets the frequencies of fat.
    pub field_strength: Option<f64>,
    /// The fat spectrum.
    pub spectrum: FatSpectrum,
    /// What is known of the fat fraction before a voxel is looked at; magnitude models only.
    pub fat_prior: Option<FatPrior>,
}

/// A normal prior of the fat fraction: a voxel's own echoes decide where they tell more than it, the prior where they
/// tell less.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FatPrior {
    /// Expected fat fraction, 0 to 1.
    pub mean: f64,
    /// Standard deviation over the voxels, above 0.
    pub deviation: f64,
}

impl FatPrior {
    /// For the voxels of one liver with this mean. By trials on simulated livers, no source: with a smaller deviation
    /// focal fat would be held back where the echoes show it; with a larger one noise comes through at high R2*.
    pub fn of_region(mean: f64) -> Self {
        Self { mean, deviation: 0.05 }
    }
}

/// Why a model cannot be built.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ModelError {
    /// Echo times not positive, finite and strictly increasing, or more than the engine holds.
    #[error("echo times must be positive, finite and strictly increasing, at most {most} of them")]
    EchoTimes {
        /// Most echoes the engine holds.
        most: usize,
    },
    /// More unknowns than echoes.
    #[error("the {model} model needs at least {needed} echoes; there are {found}")]
    TooFewEchoes {
        /// Which model.
        model: ModelKind,
        /// Fewest echoes.
        needed: usize,
        /// Echoes there are.
        found: usize,
    },
    /// Fat without a field strength.
    #[error("the {0} model needs the field strength, which sets the frequencies of fat")]
    NoFieldStrength(ModelKind),
    /// Complex images are needed.
    #[error("the {0} model is not for magnitude samples")]
    NotForMagnitude(ModelKind),
}

/// Most echoes the engine holds.
pub const MOST_ECHOES: usize = 64;
/// The engine is compiled for trains of up to this many echoes and for trains of up to the most.
const FEW_ECHOES: usize = 16;

/// Fewest echoes that determine a model's unknowns.
pub fn fewest_echoes(kind: ModelKind) -> usize {
    match kind {
        ModelKind::Monoexponential | ModelKind::NoiseCorrected => 2,
        ModelKind::MonoexponentialWithOffset | ModelKind::Truncated => 3,
        ModelKind::FatCorrected | ModelKind::Complex => 4,
    }
}

/// A signal model of one echo train.
#[derive(Clone, Debug, PartialEq)]
pub struct Model {
    kind: ModelKind,
    times: Vec<f64>,
    settings: ModelSettings,
}

impl Model {
    /// For these echo times in seconds.
    pub fn new(kind: ModelKind, echo_times: &[f64], settings: &ModelSettings) -> Result<Self, ModelError> {
        let positive = echo_times.iter().all(|t| t.is_finite() && *t > 0.0);
        let rising = echo_times.windows(2).all(|w| w[0] < w[1]);
        let found = echo_times.len();
        if !positive || !rising || found > MOST_ECHOES {
            return Err(ModelError::EchoTimes { most: MOST_ECHOES });
        }
        let needed = fewest_echoes(kind);
        if found < needed {
            return Err(ModelError::TooFewEchoes { model: kind, needed, found });
        }
        let fat = matches!(kind, ModelKind::FatCorrected | ModelKind::Complex);
        if fat && settings.field_strength.is_none() {
            return Err(ModelError::NoFieldStrength(kind));
        }
        Ok(Self { kind, times: echo_times.to_vec(), settings: settings.clone() })
    }

    /// Which model.
    pub fn kind(&self) -> ModelKind {
        self.kind
    }
    /// Echo times in seconds.
    pub fn echo_times(&self) -> &[f64] {
        &self.times
    }
    /// What it was built with.
    pub fn settings(&self) -> &ModelSettings {
        &self.settings
    }

    /// Signal at a time in seconds of tissue with this R2* in 1/s and the fat that the model expects, for a signal of
    /// one at echo time zero and without noise.
    pub fn expected_signal(&self, r2star: f64, time: f64) -> f64 {
        let decay = libm::exp(-r2star * time);
        match (self.settings.fat_prior, self.settings.field_strength) {
            (Some(prior), Some(field)) => decay * self.settings.spectrum.length(field, prior.mean, time),
            _ => decay,
        }
    }
}

/// The two precisions the engine is compiled in: `f32` for work, `f64` for digit checks.
pub trait Precision: Real {
    /// Runs a job in blocks with the fewest rows that hold it.
    #[doc(hidden)]
    fn run(job: &Job<'_, Self>) -> Maps<Self>
    where
        Self: Sized;
}

impl Precision for f32 {
    fn run(job: &Job<'_, Self>) -> Maps<Self> {
        // Long trains are rare; compiling them for every level would double the time to build.
        match job.model.times.len() {
            0..=FEW_ECHOES => job.run::<FEW_ECHOES, LANES, true>(),
            _ => job.run::<MOST_ECHOES, LANES, false>(),
        }
    }
}

impl Precision for f64 {
    fn run(job: &Job<'_, Self>) -> Maps<Self> {
        job.run::<MOST_ECHOES, 1, false>()
    }
}

/// Fits a model to magnitude samples, echo × voxel, with the noise level of one real channel and the effective number
/// of coil elements (1 for one coil or a combined image that behaves like one).
///
/// Samples must be finite. The result is the same to the bit on every CPU and at any number of threads. `T` is
/// `f32`, or `f64` for digit checks.
///
/// # Panics
/// Where the samples do not have one row for each echo time of the model, or a per-voxel noise level is not one for
/// each voxel.
pub fn fit<T: Precision>(model: &Model, samples: ArrayView2<'_, T>, sigma: Sigma<'_>, coil_elements: f64) -> Maps<T> {
    fit_at(Level::best(), model, samples, sigma, coil_elements)
}

/// [`fit`] with given instructions, for tests and benchmarks.
///
/// # Panics
/// As [`fit`].
pub fn fit_at<T: Precision>(
    level: Level,
    model: &Model,
    samples: ArrayView2<'_, T>,
    sigma: Sigma<'_>,
    coil_elements: f64,
) -> Maps<T> {
    assert_eq!(samples.nrows(), model.times.len(), "one row of samples for each echo time");
    if let Sigma::PerVoxel(map) = sigma {
        assert_eq!(map.len(), samples.ncols(), "one noise level for each voxel");
    }
    let (mean, variance) = moments(0.0, coil_elements.max(0.5));
    let whole = CowArray::from(samples);
    let whole = whole.as_standard_layout();
    let rows: Vec<&[T]> = whole.rows().into_iter().map(|row| row.to_slice().unwrap_or_default()).collect();
    let samples = Samples { rows: &rows, sigma, threshold: mean + 3.0 * variance.sqrt() };
    T::run(&Job { level, model, coil_elements, samples })
}

/// One call of [`fit`], before its number of rows is a constant.
pub struct Job<'a, T> {
    level: Level,
    model: &'a Model,
    coil_elements: f64,
    samples: Samples<'a, T>,
}

impl<T: Real> Job<'_, T> {
    fn run<const E: usize, const L: usize, const WIDE: bool>(&self) -> Maps<T> {
        let common = Common::<T, E>::new(&self.model.times, self.coil_elements);
        match self.model.kind {
            ModelKind::Monoexponential => {
                self.with::<_, E, L, WIDE>(&Decay::<T, E, false>::new(common, self.coil_elements))
            }
            ModelKind::MonoexponentialWithOffset => self.with::<_, E, L, WIDE>(&WithOffset(common)),
            ModelKind::Truncated => self.with::<_, E, L, WIDE>(&Decay::<T, E, true>::new(common, self.coil_elements)),
            ModelKind::NoiseCorrected => self.with::<_, E, L, WIDE>(&NoiseCorrected(common)),
            // `Model::new` refuses a fat model without a field strength; complex samples never come here.
            ModelKind::FatCorrected | ModelKind::Complex => {
                self.with::<_, E, L, WIDE>(&FatCorrected::new(common, &self.model.times, &self.model.settings))
            }
        }
    }

    fn with<K, const E: usize, const L: usize, const WIDE: bool>(&self, kernel: &K) -> Maps<T>
    where
        K: Kernel<T, E, L>,
    {
        fit_all::<T, K, E, L, WIDE>(self.level, kernel, self.samples)
    }
}
