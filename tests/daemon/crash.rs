//! The service killed at any moment: every delivery ends once.

use super::service::{Service, evidence, files_below, tiny, write};
use std::time::{Duration, Instant};

/// Moments that are the same in every run (Knuth's multiplicative generator, MMIX constants).
struct Moments(u64);

impl Moments {
    fn next(&mut self, up_to_ms: u64) -> Duration {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        Duration::from_millis((self.0 >> 33) % up_to_ms)
    }
}

/// Every delivery has one outcome, one result, one row; nothing is left under way.
fn assert_each_ended_once(service: &Service, deliveries: usize) {
    // Whatever is done a second time would show only after another scan or two.
    std::thread::sleep(Duration::from_millis(1500));
    assert_eq!(service.ended(), deliveries);
    assert!(service.names("spool").is_empty());
    let results = service.results();
    let mut patients: Vec<String> =
        results.iter().map(|result| result["input"]["patient"]["id"].as_str().unwrap().to_owned()).collect();
    patients.sort();
    patients.dedup();
    assert_eq!((results.len(), patients.len()), (deliveries, deliveries), "{}", service.log());
    let ledger = service.ledger();
    let count = |query: &str| ledger.query_row(query, [], |row| row.get::<_, i64>(0)).unwrap();
    assert_eq!(count("SELECT count(*) FROM deliveries WHERE outcome IN ('reported', 'refused')"), deliveries as i64);
    assert_eq!(count("SELECT count(*) FROM deliveries WHERE archived = 0"), 0);
    assert_eq!(count("SELECT count(*) FROM pragma_integrity_check WHERE integrity_check <> 'ok'"), 0);
    let notes = service.names("drop").iter().filter(|name| name.ends_with(".siderolog.txt")).count();
    assert_eq!(notes, deliveries);
    assert_eq!(service.names("archive").len(), deliveries);
}

#[test]
fn killed_at_twenty_moments_during_ten_deliveries_gives_ten_results() {
    let service = Service::new();
    let mut moments = Moments(20);
    let mut dropped = 0;
    for _ in 0..20 {
        let running = service.start();
        if dropped < 10 {
            dropped += 1;
            write(&tiny(dropped), &service.path("drop").join(format!("study-{dropped}")));
        }
        std::thread::sleep(moments.next(900));
        running.kill();
    }
    let _running = service.start();
    service.wait_for(10, Duration::from_secs(60));
    assert_each_ended_once(&service, 10);
}

#[test]
fn many_deliveries_at_once_and_kills_among_them_end_once_each() {
    let (deliveries, kills, gap_ms) = if evidence() { (1000, 10, 20_000) } else { (12, 3, 1500) };
    let service = Service::new();
    for seed in 1..=deliveries {
        write(&tiny(seed as u64), &service.path("drop").join(format!("study-{seed:04}")));
    }
    let began = Instant::now();
    let mut moments = Moments(10);
    for _ in 0..kills {
        let running = service.start();
        std::thread::sleep(Duration::from_millis(gap_ms / 3) + moments.next(gap_ms));
        running.kill();
    }
    let running = service.start();
    service.wait_for_ended(deliveries / 2, Duration::from_secs(900));
    let half_way = running.peak_mb();
    service.wait_for(deliveries, Duration::from_secs(900));
    let at_the_end = running.peak_mb();
    let took = began.elapsed().as_secs_f64();
    println!(
        "{deliveries} deliveries, {kills} kills: {took:.0} s, memory {half_way} MiB half way, {at_the_end} MiB at the end"
    );
    assert!(at_the_end <= half_way + 24, "memory grew from {half_way} to {at_the_end} MiB");
    assert_each_ended_once(&service, deliveries);
}

#[test]
fn a_signal_to_stop_finishes_or_rolls_back_and_the_next_start_goes_on() {
    let service = Service::new();
    for seed in 1..=3 {
        write(&tiny(seed), &service.path("drop").join(format!("study-{seed}")));
    }
    let running = service.start();
    std::thread::sleep(Duration::from_millis(900));
    assert_eq!(running.stop(), 0);
    assert!(service.log().lines().last().unwrap().contains("stopped"), "{}", service.log());
    let attempts = walk(&service.path("spool")).into_iter().filter(|name| name.starts_with("attempt-")).count();
    assert_eq!(attempts, 0);
    let _running = service.start();
    service.wait_for(3, Duration::from_secs(30));
    assert_each_ended_once(&service, 3);
}

/// From the last file to the note, with the quiet time as shipped. The promise is 10 s on a machine of two cores for
/// 300 images; here the time is printed, because a machine may be busy.
#[test]
fn the_radiographer_has_an_answer_beside_the_folder() {
    let large = evidence().then(|| siderolog::phantom::shipped("full-study").unwrap().unwrap());
    for (name, recipe) in [("small", Some(tiny(1))), ("full", large)] {
        let Some(recipe) = recipe else { continue };
        let service = Service::with("{}\n");
        let running = service.start();
        write(&recipe, &service.path("study"));
        let files = files_below(&service.path("study")).len();
        // The sender's copy ends with a rename, so that its own speed does not count.
        std::fs::rename(service.path("study"), service.path("drop").join(name)).unwrap();
        let began = Instant::now();
        let note = service.path("drop").join(format!("{name}.siderolog.txt"));
        while !note.exists() {
            std::thread::sleep(Duration::from_millis(20));
            assert!(began.elapsed() < Duration::from_secs(60), "{}", service.log());
        }
        let took = began.elapsed().as_secs_f64();
        let text = std::fs::read_to_string(note).unwrap();
        println!("the note came {took:.1} s after the last of {files} files:\n{text}");
        assert!(text.contains("Siderolog, ") && text.contains("Reference "), "{text}");
        let answers = ["The patient may leave", "Repeat now", "Do not repeat"];
        assert!(answers.iter().any(|answer| text.contains(answer)), "{text}");
        assert_eq!(running.stop(), 0);
    }
}

/// A share that was away for a week comes back with everything on it. With the settings as shipped.
#[test]
fn five_thousand_deliveries_at_once_end_once_each() {
    if !evidence() {
        println!("SKIPPED: takes most of an hour; SIDEROLOG_EVIDENCE=1 runs it");
        return;
    }
    let deliveries = 5000;
    let service = Service::with("{}\n");
    for seed in 1..=deliveries {
        write(&tiny(seed as u64), &service.path("drop").join(format!("study-{seed:04}")));
    }
    let began = Instant::now();
    let running = service.start();
    service.wait_for_ended(deliveries / 2, Duration::from_secs(3600));
    let (half, half_way) = (began.elapsed().as_secs_f64(), running.peak_mb());
    service.wait_for(deliveries, Duration::from_secs(3600));
    let (took, at_the_end) = (began.elapsed().as_secs_f64(), running.peak_mb());
    println!(
        "{deliveries} deliveries at once: half in {half:.0} s, all in {took:.0} s; memory {half_way} MiB half way, \
         {at_the_end} MiB at the end"
    );
    assert!(at_the_end <= half_way + 24, "memory grew from {half_way} to {at_the_end} MiB");
    assert_each_ended_once(&service, deliveries);
}

fn walk(folder: &std::path::Path) -> Vec<String> {
    let mut names = Vec::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let entry = entry.unwrap();
        names.push(entry.file_name().into_string().unwrap());
        if entry.file_type().unwrap().is_dir() {
            names.extend(walk(&entry.path()));
        }
    }
    names
}

/// No name of a patient, of a folder or of a file gets into the log, whatever happens.
#[test]
fn the_log_holds_no_name() {
    let service = Service::new();
    write(&tiny(1), &service.path("drop/Secret^Person"));
    std::fs::create_dir(service.path("drop/Hidden^Name")).unwrap();
    std::fs::write(service.path("drop/Hidden^Name/Hidden.dcm"), b"not an image").unwrap();
    let running = service.start();
    service.wait_for(2, Duration::from_secs(30));
    assert_eq!(running.stop(), 0);
    let log = service.log();
    for name in ["Secret", "Person", "Hidden", "Invented", "P-1", service.root.path().to_str().unwrap()] {
        assert!(!log.contains(name), "{name} in\n{log}");
    }
    assert!(log.lines().all(|line| serde_json::from_str::<serde_json::Value>(line).is_ok()), "{log}");
    assert_eq!((service.names("outbox").len(), service.names("quarantine").len()), (1, 1));
}
