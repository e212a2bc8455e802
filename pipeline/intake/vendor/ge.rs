//! GE: magnitude, phase, real and imaginary images share one series and one image type.
//!
//! Element (0043,xx2F) SS, creator `GEMS_PARM_01`: 0 magnitude, 1 phase, 2 real, 3 imaginary (vendor notes of
//! dcm2niix). Element (0043,xx17), same creator: a scale factor of unpublished meaning.

use crate::intake::component::Component;
use crate::intake::fault::Fault;
use crate::intake::view::View;

const CREATOR: &str = "GEMS_PARM_01";

/// The component, where the private element says it.
pub fn component(view: View<'_>) -> Option<Component> {
    let (level, tag) = view.private(0x0043, CREATOR, 0x2F)?;
    match level.decimal_as(tag, *b"SS").ok().flatten()? as i64 {
        0 => Some(Component::Magnitude),
        1 => Some(Component::Phase),
        2 => Some(Component::Real),
        3 => Some(Component::Imaginary),
        _ => None,
    }
}

/// The scale factor of unpublished meaning.
pub fn scale(view: View<'_>) -> Result<Option<f64>, Fault> {
    let Some((level, tag)) = view.private(0x0043, CREATOR, 0x17) else { return Ok(None) };
    // Written with several values by some versions; only a single one can be compared.
    Ok(level.decimal_as(tag, *b"DS").ok().flatten())
}

/// Number of echoes the scanner says it made: (0019,xx7E) SS, creator `GEMS_ACQU_01`. A cross-check only.
pub fn echoes(view: View<'_>) -> Option<u32> {
    let (level, tag) = view.private(0x0019, "GEMS_ACQU_01", 0x7E)?;
    level.decimal_as(tag, *b"SS").ok().flatten().filter(|&v| v > 0.0).map(|v| v as u32)
}
