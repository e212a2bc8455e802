//! Segmentations: the measured region (one segment), and what was left out of the organ (one segment a reason).

use super::codes;
use super::element::{Code, Set, code_item};
use super::maker::{Kind, Maker};
use super::volume;
use dicom_core::{PrimitiveValue, VR, value::C};
use dicom_dictionary_std::{tags, uids};

/// The measured region.
pub const REGION: Kind = Kind {
    role: "seg",
    class: uids::SEGMENTATION_STORAGE,
    modality: "SEG",
    series: 0,
    description: "Liver iron: measured region",
};

/// What was left out.
pub const EXCLUDED: Kind = Kind {
    role: "seg-excluded",
    class: uids::SEGMENTATION_STORAGE,
    modality: "SEG",
    series: 1,
    description: "Liver iron: voxels left out, by reason",
};

struct Segment<'a> {
    label: String,
    category: Code,
    kind: Code,
    colour: [u16; 3],
    tracked: bool,
    inside: Box<dyn Fn(usize) -> bool + 'a>,
}

/// `roi.dcm`: `None` without a region.
pub fn region(maker: &Maker<'_, '_>) -> Option<Vec<u8>> {
    let region = maker.view.region?;
    let segment = Segment {
        // Not the whole liver: vessels, edges and flaws are left out.
        label: "Measured liver parenchyma (vessels and edges left out)".to_owned(),
        category: codes::anatomical_structure(),
        kind: codes::liver(),
        colour: cielab(0.79, -24.0, -32.0),
        tracked: true,
        inside: Box::new(move |index| region.get(index).copied().unwrap_or(false)),
    };
    write(maker, &REGION, "LIVER_REGION", &[segment])
}

/// `excluded.dcm`: `None` where nothing was left out.
pub fn excluded(maker: &Maker<'_, '_>) -> Option<Vec<u8>> {
    let excluded = maker.view.excluded;
    let segments = maker.view.exclusions.iter().map(|exclusion| {
        let (category, kind) = reason(&exclusion.word);
        let code = exclusion.code;
        let [l, a, b] =
            [0.45 + 0.05 * f64::from(code), 60.0 * (f64::from(code) - 5.0) / 5.0, 40.0 - 9.0 * f64::from(code)];
        Segment {
            label: format!("Left out: {}", exclusion.word.replace('-', " ")),
            category,
            kind,
            colour: cielab(l, a, b),
            tracked: false,
            inside: Box::new(move |index| excluded.get(index) == Some(&code)),
        }
    });
    let segments: Vec<Segment<'_>> = segments.collect();
    write(maker, &EXCLUDED, "LIVER_LEFT_OUT", &segments)
}

fn reason(word: &str) -> (Code, Code) {
    match word {
        "vessel" => (codes::anatomical_structure(), codes::blood_vessel()),
        "bile-or-gallbladder" => (codes::anatomical_structure(), codes::gallbladder()),
        "lesion" => (codes::abnormal_structure(), codes::lesion()),
        "edge" => (codes::spatial_concept(), codes::edge()),
        "dome" => (codes::spatial_concept(), codes::dome()),
        "near-gas" => (codes::spatial_concept(), codes::near_gas()),
        "flawed" => (codes::spatial_concept(), codes::flawed()),
        "outlier" => (codes::spatial_concept(), codes::outlier()),
        _ => (codes::spatial_concept(), codes::unfitted()),
    }
}

/// CIELab as DICOM scales it (PS3.3 C.10.7.1.1); lightness from 0 to 1.
fn cielab(l: f64, a: f64, b: f64) -> [u16; 3] {
    let scaled = |v: f64| (v.clamp(0.0, 1.0) * 65_535.0).round() as u16;
    [scaled(l), scaled((a + 128.0) / 255.0), scaled((b + 128.0) / 255.0)]
}

fn write(maker: &Maker<'_, '_>, kind: &Kind, label: &str, segments: &[Segment<'_>]) -> Option<Vec<u8>> {
    let grid = maker.view.grid?;
    let size = grid.slice_voxels();
    let held = |segment: &Segment<'_>, slice: usize| (slice * size..(slice + 1) * size).any(|i| (segment.inside)(i));
    // Positions count through all frames of the object, so that one position has one index in every segment.
    let positions: Vec<usize> = (0..grid.slices()).filter(|&s| segments.iter().any(|g| held(g, s))).collect();
    let mut frames = Vec::new();
    let mut bits = Bits::default();
    for (number, segment) in segments.iter().enumerate() {
        for (at, &slice) in positions.iter().enumerate() {
            if !held(segment, slice) {
                continue;
            }
            let index = [number as u32 + 1, at as u32 + 1];
            let mut frame = volume::frame(maker, grid, slice, &index, &codes::segmentation());
            let mut identification = Set::new();
            identification.short(tags::REFERENCED_SEGMENT_NUMBER, number as u16 + 1);
            frame.sequence(tags::SEGMENT_IDENTIFICATION_SEQUENCE, vec![identification]);
            frames.push(frame);
            (slice * size..(slice + 1) * size).for_each(|i| bits.push((segment.inside)(i)));
        }
    }
    if frames.is_empty() {
        return None;
    }
    let mut set = maker.start(kind);
    maker.frame_of_reference(&mut set);
    maker.referenced_series(&mut set);
    volume::dimensions(&mut set, maker, kind.role, &[volume::SEGMENT, volume::POSITION]);
    volume::size(&mut set, grid, frames.len());
    set.texts(tags::IMAGE_TYPE, VR::CS, &["DERIVED", "PRIMARY"])
        .text(tags::BODY_PART_EXAMINED, VR::CS, "LIVER")
        .short(tags::BITS_ALLOCATED, 1)
        .short(tags::BITS_STORED, 1)
        .short(tags::HIGH_BIT, 0)
        .short(tags::PIXEL_REPRESENTATION, 0)
        .text(tags::SEGMENTATION_TYPE, VR::CS, "BINARY")
        .text(tags::SEGMENTS_OVERLAP, VR::CS, "NO")
        .text(tags::CONTENT_LABEL, VR::CS, label)
        .text(tags::CONTENT_DESCRIPTION, VR::LO, kind.description)
        .text(tags::CONTENT_CREATOR_NAME, VR::PN, "siderolog^service")
        .sequence(tags::SEGMENT_SEQUENCE, segments.iter().enumerate().map(|(i, s)| describe(maker, i, s)).collect())
        .sequence(tags::SHARED_FUNCTIONAL_GROUPS_SEQUENCE, vec![volume::shared(grid)])
        .sequence(tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE, frames)
        .put(tags::PIXEL_DATA, VR::OB, PrimitiveValue::U8(bits.finish().into()));
    Some(maker.finish(set, kind))
}

fn describe(maker: &Maker<'_, '_>, index: usize, segment: &Segment<'_>) -> Set {
    let roi = maker.view.result.roi.as_ref();
    let by_hand = roi.is_some_and(|r| r.method != "automatic" && r.segmenter.is_none()) && segment.tracked;
    let segmenter = roi.and_then(|r| r.segmenter.as_ref());
    let software = &maker.view.result.software;
    let mut item = Set::new();
    item.code(tags::SEGMENTED_PROPERTY_CATEGORY_CODE_SEQUENCE, &segment.category)
        .short(tags::SEGMENT_NUMBER, index as u16 + 1)
        .text(tags::SEGMENT_LABEL, VR::LO, &segment.label)
        .text(tags::SEGMENT_ALGORITHM_TYPE, VR::CS, if by_hand { "SEMIAUTOMATIC" } else { "AUTOMATIC" })
        .text(tags::SEGMENT_ALGORITHM_NAME, VR::LO, "siderolog liver region")
        .code(tags::SEGMENTED_PROPERTY_TYPE_CODE_SEQUENCE, &segment.kind)
        .put(tags::RECOMMENDED_DISPLAY_CIE_LAB_VALUE, VR::US, PrimitiveValue::U16(C::from_slice(&segment.colour)));
    let mut algorithm = Set::new();
    algorithm
        .sequence(tags::ALGORITHM_FAMILY_CODE_SEQUENCE, vec![code_item(&codes::morphological())])
        .text(tags::ALGORITHM_NAME, VR::LO, "siderolog liver region")
        .text(tags::ALGORITHM_VERSION, VR::LO, &software.version)
        .text(
            tags::ALGORITHM_PARAMETERS,
            VR::LT,
            &format!(
                "method={}{}",
                roi.map_or("automatic", |r| r.method.as_str()),
                segmenter.map_or(String::new(), |s| format!(" segmenter={}", s.name))
            ),
        );
    item.sequence(tags::SEGMENTATION_ALGORITHM_IDENTIFICATION_SEQUENCE, vec![algorithm]);
    if segment.tracked {
        let (uid, name) = maker.tracking();
        item.text(tags::TRACKING_ID, VR::UT, name).text(tags::TRACKING_UID, VR::UI, &uid);
    }
    item
}

/// One bit a voxel, least significant first; frames run on without padding (PS3.5 section 8.2).
#[derive(Default)]
struct Bits {
    bytes: Vec<u8>,
    count: usize,
}

impl Bits {
    fn push(&mut self, bit: bool) {
        if self.count.is_multiple_of(8) {
            self.bytes.push(0);
        }
        if let (true, Some(last)) = (bit, self.bytes.last_mut()) {
            *last |= 1 << (self.count % 8);
        }
        self.count += 1;
    }

    fn finish(mut self) -> Vec<u8> {
        if !self.bytes.len().is_multiple_of(2) {
            self.bytes.push(0);
        }
        self.bytes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// PS3.5 section 8.2: the first pixel is the least significant bit; frames are not aligned to bytes.
    #[test]
    fn bits_run_on_between_frames() {
        let mut bits = Bits::default();
        for i in 0..3 * 13 {
            bits.push(i % 13 == 0);
        }
        assert_eq!(bits.finish(), [0b0000_0001, 0b0010_0000, 0, 0b0000_0100, 0, 0]);
    }
}
