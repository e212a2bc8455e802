//! United Imaging: a private scale factor.
//!
//! Element (0065,xx2F) FL, creator `Image Private Header` (seen in `../shared/data/vendor_headers_bsd/uih_umr770`);
//! its meaning is not published.

use crate::intake::fault::Fault;
use crate::intake::view::View;

/// The scale factor of unpublished meaning.
pub fn scale(view: View<'_>) -> Result<Option<f64>, Fault> {
    let Some((level, tag)) = view.private(0x0065, "Image Private Header", 0x2F) else { return Ok(None) };
    level.decimal_as(tag, *b"FL")
}
