//! One file by itself: what its frames say and hold. For fuzz targets and tests that put a single file's bytes
//! through everything that reading does to them.

use super::image::{self, Kind};
use super::limits::Limits;
use super::object;
use super::pixels;

/// A frame of a probed file.
#[derive(Clone, Debug, PartialEq)]
pub struct Probe {
    /// Echo time, ms.
    pub echo_time: Option<f64>,
    /// Image Position (Patient), mm.
    pub position: [f64; 3],
    /// Stored values, or why they cannot be had.
    pub pixels: Result<Vec<f64>, String>,
}

/// Reads the bytes of one MR file and decodes all its frames.
pub fn probe(bytes: Vec<u8>, limits: &Limits) -> Result<Vec<Probe>, String> {
    let object = object::open(bytes, limits).map_err(|f| f.to_string())?;
    let class = object.set.root().text(0x0008_0016).unwrap_or_default();
    let Kind::Image { multi_frame } = Kind::of(&class) else { return Err("not an MR image".to_owned()) };
    let file = image::read(&object, multi_frame, limits).map_err(|f| f.to_string())?;
    let count = file.frames.len();
    let frame = |f: &image::Frame| Probe {
        echo_time: f.echo_time,
        position: f.geometry.position,
        pixels: pixels::decode(&object, &file.format, f.index, count)
            .map(|stored| stored.values())
            .map_err(|fault| fault.to_string()),
    };
    Ok(file.frames.iter().map(frame).collect())
}
