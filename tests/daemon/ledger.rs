//! The ledger.

use siderolog::daemon::job::PatientKey;
use siderolog::daemon::ledger::{CourseEntry, Ledger, Outcome};
use siderolog::intake::claim::{Manifest, Ticket};
use siderolog::study::Digest;
use std::path::Path;

fn manifest(content: &str, place: &str) -> Manifest {
    let digest = Digest::of(content.as_bytes());
    let ticket = Ticket::try_from(digest.hex()[..20].to_owned()).unwrap();
    Manifest {
        schema_version: 1,
        ticket,
        digest,
        place: Digest::of(place.as_bytes()),
        drop: Path::new("/drop").into(),
        sender_name: Some(Path::new(place).into()),
        print: Digest::of(b"print"),
        complete: true,
        predecessor: None,
        claimed_at: "2026-03-14T09:00:00Z".to_owned(),
        files: Vec::new(),
    }
}

fn reading(acquisition: &str, issuer: Option<&str>, id: &str, date: &str) -> CourseEntry {
    let line = serde_json::json!({"patient": {"issuer": issuer, "id": id}, "date": date,
        "acquisition": Digest::of(acquisition.as_bytes()), "lic_mg_per_g": 5.0});
    CourseEntry::of(&line.to_string()).unwrap()
}

#[test]
fn a_delivery_is_recorded_once_and_its_first_outcome_stands() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.sqlite");
    let mut ledger = Ledger::open(&path).unwrap();
    let first = manifest("a", "x");
    assert!(ledger.claimed(&first).unwrap());
    assert!(!ledger.claimed(&manifest("a", "y")).unwrap());
    assert_eq!(ledger.open_deliveries().unwrap(), std::slice::from_ref(&first.ticket));
    assert_eq!(ledger.places(Path::new("/drop")).unwrap().len(), 2);
    assert_eq!(ledger.places(Path::new("/other")).unwrap().len(), 0);
    let now = "2026-03-14T09:01:00Z";
    ledger.finished(&first.ticket, Outcome::Reported, None, now, &[]).unwrap();
    ledger.finished(&first.ticket, Outcome::Quarantined, Some("again"), now, &[]).unwrap();
    drop(ledger);
    let mut ledger = Ledger::open(&path).unwrap();
    assert_eq!(ledger.outcome(&first.ticket).unwrap(), Some(Some("reported".to_owned())));
    assert_eq!(ledger.unarchived().unwrap(), std::slice::from_ref(&first.ticket));
    ledger.archived(&first.ticket).unwrap();
    assert_eq!(ledger.unarchived().unwrap(), []);
    ledger.forget_place(&first.place).unwrap();
    assert_eq!(ledger.place(&first.place).unwrap(), None);
}

#[test]
fn a_course_belongs_to_one_identifier_of_one_issuer_in_order_of_study() {
    let folder = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open(&folder.path().join("ledger.sqlite")).unwrap();
    let delivery = manifest("a", "x");
    ledger.claimed(&delivery).unwrap();
    let entries = [
        reading("1", Some("north"), "7", "2026-01-02"),
        reading("2", Some("north"), "7", "2025-01-02"),
        reading("3", Some("south"), "7", "2024-01-02"),
        reading("4", None, "7", "2023-01-02"),
    ];
    for _ in 0..2 {
        ledger.finished(&delivery.ticket, Outcome::Reported, None, "2026-03-14T09:01:00Z", &entries).unwrap();
    }
    let history = |issuer: Option<&str>| {
        let key = PatientKey { issuer: issuer.map(str::to_owned), id: "7".to_owned() };
        let lines = ledger.history(&key).unwrap();
        lines
            .iter()
            .map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap()["date"].as_str().unwrap().to_owned())
            .collect::<Vec<_>>()
    };
    assert_eq!(history(Some("north")), ["2025-01-02", "2026-01-02"]);
    assert_eq!(history(Some("south")), ["2024-01-02"]);
    assert_eq!(history(None), ["2023-01-02"]);
}

#[test]
fn a_ledger_of_a_later_program_is_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("ledger.sqlite");
    drop(Ledger::open(&path).unwrap());
    let connection = rusqlite::Connection::open(&path).unwrap();
    connection.pragma_update(None, "user_version", 99).unwrap();
    let message = Ledger::open(&path).err().unwrap().to_string();
    assert!(message.starts_with("the ledger has schema 99, this program knows "), "{message}");
    assert!(message.ends_with("; install the program that wrote it"), "{message}");
}
