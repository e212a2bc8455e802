//! The wire format (PS3.5 section 7, PS3.10 section 7): from bytes to a flat list of elements.
//!
//! One loop, no recursion, and nothing is allocated by a declared length: every length is held against the
//! bytes that are left before anything else happens, and the list grows by at most one entry for eight
//! bytes of file. The same list answers every later question, so that there is no second parser which
//! could read the file differently.

use super::fault::Fault;
use super::limits::Limits;
use dicom_core::VR;
use dicom_core::dictionary::{DataDictionary, DataDictionaryEntry};
use dicom_dictionary_std::StandardDataDictionary;
use std::ops::Range;

/// A tag as one number: group in the upper half.
pub type Tag = u32;

/// `(gggg,eeee)`.
pub fn tag_text(tag: Tag) -> String {
    format!("({:04X},{:04X})", tag >> 16, tag & 0xFFFF)
}

pub(super) const ITEM: Tag = 0xFFFE_E000;
const ITEM_END: Tag = 0xFFFE_E00D;
const SEQUENCE_END: Tag = 0xFFFE_E0DD;
pub(super) const PIXEL_DATA: Tag = 0x7FE0_0010;
const UNDEFINED: u32 = u32::MAX;

/// How data elements are laid out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Layout {
    /// Whether each element names its value representation.
    pub explicit: bool,
    /// Whether numbers are big endian.
    pub big_endian: bool,
}

/// One data element, item, or fragment of encapsulated pixel data.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Element {
    /// Its tag; `FFFE,E000` for an item.
    pub tag: Tag,
    /// Its value representation; `SQ` for sequences, `UN` where none is known.
    pub vr: [u8; 2],
    /// Where its value begins.
    pub start: usize,
    /// Where its value ends.
    pub end: usize,
    /// Index of the next element at its own level.
    pub next: usize,
    /// Byte order of its numbers.
    pub big_endian: bool,
}

impl Element {
    /// The bytes of its value.
    pub fn range(&self) -> Range<usize> {
        self.start..self.end
    }
}

/// Reads numbers at a place, in one byte order, never past the end.
struct Reader<'a> {
    bytes: &'a [u8],
    at: usize,
    end: usize,
    big_endian: bool,
}

impl Reader<'_> {
    fn left(&self) -> usize {
        self.end - self.at
    }

    fn array<const N: usize>(&mut self) -> Option<[u8; N]> {
        let array = self.bytes.get(self.at..self.end)?.first_chunk::<N>().copied()?;
        self.at += N;
        Some(array)
    }

    fn u16(&mut self) -> Option<u16> {
        let b = self.array()?;
        Some(if self.big_endian { u16::from_be_bytes(b) } else { u16::from_le_bytes(b) })
    }

    fn u32(&mut self) -> Option<u32> {
        let b = self.array()?;
        Some(if self.big_endian { u32::from_be_bytes(b) } else { u32::from_le_bytes(b) })
    }

    fn tag(&mut self) -> Option<Tag> {
        Some((Tag::from(self.u16()?) << 16) | Tag::from(self.u16()?))
    }
}

/// An open sequence, item or fragment list.
struct Open {
    /// Its index in the list.
    index: usize,
    /// Where it must end; the parent's end where the length is undefined.
    end: usize,
    undefined: bool,
    kind: Kind,
    /// The layout inside it: a UN sequence of undefined length is implicit little endian.
    layout: Layout,
    /// Taken for a sequence by its look alone; goes back to plain bytes if it cannot be walked.
    guessed: bool,
    /// The last tag seen inside, for order and duplicates.
    last: Option<Tag>,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Sequence,
    Item,
    Fragments,
}

const KNOWN_VR: &[&[u8; 2]] = &[
    b"AE", b"AS", b"AT", b"CS", b"DA", b"DS", b"DT", b"FD", b"FL", b"IS", b"LO", b"LT", b"OB", b"OD", b"OF", b"OL",
    b"OV", b"OW", b"PN", b"SH", b"SL", b"SQ", b"SS", b"ST", b"SV", b"TM", b"UC", b"UI", b"UL", b"UN", b"UR", b"US",
    b"UT", b"UV",
];
const LONG_VR: &[&[u8; 2]] =
    &[b"OB", b"OD", b"OF", b"OL", b"OV", b"OW", b"SQ", b"SV", b"UC", b"UN", b"UR", b"UT", b"UV"];
const TEXT_VR: &[&[u8; 2]] = &[
    b"AE", b"AS", b"CS", b"DA", b"DS", b"DT", b"IS", b"LO", b"LT", b"PN", b"SH", b"ST", b"TM", b"UC", b"UI", b"UR",
    b"UT",
];

/// The value representation of a public tag where the layout does not give it.
fn dictionary_vr(tag: Tag) -> [u8; 2] {
    let tag = dicom_core::Tag((tag >> 16) as u16, (tag & 0xFFFF) as u16);
    let vr = StandardDataDictionary.by_tag(tag).map(|entry| entry.vr().relaxed());
    vr.unwrap_or(VR::UN).to_bytes()
}

/// Whether these bytes are a complete list of items, as a sequence hidden in a value of unknown
/// representation would be. Only lengths are followed, one level deep.
fn is_item_list(bytes: &[u8], big_endian: bool) -> bool {
    let mut reader = Reader { bytes, at: 0, end: bytes.len(), big_endian };
    while reader.left() > 0 {
        let (Some(ITEM), Some(length)) = (reader.tag(), reader.u32()) else { return false };
        if length == UNDEFINED {
            // Its end can only be found by walking it; the walk refuses what does not fit.
            return true;
        }
        match reader.at.checked_add(length as usize) {
            Some(end) if end <= reader.end => reader.at = end,
            _ => return false,
        }
    }
    !bytes.is_empty()
}

/// The element header before its value.
struct Head {
    tag: Tag,
    vr: [u8; 2],
    length: u32,
}

fn head(reader: &mut Reader<'_>, layout: Layout) -> Result<Head, Fault> {
    let place = reader.at;
    let cut = || Fault::new("truncated", "the file ends inside an element header").at(place);
    let tag = reader.tag().ok_or_else(cut)?;
    if tag >> 16 == 0xFFFE {
        return Ok(Head { tag, vr: *b"UN", length: reader.u32().ok_or_else(cut)? });
    }
    if !layout.explicit {
        let length = reader.u32().ok_or_else(cut)?;
        return Ok(Head { tag, vr: dictionary_vr(tag), length });
    }
    let vr: [u8; 2] = reader.array().ok_or_else(cut)?;
    if !KNOWN_VR.contains(&&vr) {
        return Err(Fault::new("unknown-vr", "the value representation is not one of the standard's")
            .tag(tag)
            .at(place));
    }
    let length = if LONG_VR.contains(&&vr) {
        let reserved = reader.u16();
        let length = reader.u32();
        reserved.and(length).ok_or_else(cut)?
    } else {
        u32::from(reader.u16().ok_or_else(cut)?)
    };
    Ok(Head { tag, vr, length })
}

/// Walks a data set from `start` to the end of `bytes`. With `only_group`, stops before the first element of
/// another group (the file meta group has no other end where its length is wrong). Returns the elements and
/// where the walk ended.
pub fn walk(
    bytes: &[u8],
    start: usize,
    layout: Layout,
    only_group: Option<u16>,
    limits: &Limits,
) -> Result<(Vec<Element>, usize), Fault> {
    let mut walk = Walk {
        reader: Reader { bytes, at: start.min(bytes.len()), end: bytes.len(), big_endian: layout.big_endian },
        elements: Vec::new(),
        open: Vec::new(),
        last: None,
        layout,
        only_group,
        limits,
    };
    loop {
        match walk.step() {
            Ok(true) => {}
            Ok(false) => return Ok((walk.elements, walk.reader.at)),
            Err(fault) => walk.give_up_guess(fault)?,
        }
    }
}

struct Walk<'a> {
    reader: Reader<'a>,
    elements: Vec<Element>,
    open: Vec<Open>,
    /// The last tag at the top level.
    last: Option<Tag>,
    layout: Layout,
    only_group: Option<u16>,
    limits: &'a Limits,
}

impl Walk<'_> {
    /// One element, item or delimiter. `false` at the end.
    fn step(&mut self) -> Result<bool, Fault> {
        self.close_finished();
        let whole = self.reader.bytes.len();
        let (layout, limit) = self.open.last().map_or((self.layout, whole), |o| (o.layout, o.end));
        self.reader.end = limit;
        self.reader.big_endian = layout.big_endian;
        let place = self.reader.at;
        if place >= limit {
            return match self.open.last().and_then(|o| self.elements.get(o.index)) {
                None => Ok(false),
                Some(e) => Err(Fault::new("unterminated", "a sequence or item is never closed").tag(e.tag).at(place)),
            };
        }
        if self.open.is_empty() && is_padding(self.reader.bytes, place) {
            return Ok(false);
        }
        if self.open.is_empty() && self.only_group.is_some() {
            // What follows the group may be laid out otherwise; nothing of it but the group is looked at.
            let group = self.reader.u16();
            self.reader.at = place;
            if group != self.only_group {
                return Ok(false);
            }
        }
        let head = head(&mut self.reader, layout)?;
        let parent = self.open.last().map(|o| o.kind);
        // Delimiters close what is open and are not kept.
        match (head.tag, parent) {
            (ITEM_END, Some(Kind::Item)) | (SEQUENCE_END, Some(Kind::Sequence | Kind::Fragments)) => {
                self.close_delimited(place)?;
                return Ok(true);
            }
            (ITEM, Some(Kind::Sequence | Kind::Fragments)) => {}
            (tag, _) if tag >> 16 == 0xFFFE => {
                let text = "an item or delimiter stands outside a sequence";
                return Err(Fault::new("stray-item", text).tag(tag).at(place));
            }
            (tag, Some(Kind::Sequence | Kind::Fragments)) => {
                let text = "an element stands between the items of a sequence";
                return Err(Fault::new("stray-element", text).tag(tag).at(place));
            }
            (tag, _) => check_order(self.open.last_mut().map_or(&mut self.last, |o| &mut o.last), tag, place)?,
        }
        self.element(head, parent, layout, place)?;
        Ok(true)
    }

    /// Keeps an element after its length has been held against the bytes left, and enters what has parts.
    fn element(&mut self, head: Head, parent: Option<Kind>, layout: Layout, place: usize) -> Result<(), Fault> {
        if self.elements.len() >= self.limits.elements {
            let text = format!("more than {} elements", self.limits.elements);
            return Err(Fault::new("too-many-elements", text).at(place));
        }
        let left = self.reader.left();
        let undefined = head.length == UNDEFINED;
        let length = if undefined { left } else { head.length as usize };
        if length > left {
            let text = format!("{length} bytes are declared where {left} are left");
            return Err(Fault::new("length-beyond-end", text).tag(head.tag).at(place));
        }
        if TEXT_VR.contains(&&head.vr) && length > self.limits.text_bytes {
            let text = format!("a text of {length} bytes; the limit is {}", self.limits.text_bytes);
            return Err(Fault::new("text-too-long", text).tag(head.tag).at(place));
        }
        let value = self.reader.at..self.reader.at + length;
        let bytes = self.reader.bytes.get(value.clone()).unwrap_or_default();
        let inside = inside(&head, parent, undefined, bytes, layout, place)?;
        let index = self.elements.len();
        let is_sequence = inside.as_ref().is_some_and(|i| i.kind == Kind::Sequence);
        let vr = if is_sequence { *b"SQ" } else { head.vr };
        let big_endian = layout.big_endian;
        self.elements.push(Element {
            tag: head.tag,
            vr,
            start: value.start,
            end: value.end,
            next: index + 1,
            big_endian,
        });
        let Some(Inside { kind, layout, guessed }) = inside else {
            self.reader.at = value.end;
            return Ok(());
        };
        // Sequences and their items come in pairs.
        if self.open.len() >= self.limits.sequence_depth * 2 {
            let text = format!("sequences are nested deeper than {}", self.limits.sequence_depth);
            return Err(Fault::new("nested-too-deep", text).tag(head.tag).at(place));
        }
        self.open.push(Open { index, end: value.end, undefined, kind, layout, guessed, last: None });
        Ok(())
    }

    /// After a fault inside something that only looked like a sequence: it is plain bytes after all.
    fn give_up_guess(&mut self, fault: Fault) -> Result<(), Fault> {
        let Some(depth) = self.open.iter().rposition(|o| o.guessed) else { return Err(fault) };
        let Some(guess) = self.open.get(depth) else { return Err(fault) };
        let (index, end) = (guess.index, guess.end);
        self.open.truncate(depth);
        self.elements.truncate(index + 1);
        if let Some(element) = self.elements.get_mut(index) {
            element.vr = *b"UN";
        }
        self.reader.at = end;
        Ok(())
    }

    /// Closes everything of defined length that ends here.
    fn close_finished(&mut self) {
        while self.open.last().is_some_and(|o| !o.undefined && self.reader.at >= o.end) {
            self.close(self.reader.at);
        }
    }

    /// Closes what a delimiter ends.
    fn close_delimited(&mut self, at: usize) -> Result<(), Fault> {
        if self.open.last().is_some_and(|o| o.undefined) {
            self.close(at);
            return Ok(());
        }
        Err(Fault::new("stray-delimiter", "a delimiter inside a sequence or item of defined length").at(at))
    }

    fn close(&mut self, at: usize) {
        let next = self.elements.len();
        if let Some(o) = self.open.pop()
            && let Some(element) = self.elements.get_mut(o.index)
        {
            element.end = at;
            element.next = next;
        }
    }
}

/// What is to be walked inside an element.
struct Inside {
    kind: Kind,
    layout: Layout,
    guessed: bool,
}

/// What is inside an element: nothing to walk, or a sequence, an item, or fragments.
fn inside(
    head: &Head,
    parent: Option<Kind>,
    undefined: bool,
    value: &[u8],
    layout: Layout,
    place: usize,
) -> Result<Option<Inside>, Fault> {
    let known = |kind, layout| Ok(Some(Inside { kind, layout, guessed: false }));
    // PS3.5 section 6.2.2: what is inside a UN of undefined length is implicit little endian.
    let unknown = if layout.explicit { Layout { explicit: false, big_endian: false } } else { layout };
    match (head.tag, parent) {
        (ITEM, Some(Kind::Sequence)) => return known(Kind::Item, layout),
        (ITEM, Some(Kind::Fragments)) if undefined => {
            return Err(Fault::new("fragment-length", "a fragment of pixel data has no length").at(place));
        }
        (ITEM, _) => return Ok(None),
        (PIXEL_DATA, None) if undefined => return known(Kind::Fragments, layout),
        _ => {}
    }
    match (&head.vr, undefined) {
        (b"SQ", _) => known(Kind::Sequence, layout),
        (b"UN", true) => known(Kind::Sequence, unknown),
        (_, true) => Err(Fault::new("undefined-length", "only a sequence or pixel data may have no length")
            .tag(head.tag)
            .at(place)),
        // Private sequences lose their representation in implicit exports and in archives that do not know
        // them; some hold the scale factors this program needs.
        (b"UN", false) if is_item_list(value, unknown.big_endian) => {
            Ok(Some(Inside { kind: Kind::Sequence, layout: unknown, guessed: true }))
        }
        _ => Ok(None),
    }
}

/// Tags ascend within a data set (PS3.5 section 7.1). One that comes twice has no meaning: parsers differ on
/// which they take.
fn check_order(last: &mut Option<Tag>, tag: Tag, place: usize) -> Result<(), Fault> {
    match *last {
        Some(previous) if previous == tag => {
            Err(Fault::new("duplicate-element", "the element is present twice").tag(tag).at(place))
        }
        Some(previous) if previous > tag => {
            let text = format!("the element follows {}: tags must ascend", tag_text(previous));
            Err(Fault::new("unsorted", text).tag(tag).at(place))
        }
        _ => {
            *last = Some(tag);
            Ok(())
        }
    }
}

/// Zeros to the end of the file: what a copy to a block device or a preallocated file leaves behind.
fn is_padding(bytes: &[u8], at: usize) -> bool {
    bytes.get(at..).is_some_and(|rest| rest.iter().take(8).all(|&b| b == 0) && rest.iter().all(|&b| b == 0))
}

/// Where whole pixel data end at the top level, found by walking up to that element alone.
pub fn end_of_pixels(bytes: &[u8], start: usize, layout: Layout, limits: &Limits) -> Option<usize> {
    let reader = Reader { bytes, at: start.min(bytes.len()), end: bytes.len(), big_endian: layout.big_endian };
    let mut walk =
        Walk { reader, elements: Vec::new(), open: Vec::new(), last: None, layout, only_group: None, limits };
    while let Ok(true) = walk.step().or_else(|fault| walk.give_up_guess(fault).map(|()| true)) {
        if walk.last == Some(PIXEL_DATA) && walk.open.is_empty() {
            return Some(walk.reader.at);
        }
    }
    None
}
