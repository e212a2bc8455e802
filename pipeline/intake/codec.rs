//! Packed pixel data (PS3.5 section A.4): fragments to frames, and the codestream's own header held against the
//! image's before a decoder may allocate anything by it.

use super::fault::Fault;
use super::object::Object;
use super::pixels::{PixelFormat, Sample};
use super::syntax::Packing;
use super::wire::PIXEL_DATA;
use dicom_encoding::adapters::{PixelDataObject, RawPixelData};
use dicom_encoding::transfer_syntax::TransferSyntaxIndex;
use dicom_transfer_syntax_registry::TransferSyntaxRegistry;
use std::borrow::Cow;

/// Decodes one frame to little-endian bytes.
pub fn decode(
    object: &Object,
    format: &PixelFormat,
    packing: Packing,
    frame: usize,
    frames: usize,
) -> Result<Vec<u8>, Fault> {
    let stream = stream(object, frame, frames)?;
    if packing == Packing::Rle {
        return super::rle::decode(&stream, format);
    }
    check(&stream, format, packing)?;
    if packing == Packing::JpegLs && !cfg!(feature = "jpeg-ls") {
        let text = "this build has no JPEG-LS decoder (build with the feature jpeg-ls)";
        return Err(Fault::new("no-decoder", text));
    }
    let damaged = || Fault::new("damaged-stream", format!("the {} stream is damaged", object.syntax.name));
    let syntax = TransferSyntaxRegistry.get(object.syntax.uid);
    let reader = syntax
        .and_then(|s| s.pixel_data_reader())
        .ok_or_else(|| Fault::new("no-decoder", format!("this build has no decoder for {}", object.syntax.name)))?;
    let one = OneFrame { stream: &stream, format, uid: object.syntax.uid };
    let mut out = Vec::new();
    // The decoders are foreign code that has panicked on damaged streams; the analysing process holds what
    // even this does not.
    let attempt = std::panic::AssertUnwindSafe(|| reader.decode_frame(&one, 0, &mut out));
    match std::panic::catch_unwind(attempt) {
        Ok(Ok(())) if out.len() == format.frame_bytes() => Ok(out),
        _ => Err(damaged()),
    }
}

/// The codestream of one frame: its one fragment, all fragments of a single frame, or those between two
/// entries of the offset table.
fn stream(object: &Object, frame: usize, frames: usize) -> Result<Cow<'_, [u8]>, Fault> {
    let fault = |text: String| Fault::new("fragments", text).tag(PIXEL_DATA);
    let all = object.set.fragments();
    let Some((table, fragments)) = all.split_first() else {
        return Err(fault("the pixel data have no fragments".to_owned()));
    };
    if fragments.is_empty() {
        return Err(fault("the pixel data have no fragments".to_owned()));
    }
    if fragments.len() == frames {
        let one = fragments.get(frame).copied().unwrap_or_default();
        return Ok(Cow::Borrowed(one));
    }
    if frames == 1 {
        return Ok(Cow::Owned(fragments.concat()));
    }
    let offsets: Vec<u32> =
        table.chunks_exact(4).map(|c| u32::from_le_bytes(c.try_into().unwrap_or_default())).collect();
    if offsets.len() != frames || !offsets.windows(2).all(|w| w[0] < w[1]) {
        return Err(fault(format!("{} fragments for {frames} frames and no table that divides them", fragments.len())));
    }
    let (from, to) =
        (offsets.get(frame).copied().unwrap_or(u32::MAX), offsets.get(frame + 1).copied().unwrap_or(u32::MAX));
    let mut at = 0u64;
    let mut out = Vec::new();
    let mut begins = false;
    for fragment in fragments {
        begins |= at == u64::from(from);
        if at >= u64::from(from) && at < u64::from(to) {
            out.extend_from_slice(fragment);
        }
        at += fragment.len() as u64 + 8;
    }
    if !begins || out.is_empty() {
        return Err(fault("the offset table does not point at fragments".to_owned()));
    }
    Ok(Cow::Owned(out))
}

/// What a codestream says of itself.
struct Declared {
    rows: u64,
    columns: u64,
    components: u64,
    bits: u64,
    signed: Option<bool>,
}

/// Refuses a codestream that would not decode to the image the header describes.
fn check(stream: &[u8], format: &PixelFormat, packing: Packing) -> Result<(), Fault> {
    let declared = match packing {
        Packing::Jpeg => jpeg_header(stream, 0xC3),
        Packing::JpegLs => jpeg_header(stream, 0xF7),
        _ => jpeg2000_header(stream),
    };
    let declared =
        declared.ok_or_else(|| Fault::new("damaged-stream", "the compressed stream has no readable header"))?;
    let Sample::Whole { allocated, stored, signed } = format.sample else {
        return Err(Fault::new("codec-mismatch", "floating-point pixels cannot be compressed this way"));
    };
    if allocated > 16 {
        return Err(Fault::new("unsupported-bits", "more than 16 bits in compressed pixels are not supported"));
    }
    let Declared { rows, columns, components, bits, .. } = declared;
    let size = rows == format.rows as u64 && columns == format.columns as u64 && components == 1;
    // Encoders take either the bits in use or the bits allocated; the decoder writes one or two bytes by them.
    let bits_fit = (u64::from(stored)..=u64::from(allocated)).contains(&bits) && (bits > 8) == (allocated > 8);
    if !size || !bits_fit {
        let text = format!(
            "the compressed stream holds {rows} by {columns} pixels of {bits} bits in {components} components, \
             the header says {} by {} of {stored} bits in one",
            format.rows, format.columns
        );
        return Err(Fault::new("codec-mismatch", text));
    }
    if declared.signed.is_some_and(|s| s != signed) {
        return Err(Fault::new("codec-mismatch", "the compressed stream and the header differ on signed pixels"));
    }
    Ok(())
}

/// Walks JPEG markers to the start of frame, which must be of the lossless kind (ITU-T T.81 B.2.2, T.87 C.2.2).
fn jpeg_header(stream: &[u8], wanted: u8) -> Option<Declared> {
    let word = |at: usize| Some(u64::from(u16::from_be_bytes(stream.get(at..at + 2)?.try_into().ok()?)));
    let mut at = stream.starts_with(&[0xFF, 0xD8]).then_some(2)?;
    loop {
        let marker = stream.get(at..at + 2)?;
        match marker {
            [0xFF, 0xFF] => at += 1,
            [0xFF, m] if *m == wanted => {
                return Some(Declared {
                    bits: u64::from(*stream.get(at + 4)?),
                    rows: word(at + 5)?,
                    columns: word(at + 7)?,
                    components: u64::from(*stream.get(at + 9)?),
                    signed: None,
                });
            }
            // Another start of frame, or the scan before any.
            [0xFF, 0xC0..=0xC3 | 0xC5..=0xC7 | 0xC9..=0xCB | 0xCD..=0xCF | 0xDA | 0xD9] => return None,
            [0xFF, _] => at += 2 + word(at + 2)? as usize,
            _ => return None,
        }
    }
}

/// The SIZ marker, which follows the start of a codestream (ITU-T T.800 A.5.1).
fn jpeg2000_header(stream: &[u8]) -> Option<Declared> {
    let long = |at: usize| Some(u64::from(u32::from_be_bytes(stream.get(at..at + 4)?.try_into().ok()?)));
    if !stream.starts_with(&[0xFF, 0x4F, 0xFF, 0x51]) {
        return None;
    }
    let components = u64::from(u16::from_be_bytes(stream.get(40..42)?.try_into().ok()?));
    let depth = *stream.get(42)?;
    Some(Declared {
        columns: long(8)?.checked_sub(long(16)?)?,
        rows: long(12)?.checked_sub(long(20)?)?,
        components,
        bits: u64::from(depth & 0x7F) + 1,
        signed: Some(depth & 0x80 != 0),
    })
}

/// One frame as the decoders of dicom-rs want to see it.
struct OneFrame<'a> {
    stream: &'a [u8],
    format: &'a PixelFormat,
    uid: &'static str,
}

impl PixelDataObject for OneFrame<'_> {
    fn transfer_syntax_uid(&self) -> &str {
        self.uid
    }
    fn rows(&self) -> Option<u16> {
        u16::try_from(self.format.rows).ok()
    }
    fn cols(&self) -> Option<u16> {
        u16::try_from(self.format.columns).ok()
    }
    fn samples_per_pixel(&self) -> Option<u16> {
        Some(1)
    }
    fn bits_allocated(&self) -> Option<u16> {
        match self.format.sample {
            Sample::Whole { allocated, .. } => Some(u16::from(allocated)),
            _ => None,
        }
    }
    fn bits_stored(&self) -> Option<u16> {
        match self.format.sample {
            Sample::Whole { stored, .. } => Some(u16::from(stored)),
            _ => None,
        }
    }
    fn photometric_interpretation(&self) -> Option<&str> {
        Some("MONOCHROME2")
    }
    fn number_of_frames(&self) -> Option<u32> {
        Some(1)
    }
    fn number_of_fragments(&self) -> Option<u32> {
        Some(1)
    }
    fn fragment(&self, fragment: usize) -> Option<Cow<'_, [u8]>> {
        (fragment == 0).then_some(Cow::Borrowed(self.stream))
    }
    fn offset_table(&self) -> Option<Cow<'_, [u32]>> {
        Some(Cow::Borrowed(&[]))
    }
    fn raw_pixel_data(&self) -> Option<RawPixelData> {
        Some(RawPixelData { fragments: vec![self.stream.to_vec()].into(), offset_table: Vec::new().into() })
    }
}
