//! The physicist's files under the running service: a mistake in one never stops it, and is told.

use super::service::{PROGRAM, Service, tiny, write};
use serde_json::Value;
use std::fs;
use std::process::Command;
use std::time::{Duration, Instant};

const BASE: &str = "\
name: ours
revision: 1
rules:
  - {quantity: number of echoes, at least: 3, severity: warn, reason: three points make a decay}
";

fn profile(revision: u32, first_echo: &str) -> String {
    format!(
        "name: liver\nrevision: {revision}\nextends: ours\napproved: {{by: Ada Isenholt, date: 2026-01-12}}\n\
         applies to:\n  field strength: 1.5 T\ncalibration: hernando-2023-1.5t\nrules:\n  - quantity: first echo\n    \
         at most: {first_echo}\n    severity: note\n    reason: the earlier the better\n"
    )
}

fn service() -> Service {
    let service =
        Service::with("profiles: [liver.yaml]\nsettle: {scan_s: 0.1, quiet_s: 0.4, incomplete_s: 2, recheck_s: 1}\n");
    fs::create_dir(service.path("bases")).unwrap();
    fs::write(service.path("bases/ours.yaml"), BASE).unwrap();
    fs::write(service.path("liver.yaml"), profile(1, "5 ms")).unwrap();
    service
}

fn health(service: &Service) -> Value {
    fs::read(service.path("state/health.json"))
        .ok()
        .and_then(|text| serde_json::from_slice(&text).ok())
        .unwrap_or(Value::Null)
}

/// Waits until the one profile is as wanted, and gives what health says.
fn wait(service: &Service, wanted: impl Fn(&Value) -> bool) -> Value {
    let began = Instant::now();
    loop {
        let health = health(service);
        if wanted(&health["profiles"][0]) {
            return health;
        }
        assert!(began.elapsed() < Duration::from_secs(30), "{health:#}\n{}", service.log());
        std::thread::sleep(Duration::from_millis(100));
    }
}

/// Measures one more study and gives the revision its result names.
fn measured(service: &Service, seed: u64) -> Value {
    write(&tiny(seed), &service.path("drop").join(format!("study-{seed}")));
    service.wait_for(seed as usize, Duration::from_secs(60));
    let id = format!("P-{seed}");
    let results = service.results();
    let result = results.iter().find(|result| result["input"]["patient"]["id"] == id.as_str()).unwrap();
    result["profile"]["revision"].clone()
}

#[test]
fn the_last_good_profile_stays_in_force_while_the_file_is_wrong() {
    let service = service();
    let running = service.start();
    let good = wait(&service, |profile| profile["revision"] == 1);
    assert_eq!((&good["healthy"], &good["profiles"][0]["fault"]), (&Value::Bool(true), &Value::Null));
    assert_eq!(measured(&service, 1), 1);

    fs::write(service.path("liver.yaml"), profile(2, "5")).unwrap();
    let broken = wait(&service, |profile| !profile["fault"].is_null());
    assert_eq!(broken["healthy"], false);
    insta::assert_snapshot!(
        broken["complaints"][0].as_str().unwrap(),
        @"the profile liver.yaml is wrong, line 10: `5` has no unit; write for example `5 ms` (the quantity is first echo); its last good text, revision 1, stays in force"
    );
    assert_eq!(measured(&service, 2), 1);
    let metrics = fs::read_to_string(service.path("state/siderolog.prom")).unwrap();
    assert!(metrics.contains("\nsiderolog_profile_faults 1\n"), "{metrics}");

    // A power cut does not change what is in force.
    running.kill();
    let _running = service.start();
    assert_eq!(measured(&service, 3), 1);

    // The file is right again, then what it builds on goes wrong and comes right.
    fs::write(service.path("liver.yaml"), profile(2, "6 ms")).unwrap();
    let mended = wait(&service, |profile| profile["revision"] == 2);
    assert_eq!(mended["profiles"][0]["fault"], Value::Null);
    fs::write(service.path("bases/ours.yaml"), BASE.replace("at least", "at leest")).unwrap();
    wait(&service, |profile| !profile["fault"].is_null());
    assert_eq!(measured(&service, 4), 2);
    let digest = mended["profiles"][0]["digest"].clone();
    fs::write(service.path("bases/ours.yaml"), BASE.replace("at least: 3", "at least: 4")).unwrap();
    let changed = wait(&service, |profile| profile["fault"].is_null());
    assert_ne!(changed["profiles"][0]["digest"], digest);

    let log = service.log();
    let checks: Vec<Value> = log
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).unwrap())
        .filter(|line| line["event"] == "profile-check")
        .collect();
    let faults: Vec<i64> = checks.iter().map(|line| line["faults"].as_i64().unwrap()).collect();
    // Taken; wrong; after the restart what was in force and the same mistake; mended; base wrong; base mended.
    assert_eq!(faults, [0, 1, 1, 0, 1, 0], "{log}");
    assert!(checks.iter().all(|line| line["profile"] == 0));
}

#[test]
fn a_profile_that_was_never_right_stops_the_start_with_status_2() {
    let service = service();
    fs::write(service.path("liver.yaml"), profile(1, "5")).unwrap();
    let output = Command::new(PROGRAM).args(["watch", "--site"]).arg(service.path("site.yaml")).output().unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2), "{said}");
    assert!(said.contains("\nliver.yaml:10:14: `5` has no unit"), "{said}");
}
