//! The PDF page as an Encapsulated PDF.

use super::codes::code;
use super::maker::{Kind, Maker};
use dicom_core::{PrimitiveValue, VR};
use dicom_dictionary_std::{tags, uids};

/// The page.
pub const PAGE: Kind = Kind {
    role: "pdf",
    class: uids::ENCAPSULATED_PDF_STORAGE,
    modality: "DOC",
    series: 5,
    description: "Liver iron: report page",
};

/// `page.dcm`.
pub fn write(maker: &Maker<'_, '_>, pdf: &[u8]) -> Vec<u8> {
    let mut padded = pdf.to_vec();
    if !padded.len().is_multiple_of(2) {
        padded.push(0);
    }
    let (date, time) = maker.moment();
    let mut set = maker.start(&PAGE);
    set.text(tags::CONVERSION_TYPE, VR::CS, "WSD")
        .text(tags::ACQUISITION_DATE_TIME, VR::DT, &format!("{date}{time}"))
        // The page names the patient, so it must say that it does.
        .text(tags::BURNED_IN_ANNOTATION, VR::CS, "YES")
        .text(tags::RECOGNIZABLE_VISUAL_FEATURES, VR::CS, "NO")
        .text(tags::VERIFICATION_FLAG, VR::CS, "UNVERIFIED")
        .text(tags::DOCUMENT_TITLE, VR::ST, "Liver iron by MRI")
        .code(tags::CONCEPT_NAME_CODE_SEQUENCE, &code("18748-4", "LN", "Diagnostic imaging report"))
        .sequence(tags::SOURCE_INSTANCE_SEQUENCE, maker.source_images(None))
        .text(tags::MIME_TYPE_OF_ENCAPSULATED_DOCUMENT, VR::LO, "application/pdf")
        .put(tags::ENCAPSULATED_DOCUMENT_LENGTH, VR::UL, PrimitiveValue::from(pdf.len() as u32))
        .put(tags::ENCAPSULATED_DOCUMENT, VR::OB, PrimitiveValue::U8(padded.into()));
    maker.finish(set, &PAGE)
}
