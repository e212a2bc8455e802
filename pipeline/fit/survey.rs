//! A fast map of the whole image, for finding the liver and judging the images.

use super::batch::{Maps, State};
use super::model::{Model, ModelSettings, fit};
use super::noise::Noise;
use crate::study::{Acquisition, ModelKind};

/// R2*, signal at echo time zero and state of every voxel, by the noise-corrected decay.
#[derive(Clone, Debug)]
pub struct Survey {
    /// R2*, 1/s; not a number where the state is not fitted.
    pub r2star: Vec<f32>,
    /// Standard error of R2*, 1/s.
    pub standard_error: Vec<f32>,
    /// Signal at echo time zero, in the units of the magnitude.
    pub s0: Vec<f32>,
    /// Root mean square of the residuals over the fitted signal at the first echo.
    pub residual: Vec<f32>,
    /// State.
    pub state: Vec<State>,
}

impl Survey {
    /// Indices of the voxels with a decay, ascending.
    pub fn decaying(&self) -> Vec<usize> {
        self.state.iter().enumerate().filter_map(|(index, state)| (*state == State::Fitted).then_some(index)).collect()
    }
}

/// The noise and the survey of an acquisition; the level place by place needs the decays. `coil_elements` as in
/// [`super::estimate_noise`].
pub fn first_look(acquisition: &Acquisition, coil_elements: Option<f64>) -> (Noise, Survey) {
    let noise = super::estimate_noise(acquisition, coil_elements);
    let survey = survey(acquisition, &noise);
    (noise.locally(acquisition, &survey), survey)
}

/// Fits every voxel with signal.
pub fn survey(acquisition: &Acquisition, noise: &Noise) -> Survey {
    let times = acquisition.echo_seconds();
    let voxels = acquisition.grid().voxels();
    // An acquisition has increasing echo times; only a train longer than the engine holds is left untried.
    let maps = Model::new(ModelKind::NoiseCorrected, &times, &ModelSettings::default()).map_or_else(
        |_| Maps::untried(voxels),
        |model| fit(&model, acquisition.magnitude(), noise.level(), noise.coil_elements),
    );
    let Maps { r2star, standard_error, s0, residual, state, .. } = maps;
    Survey { r2star, standard_error, s0, residual, state }
}
