//! Canon and Toshiba: a private scale factor.
//!
//! Element (700D,xx00) DS, creators `CANON_MEC_MR3` and `TOSHIBA_MEC_MR3`; its meaning is not published.

use crate::intake::fault::Fault;
use crate::intake::view::View;

/// The scale factor of unpublished meaning.
pub fn scale(view: View<'_>) -> Result<Option<f64>, Fault> {
    let found = ["CANON_MEC_MR3", "TOSHIBA_MEC_MR3"].iter().find_map(|creator| view.private(0x700D, creator, 0x00));
    found.map_or(Ok(None), |(level, tag)| level.decimal_as(tag, *b"DS"))
}
