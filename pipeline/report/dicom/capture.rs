//! The quality picture as a Secondary Capture. Nothing in its pixels names the patient.

use super::maker::{Kind, MANUFACTURER, Maker};
use crate::report::picture::canvas::Pixels;
use dicom_core::{PrimitiveValue, VR};
use dicom_dictionary_std::{tags, uids};

/// The quality picture.
pub const CAPTURE: Kind = Kind {
    role: "sc",
    class: uids::SECONDARY_CAPTURE_IMAGE_STORAGE,
    modality: "OT",
    series: 4,
    description: "Liver iron: quality picture (not for measurement)",
};

/// `qc.dcm`.
pub fn write(maker: &Maker<'_, '_>, picture: &Pixels) -> Vec<u8> {
    let (date, time) = maker.moment();
    let version = maker.view.result.software.version.as_str();
    let mut set = maker.start(&CAPTURE);
    set.texts(tags::IMAGE_TYPE, VR::CS, &["DERIVED", "SECONDARY"])
        .text(tags::CONVERSION_TYPE, VR::CS, "WSD")
        .text(tags::DATE_OF_SECONDARY_CAPTURE, VR::DA, &date)
        .text(tags::TIME_OF_SECONDARY_CAPTURE, VR::TM, &time)
        .text(tags::SECONDARY_CAPTURE_DEVICE_MANUFACTURER, VR::LO, MANUFACTURER)
        .text(tags::SECONDARY_CAPTURE_DEVICE_MANUFACTURER_MODEL_NAME, VR::LO, "siderolog")
        .text(tags::SECONDARY_CAPTURE_DEVICE_SOFTWARE_VERSIONS, VR::LO, version)
        .text(tags::BODY_PART_EXAMINED, VR::CS, "LIVER")
        .put(tags::PATIENT_ORIENTATION, VR::CS, PrimitiveValue::Empty)
        .text(tags::DERIVATION_DESCRIPTION, VR::ST, "Echoes with region outline, R2* map, decay, histogram, findings")
        .sequence(tags::SOURCE_IMAGE_SEQUENCE, maker.source_images(None))
        .short(tags::SAMPLES_PER_PIXEL, 3)
        .text(tags::PHOTOMETRIC_INTERPRETATION, VR::CS, "RGB")
        .short(tags::PLANAR_CONFIGURATION, 0)
        .short(tags::ROWS, picture.height as u16)
        .short(tags::COLUMNS, picture.width as u16)
        .short(tags::BITS_ALLOCATED, 8)
        .short(tags::BITS_STORED, 8)
        .short(tags::HIGH_BIT, 7)
        .short(tags::PIXEL_REPRESENTATION, 0)
        .text(tags::BURNED_IN_ANNOTATION, VR::CS, "NO")
        .text(tags::RECOGNIZABLE_VISUAL_FEATURES, VR::CS, "NO")
        .text(tags::LOSSY_IMAGE_COMPRESSION, VR::CS, "00")
        .put(tags::PIXEL_DATA, VR::OB, PrimitiveValue::U8(picture.rgb.clone().into()));
    maker.finish(set, &CAPTURE)
}
