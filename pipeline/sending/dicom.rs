//! C-STORE: one association for all objects that are due, its contexts proposed from the objects. A context that is
//! not accepted is a failure of its objects alone.

use super::association::{Association, Fault};
use super::destination::CStore;
use super::dimse;
use super::fallback;
use super::parcel::{Outcome, Parcel};
use super::wire;
use dicom_dictionary_std::{tags, uids};
use dicom_encoding::transfer_syntax::TransferSyntaxIndex as _;
use dicom_object::DefaultDicomObject;
use dicom_transfer_syntax_registry::TransferSyntaxRegistry;
use dicom_ul::Pdu;
use dicom_ul::pdu::{PDataValue, PDataValueType};
use std::collections::BTreeSet;
use std::time::Duration;

/// Largest fragment we send, whatever a peer allows; most allow 16 or 32 KiB.
const LARGEST_FRAGMENT: u32 = 64 * 1024;
/// Smallest sensible fragment; a peer that names no limit says 0.
const SMALLEST_FRAGMENT: u32 = 1024;
/// Header of a presentation data value inside a PDU: length, context, control.
const VALUE_HEAD: u32 = 6;

/// An object to be stored and what it is.
struct Item<'p> {
    parcel: &'p Parcel,
    object: DefaultDicomObject,
    class: String,
    uid: String,
}

/// Stores objects.
pub(super) fn store(archive: &CStore, timeout: Duration, parcels: &[Parcel], tell: &mut dyn FnMut(usize, Outcome)) {
    let mut items = Vec::new();
    for (index, parcel) in parcels.iter().enumerate() {
        match open(parcel) {
            Some(item) => items.push((index, item)),
            None => tell(index, Outcome::Refused("our own file is not a sound DICOM object".to_owned())),
        }
    }
    let Some((first, _)) = items.first() else { return };
    let first = *first;
    let mut association = match associate(archive, timeout, &items) {
        Ok(association) => association,
        Err(Fault::NothingAccepted) => {
            for (index, item) in &items {
                tell(*index, not_taken(&item.class));
            }
            return;
        }
        Err(Fault::Away(why)) => return tell(first, Outcome::Away(why)),
    };
    for (number, (index, item)) in items.iter().enumerate() {
        let message = u16::try_from(number % 0xFFFF).unwrap_or(0) + 1;
        let outcome = store_one(&mut association, archive, message, item);
        let away = matches!(outcome, Outcome::Away(_));
        tell(*index, outcome);
        if away {
            association.abort();
            return;
        }
    }
    association.release();
}

fn open(parcel: &Parcel) -> Option<Item<'_>> {
    let object = dicom_object::from_reader(parcel.bytes.as_slice()).ok()?;
    let text = |tag| Some(object.element(tag).ok()?.to_str().ok()?.trim_end_matches(['\0', ' ']).to_owned());
    let (class, uid) = (text(tags::SOP_CLASS_UID)?, text(tags::SOP_INSTANCE_UID)?);
    Some(Item { parcel, object, class, uid })
}

fn associate(archive: &CStore, timeout: Duration, items: &[(usize, Item<'_>)]) -> Result<Association, Fault> {
    let mut classes: BTreeSet<&str> = items.iter().map(|(_, item)| item.class.as_str()).collect();
    if archive.enhanced_sr_fallback && classes.contains(uids::COMPREHENSIVE3_DSR_STORAGE) {
        classes.insert(uids::ENHANCED_SR_STORAGE);
    }
    let wire = wire::open(&archive.address, archive.tls.as_ref(), timeout).map_err(Fault::Away)?;
    let syntaxes = [uids::EXPLICIT_VR_LITTLE_ENDIAN, uids::IMPLICIT_VR_LITTLE_ENDIAN];
    Association::establish(wire, [&archive.calling, &archive.called], classes, &syntaxes)
}

fn not_taken(class: &str) -> Outcome {
    Outcome::Refused(format!("it does not take objects of class {class}"))
}

fn store_one(association: &mut Association, archive: &CStore, message: u16, item: &Item<'_>) -> Outcome {
    let other_form = fallback::enhanced_uid(&item.uid);
    let was_other = item.parcel.taken_as.as_deref() == Some(other_form.as_str());
    let accepted =
        |class: &str| association.contexts().iter().find(|c| c.class == class).map(|c| (c.id, c.syntax.clone()));
    // What it took once in the other form it gets in that form again: never one result under two UIDs.
    let own = if was_other { None } else { accepted(&item.class) };
    let other = archive.enhanced_sr_fallback && item.class == uids::COMPREHENSIVE3_DSR_STORAGE;
    let (context, class, uid, object) = match (own, other.then(|| accepted(uids::ENHANCED_SR_STORAGE)).flatten()) {
        (Some(context), _) => (context, item.class.as_str(), item.uid.as_str(), item.object.clone()),
        (None, Some(context)) => {
            let object = fallback::enhanced(item.object.clone(), &item.uid);
            (context, uids::ENHANCED_SR_STORAGE, other_form.as_str(), object)
        }
        (None, None) => return not_taken(&item.class),
    };
    let (id, syntax) = context;
    let Some(data) = encode(&object, &syntax) else {
        return Outcome::Refused(format!("it asks for transfer syntax {syntax}, which was not offered"));
    };
    let Some(command) = dimse::store_request(message, class, uid) else {
        return Outcome::Refused("the request cannot be written".to_owned());
    };
    let sent = send(association, id, PDataValueType::Command, &command)
        .and_then(|()| send(association, id, PDataValueType::Data, &data))
        .and_then(|()| status(association, message));
    match sent {
        Ok(Some(status)) => match dimse::judge(status) {
            Outcome::Delivered { note, .. } => {
                let taken_as = (uid != item.uid).then(|| uid.to_owned());
                Outcome::Delivered { note, taken_as }
            }
            outcome => outcome,
        },
        Ok(None) => Outcome::Away("the answer is not of this object".to_owned()),
        Err(why) => Outcome::Away(why),
    }
}

fn encode(object: &DefaultDicomObject, syntax: &str) -> Option<Vec<u8>> {
    let mut bytes = Vec::new();
    object.write_dataset_with_ts(&mut bytes, TransferSyntaxRegistry.get(syntax)?).ok()?;
    Some(bytes)
}

fn send(association: &mut Association, context: u8, kind: PDataValueType, bytes: &[u8]) -> Result<(), String> {
    let limit = association.largest().clamp(SMALLEST_FRAGMENT, LARGEST_FRAGMENT) - VALUE_HEAD;
    let mut parts = bytes.chunks(limit as usize).peekable();
    while let Some(part) = parts.next() {
        let value = PDataValue {
            presentation_context_id: context,
            value_type: kind.clone(),
            is_last: parts.peek().is_none(),
            data: part.to_vec(),
        };
        association.send(&Pdu::PData { data: vec![value] })?;
    }
    Ok(())
}

/// The status of the response to a message; `None` where something else came.
fn status(association: &mut Association, message: u16) -> Result<Option<u16>, String> {
    let mut command = Vec::new();
    loop {
        let Pdu::PData { data } = association.receive()? else { return Ok(None) };
        for value in data {
            if value.value_type != PDataValueType::Command || command.len() > LARGEST_FRAGMENT as usize {
                return Ok(None);
            }
            command.extend(value.data);
            if value.is_last {
                let about = dimse::number(&command, tags::MESSAGE_ID_BEING_RESPONDED_TO);
                return Ok(about.filter(|&about| about == message).and_then(|_| dimse::number(&command, tags::STATUS)));
            }
        }
    }
}
