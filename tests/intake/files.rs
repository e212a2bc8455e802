//! Writes small DICOM files byte by byte, so that each test says in full what its file holds, and reads them.

use siderolog::intake::{Intake, Limits, Request, read};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Reads these inputs with the default limits.
pub fn intake(inputs: &[PathBuf]) -> Intake {
    intake_within(inputs, &Limits::default())
}

/// Reads these inputs within limits.
pub fn intake_within(inputs: &[PathBuf], limits: &Limits) -> Intake {
    let request = Request { inputs, limits, set_aside: &BTreeMap::new(), announce: &() };
    read(&request).expect("the inputs exist")
}

/// `../shared/data/NAME`, or `None` after saying that the test is skipped.
pub fn shared(name: &str) -> Option<PathBuf> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data").join(name);
    if path.exists() {
        return Some(path);
    }
    println!("SKIPPED: {} is not there", path.display());
    None
}

/// Data elements by tag: value representation and value.
pub type Elements = BTreeMap<u32, ([u8; 2], Vec<u8>)>;

/// A classic MR image of 8 × 6 pixels in explicit little endian, in which any element can be changed.
#[derive(Clone)]
pub struct Mr {
    elements: Elements,
}

impl Mr {
    /// Slice and echo counted from 0: slices 10 mm apart, echo times 1, 2, 3 … ms, a decay of 200 /s.
    pub fn image(slice: usize, echo: usize) -> Self {
        let mut mr = Self { elements: Elements::new() };
        let uid = format!("1.2.3.4.{}.{}", slice + 1, echo + 1);
        for (tag, vr, value) in [
            (0x0008_0008, b"CS", "ORIGINAL\\PRIMARY\\M\\ND".to_owned()),
            (0x0008_0016, b"UI", "1.2.840.10008.5.1.4.1.1.4".to_owned()),
            (0x0008_0018, b"UI", uid),
            (0x0008_0020, b"DA", "20260314".to_owned()),
            (0x0008_0060, b"CS", "MR".to_owned()),
            (0x0008_0070, b"LO", "Invented".to_owned()),
            (0x0010_0010, b"PN", "Test^Person".to_owned()),
            (0x0010_0020, b"LO", "P1".to_owned()),
            (0x0018_0020, b"CS", "GR".to_owned()),
            (0x0018_0050, b"DS", "8".to_owned()),
            (0x0018_0080, b"DS", "120".to_owned()),
            (0x0018_0081, b"DS", format!("{}", echo + 1)),
            (0x0018_0087, b"DS", "1.5".to_owned()),
            (0x0018_1314, b"DS", "20".to_owned()),
            (0x0020_000D, b"UI", "1.2.3.1".to_owned()),
            (0x0020_000E, b"UI", "1.2.3.2".to_owned()),
            (0x0020_0011, b"IS", "7".to_owned()),
            (0x0020_0013, b"IS", format!("{}", slice * 100 + echo)),
            (0x0020_0032, b"DS", format!("0\\0\\{}", 10 * slice)),
            (0x0020_0037, b"DS", "1\\0\\0\\0\\1\\0".to_owned()),
            (0x0020_0052, b"UI", "1.2.3.3".to_owned()),
            (0x0028_0004, b"CS", "MONOCHROME2".to_owned()),
            (0x0028_0030, b"DS", "2\\3".to_owned()),
        ] {
            mr = mr.text(tag, vr, &value);
        }
        for (tag, value) in [
            (0x0028_0002, 1),
            (0x0028_0010, 8),
            (0x0028_0011, 6),
            (0x0028_0100, 16),
            (0x0028_0101, 12),
            (0x0028_0102, 11),
            (0x0028_0103, 0),
        ] {
            mr = mr.short(tag, value);
        }
        let decay = (-0.2 * (echo + 1) as f64).exp();
        mr.pixels(&(0..48).map(|i| ((1000.0 + 20.0 * f64::from(i)) * decay) as u16).collect::<Vec<_>>())
    }

    /// Every slice and echo.
    pub fn series(slices: usize, echoes: usize) -> Vec<Self> {
        (0..slices).flat_map(|s| (0..echoes).map(move |e| Self::image(s, e))).collect()
    }

    /// With this text, padded to even length.
    pub fn text(self, tag: u32, vr: &[u8; 2], value: &str) -> Self {
        let mut bytes = value.as_bytes().to_vec();
        if bytes.len() % 2 == 1 {
            bytes.push(if vr == b"UI" { 0 } else { b' ' });
        }
        self.bytes(tag, vr, bytes)
    }

    /// With this unsigned short.
    pub fn short(self, tag: u32, value: u16) -> Self {
        self.bytes(tag, b"US", value.to_le_bytes().to_vec())
    }

    /// With these bytes.
    pub fn bytes(mut self, tag: u32, vr: &[u8; 2], bytes: Vec<u8>) -> Self {
        self.elements.insert(tag, (*vr, bytes));
        self
    }

    /// With these stored values.
    pub fn pixels(self, values: &[u16]) -> Self {
        self.bytes(0x7FE0_0010, b"OW", values.iter().flat_map(|v| v.to_le_bytes()).collect())
    }

    /// Without an element.
    pub fn without(mut self, tag: u32) -> Self {
        self.elements.remove(&tag);
        self
    }

    /// In another series.
    pub fn in_series(self, number: u32) -> Self {
        let uid = String::from_utf8_lossy(&self.elements[&0x0008_0018].1).trim_end_matches('\0').to_owned();
        self.text(0x0020_000E, b"UI", &format!("1.2.3.2.{number}")).text(0x0020_0011, b"IS", &number.to_string()).text(
            0x0008_0018,
            b"UI",
            &format!("{uid}.{number}"),
        )
    }

    /// The file.
    pub fn file(&self) -> Vec<u8> {
        let mut out = vec![0; 128];
        out.extend(b"DICM");
        let meta = [(0x0002_0010, (*b"UI", b"1.2.840.10008.1.2.1\0".to_vec()))];
        for (tag, (vr, value)) in meta.iter().map(|(t, e)| (t, e)).chain(&self.elements) {
            out.extend(element(*tag, vr, value));
        }
        out
    }
}

/// Writes images as `0`, `1`, `2` … into a new folder.
pub fn folder(images: &[Mr]) -> tempfile::TempDir {
    let dir = tempfile::tempdir().expect("a temporary folder");
    for (i, image) in images.iter().enumerate() {
        std::fs::write(dir.path().join(i.to_string()), image.file()).expect("writable");
    }
    dir
}

/// Reads these images.
pub fn read_images(images: &[Mr]) -> Intake {
    let dir = folder(images);
    intake(&[dir.path().to_path_buf()])
}

/// The codes of all findings, in order.
pub fn codes(found: &siderolog::intake::Found) -> Vec<&str> {
    found.findings().iter().map(|f| f.code.as_ref()).collect()
}

/// The items of a sequence, each of these elements in order of tag.
pub fn sequence(items: &[Elements]) -> Vec<u8> {
    let item = |elements: &Elements| {
        let body: Vec<u8> = elements.iter().flat_map(|(tag, (vr, value))| element(*tag, vr, value)).collect();
        let mut out = vec![0xFE, 0xFF, 0x00, 0xE0];
        out.extend((body.len() as u32).to_le_bytes());
        out.extend(body);
        out
    };
    items.iter().flat_map(item).collect()
}

/// An element in explicit little endian.
fn element(tag: u32, vr: &[u8; 2], value: &[u8]) -> Vec<u8> {
    let mut out = ((tag >> 16) as u16).to_le_bytes().to_vec();
    out.extend(((tag & 0xFFFF) as u16).to_le_bytes());
    out.extend(vr);
    if matches!(vr, b"OW" | b"OB" | b"UN" | b"SQ") {
        out.extend([0, 0]);
        out.extend((value.len() as u32).to_le_bytes());
    } else {
        out.extend((value.len() as u16).to_le_bytes());
    }
    out.extend(value);
    out
}

/// The same images as one enhanced object, frames in the order given.
pub fn enhanced(images: &[Mr]) -> Mr {
    let one = |tag: u32, vr: &[u8; 2], value: Vec<u8>| Elements::from([(tag, (*vr, value))]);
    let mut frames = Vec::new();
    let mut pixels = Vec::new();
    for image in images {
        let get = |tag: u32| image.elements.get(&tag).map(|(_, v)| v.clone());
        let text = String::from_utf8_lossy(&get(0x0018_0081).unwrap_or_default()).trim().to_owned();
        let time: f64 = text.parse().expect("a number");
        let nested = |inside: Elements| (*b"SQ", sequence(&[inside]));
        let mut group = Elements::from([
            (0x0018_9114, nested(one(0x0018_9082, b"FD", time.to_le_bytes().to_vec()))),
            (0x0020_9113, nested(one(0x0020_0032, b"DS", get(0x0020_0032).unwrap_or_default()))),
        ]);
        if let Some(slope) = get(0x0028_1053) {
            let mut transform = one(0x0028_1053, b"DS", slope);
            transform.insert(0x0028_1052, (*b"DS", get(0x0028_1052).unwrap_or_else(|| b"0 ".to_vec())));
            group.insert(0x0028_9145, nested(transform));
        }
        frames.push(group);
        pixels.extend(get(0x7FE0_0010).unwrap_or_default());
    }
    let first = images.first().expect("at least one").clone();
    let shared = |tag: u32| first.elements.get(&tag).cloned().expect("present");
    let measures = Elements::from([(0x0028_0030, shared(0x0028_0030)), (0x0018_0050, shared(0x0018_0050))]);
    let orientation = Elements::from([(0x0020_0037, shared(0x0020_0037))]);
    let group = Elements::from([
        (0x0028_9110, (*b"SQ", sequence(&[measures]))),
        (0x0020_9116, (*b"SQ", sequence(&[orientation]))),
    ]);
    let groups = sequence(&[group]);
    [0x0018_0081, 0x0020_0032, 0x0020_0037, 0x0028_0030, 0x0018_0050, 0x0028_1052, 0x0028_1053]
        .into_iter()
        .fold(first, Mr::without)
        .text(0x0008_0016, b"UI", "1.2.840.10008.5.1.4.1.1.4.1")
        .text(0x0028_0008, b"IS", &images.len().to_string())
        .bytes(0x5200_9229, b"SQ", groups)
        .bytes(0x5200_9230, b"SQ", sequence(&frames))
        .bytes(0x7FE0_0010, b"OW", pixels)
}
