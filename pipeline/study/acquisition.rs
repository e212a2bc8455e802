//! One acquisition: magnitude at several echo times on one grid, with what its headers say.

use super::finding::Finding;
use super::grid::Grid;
use super::header::Header;
use super::ids::Digest;
use super::units::Seconds;
use ndarray::{Array2, ArrayView1, ArrayView2};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

/// Why a voxel's samples cannot be used.
pub mod flaw {
    /// Nothing wrong.
    pub const NONE: u8 = 0;
    /// Pixel padding in at least one echo.
    pub const PADDING: u8 = 1;
    /// At least one echo at the top of the stored range.
    pub const SATURATED: u8 = 2;
}

/// The second and third images of a complex acquisition, scaled, each echo × voxel.
#[derive(Clone, Debug)]
pub struct ComplexImages {
    /// Real part, in the units of the magnitude.
    pub real: Array2<f32>,
    /// Imaginary part, in the units of the magnitude.
    pub imaginary: Array2<f32>,
}

/// One image that the acquisition was made from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SourceFrame {
    /// Index of the slice in the grid.
    pub slice: usize,
    /// Index of the echo.
    pub echo: usize,
    /// Index into [`Source::instances`].
    pub instance: usize,
    /// Frame number, from 1, where the instance has several; `None` for a classic image.
    pub frame: Option<u32>,
}

/// One SOP instance that the acquisition was made from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SourceInstance {
    /// SOP Class UID.
    pub class_uid: String,
    /// SOP Instance UID.
    pub uid: String,
    /// Series Instance UID.
    pub series_uid: String,
    /// Digest of the file.
    pub digest: Digest,
}

/// Where the acquisition came from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Source {
    /// Digest over the sorted digests of the instances: names the acquisition.
    pub digest: Digest,
    /// Every instance used, sorted by UID.
    pub instances: Vec<SourceInstance>,
    /// Every magnitude frame used.
    pub frames: Vec<SourceFrame>,
}

/// What is needed to build an [`Acquisition`].
#[derive(Debug)]
pub struct AcquisitionParts {
    /// The grid.
    pub grid: Grid,
    /// Echo times, strictly increasing.
    pub echo_times: Vec<Seconds>,
    /// Magnitude, scaled, echo × voxel.
    pub magnitude: Array2<f32>,
    /// Real and imaginary images where the export has them or phase.
    pub complex: Option<ComplexImages>,
    /// One of [`flaw`] for each voxel.
    pub flaws: Vec<u8>,
    /// What the headers say.
    pub header: Header,
    /// Where it came from.
    pub source: Source,
    /// How intensities were scaled, for the record: `stored`, `rescaled`, `private scale slope`, `real-world value`.
    pub scaling: String,
    /// What intake noticed.
    pub findings: Vec<Finding>,
}

/// Why the parts do not make an acquisition.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum AcquisitionError {
    /// Fewer than two echoes.
    #[error("{0} echo times; a decay needs at least two")]
    TooFewEchoes(usize),
    /// Echo times not positive, finite and strictly increasing.
    #[error("echo times are not positive and strictly increasing")]
    EchoTimes,
    /// Samples do not match echoes × voxels.
    #[error("{found:?} samples where the grid and echo times ask for {wanted:?}")]
    Shape {
        /// Echoes, voxels.
        wanted: [usize; 2],
        /// What came.
        found: [usize; 2],
    },
    /// A sample is not finite.
    #[error("a sample is not finite")]
    NotFinite,
}

/// One patient, study, frame of reference and grid; echo times strictly increasing; scaling applied.
/// Made only by `intake`.
#[derive(Debug)]
pub struct Acquisition {
    parts: AcquisitionParts,
}

/// Every image is looked at whole, so this is a pass over all of the memory: several at a time, without early exit.
fn all_finite(images: &Array2<f32>) -> bool {
    let finite = |part: &[f32]| part.iter().fold(true, |ok, x| ok & x.is_finite());
    match images.as_slice() {
        Some(values) => values.par_chunks(1 << 16).all(finite),
        None => images.iter().all(|x| x.is_finite()),
    }
}

impl Acquisition {
    /// Checks the invariants. Called by `intake` alone (a test holds this).
    pub fn assemble(parts: AcquisitionParts) -> Result<Self, AcquisitionError> {
        let echoes = parts.echo_times.len();
        if echoes < 2 {
            return Err(AcquisitionError::TooFewEchoes(echoes));
        }
        let positive = parts.echo_times.iter().all(|t| t.0.is_finite() && t.0 > 0.0);
        if !positive || !parts.echo_times.windows(2).all(|w| w[0].0 < w[1].0) {
            return Err(AcquisitionError::EchoTimes);
        }
        let wanted = [echoes, parts.grid.voxels()];
        let complex = parts.complex.iter().flat_map(|c| [&c.real, &c.imaginary]);
        for images in std::iter::once(&parts.magnitude).chain(complex) {
            let found = [images.nrows(), images.ncols()];
            if found != wanted || parts.flaws.len() != wanted[1] {
                return Err(AcquisitionError::Shape { wanted, found });
            }
            if !all_finite(images) {
                return Err(AcquisitionError::NotFinite);
            }
        }
        Ok(Self { parts })
    }

    /// The grid.
    pub fn grid(&self) -> &Grid {
        &self.parts.grid
    }
    /// Echo times, strictly increasing.
    pub fn echo_times(&self) -> &[Seconds] {
        &self.parts.echo_times
    }
    /// Echo times in bare seconds, as the numerics take them.
    pub fn echo_seconds(&self) -> Vec<f64> {
        self.parts.echo_times.iter().map(|t| t.0).collect()
    }
    /// Magnitude, echo × voxel.
    pub fn magnitude(&self) -> ArrayView2<'_, f32> {
        self.parts.magnitude.view()
    }
    /// All voxels at one echo.
    pub fn echo(&self, echo: usize) -> ArrayView1<'_, f32> {
        self.parts.magnitude.row(echo)
    }
    /// Real and imaginary images, if any.
    pub fn complex(&self) -> Option<&ComplexImages> {
        self.parts.complex.as_ref()
    }
    /// One of [`flaw`] for each voxel.
    pub fn flaws(&self) -> &[u8] {
        &self.parts.flaws
    }
    /// What the headers say.
    pub fn header(&self) -> &Header {
        &self.parts.header
    }
    /// Where it came from.
    pub fn source(&self) -> &Source {
        &self.parts.source
    }
    /// How intensities were scaled.
    pub fn scaling(&self) -> &str {
        &self.parts.scaling
    }
    /// What intake noticed.
    pub fn findings(&self) -> &[Finding] {
        &self.parts.findings
    }
}
