//! Questions put to the flat list of elements: typed values by tag, items of sequences, private blocks.

use super::charset::Charset;
use super::fault::Fault;
use super::number;
use super::wire::{Element, ITEM, PIXEL_DATA, Tag};
use dicom_core::dictionary::{DataDictionary, DataDictionaryEntry};
use dicom_dictionary_std::StandardDataDictionary;
use std::borrow::Cow;

/// A data set: its bytes, its elements, its character set.
#[derive(Debug)]
pub struct DataSet {
    pub(super) bytes: Vec<u8>,
    pub(super) elements: Vec<Element>,
    pub(super) charset: Charset,
}

/// The standard's name of a public element, such as `Echo Time`.
pub fn name(tag: Tag) -> Option<String> {
    let tag = dicom_core::Tag((tag >> 16) as u16, (tag & 0xFFFF) as u16);
    let keyword = StandardDataDictionary.by_tag(tag)?.alias();
    let letters: Vec<char> = keyword.chars().collect();
    let mut text = String::new();
    for (i, &c) in letters.iter().enumerate() {
        let before = i.checked_sub(1).and_then(|j| letters.get(j));
        let after = letters.get(i + 1);
        let starts = before.is_some_and(|b| b.is_lowercase())
            || (before.is_some_and(|b| b.is_uppercase()) && after.is_some_and(|a| a.is_lowercase()));
        if c.is_uppercase() && starts {
            text.push(' ');
        }
        text.push(c);
    }
    Some(text)
}

/// `(gggg,eeee) Name`, as findings name an attribute.
pub fn attribute(tag: Tag) -> String {
    let text = super::wire::tag_text(tag);
    name(tag).map_or(text.clone(), |name| format!("{text} {name}"))
}

impl DataSet {
    /// Over these bytes. The character set is read from the elements.
    pub fn new(bytes: Vec<u8>, elements: Vec<Element>) -> Self {
        let mut set = Self { bytes, elements, charset: Charset::default() };
        let terms: Vec<String> = set.root().raw(0x0008_0005).map(split_ascii).unwrap_or_default();
        set.charset = Charset::new(&terms);
        set
    }

    /// The fragments of encapsulated pixel data, the offset table first; none where pixels are plain.
    pub fn fragments(&self) -> Vec<&[u8]> {
        let parent = self.root().entries().find(|(_, e)| e.tag == PIXEL_DATA);
        let inside = parent.and_then(|(at, e)| self.elements.get(at + 1..e.next));
        inside.unwrap_or_default().iter().filter_map(|e| self.bytes.get(e.range())).collect()
    }

    /// The top level.
    pub fn root(&self) -> Node<'_> {
        Node { set: self, from: 0, to: self.elements.len() }
    }
}

fn split_ascii(bytes: &[u8]) -> Vec<String> {
    let text = String::from_utf8_lossy(bytes);
    text.split('\\').map(|s| number::trim(s).to_owned()).collect()
}

/// One level of the data set: the top, or an item of a sequence.
#[derive(Clone, Copy, Debug)]
pub struct Node<'a> {
    set: &'a DataSet,
    from: usize,
    to: usize,
}

impl<'a> Node<'a> {
    /// The elements of this level in order, with their place in the list.
    fn entries(self) -> impl Iterator<Item = (usize, &'a Element)> {
        let mut at = self.from;
        std::iter::from_fn(move || {
            let index = at;
            let element = (index < self.to).then(|| self.set.elements.get(index)).flatten()?;
            // `next` is always ahead; the guard keeps a mistake there from becoming a hang.
            at = element.next.max(index + 1);
            Some((index, element))
        })
    }

    /// The elements of this level in order.
    pub fn elements(self) -> impl Iterator<Item = &'a Element> {
        self.entries().map(|(_, element)| element)
    }

    /// The element with this tag.
    pub fn element(self, tag: Tag) -> Option<&'a Element> {
        self.elements().find(|e| e.tag == tag)
    }

    /// Whether the element is present, even if empty.
    pub fn has(self, tag: Tag) -> bool {
        self.element(tag).is_some()
    }

    /// The bytes of a value; `None` where absent.
    pub fn raw(self, tag: Tag) -> Option<&'a [u8]> {
        self.bytes_of(self.element(tag)?)
    }

    /// The bytes of this element.
    pub fn bytes_of(self, element: &Element) -> Option<&'a [u8]> {
        self.set.bytes.get(element.range())
    }

    /// The items of a sequence; none where it is absent.
    pub fn items(self, tag: Tag) -> impl Iterator<Item = Node<'a>> {
        let found = self.entries().find(|(_, e)| e.tag == tag && e.vr == *b"SQ");
        found.into_iter().flat_map(move |(index, e)| self.level(index, e))
    }

    /// The first items of every public sequence at this level: the macros of a functional group.
    pub fn macros(self) -> impl Iterator<Item = (Tag, Node<'a>)> {
        let sequences = self.entries().filter(|(_, e)| e.vr == *b"SQ" && (e.tag >> 16).is_multiple_of(2));
        sequences.filter_map(move |(index, e)| Some((e.tag, self.level(index, e).next()?)))
    }

    /// The items below the element at this index: its children follow it in the list.
    fn level(self, index: usize, element: &Element) -> impl Iterator<Item = Node<'a>> + use<'a> {
        let set = self.set;
        let inside = Node { set, from: index + 1, to: element.next };
        inside.entries().filter(|(_, e)| e.tag == ITEM).map(move |(i, e)| Node { set, from: i + 1, to: e.next })
    }

    /// Decoded text, trimmed; `None` where absent or empty. Several values stay joined by `\`.
    pub fn text(self, tag: Tag) -> Option<String> {
        let element = self.element(tag)?;
        let text = self.decoded(element)?;
        let text = text.split('\\').map(number::trim).collect::<Vec<_>>().join("\\");
        (!text.is_empty()).then_some(text)
    }

    fn decoded(self, element: &Element) -> Option<Cow<'a, str>> {
        let bytes = self.bytes_of(element)?;
        let foreign = matches!(&element.vr, b"LO" | b"LT" | b"PN" | b"SH" | b"ST" | b"UC" | b"UT" | b"UN");
        Some(if foreign { self.set.charset.decode(bytes, &element.vr) } else { String::from_utf8_lossy(bytes) })
    }

    /// The values of a text element; empty where absent.
    pub fn texts(self, tag: Tag) -> Vec<String> {
        self.text(tag).map(|t| t.split('\\').map(|s| number::trim(s).to_owned()).collect()).unwrap_or_default()
    }

    /// A UID, checked.
    pub fn uid(self, tag: Tag) -> Result<Option<String>, Fault> {
        match self.text(tag) {
            None => Ok(None),
            Some(text) if crate::study::is_uid(&text) => Ok(Some(text)),
            Some(text) => Err(Fault::value("bad-uid", tag, "a UID of digits and points", &text)),
        }
    }

    /// All numbers of an element; `None` where it is absent or empty.
    pub fn decimals(self, tag: Tag) -> Result<Option<Vec<f64>>, Fault> {
        self.element(tag).map_or(Ok(None), |e| self.numbers_of(e, e.vr))
    }

    /// The number of an element that has one; `None` where it is absent or empty.
    pub fn decimal(self, tag: Tag) -> Result<Option<f64>, Fault> {
        single(tag, self.decimals(tag)?)
    }

    /// The one number of an element whose representation is known from elsewhere (private elements).
    pub fn decimal_as(self, tag: Tag, vr: [u8; 2]) -> Result<Option<f64>, Fault> {
        let Some(element) = self.element(tag) else { return Ok(None) };
        let vr = if element.vr == *b"UN" { vr } else { element.vr };
        single(tag, self.numbers_of(element, vr)?)
    }

    /// The number of an element that is not needed to be right: what cannot be read counts as absent.
    pub fn lenient(self, tag: Tag) -> Option<f64> {
        self.decimal(tag).ok().flatten()
    }

    /// A whole number, for counts and sizes.
    pub fn whole(self, tag: Tag) -> Result<Option<i64>, Fault> {
        match self.decimal(tag)? {
            None => Ok(None),
            Some(v) if v.fract() == 0.0 && v.abs() < 1e15 => Ok(Some(v as i64)),
            Some(v) => Err(Fault::value("bad-number", tag, "a whole number", &v.to_string())),
        }
    }

    fn numbers_of(self, element: &Element, vr: [u8; 2]) -> Result<Option<Vec<f64>>, Fault> {
        let bytes = self.bytes_of(element).unwrap_or_default();
        let bad = |found: &str| Fault::value("bad-number", element.tag, "a finite number", found);
        macro_rules! binary {
            ($type:ty) => {{
                const SIZE: usize = size_of::<$type>();
                if bytes.len() % SIZE != 0 {
                    return Err(bad(&format!("{} bytes", bytes.len())));
                }
                let number = |chunk: &[u8]| {
                    let chunk: [u8; SIZE] = chunk.try_into().unwrap_or_default();
                    (if element.big_endian { <$type>::from_be_bytes(chunk) } else { <$type>::from_le_bytes(chunk) })
                        as f64
                };
                bytes.chunks_exact(SIZE).map(number).collect()
            }};
        }
        let values: Vec<f64> = match &vr {
            b"DS" | b"IS" => {
                let text = String::from_utf8_lossy(bytes);
                if number::trim(&text).is_empty() {
                    return Ok(None);
                }
                let parsed: Option<Vec<f64>> = text.split('\\').map(number::decimal).collect();
                parsed.ok_or_else(|| bad(&text))?
            }
            b"FD" => binary!(f64),
            b"FL" => binary!(f32),
            b"US" => binary!(u16),
            b"SS" => binary!(i16),
            b"UL" => binary!(u32),
            b"SL" => binary!(i32),
            other => return Err(bad(&format!("a value of representation {}", String::from_utf8_lossy(other)))),
        };
        if let Some(v) = values.iter().find(|v| !v.is_finite()) {
            return Err(bad(&v.to_string()));
        }
        Ok((!values.is_empty()).then_some(values))
    }

    /// The tag of a private element by its creator (PS3.5 section 7.8): the creator's block is wherever the
    /// creator is declared, and an element without its creator does not exist.
    pub fn private(self, group: u16, creator: &str, element: u8) -> Option<Tag> {
        let group = Tag::from(group) << 16;
        let block = self
            .elements()
            .filter(|e| (group | 0x10..=group | 0xFF).contains(&e.tag))
            .find(|e| self.bytes_of(e).is_some_and(|b| number::trim(&String::from_utf8_lossy(b)) == creator))?;
        Some(group | ((block.tag & 0xFF) << 8) | Tag::from(element))
    }
}

fn single(tag: Tag, values: Option<Vec<f64>>) -> Result<Option<f64>, Fault> {
    match values.as_deref() {
        None => Ok(None),
        Some([one]) => Ok(Some(*one)),
        Some(many) => Err(Fault::value("several-values", tag, "one value", &format!("{} values", many.len()))),
    }
}
