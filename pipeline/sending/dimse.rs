//! The C-STORE messages of PS3.7 9.3.1: a request, the status of its response.

use super::parcel::Outcome;
use dicom_core::{DataElement, PrimitiveValue, Tag, VR};
use dicom_dictionary_std::tags;
use dicom_encoding::transfer_syntax::TransferSyntaxIndex as _;
use dicom_object::InMemDicomObject;
use dicom_transfer_syntax_registry::TransferSyntaxRegistry;

/// Command Field of a C-STORE request.
const STORE_REQUEST: u16 = 0x0001;
/// A data set follows.
const DATA_SET: u16 = 0x0000;

/// A request's command set.
pub(super) fn store_request(message: u16, class: &str, uid: &str) -> Option<Vec<u8>> {
    let number = |tag, value: u16| DataElement::new(tag, VR::US, PrimitiveValue::from(value));
    let text = |tag: Tag, value: &str| DataElement::new(tag, VR::UI, PrimitiveValue::from(value));
    let command = InMemDicomObject::command_from_element_iter([
        text(tags::AFFECTED_SOP_CLASS_UID, class),
        number(tags::COMMAND_FIELD, STORE_REQUEST),
        number(tags::MESSAGE_ID, message),
        number(tags::PRIORITY, 0),
        number(tags::COMMAND_DATA_SET_TYPE, DATA_SET),
        text(tags::AFFECTED_SOP_INSTANCE_UID, uid),
    ]);
    let mut bytes = Vec::new();
    let implicit = TransferSyntaxRegistry.get(dicom_dictionary_std::uids::IMPLICIT_VR_LITTLE_ENDIAN)?;
    command.write_dataset_with_ts(&mut bytes, implicit).ok()?;
    Some(bytes)
}

/// The elements of a command set, which is always implicit little endian and flat: tag, length, value. A command set
/// that runs beyond its bytes has none.
fn element(mut command: &[u8], wanted: Tag) -> Option<&[u8]> {
    while let Some((head, rest)) = command.split_at_checked(8) {
        let tag = Tag(u16::from_le_bytes([head[0], head[1]]), u16::from_le_bytes([head[2], head[3]]));
        let length = usize::try_from(u32::from_le_bytes([head[4], head[5], head[6], head[7]])).ok()?;
        let (value, rest) = rest.split_at_checked(length)?;
        if tag == wanted {
            return Some(value);
        }
        command = rest;
    }
    None
}

/// A number of a command set.
pub(super) fn number(command: &[u8], tag: Tag) -> Option<u16> {
    let value = element(command, tag)?;
    Some(u16::from_le_bytes([*value.first()?, *value.get(1)?]))
}

/// What a status means (PS3.4 table B.2-1, PS3.7 annex C).
pub(super) fn judge(status: u16) -> Outcome {
    let code = format!("status {status:04X}");
    match status {
        0x0000 => Outcome::delivered(),
        0x0111 => Outcome::Delivered { note: Some(format!("{code}: it had the object already")), taken_as: None },
        0x0001 | 0x0107 | 0x0116 | 0xB000..=0xBFFF => {
            Outcome::Delivered { note: Some(format!("{code}: taken with a warning")), taken_as: None }
        }
        0xA700..=0xA7FF | 0x0213 => Outcome::Later(format!("{code}: it is out of resources")),
        0x0110 => Outcome::Later(format!("{code}: it failed to process the object")),
        0x0122 => Outcome::Refused(format!("{code}: it does not take this kind of object")),
        0x0124 => Outcome::Refused(format!("{code}: we are not authorized to store this")),
        0xA900..=0xA9FF => Outcome::Refused(format!("{code}: it says the data set does not match its class")),
        0xC000..=0xCFFF => Outcome::Refused(format!("{code}: it cannot understand the object")),
        _ => Outcome::Refused(code),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_request_reads_back() {
        let request = store_request(7, "1.2.840.10008.5.1.4.1.1.7", "2.25.1").unwrap();
        assert_eq!(number(&request, tags::MESSAGE_ID), Some(7));
        assert_eq!(number(&request, tags::COMMAND_FIELD), Some(1));
        assert_eq!(element(&request, tags::AFFECTED_SOP_INSTANCE_UID), Some(&b"2.25.1"[..]));
        let length = element(&request, Tag(0, 0)).unwrap();
        assert_eq!(u32::from_le_bytes(length.try_into().unwrap()) as usize, request.len() - 12);
    }

    #[test]
    fn a_command_set_cut_short_has_no_status() {
        let whole = [0, 0, 0x00, 0x09, 2, 0, 0, 0, 0x00, 0xA7];
        assert_eq!(number(&whole, tags::STATUS), Some(0xA700));
        assert_eq!(number(&whole[..9], tags::STATUS), None);
        assert_eq!(number(&[0, 0, 0, 9, 0xFF, 0xFF, 0xFF, 0xFF, 1], tags::STATUS), None);
    }

    #[test]
    fn a_status_says_whether_to_try_again() {
        assert_eq!(judge(0), Outcome::delivered());
        assert!(matches!(judge(0xB007), Outcome::Delivered { note: Some(_), .. }));
        assert!(matches!(judge(0x0111), Outcome::Delivered { note: Some(_), .. }));
        assert!(matches!(judge(0xA700), Outcome::Later(_)));
        assert!(matches!(judge(0xA900), Outcome::Refused(_)));
        assert!(matches!(judge(0xC123), Outcome::Refused(_)));
        assert!(matches!(judge(0x0122), Outcome::Refused(_)));
    }
}
