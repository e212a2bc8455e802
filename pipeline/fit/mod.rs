//! Noise, signal models, the batched solver and per-voxel quality. Pure; usable as a library on bare arrays:
//!
//! ```
//! use ndarray::Array2;
//! use siderolog::fit::{Model, ModelSettings, Sigma, fit};
//! use siderolog::study::ModelKind;
//!
//! let times: Vec<f64> = (1..=12).map(|k| f64::from(k) * 1e-3).collect();
//! let decay = Array2::from_shape_fn((12, 100), |(e, _)| (100.0 * (-300.0 * times[e]).exp()) as f32);
//! let model = Model::new(ModelKind::Monoexponential, &times, &ModelSettings::default())?;
//! let maps = fit(&model, decay.view(), Sigma::Uniform(1.0), 1.0);
//! assert!((maps.r2star[0] - 300.0).abs() < 0.03);
//! # Ok::<(), siderolog::fit::ModelError>(())
//! ```

mod batch;
mod choose;
mod complex;
mod dispatch;
mod draws;
mod echoes;
mod fat;
mod field;
mod floor;
mod grid;
mod lanes;
mod map;
mod model;
mod models;
mod moments;
#[cfg(test)]
mod nist;
mod noise;
mod projection;
mod shared_fat;
mod solver;
mod spectrum;
mod survey;

pub use batch::{Maps, Sigma, State};
pub use choose::{Choice, choose, for_magnitude};
pub use complex::fit_complex;
pub use dispatch::Level;
pub use draws::Draws;
pub use lanes::Real;
pub use map::{FittedMap, map};
pub use model::{FatPrior, MOST_ECHOES, Model, ModelError, ModelSettings, Precision, fit, fit_at};
pub use moments::{central_mean, mean_signal, moments, variance};
pub use noise::{Noise, NoiseMethod, estimate_noise};
pub use shared_fat::{SharedFat, shared_fat};
pub use spectrum::FatSpectrum;
pub use survey::{Survey, first_look, survey};
