//! A set of voxels on an acquisition's grid, with where it came from.

use super::grid::Grid;
use super::ids::Digest;
use serde::{Deserialize, Serialize};

/// Where a region came from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "method")]
pub enum MaskOrigin {
    /// Found by the service.
    Automatic,
    /// Delivered beside the series.
    Supplied {
        /// What it was read from.
        from: String,
    },
    /// Supplied by the site's own segmenter.
    Segmented {
        /// What the site calls it.
        by: String,
        /// What it was read from.
        from: String,
        /// Digest of its answer.
        digest: Digest,
    },
    /// Drawn or corrected by a person.
    Amended {
        /// Who.
        by: String,
        /// Why.
        why: String,
    },
}

impl MaskOrigin {
    /// The word in `roi.method`.
    pub fn word(&self) -> &'static str {
        match self {
            Self::Automatic => "automatic",
            Self::Supplied { .. } | Self::Segmented { .. } => "supplied",
            Self::Amended { .. } => "amended",
        }
    }
}

/// The measured region: same grid as the acquisition, or it does not build. Made only by `roi`.
#[derive(Clone, Debug, PartialEq)]
pub struct Mask {
    shape: [usize; 3],
    voxels: Vec<bool>,
    count: usize,
    origin: MaskOrigin,
}

/// A region that does not fit the grid.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the region has {found} voxels, the grid {wanted}")]
pub struct MaskMismatch {
    /// Voxels of the grid.
    pub wanted: usize,
    /// Voxels of the region's array.
    pub found: usize,
}

impl Mask {
    /// A region on this grid, one flag for each voxel in grid order.
    pub fn on(grid: &Grid, voxels: Vec<bool>, origin: MaskOrigin) -> Result<Self, MaskMismatch> {
        if voxels.len() != grid.voxels() {
            return Err(MaskMismatch { wanted: grid.voxels(), found: voxels.len() });
        }
        let count = voxels.iter().filter(|&&v| v).count();
        Ok(Self { shape: [grid.slices(), grid.rows(), grid.columns()], voxels, count, origin })
    }

    /// One flag for each voxel in grid order.
    pub fn voxels(&self) -> &[bool] {
        &self.voxels
    }
    /// Whether the voxel with this index is inside.
    pub fn contains(&self, index: usize) -> bool {
        self.voxels.get(index).copied().unwrap_or(false)
    }
    /// Indices of the voxels inside, ascending.
    pub fn indices(&self) -> impl Iterator<Item = usize> + '_ {
        self.voxels.iter().enumerate().filter_map(|(index, &inside)| inside.then_some(index))
    }
    /// Number of voxels inside.
    pub fn count(&self) -> usize {
        self.count
    }
    /// Slices, rows, columns.
    pub fn shape(&self) -> [usize; 3] {
        self.shape
    }
    /// Number of slices with at least one voxel.
    pub fn slices(&self) -> usize {
        self.voxels.chunks(self.shape[1] * self.shape[2]).filter(|slice| slice.iter().any(|&v| v)).count()
    }
    /// Where it came from.
    pub fn origin(&self) -> &MaskOrigin {
        &self.origin
    }
    /// Digest of shape and voxels, one bit a voxel, least significant first.
    pub fn digest(&self) -> Digest {
        let shape: Vec<u8> = self.shape.iter().flat_map(|&n| (n as u64).to_le_bytes()).collect();
        let mut bits = vec![0u8; self.voxels.len().div_ceil(8)];
        for index in self.indices() {
            bits[index / 8] |= 1 << (index % 8);
        }
        Digest::of_parts([shape.as_slice(), bits.as_slice()])
    }
}
