//! Siemens: whether intensities were normalised, and an old private scale factor.
//!
//! Classic exports mark normalised images by the word `NORM` in Image Type; the XA versions keep the same words
//! in (0021,xx75) CS, creator `SIEMENS MR SDI 02`, in a private sequence of the frame's group (seen in
//! `../shared/data/dcm_qa_xa30`). Element (0019,xx60), creator `SIEMENS MR VA0  COAD`: scale of unpublished meaning.

use crate::intake::fault::Fault;
use crate::intake::view::View;

/// The words of the private image type.
pub fn image_type(view: View<'_>) -> Vec<String> {
    view.private(0x0021, "SIEMENS MR SDI 02", 0x75).map(|(level, tag)| level.texts(tag)).unwrap_or_default()
}

/// Whether the file names this maker.
pub fn made_by(manufacturer: Option<&str>) -> bool {
    manufacturer.is_some_and(|m| m.to_ascii_lowercase().contains("siemens"))
}

/// The scale factor of unpublished meaning.
pub fn scale(view: View<'_>) -> Result<Option<f64>, Fault> {
    let Some((level, tag)) = view.private(0x0019, "SIEMENS MR VA0  COAD", 0x60) else { return Ok(None) };
    Ok(level.decimal_as(tag, *b"DS").ok().flatten())
}
