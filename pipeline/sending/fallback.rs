//! A Comprehensive 3D SR as Enhanced SR, for archives that do not take the first. The tree is the same: ours holds
//! nothing that Enhanced SR cannot (PS3.3 A.35.2). Its UID follows from the other's, so that it is the same object at
//! every attempt.

use crate::report::dicom::maker::uid;
use dicom_core::{DataElement, PrimitiveValue, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_object::DefaultDicomObject;

/// Its UID.
pub(super) fn enhanced_uid(original: &str) -> String {
    uid(&["as-enhanced-sr", original])
}

/// Its data set.
pub(super) fn enhanced(mut object: DefaultDicomObject, original: &str) -> DefaultDicomObject {
    let text = |tag, value: &str| DataElement::new(tag, VR::UI, PrimitiveValue::from(value));
    object.put(text(tags::SOP_CLASS_UID, uids::ENHANCED_SR_STORAGE));
    object.put(text(tags::SOP_INSTANCE_UID, &enhanced_uid(original)));
    object
}
