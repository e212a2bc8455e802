//! C-STORE against an archive that takes some kinds and not others, runs out of room, or breaks off.

use super::receivers::closed_port;
use super::{Bench, Kind};
use dicom_core::{DataElement, PrimitiveValue, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_encoding::transfer_syntax::TransferSyntaxIndex as _;
use dicom_object::InMemDicomObject;
use dicom_transfer_syntax_registry::TransferSyntaxRegistry;
use dicom_ul::association::server::ServerAssociationOptions;
use dicom_ul::pdu::{PDataValue, PDataValueType};
use dicom_ul::{Pdu, ServerAssociation};
use siderolog::daemon::outbox::State;
use std::collections::BTreeMap;
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::thread;
use std::time::Duration;

/// One object as it arrived: class, instance, data set.
pub(super) type Stored = Arc<Mutex<Vec<(String, String, Vec<u8>)>>>;

/// How an archive behaves.
#[derive(Clone)]
pub(super) struct Manner {
    classes: Vec<&'static str>,
    syntax: &'static str,
    /// Statuses by the number of the object, over all associations; success afterwards.
    statuses: Vec<u16>,
    /// Breaks off in the middle of these objects.
    breaks: Vec<usize>,
    /// Takes these objects, but answers only after this long.
    late: (Vec<usize>, Duration),
}

const ALL: [&str; 6] = [
    uids::COMPREHENSIVE3_DSR_STORAGE,
    uids::ENHANCED_SR_STORAGE,
    uids::SEGMENTATION_STORAGE,
    uids::PARAMETRIC_MAP_STORAGE,
    uids::SECONDARY_CAPTURE_IMAGE_STORAGE,
    uids::ENCAPSULATED_PDF_STORAGE,
];

impl Default for Manner {
    fn default() -> Self {
        Self {
            classes: ALL.to_vec(),
            syntax: uids::EXPLICIT_VR_LITTLE_ENDIAN,
            statuses: vec![],
            breaks: vec![],
            late: (vec![], Duration::ZERO),
        }
    }
}

fn implicit() -> &'static dicom_encoding::TransferSyntax {
    TransferSyntaxRegistry.get(uids::IMPLICIT_VR_LITTLE_ENDIAN).unwrap()
}

pub(super) fn archive(manner: Manner) -> (u16, Stored) {
    archive_at(0, manner)
}

fn archive_at(port: u16, manner: Manner) -> (u16, Stored) {
    let listener = TcpListener::bind(("127.0.0.1", port)).unwrap();
    let port = listener.local_addr().unwrap().port();
    let stored = Stored::default();
    let kept = stored.clone();
    thread::spawn(move || {
        let mut count = 0;
        for stream in listener.incoming() {
            let mut options =
                ServerAssociationOptions::new().accept_any().ae_title("ARCHIVE").with_transfer_syntax(manner.syntax);
            for class in &manner.classes {
                options = options.with_abstract_syntax(*class);
            }
            let Ok(mut association) = options.establish(stream.unwrap()) else { continue };
            serve(&mut association, &manner, &mut count, &kept);
        }
    });
    (port, stored)
}

fn serve(association: &mut ServerAssociation<TcpStream>, manner: &Manner, count: &mut usize, stored: &Stored) {
    let (mut command, mut data) = (Vec::new(), Vec::new());
    loop {
        match association.receive() {
            Ok(Pdu::PData { data: values }) => {
                for value in values {
                    let last = value.is_last && value.value_type == PDataValueType::Data;
                    match value.value_type {
                        PDataValueType::Command => command.extend(value.data),
                        PDataValueType::Data => data.extend(value.data),
                    }
                    if manner.breaks.contains(count) && !data.is_empty() {
                        *count += 1;
                        return;
                    }
                    if last {
                        let status = manner.statuses.get(*count).copied().unwrap_or(0);
                        *count += 1;
                        let request = std::mem::take(&mut command);
                        let set = std::mem::take(&mut data);
                        let answer = respond(&request, status, set, stored);
                        if manner.late.0.contains(&(*count - 1)) {
                            thread::sleep(manner.late.1);
                        }
                        let value = PDataValue {
                            presentation_context_id: value.presentation_context_id,
                            value_type: PDataValueType::Command,
                            is_last: true,
                            data: answer,
                        };
                        // Whoever waited no longer has closed the connection.
                        if association.send(&Pdu::PData { data: vec![value] }).is_err() {
                            return;
                        }
                    }
                }
            }
            Ok(Pdu::ReleaseRQ) => {
                let _ = association.send(&Pdu::ReleaseRP);
                return;
            }
            _ => return,
        }
    }
}

fn respond(request: &[u8], status: u16, set: Vec<u8>, stored: &Stored) -> Vec<u8> {
    let request = InMemDicomObject::read_dataset_with_ts(request, implicit()).unwrap();
    let text = |tag| request.element(tag).unwrap().to_str().unwrap().trim_end_matches('\0').to_owned();
    let (class, uid) = (text(tags::AFFECTED_SOP_CLASS_UID), text(tags::AFFECTED_SOP_INSTANCE_UID));
    let message: u16 = request.element(tags::MESSAGE_ID).unwrap().to_int().unwrap();
    let number = |tag, value: u16| DataElement::new(tag, VR::US, PrimitiveValue::from(value));
    let response = InMemDicomObject::command_from_element_iter([
        DataElement::new(tags::AFFECTED_SOP_CLASS_UID, VR::UI, PrimitiveValue::from(class.as_str())),
        number(tags::COMMAND_FIELD, 0x8001),
        number(tags::MESSAGE_ID_BEING_RESPONDED_TO, message),
        number(tags::COMMAND_DATA_SET_TYPE, 0x0101),
        number(tags::STATUS, status),
        DataElement::new(tags::AFFECTED_SOP_INSTANCE_UID, VR::UI, PrimitiveValue::from(uid.as_str())),
    ]);
    let mut bytes = Vec::new();
    response.write_dataset_with_ts(&mut bytes, implicit()).unwrap();
    if status == 0 {
        stored.lock().unwrap().push((class, uid, set));
    }
    bytes
}

fn bench(port: u16, more: &str) -> Bench {
    patient_bench(port, more, 2.0)
}

fn patient_bench(port: u16, more: &str, timeout_s: f64) -> Bench {
    let site = format!(
        "  - {{name: archive, c_store: {{address: '127.0.0.1:{port}', called: ARCHIVE{more}}}, timeout_s: {timeout_s}}}\n"
    );
    let bench = Bench::new(&site);
    bench.post(&bench.result("a", Kind::Review, 200.0));
    bench
}

fn state_of(bench: &Bench, purpose: &str) -> (State, Option<String>) {
    let rows = bench.rows();
    let row = rows.iter().find(|row| row.purpose == purpose).unwrap();
    (row.state, row.reason.clone())
}

/// The UID of every object of the result, by class.
fn own_uids(bench: &Bench) -> BTreeMap<String, Vec<String>> {
    let mut own: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for row in bench.rows().into_iter().filter(|row| row.state != State::Withheld) {
        let object = dicom_object::open_file(bench.site.folders.outbox.join("a").join(&row.file)).unwrap();
        let text = |tag| object.element(tag).unwrap().to_str().unwrap().trim_end_matches('\0').to_owned();
        own.entry(text(tags::SOP_CLASS_UID)).or_default().push(text(tags::SOP_INSTANCE_UID));
    }
    own
}

fn drain(bench: &Bench) {
    for _ in 0..20 {
        if bench.round().due == 0 {
            return;
        }
    }
    panic!("the outbox does not drain: {:#?}", bench.rows());
}

#[test]
fn objects_arrive_in_either_transfer_syntax_and_a_report_after_what_it_refers_to() {
    for syntax in [uids::EXPLICIT_VR_LITTLE_ENDIAN, uids::IMPLICIT_VR_LITTLE_ENDIAN] {
        let (port, stored) = archive(Manner { syntax, ..Manner::default() });
        let bench = bench(port, "");
        assert_eq!(bench.round().delivered, 5);
        let stored = stored.lock().unwrap();
        assert_eq!(stored.last().unwrap().0, uids::COMPREHENSIVE3_DSR_STORAGE);
        for (class, uid, set) in stored.iter() {
            let read =
                InMemDicomObject::read_dataset_with_ts(set.as_slice(), TransferSyntaxRegistry.get(syntax).unwrap());
            let read = read.unwrap();
            assert!(own_uids(&bench)[class].contains(uid));
            assert_eq!(read.element(tags::SOP_INSTANCE_UID).unwrap().to_str().unwrap().trim_end_matches('\0'), uid);
        }
    }
}

#[test]
fn a_kind_that_is_not_taken_fails_alone_and_the_report_goes_in_its_other_form() {
    let classes = vec![uids::ENHANCED_SR_STORAGE, uids::SEGMENTATION_STORAGE, uids::SECONDARY_CAPTURE_IMAGE_STORAGE];
    let (port, stored) = archive(Manner { classes, ..Manner::default() });
    let bench = bench(port, "");
    drain(&bench);
    let (state, why) = state_of(&bench, "r2star_map");
    assert_eq!(state, State::Refused);
    assert_eq!(why.unwrap(), format!("it does not take objects of class {}", uids::PARAMETRIC_MAP_STORAGE));
    assert_eq!(state_of(&bench, "structured_report").0, State::Delivered);
    let stored_now = stored.lock().unwrap().clone();
    assert_eq!(stored_now.len(), 4);
    let (class, uid, set) = stored_now.last().unwrap();
    assert_eq!(class, uids::ENHANCED_SR_STORAGE);
    let explicit = TransferSyntaxRegistry.get(uids::EXPLICIT_VR_LITTLE_ENDIAN).unwrap();
    let sr = InMemDicomObject::read_dataset_with_ts(set.as_slice(), explicit).unwrap();
    assert_eq!(sr.element(tags::SOP_INSTANCE_UID).unwrap().to_str().unwrap().trim_end_matches('\0'), uid);
    // Sent again by hand: the same object under the same UID.
    bench.ledger().send_by_hand("a", "archive").unwrap();
    drain(&bench);
    let again = stored.lock().unwrap().clone();
    assert_eq!(again[4..], stored_now[..]);
}

#[test]
fn without_the_fallback_the_report_is_refused_too() {
    let (port, stored) = archive(Manner { classes: vec![uids::ENHANCED_SR_STORAGE], ..Manner::default() });
    let bench = bench(port, ", enhanced_sr_fallback: false");
    drain(&bench);
    assert_eq!(state_of(&bench, "structured_report").0, State::Refused);
    assert!(stored.lock().unwrap().is_empty());
}

#[test]
fn what_was_taken_in_the_other_form_never_arrives_in_both() {
    let (port, _) = archive(Manner { classes: vec![uids::ENHANCED_SR_STORAGE], ..Manner::default() });
    let first = bench(port, "");
    drain(&first);
    let row = first.rows().into_iter().find(|row| row.purpose == "structured_report").unwrap();
    let taken_as = row.taken_as.unwrap();
    // The archive learns the first form, and a person sends again.
    let (port, stored) = archive(Manner::default());
    let mut later = bench(port, "");
    later.site.folders = first.site.folders.clone();
    later.ledger().send_by_hand("a", "archive").unwrap();
    drain(&later);
    let reports: Vec<(String, String)> =
        stored.lock().unwrap().iter().map(|(c, u, _)| (c.clone(), u.clone())).collect();
    assert!(reports.contains(&(uids::ENHANCED_SR_STORAGE.to_owned(), taken_as)));
    assert!(reports.iter().all(|(class, _)| class != uids::COMPREHENSIVE3_DSR_STORAGE));
}

#[test]
fn an_archive_out_of_room_is_tried_again_and_one_that_cannot_understand_is_not() {
    let (port, stored) = archive(Manner { statuses: vec![0, 0xA700, 0xC000], ..Manner::default() });
    let bench = bench(port, "");
    drain(&bench);
    let states: Vec<State> = bench.rows().iter().map(|row| row.state).collect();
    assert_eq!(states.iter().filter(|state| **state == State::Delivered).count(), 4);
    assert_eq!(states.iter().filter(|state| **state == State::Refused).count(), 1);
    assert_eq!(stored.lock().unwrap().len(), 4);
}

#[test]
fn an_archive_that_breaks_off_in_the_middle_gets_everything_under_the_same_uids() {
    let (port, stored) = archive(Manner { breaks: vec![1, 3], ..Manner::default() });
    let bench = bench(port, "");
    let round = bench.round();
    assert_eq!((round.delivered, round.away.is_some()), (1, true));
    drain(&bench);
    let mut arrived: Vec<String> = stored.lock().unwrap().iter().map(|(_, uid, _)| uid.clone()).collect();
    arrived.sort();
    let mut own: Vec<String> = own_uids(&bench).into_values().flatten().collect();
    own.sort();
    assert_eq!(arrived, own);
}

#[test]
fn an_archive_that_is_down_gets_everything_when_it_returns() {
    let port = closed_port();
    let bench = bench(port, "");
    for _ in 0..3 {
        let round = bench.round();
        assert!(round.away.is_some() && round.delivered == 0, "{round:?}");
    }
    assert!(bench.rows().iter().all(|row| matches!(row.state, State::Waiting | State::Withheld)));
    let (_, stored) = archive_at(port, Manner::default());
    drain(&bench);
    let mut arrived: Vec<String> = stored.lock().unwrap().iter().map(|(_, uid, _)| uid.clone()).collect();
    arrived.sort();
    let mut own: Vec<String> = own_uids(&bench).into_values().flatten().collect();
    own.sort();
    assert_eq!(arrived, own, "everything once");
    assert!(bench.rows().iter().all(|row| matches!(row.state, State::Delivered | State::Withheld)));
}

#[test]
fn an_archive_that_answers_too_late_has_the_same_object_twice_and_none_under_another_uid() {
    let late = (vec![1, 3], Duration::from_millis(900));
    let (port, stored) = archive(Manner { late, ..Manner::default() });
    let bench = patient_bench(port, "", 0.3);
    let round = bench.round();
    assert_eq!((round.delivered, round.away.is_some()), (1, true), "{round:?}");
    for _ in 0..60 {
        if bench.rows().iter().all(|row| row.state != State::Waiting) {
            break;
        }
        bench.round();
        thread::sleep(Duration::from_millis(50));
    }
    assert!(
        bench.rows().iter().all(|row| matches!(row.state, State::Delivered | State::Withheld)),
        "{:#?}",
        bench.rows()
    );
    let stored = stored.lock().unwrap();
    let mut by_uid: BTreeMap<String, Vec<u8>> = BTreeMap::new();
    for (_, uid, set) in stored.iter() {
        assert_eq!(by_uid.entry(uid.clone()).or_insert_with(|| set.clone()), set, "the same bytes under one UID");
    }
    let mut own: Vec<String> = own_uids(&bench).into_values().flatten().collect();
    own.sort();
    assert_eq!(by_uid.into_keys().collect::<Vec<_>>(), own);
    assert!(stored.len() > own.len(), "the late ones came twice");
}
