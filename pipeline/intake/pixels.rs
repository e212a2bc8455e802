//! The pixel module: how numbers are stored, and from bytes to stored values. Nothing is rescaled here.

use super::codec;
use super::dataset::Node;
use super::fault::Fault;
use super::limits::Limits;
use super::object::Object;
use super::syntax::Packing;
use super::wire::{PIXEL_DATA, Tag};
use std::borrow::Cow;

const FLOAT_PIXELS: Tag = 0x7FE0_0008;
const DOUBLE_PIXELS: Tag = 0x7FE0_0009;

/// How a sample is stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sample {
    /// Whole numbers of this many allocated and stored bits.
    Whole {
        /// 8, 16 or 32.
        allocated: u8,
        /// At most `allocated`.
        stored: u8,
        /// Two's complement.
        signed: bool,
    },
    /// Float Pixel Data.
    Float,
    /// Double Float Pixel Data.
    Double,
}

/// The image pixel module.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PixelFormat {
    /// Rows.
    pub rows: usize,
    /// Columns.
    pub columns: usize,
    /// How samples are stored.
    pub sample: Sample,
    /// Stored values from and to which a pixel is padding.
    pub padding: Option<[f64; 2]>,
    /// The element that holds the pixels.
    pub element: Tag,
    /// MONOCHROME1: meant to be shown with low values bright. Stored values stay as they are.
    pub inverted: bool,
}

impl PixelFormat {
    /// Reads and checks the module. Sizes are held against the limits before anything is allocated.
    pub fn read(top: Node<'_>, limits: &Limits) -> Result<Self, Fault> {
        let required = |tag: Tag| top.whole(tag)?.ok_or_else(|| Fault::new("pixel-module", "missing").tag(tag));
        let bad = |tag, wanted: &str, found: i64| Fault::value("pixel-module", tag, wanted, &found.to_string());
        let (rows, columns) = (required(0x0028_0010)?, required(0x0028_0011)?);
        for (tag, n) in [(0x0028_0010, rows), (0x0028_0011, columns)] {
            if !(1..=65_535).contains(&n) {
                return Err(bad(tag, "1 to 65535", n));
            }
        }
        let pixels = rows as u64 * columns as u64;
        if pixels > limits.image_pixels {
            let text = format!("an image of {rows} by {columns} pixels; the limit is {}", limits.image_pixels);
            return Err(Fault::new("image-too-large", text).tag(0x0028_0010));
        }
        let samples = required(0x0028_0002)?;
        if samples != 1 {
            return Err(bad(0x0028_0002, "1 (grey)", samples));
        }
        let photometric = top.text(0x0028_0004).unwrap_or_default();
        if !matches!(photometric.as_str(), "MONOCHROME2" | "MONOCHROME1") {
            return Err(Fault::value("pixel-module", 0x0028_0004, "MONOCHROME2", &photometric));
        }
        let element = [PIXEL_DATA, FLOAT_PIXELS, DOUBLE_PIXELS].into_iter().find(|&tag| top.has(tag));
        let element = element.ok_or_else(|| Fault::new("no-pixels", "there are no pixel data").tag(PIXEL_DATA))?;
        let allocated = required(0x0028_0100)?;
        let sample = match element {
            FLOAT_PIXELS => Sample::Float,
            DOUBLE_PIXELS => Sample::Double,
            _ => whole(top, allocated)?,
        };
        let inverted = photometric == "MONOCHROME1";
        let padding = padding(top, sample)?;
        Ok(Self { rows: rows as usize, columns: columns as usize, sample, padding, element, inverted })
    }

    /// Pixels of a frame.
    pub fn pixels(&self) -> usize {
        self.rows * self.columns
    }

    /// Bytes of an unpacked frame.
    pub fn frame_bytes(&self) -> usize {
        let sample = match self.sample {
            Sample::Whole { allocated, .. } => usize::from(allocated / 8),
            Sample::Float => 4,
            Sample::Double => 8,
        };
        self.pixels() * sample
    }

    /// The largest stored value, where the stored values have a top to saturate at.
    pub fn top_value(&self) -> Option<f64> {
        match self.sample {
            Sample::Whole { stored, signed, .. } => Some(2f64.powi(i32::from(stored) - i32::from(signed)) - 1.0),
            _ => None,
        }
    }
}

fn whole(top: Node<'_>, allocated: i64) -> Result<Sample, Fault> {
    let required = |tag: Tag| top.whole(tag)?.ok_or_else(|| Fault::new("pixel-module", "missing").tag(tag));
    let bad = |tag, wanted: &str, found: i64| Fault::value("pixel-module", tag, wanted, &found.to_string());
    if !matches!(allocated, 8 | 16 | 32) {
        return Err(bad(0x0028_0100, "8, 16 or 32", allocated));
    }
    let stored = required(0x0028_0101)?;
    if !(1..=allocated).contains(&stored) {
        return Err(bad(0x0028_0101, &format!("1 to {allocated}"), stored));
    }
    let high = required(0x0028_0102)?;
    if high != stored - 1 {
        return Err(bad(0x0028_0102, &(stored - 1).to_string(), high));
    }
    let representation = required(0x0028_0103)?;
    if !matches!(representation, 0 | 1) {
        return Err(bad(0x0028_0103, "0 or 1", representation));
    }
    Ok(Sample::Whole { allocated: allocated as u8, stored: stored as u8, signed: representation == 1 })
}

/// Pixel Padding Value, to Pixel Padding Range Limit where there is one. Their representation follows the
/// pixels'; implicit exports do not say it.
fn padding(top: Node<'_>, sample: Sample) -> Result<Option<[f64; 2]>, Fault> {
    let signed = matches!(sample, Sample::Whole { signed: true, .. });
    let read = |tag: Tag| -> Result<Option<f64>, Fault> {
        let Some(element) = top.element(tag) else { return Ok(None) };
        let Some(bytes) = top.bytes_of(element).and_then(|b| <[u8; 2]>::try_from(b).ok()) else { return Ok(None) };
        let value = if element.big_endian { u16::from_be_bytes(bytes) } else { u16::from_le_bytes(bytes) };
        Ok(Some(if signed { f64::from(value.cast_signed()) } else { f64::from(value) }))
    };
    let Some(from) = read(0x0028_0120)? else { return Ok(None) };
    let to = read(0x0028_0121)?.unwrap_or(from);
    Ok(Some([from.min(to), from.max(to)]))
}

/// Stored values of one frame. Words stay the bytes they are, mostly where they lie in the file: most images are
/// read once, to be scaled, and memory that is never touched costs nothing.
#[derive(Clone, Debug)]
pub enum Stored<'a> {
    /// Whole numbers of 16 allocated bits.
    Words(Words<'a>),
    /// Exact in f32: whole numbers of 8 bits, or float pixel data.
    Single(Vec<f32>),
    /// Needs f64.
    Double(Vec<f64>),
}

/// Whole numbers of 16 allocated bits as bytes.
#[derive(Clone, Debug)]
pub struct Words<'a> {
    bytes: Cow<'a, [u8]>,
    big_endian: bool,
    /// Bits above those stored, which old overlays may fill.
    unused: u32,
    signed: bool,
}

impl Words<'_> {
    #[inline]
    fn pairs(&self) -> &[[u8; 2]] {
        self.bytes.as_chunks().0
    }

    /// The layout that nearly every file has: little endian and unsigned. Its loops have no choices in them, so that
    /// several pixels go at a time.
    #[inline]
    fn usual(&self) -> bool {
        !self.big_endian && !self.signed
    }

    /// The bits that are stored.
    #[inline]
    fn mask(&self) -> u16 {
        u16::MAX.checked_shr(self.unused).unwrap_or(0)
    }

    #[inline]
    fn value(&self, pair: [u8; 2]) -> i32 {
        let word = if self.big_endian { u16::from_be_bytes(pair) } else { u16::from_le_bytes(pair) };
        let word = word << self.unused;
        if self.signed { i32::from(word.cast_signed() >> self.unused) } else { i32::from(word >> self.unused) }
    }
}

impl Stored<'_> {
    /// The value at a pixel.
    pub fn at(&self, pixel: usize) -> Option<f64> {
        match self {
            Self::Words(w) => w.pairs().get(pixel).map(|&pair| f64::from(w.value(pair))),
            Self::Single(v) => v.get(pixel).map(|&x| f64::from(x)),
            Self::Double(v) => v.get(pixel).copied(),
        }
    }

    /// Every value.
    pub fn values(&self) -> Vec<f64> {
        match self {
            Self::Words(w) => w.pairs().iter().map(|&pair| f64::from(w.value(pair))).collect(),
            Self::Single(v) => v.iter().map(|&x| f64::from(x)).collect(),
            Self::Double(v) => v.clone(),
        }
    }

    /// How many pixels have this value.
    pub fn count(&self, value: f64) -> usize {
        match self {
            Self::Words(w) if w.usual() => {
                let (Some(wanted), mask) = (whole_word(value), w.mask()) else { return 0 };
                let same = |pair: &[u8; 2]| u16::from(u16::from_le_bytes(*pair) & mask == wanted);
                // Sums of so few cannot overflow; a check at every pixel would keep them from going several at a time.
                let few = |part: &[[u8; 2]]| part.iter().fold(0u16, |sum, pair| sum.wrapping_add(same(pair)));
                w.pairs().chunks(1 << 15).map(|part| usize::from(few(part))).sum()
            }
            Self::Words(w) => w.pairs().iter().filter(|pair| f64::from(w.value(**pair)) == value).count(),
            Self::Single(v) => v.iter().filter(|x| f64::from(**x) == value).count(),
            Self::Double(v) => v.iter().filter(|x| **x == value).count(),
        }
    }

    /// Whether all pixels have one value.
    pub fn is_flat(&self) -> bool {
        match self {
            Self::Words(w) => {
                let first = w.pairs().first().map(|&pair| w.value(pair));
                w.pairs().iter().all(|&pair| Some(w.value(pair)) == first)
            }
            Self::Single(v) => v.iter().all(|x| Some(x) == v.first()),
            Self::Double(v) => v.iter().all(|x| Some(x) == v.first()),
        }
    }

    /// Whether another image has the same values, however it is stored.
    pub fn same(&self, other: &Stored<'_>) -> bool {
        self.values() == other.values()
    }

    /// Writes value · factor + offset.
    pub fn scale_into(&self, factor: f64, offset: f64, out: &mut [f32]) {
        let line = |value: f64| (value * factor + offset) as f32;
        match self {
            Self::Words(w) if w.usual() => {
                let mask = w.mask();
                for (out, &pair) in out.iter_mut().zip(w.pairs()) {
                    *out = line(f64::from(u16::from_le_bytes(pair) & mask));
                }
            }
            Self::Words(w) => {
                for (out, &pair) in out.iter_mut().zip(w.pairs()) {
                    *out = line(f64::from(w.value(pair)));
                }
            }
            Self::Single(values) => {
                for (out, &v) in out.iter_mut().zip(values) {
                    *out = line(f64::from(v));
                }
            }
            Self::Double(values) => {
                for (out, &v) in out.iter_mut().zip(values) {
                    *out = line(v);
                }
            }
        }
    }

    /// Independent of the file it came from.
    pub fn into_owned(self) -> Stored<'static> {
        match self {
            Self::Words(w) => Stored::Words(Words { bytes: Cow::Owned(w.bytes.into_owned()), ..w }),
            Self::Single(v) => Stored::Single(v),
            Self::Double(v) => Stored::Double(v),
        }
    }
}

/// A value as an unsigned word, where it is one.
fn whole_word(value: f64) -> Option<u16> {
    let word = value as u16;
    (f64::from(word) == value).then_some(word)
}

/// Decodes one frame.
pub fn decode<'a>(object: &'a Object, format: &PixelFormat, frame: usize, frames: usize) -> Result<Stored<'a>, Fault> {
    let Some(packing) = object.syntax.packing else {
        let text = format!("the pixels are compressed with loss ({}); intensities feed a fit", object.syntax.name);
        return Err(Fault::new("lossy", text));
    };
    let bytes = match packing {
        Packing::Native => native(object, format, frame, frames)?,
        packed => Cow::Owned(codec::decode(object, format, packed, frame, frames)?),
    };
    unpack(bytes, format, packing == Packing::Native && object.syntax.layout().big_endian)
}

/// The bytes of one frame of plain numbers. The element must hold exactly the frames declared, one byte of
/// padding aside.
fn native<'a>(object: &'a Object, format: &PixelFormat, frame: usize, frames: usize) -> Result<Cow<'a, [u8]>, Fault> {
    let top = object.set.root();
    let bytes = top.raw(format.element).unwrap_or_default();
    let size = format.frame_bytes();
    let wanted = size.saturating_mul(frames);
    if bytes.len() != wanted && bytes.len() != wanted + wanted % 2 {
        let text = format!("{} bytes of pixels where {frames} frames of {size} bytes are declared", bytes.len());
        return Err(Fault::new("pixel-length", text).tag(format.element));
    }
    let start = frame * size;
    bytes
        .get(start..start + size)
        .map(Cow::Borrowed)
        .ok_or_else(|| Fault::new("pixel-length", "the frame lies beyond the pixel data").tag(format.element))
}

/// Bytes to numbers. Bits above Bits Stored (old overlays) are cut off, the sign extended.
fn unpack<'a>(bytes: Cow<'a, [u8]>, format: &PixelFormat, big_endian: bool) -> Result<Stored<'a>, Fault> {
    macro_rules! numbers {
        ($type:ty) => {
            bytes.chunks_exact(size_of::<$type>()).map(|chunk| {
                let chunk = chunk.try_into().unwrap_or_default();
                if big_endian { <$type>::from_be_bytes(chunk) } else { <$type>::from_le_bytes(chunk) }
            })
        };
    }
    let finite = |ok: bool| if ok { Ok(()) } else { Err(Fault::new("not-finite", "a pixel is not a finite number")) };
    Ok(match format.sample {
        Sample::Float => {
            let values: Vec<f32> = numbers!(f32).collect();
            finite(values.iter().all(|v| v.is_finite()))?;
            Stored::Single(values)
        }
        Sample::Double => {
            let values: Vec<f64> = numbers!(f64).collect();
            finite(values.iter().all(|v| v.is_finite()))?;
            Stored::Double(values)
        }
        Sample::Whole { allocated, stored, signed } => {
            let shift = u32::from(allocated - stored);
            match (allocated, signed) {
                (8, false) => Stored::Single(bytes.iter().map(|&b| f32::from((b << shift) >> shift)).collect()),
                (8, true) => {
                    Stored::Single(bytes.iter().map(|&b| f32::from((b << shift).cast_signed() >> shift)).collect())
                }
                (16, _) => Stored::Words(Words { bytes, big_endian, unused: shift, signed }),
                (_, false) => Stored::Double(numbers!(u32).map(|v| f64::from((v << shift) >> shift)).collect()),
                (_, true) => {
                    Stored::Double(numbers!(u32).map(|v| f64::from((v << shift).cast_signed() >> shift)).collect())
                }
            }
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn format(allocated: u8, stored: u8, signed: bool) -> PixelFormat {
        let sample = Sample::Whole { allocated, stored, signed };
        PixelFormat { rows: 1, columns: 2, sample, padding: None, element: PIXEL_DATA, inverted: false }
    }

    #[test]
    fn bits_above_stored_are_cut_and_signs_kept() {
        let values =
            |bytes: &[u8], f: PixelFormat, big| unpack(Cow::Borrowed(bytes), &f, big).expect("finite").values();
        assert_eq!(values(&[0xFF, 0xFF, 0x01, 0xF0], format(16, 12, false), false), [4095.0, 1.0]);
        assert_eq!(values(&[0xFF, 0x0F, 0x01, 0xF0], format(16, 12, true), false), [-1.0, 1.0]);
        assert_eq!(values(&[0x01, 0x02, 0xFF, 0xFE], format(16, 16, true), true), [258.0, -2.0]);
        assert_eq!(values(&[0xFF, 0x81], format(8, 7, false), false), [127.0, 1.0]);
        let wide = [0xFF, 0xFF, 0xFF, 0xFF, 1, 0, 0, 0];
        assert_eq!(values(&wide, format(32, 32, false), false), [4294967295.0, 1.0]);
        assert_eq!(values(&wide, format(32, 32, true), false), [-1.0, 1.0]);
    }

    /// Whatever way values are asked for, they are the same.
    #[test]
    fn every_question_about_stored_values_has_one_answer() {
        let bytes: Vec<u8> = (0..64u8).map(|i| i.wrapping_mul(73)).collect();
        for (allocated, stored, signed, big) in [
            (16, 16, false, false),
            (16, 11, false, false),
            (16, 12, true, false),
            (16, 9, false, true),
            (8, 8, true, false),
            (32, 30, true, false),
        ] {
            let image = unpack(Cow::Borrowed(&bytes), &format(allocated, stored, signed), big).expect("finite");
            let values = image.values();
            let mut scaled = vec![0f32; values.len()];
            image.scale_into(1.5, -3.0, &mut scaled);
            for (pixel, (&value, &scaled)) in values.iter().zip(&scaled).enumerate() {
                assert_eq!((image.at(pixel), (value * 1.5 - 3.0) as f32), (Some(value), scaled));
            }
            let third = values[3];
            assert_eq!(image.count(third), values.iter().filter(|v| **v == third).count());
            assert!(!image.is_flat() && image.at(values.len()).is_none() && image.same(&image.clone().into_owned()));
        }
        assert!(unpack(Cow::Borrowed(&[7; 8]), &format(16, 16, false), false).expect("finite").is_flat());
    }
}
