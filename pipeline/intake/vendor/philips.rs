//! Philips: the private scale slope.
//!
//! Element (2005,xx0E) FL, creator `Philips MR Imaging DD 001`; in enhanced objects inside a private sequence
//! of the frame's group. Display values come from stored ones by Rescale Slope and Intercept, which may differ
//! between echoes; the signal itself is display value / (rescale slope × scale slope). Facts from the vendor
//! notes of dcm2niix and from the scans in `../shared/data/philips_classic_vs_enhanced`.

use crate::intake::fault::Fault;
use crate::intake::view::View;

const CREATOR: &str = "Philips MR Imaging DD 001";

/// The scale slope of a frame.
pub fn scale_slope(view: View<'_>) -> Result<Option<f64>, Fault> {
    let Some((level, tag)) = view.private(0x2005, CREATOR, 0x0E) else { return Ok(None) };
    let slope = level.decimal_as(tag, *b"FL")?;
    match slope {
        Some(v) if v <= 0.0 => Err(Fault::value("bad-scale", tag, "a scale slope above 0", &v.to_string())),
        other => Ok(other),
    }
}

/// Number of echoes the scanner says it made: (2001,xx14) SL, creator `Philips Imaging DD 001`. A cross-check only.
pub fn echoes(view: View<'_>) -> Option<u32> {
    let (level, tag) = view.private(0x2001, "Philips Imaging DD 001", 0x14)?;
    level.decimal_as(tag, *b"SL").ok().flatten().map(|v| v as u32)
}

/// Whether the file names this maker; its exports need the scale slope where display scaling differs.
pub fn made_by(manufacturer: Option<&str>) -> bool {
    manufacturer.is_some_and(|m| m.to_ascii_lowercase().contains("philips"))
}
