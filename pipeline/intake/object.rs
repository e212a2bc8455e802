//! One DICOM file (PS3.10): preamble, file meta group, data set.

use super::dataset::DataSet;
use super::fault::Fault;
use super::limits::Limits;
use super::syntax::Syntax;
use super::wire::{self, Layout};
use std::io::Read as _;

const META: Layout = Layout { explicit: true, big_endian: false };

/// A file read to its elements.
#[derive(Debug)]
pub struct Object {
    /// The data set.
    pub set: DataSet,
    /// Its transfer syntax.
    pub syntax: Syntax,
    /// SOP class as the file meta group gives it.
    pub meta_class: Option<String>,
    /// What was odd but harmless.
    pub oddities: Vec<Fault>,
}

/// Whether these first bytes can be a DICOM file: the prefix after the preamble, or a first element as a
/// file without preamble would have it.
pub fn looks_like_dicom(head: &[u8]) -> bool {
    head.get(128..132) == Some(b"DICM") || bare_start(head)
}

/// A file without preamble begins with an element of group 2 or 8, little endian, low element number.
fn bare_start(head: &[u8]) -> bool {
    matches!(head, [0x02 | 0x08, 0x00, element, 0x00, _, _, _, _, ..] if *element < 0x20)
        && plausible_first_length(head)
}

/// Whether the first element's header fits either layout.
fn plausible_first_length(head: &[u8]) -> bool {
    let explicit = head.get(4..6).is_some_and(|vr| vr.iter().all(u8::is_ascii_uppercase));
    let length = head.get(4..8).and_then(|b| b.try_into().ok()).map_or(u32::MAX, u32::from_le_bytes);
    explicit || length < 1024
}

/// Reads a file. Its bytes are consumed: they become the data set's.
pub fn open(bytes: Vec<u8>, limits: &Limits) -> Result<Object, Fault> {
    let mut oddities = Vec::new();
    let start = if bytes.get(128..132) == Some(b"DICM") { 132 } else { 0 };
    if start == 0 && !bare_start(&bytes) {
        return Err(Fault::new("not-dicom", "not a DICOM file"));
    }
    if start == 0 {
        oddities.push(Fault::new("no-preamble", "the file has no preamble"));
    }
    let has_meta = bytes.get(start..start + 2) == Some(&[0x02, 0x00]);
    let mut meta_class = None;
    let (syntax, begin) = if has_meta {
        // The group is read to its last element, not to the length it declares: that length can be wrong.
        let (elements, end) = wire::walk(&bytes, start, META, Some(2), limits)?;
        let named = elements.iter().find(|e| e.tag == 0x0002_0010).and_then(|e| bytes.get(e.range()));
        let named = named.map(String::from_utf8_lossy);
        let uid = named.as_deref().map(super::number::trim).filter(|uid| !uid.is_empty());
        let uid =
            uid.ok_or_else(|| Fault::new("no-transfer-syntax", "no transfer syntax is given").tag(0x0002_0010))?;
        let class = elements.iter().find(|e| e.tag == 0x0002_0002).and_then(|e| bytes.get(e.range()));
        meta_class =
            class.map(|c| super::number::trim(&String::from_utf8_lossy(c)).to_owned()).filter(|c| !c.is_empty());
        (Syntax::from_uid(uid)?, end)
    } else if start == 0 {
        let explicit = bytes.get(4..6).is_some_and(|vr| vr.iter().all(u8::is_ascii_uppercase));
        (Syntax::bare(explicit), start)
    } else {
        return Err(Fault::new("no-meta", "the file meta information is missing"));
    };
    let (bytes, begin) =
        if syntax.deflated() { (inflate(bytes.get(begin..).unwrap_or_default(), limits)?, 0) } else { (bytes, begin) };
    let elements = walk_data_set(&bytes, begin, syntax.layout(), limits, &mut oddities)?;
    if elements.is_empty() {
        return Err(Fault::new("empty", "the data set is empty"));
    }
    Ok(Object { set: DataSet::new(bytes, elements), syntax, meta_class, oddities })
}

/// The data set; what cannot be read after whole pixel data is trailing garbage, and named as such.
fn walk_data_set(
    bytes: &[u8],
    begin: usize,
    layout: Layout,
    limits: &Limits,
    oddities: &mut Vec<Fault>,
) -> Result<Vec<wire::Element>, Fault> {
    match wire::walk(bytes, begin, layout, None, limits) {
        Ok((elements, _)) => Ok(elements),
        Err(fault) => {
            let Some(end) = wire::end_of_pixels(bytes, begin, layout, limits) else { return Err(fault) };
            if fault.offset.is_none_or(|at| at < end) {
                return Err(fault);
            }
            oddities.push(Fault::new("trailing-bytes", "bytes that are no element follow the pixel data").at(end));
            let kept = bytes.get(..end).unwrap_or_default();
            Ok(wire::walk(kept, begin, layout, None, limits)?.0)
        }
    }
}

/// Inflates a deflated data set, never beyond the limit.
fn inflate(bytes: &[u8], limits: &Limits) -> Result<Vec<u8>, Fault> {
    let limit = limits.inflated(bytes.len() as u64);
    let mut out = Vec::new();
    let mut decoder = flate2::read::DeflateDecoder::new(bytes).take(limit.saturating_add(1));
    let read = decoder.read_to_end(&mut out);
    if out.len() as u64 > limit {
        return Err(Fault::new("inflates-too-far", format!("the deflated data set grows beyond {limit} bytes")));
    }
    read.map_err(|_| Fault::new("deflate", "the deflated data set is damaged or cut"))?;
    Ok(out)
}
