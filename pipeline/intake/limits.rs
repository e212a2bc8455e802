//! What one reading may cost. Every limit is checked before memory is asked for.

use serde::{Deserialize, Serialize};

/// Limits on what is read. All are settings of the site; the defaults fit any liver study.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Limits {
    /// Files in one reading, entries of archives included. More are ignored, by name.
    pub files: usize,
    /// Folders within folders.
    pub folder_depth: usize,
    /// Bytes of one file. A longer one is unreadable.
    pub file_bytes: u64,
    /// Bytes of file content kept in memory between the two passes; beyond it files are read a second time.
    pub kept_bytes: u64,
    /// Sequences within sequences. Real objects need about six.
    pub sequence_depth: usize,
    /// Elements of one file.
    pub elements: usize,
    /// Bytes of one text value.
    pub text_bytes: usize,
    /// Pixels of one image.
    pub image_pixels: u64,
    /// Frames of one file.
    pub frames: u64,
    /// Bytes of all decoded images in one reading.
    pub decoded_bytes: u64,
    /// Bytes of a deflated data set or archive entry once inflated, beyond `inflated_ratio` times its size.
    pub inflated_bytes: u64,
    /// How many times larger than its file deflated data may be, on top of `inflated_bytes`.
    pub inflated_ratio: u64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            files: 20_000,
            folder_depth: 16,
            file_bytes: 2 << 30,
            kept_bytes: 256 << 20,
            sequence_depth: 32,
            elements: 2_000_000,
            text_bytes: 1 << 20,
            image_pixels: 4096 * 4096,
            frames: 20_000,
            decoded_bytes: 4 << 30,
            inflated_bytes: 64 << 20,
            inflated_ratio: 20,
        }
    }
}

impl Limits {
    /// How many bytes `compressed` bytes may inflate to.
    pub fn inflated(&self, compressed: u64) -> u64 {
        self.inflated_bytes.saturating_add(compressed.saturating_mul(self.inflated_ratio))
    }
}
