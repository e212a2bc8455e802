//! What leaves before a person has released a result, and what never does.

use super::{Bench, Kind};
use siderolog::daemon::outbox::State;
use siderolog::report::RoleKind;
use std::collections::BTreeSet;

/// Every way, with each of the three settings. Nothing of this is reached.
const ALL: &str = "
  - {name: archive, c_store: {address: 'localhost:1', called: A}}
  - {name: archive-later, c_store: {address: 'localhost:1', called: A}, unreleased: nothing}
  - {name: web, stow: {url: 'http://localhost:1/studies'}, unreleased: clear-results}
  - {name: record, fhir: {url: 'http://localhost:1/fhir'}}
  - {name: record-clear, fhir: {url: 'http://localhost:1/fhir'}, unreleased: clear-results}
  - {name: engine, mllp: {address: 'localhost:1'}}
  - {name: engine-clear, mllp: {address: 'localhost:1'}, unreleased: clear-results}
  - {name: share, folder: {path: share}}
  - {name: share-clear, folder: {path: share}, unreleased: clear-results}
";

const ARCHIVE: [&str; 5] = ["excluded", "qc_capture", "r2star_map", "roi", "structured_report"];

/// Purposes that wait for nobody, by destination.
fn leaving(bench: &Bench, destination: &str) -> BTreeSet<String> {
    let states = bench.states();
    let mine = states.iter().filter(|((to, _), _)| to == destination);
    mine.filter(|(_, state)| **state == State::Waiting).map(|((_, purpose), _)| purpose.clone()).collect()
}

fn withheld(bench: &Bench, destination: &str) -> usize {
    let states = bench.states();
    states.iter().filter(|((to, _), state)| to == destination && **state == State::Withheld).count()
}

fn archive() -> BTreeSet<String> {
    ARCHIVE.iter().map(|&purpose| purpose.to_owned()).collect()
}

#[test]
fn archive_objects_leave_unverified_and_nothing_else_leaves_by_itself() {
    for kind in [Kind::Clear, Kind::Review, Kind::Refused] {
        let bench = Bench::new(ALL);
        bench.post(&bench.result("a", kind, 200.0));
        for destination in ["archive", "share"] {
            assert_eq!(leaving(&bench, destination), archive(), "{kind:?} {destination}");
        }
        for destination in ["archive-later", "record", "engine"] {
            assert_eq!(leaving(&bench, destination), BTreeSet::new(), "{kind:?} {destination}");
            assert!(withheld(&bench, destination) > 0, "{kind:?} {destination}");
        }
        for file in ["report.dcm", "roi.dcm", "r2star.dcm", "qc.dcm"] {
            let object = dicom_object::open_file(bench.site.folders.outbox.join("a").join(file)).unwrap();
            if file == "report.dcm" {
                let flag = object.element_by_name("VerificationFlag").unwrap().to_str().unwrap().into_owned();
                assert_eq!(flag, "UNVERIFIED");
            }
        }
    }
}

#[test]
fn a_site_may_let_clear_results_leave_as_preliminary_and_no_other() {
    for (kind, all) in [(Kind::Clear, true), (Kind::Review, false), (Kind::Refused, false)] {
        let bench = Bench::new(ALL);
        let folder = bench.result("a", kind, 200.0);
        bench.post(&folder);
        assert_eq!(leaving(&bench, "record-clear").contains("fhir"), all, "{kind:?}");
        assert_eq!(leaving(&bench, "engine-clear").contains("hl7"), all, "{kind:?}");
        assert_eq!(leaving(&bench, "web").contains("report_document"), all, "{kind:?}");
        assert_eq!(leaving(&bench, "share-clear").contains("report_pdf"), all, "{kind:?}");
        assert_eq!(leaving(&bench, "share-clear").contains("result"), all, "{kind:?}");
        let fhir = std::fs::read_to_string(folder.join("fhir.json")).unwrap();
        assert!(fhir.contains("\"status\": \"preliminary\""));
        let hl7 = std::fs::read_to_string(folder.join("oru.hl7")).unwrap();
        let order = hl7.split('\r').find(|line| line.starts_with("OBR")).unwrap().to_owned();
        assert_eq!(order.split('|').nth(25), Some("P"));
    }
}

#[test]
fn a_refused_result_has_no_number_in_anything_that_can_leave() {
    let bench = Bench::new(ALL);
    let folder = bench.result("a", Kind::Refused, 200.0);
    let fhir: serde_json::Value = serde_json::from_slice(&std::fs::read(folder.join("fhir.json")).unwrap()).unwrap();
    let lic = fhir["entry"].as_array().unwrap().iter().map(|entry| &entry["resource"]);
    let lic: Vec<_> = lic.filter(|resource| resource["code"]["coding"][0]["code"] == "LIC").collect();
    assert_eq!(lic.len(), 1);
    assert!(lic[0].get("valueQuantity").is_none() && lic[0].get("component").is_none());
    assert!(lic[0].get("dataAbsentReason").is_some());
    let hl7 = std::fs::read_to_string(folder.join("oru.hl7")).unwrap();
    let values = hl7.split('\r').filter(|line| line.starts_with("OBX") && line.contains("|LIC^"));
    let values: Vec<Vec<&str>> = values.map(|line| line.split('|').collect()).collect();
    assert_eq!(values.len(), 1);
    assert_eq!((values[0][5], values[0][11]), ("", "X"));
}

#[test]
fn only_the_acquisition_that_stands_for_its_study_leaves_by_itself() {
    let bench = Bench::new(ALL);
    let folder = bench.result_with("a", Kind::Clear, 200.0, |result| result.role = RoleKind::Supporting);
    bench.post(&folder);
    assert!(bench.rows().iter().all(|row| row.state == State::Withheld));
    assert!(!bench.rows().is_empty());
}

#[test]
fn a_person_sends_to_one_destination_and_only_that_is_released() {
    let bench = Bench::new(ALL);
    bench.post(&bench.result("a", Kind::Review, 200.0));
    bench.ledger().send_by_hand("a", "record").unwrap();
    assert_eq!(leaving(&bench, "record"), ["fhir".to_owned()].into());
    assert_eq!(leaving(&bench, "engine"), BTreeSet::new());
    assert_eq!(leaving(&bench, "share"), archive());
}

#[test]
fn what_waits_for_a_person_is_taken_back_when_a_corrected_result_takes_its_place() {
    let bench = Bench::new(ALL);
    bench.post(&bench.result("ticket/a", Kind::Review, 200.0));
    let before = leaving(&bench, "archive");
    bench.ledger().withdraw("ticket", None, false, "corrected", "2026-01-01T00:00:00Z").unwrap();
    assert_eq!(leaving(&bench, "archive"), before);
    assert!(bench.rows().iter().all(|row| row.state != State::Withheld));
    // Queued again, as after a restart, it stays taken back.
    bench.post(&bench.site.folders.outbox.join("ticket/a"));
    assert!(bench.rows().iter().all(|row| row.state != State::Withheld));
}
