//! What single vendors do their own way, one file each: the element, its private creator, the reason.
//! A private element without its creator does not exist (PS3.5 section 7.8).

pub mod canon;
pub mod ge;
pub mod philips;
pub mod siemens;
pub mod united;

use super::fault::Fault;
use super::view::View;

/// A scale factor that a vendor keeps in a private element and whose meaning is not published: as long as it
/// is the same for all echoes it cannot bend a decay; where it differs, scaling is not established.
pub fn undocumented_scale(view: View<'_>) -> Result<Option<f64>, Fault> {
    for read in [united::scale, canon::scale, siemens::scale, ge::scale] {
        if let Some(value) = read(view)? {
            return Ok(Some(value));
        }
    }
    Ok(None)
}
