//! Files that come after their series was measured.

use super::service::{PROGRAM, Service, files_below, tiny, write};
use serde_json::Value;
use siderolog::study::Digest;
use std::fs;
use std::path::PathBuf;
use std::process::Command;
use std::time::Duration;

fn result_of(service: &Service, ticket: &str) -> PathBuf {
    let folder = service.path("outbox").join(ticket);
    let mut folders = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    folders.find(|path| path.join("result.json").exists()).unwrap()
}

fn read(path: PathBuf) -> Value {
    serde_json::from_slice(&fs::read(path).unwrap()).unwrap()
}

#[test]
fn a_run_with_late_files_names_the_result_it_replaces() {
    let service = Service::new();
    let study = service.path("study");
    write(&tiny(1), &study);
    let mut files = files_below(&study);
    files.sort();
    let late = files.pop().unwrap();
    let drop = service.path("drop/study");
    fs::create_dir(&drop).unwrap();
    for file in &files {
        fs::copy(file, drop.join(file.file_name().unwrap())).unwrap();
    }
    let _running = service.start();
    service.wait_for(1, Duration::from_secs(30));
    let [first] = &service.names("outbox")[..] else { panic!("not one") };
    let old = result_of(&service, first);
    assert_eq!(read(old.join("result.json"))["predecessor"], Value::Null);
    fs::copy(&late, drop.join(late.file_name().unwrap())).unwrap();
    service.wait_for(2, Duration::from_secs(30));
    let second = service.names("outbox").into_iter().find(|ticket| ticket != first).unwrap();
    let new = result_of(&service, &second);
    let result = read(new.join("result.json"));
    assert_eq!(
        (&result["input"]["instances"], &read(old.join("result.json"))["input"]["instances"]),
        (&4.into(), &3.into())
    );

    // The digest of everything the old report consists of, which `run.json` is not part of.
    let mut parts: Vec<Vec<u8>> = Vec::new();
    let mut names: Vec<String> =
        fs::read_dir(&old).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    for name in names.iter().filter(|name| *name != "run.json") {
        parts.push(name.clone().into_bytes());
        parts.push(fs::read(old.join(name)).unwrap());
    }
    let digest = Digest::of_parts(parts.iter().map(Vec::as_slice));
    assert_eq!(result["predecessor"]["digest"], digest.as_str());
    let report = dicom_object::open_file(old.join("report.dcm")).unwrap();
    let uid = report.meta().media_storage_sop_instance_uid().trim_end_matches('\0').to_owned();
    assert_eq!(result["predecessor"]["structured_report"]["uid"], uid.as_str());
    let text = fs::read(new.join("report.dcm")).unwrap();
    assert!(text.windows(uid.len()).any(|window| window == uid.as_bytes()), "the structured report names it too");

    // The kept inputs give the same document, predecessor included.
    let site = service.path("site.yaml");
    let verified = Command::new(PROGRAM).arg("verify").arg(&new).arg("--site").arg(site).output().unwrap();
    assert!(verified.status.success(), "{}", String::from_utf8_lossy(&verified.stdout));
}
