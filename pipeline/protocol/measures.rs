//! Image quality as plain numbers; `quality` fills them, rules limit them.

use serde::{Deserialize, Serialize};

/// What was measured on the images. `None` where it could not be measured, never 0.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ImageMeasures {
    /// Median signal of the region at the first echo over the noise level of one real channel.
    pub signal_to_noise: Option<f64>,
    /// Difference of the background along phase and along frequency encoding over twice the signal, percent
    /// (the percent-signal-ghosting form of the ACR large-phantom test).
    pub ghosting_percent: Option<f64>,
    /// Largest displacement between an echo and the one before, mm.
    pub echo_shift_mm: Option<f64>,
    /// Largest displacement between neighbouring slices, mm; anatomy that runs obliquely adds to it.
    pub slice_shift_mm: Option<f64>,
    /// Largest difference of a slice's median R2* from its neighbours' beyond chance, percent of the whole median.
    pub slice_disagreement_percent: Option<f64>,
    /// The slice that disagrees most, from 0.
    pub slice_disagreeing: Option<usize>,
    /// Signal at the edge of the image against the body's, percent.
    pub wrap_percent: Option<f64>,
    /// Region voxels at the top of the stored range in any echo, percent.
    pub saturation_percent: Option<f64>,
    /// Voxels inside the body without signal at the first echo beside voxels with signal, percent.
    pub void_percent: Option<f64>,
    /// Alternation of odd and even echoes against the fitted decay, percent of the signal.
    pub alternation_percent: Option<f64>,
    /// Motion index; 1 is where still acquisitions end.
    pub motion: Option<f64>,
}
