//! The outbox against receivers that are down, slow, refuse one object or close in the middle: nothing is lost,
//! everything that arrives is the same bytes, and the queue drains when the receiver returns.

use super::receivers::{Act, Receiver, closed_port, http, mllp};
use super::{Bench, Kind};
use siderolog::daemon::outbox::State;
use std::collections::BTreeSet;
use std::fs;
use std::time::Duration;

fn engine(port: u16) -> Bench {
    Bench::new(&format!(
        "  - {{name: engine, mllp: {{address: '127.0.0.1:{port}'}}, unreleased: clear-results, timeout_s: 0.3}}\n"
    ))
}

fn record(port: u16) -> Bench {
    Bench::new(&format!(
        "  - {{name: record, fhir: {{url: 'http://127.0.0.1:{port}/fhir'}}, unreleased: clear-results, timeout_s: 0.3}}\n"
    ))
}

/// Three clear results with one message each, queued.
fn three(bench: &Bench, file: &str) -> Vec<Vec<u8>> {
    let folders = [("a", 150.0), ("b", 200.0), ("c", 250.0)].map(|(name, rate)| bench.result(name, Kind::Clear, rate));
    folders
        .iter()
        .map(|folder| {
            bench.post(folder);
            fs::read(folder.join(file)).unwrap()
        })
        .collect()
}

/// Rounds until nothing waits; panics if that never comes.
fn drain(bench: &Bench) -> usize {
    for round in 1..=30 {
        bench.round();
        if bench.rows().iter().all(|row| row.state != State::Waiting) {
            return round;
        }
    }
    panic!("the outbox does not drain: {:#?}", bench.rows());
}

/// The receiver has every message at least once and nothing else.
fn holds_exactly(receiver: &Receiver, messages: &[Vec<u8>]) {
    let taken: BTreeSet<Vec<u8>> = receiver.taken().into_iter().collect();
    assert!(taken == messages.iter().cloned().collect(), "{} taken, {} sent", taken.len(), messages.len());
}

#[test]
fn messages_arrive_in_order_and_are_acknowledged() {
    let receiver = mllp(0, vec![Act::Answer("AA")]);
    let bench = engine(receiver.port);
    let messages = three(&bench, "oru.hl7");
    assert_eq!(bench.round().delivered, 3);
    assert_eq!(receiver.taken(), messages);
    assert!(bench.rows().iter().all(|row| row.state == State::Delivered && row.attempts == 1));
    assert_eq!(bench.round().due, 0);
}

#[test]
fn a_receiver_that_is_down_gets_everything_when_it_returns() {
    let port = closed_port();
    let bench = engine(port);
    let messages = three(&bench, "oru.hl7");
    for _ in 0..3 {
        let round = bench.round();
        assert!(round.away.is_some() && round.delivered == 0, "{round:?}");
    }
    let rows = bench.rows();
    assert!(rows.iter().all(|row| row.state == State::Waiting));
    assert!(rows.iter().any(|row| row.reason.as_deref().is_some_and(|why| why.starts_with("no connection"))));
    let receiver = mllp(port, vec![Act::Answer("AA")]);
    drain(&bench);
    holds_exactly(&receiver, &messages);
    assert_eq!(receiver.taken().len(), 3);
}

#[test]
fn a_slow_receiver_gets_the_same_bytes_again() {
    let late = Act::Late(Duration::from_millis(700), "AA");
    let receiver = mllp(0, vec![late, Act::Answer("AA")]);
    let bench = engine(receiver.port);
    let messages = three(&bench, "oru.hl7");
    let round = bench.round();
    assert!(round.away.is_some_and(|why| why.starts_with("no acknowledgement")));
    drain(&bench);
    // The late one arrived, though it was not acknowledged in time: at least once, never under another name.
    holds_exactly(&receiver, &messages);
}

#[test]
fn a_refused_message_waits_for_a_person_and_holds_up_no_other() {
    let receiver = mllp(0, vec![Act::Answer("AA"), Act::Answer("AE"), Act::Answer("AA")]);
    let bench = engine(receiver.port);
    let messages = three(&bench, "oru.hl7");
    drain(&bench);
    let states: Vec<State> = bench.rows().iter().map(|row| row.state).collect();
    assert_eq!(states, [State::Delivered, State::Refused, State::Delivered]);
    assert_eq!(receiver.taken().len(), 3);
    // A person sends it again: the same bytes.
    bench.ledger().send_by_hand("b", "engine").unwrap();
    drain(&bench);
    assert_eq!(receiver.taken().last(), messages.get(1));
    assert!(bench.rows().iter().all(|row| row.state == State::Delivered));
}

#[test]
fn a_rejected_message_is_tried_again() {
    let receiver = mllp(0, vec![Act::Answer("AR"), Act::Answer("AA")]);
    let bench = engine(receiver.port);
    let messages = three(&bench, "oru.hl7");
    drain(&bench);
    holds_exactly(&receiver, &messages);
    assert!(bench.rows().iter().all(|row| row.state == State::Delivered));
    assert!(bench.rows().iter().any(|row| row.attempts == 2));
}

#[test]
fn a_connection_that_closes_or_answers_astray_loses_nothing() {
    let script = vec![Act::Answer("AA"), Act::Close, Act::Astray, Act::Close, Act::Answer("AA")];
    let receiver = mllp(0, script);
    let bench = engine(receiver.port);
    let messages = three(&bench, "oru.hl7");
    drain(&bench);
    holds_exactly(&receiver, &messages);
}

#[test]
fn a_record_that_is_down_slow_busy_or_closes_gets_each_bundle() {
    let port = closed_port();
    let bench = record(port);
    let bundles = three(&bench, "fhir.json");
    assert!(bench.round().away.is_some());
    let late = Act::Late(Duration::from_millis(700), "200");
    let script = vec![Act::Close, late, Act::Answer("503"), Act::Answer("500"), Act::Answer("201")];
    let receiver = http(port, script);
    drain(&bench);
    let taken: BTreeSet<Vec<u8>> = receiver
        .taken()
        .iter()
        .map(|request| {
            let head = request.windows(4).position(|w| w == b"\r\n\r\n").unwrap();
            request[head + 4..].to_vec()
        })
        .collect();
    assert!(taken == bundles.into_iter().collect());
    assert!(bench.rows().iter().all(|row| row.state == State::Delivered));
}

#[test]
fn a_record_that_finds_fault_says_so_by_code_alone() {
    let receiver = http(0, vec![Act::Answer("422")]);
    let bench = record(receiver.port);
    three(&bench, "fhir.json");
    drain(&bench);
    let reasons: Vec<Option<String>> = bench.rows().into_iter().map(|row| row.reason).collect();
    assert_eq!(reasons, vec![Some("HTTP 422 (processing)".to_owned()); 3]);
}

#[test]
fn a_folder_gets_whole_files_and_an_unmounted_one_nothing() {
    let bench = Bench::new("  - {name: share, folder: {path: share}, files: [report_pdf, result]}\n");
    let folder = bench.result("a", Kind::Review, 200.0);
    bench.post(&folder);
    bench.ledger().send_by_hand("a", "share").unwrap();
    assert_eq!(bench.round().away.as_deref(), Some("the folder is not there"));
    let share = bench.root.path().join("share");
    assert!(!share.exists());
    fs::create_dir(&share).unwrap();
    drain(&bench);
    let shelf = fs::read_dir(&share).unwrap().next().unwrap().unwrap().path();
    for file in ["report.pdf", "result.json"] {
        assert_eq!(fs::read(shelf.join(file)).unwrap(), fs::read(folder.join(file)).unwrap());
    }
    assert_eq!(fs::read_dir(&shelf).unwrap().count(), 2);
}

#[test]
fn a_file_that_changed_since_it_was_queued_is_not_sent() {
    let receiver = mllp(0, vec![Act::Answer("AA")]);
    let bench = engine(receiver.port);
    let folder = bench.result("a", Kind::Clear, 200.0);
    bench.post(&folder);
    fs::write(folder.join("oru.hl7"), b"MSH|^~\\&|X|||||||1|P|2.5.1\r").unwrap();
    assert_eq!(bench.round().refused, 1);
    assert!(receiver.taken().is_empty());
}

#[test]
fn what_another_process_has_taken_up_is_left_to_it() {
    let bench = engine(closed_port());
    three(&bench, "oru.hl7");
    let mut ledger = bench.ledger();
    let now = jiff::Timestamp::now().as_millisecond();
    let lease = Duration::from_secs(60);
    assert_eq!(ledger.due("engine", None, now, lease, 16).unwrap().len(), 3);
    assert_eq!(bench.ledger().due("engine", None, now, lease, 16).unwrap(), []);
    // A crash lets the lease run out; a start does not wait for that.
    bench.ledger().all_due().unwrap();
    assert_eq!(bench.ledger().due("engine", None, now, lease, 16).unwrap().len(), 3);
}
