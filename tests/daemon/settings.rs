//! The site file.

use siderolog::daemon::settings::Site;
use std::fs;
use std::path::PathBuf;

fn errors(text: &str) -> String {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("site.yaml");
    fs::write(&path, text).unwrap();
    let message = Site::load(&path).unwrap_err().to_string();
    message.replace(&folder.path().display().to_string(), "DIR")
}

#[test]
fn faults_name_file_line_and_column() {
    let faults: Vec<String> = [
        "folders:\n  drop: [a]\n  sppol: b\n",
        "settle:\n  quiet_s: soon\n",
        "settle: {quiet_s: 9, incomplete_s: 3}\nsender_files: move\n",
        "calibrations: none.yaml\nchild: {threads: 0}\n",
        "archive_days: 1\narchive_days: 2\n",
        "child: {memory_mb: 10, wall_s: .nan}\n",
        "folders: {marker: ../x}\n",
    ]
    .iter()
    .map(|text| errors(text))
    .collect();
    insta::assert_snapshot!(faults.join("\n--\n"));
}

/// The shipped file says every default, so that nobody has to look for it in the program.
#[test]
fn the_shipped_site_file_says_the_defaults() {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("config/site.yaml");
    let (site, plain) = (Site::load(&path).unwrap(), Site::shipped(std::path::Path::new("/")));
    assert_eq!((&site.limits, site.settle, site.child), (&plain.limits, plain.settle, plain.child));
    assert_eq!((site.sender_files, site.archive_days), (plain.sender_files, plain.archive_days));
    let text = fs::read_to_string(&path).unwrap();
    let keys = serde_json::to_value(&plain.limits).unwrap();
    for key in
        keys.as_object().unwrap().keys().chain(serde_json::to_value(plain.child).unwrap().as_object().unwrap().keys())
    {
        assert!(text.contains(&format!("  {key}: ")), "{key} is not in config/site.yaml");
    }
}

#[test]
fn relative_paths_are_relative_to_the_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("site.yaml");
    fs::write(&path, "folders: {drop: [in, /abs]}\n").unwrap();
    let site = Site::load(&path).unwrap();
    assert_eq!(site.folders.drop, [folder.path().join("in"), PathBuf::from("/abs")]);
    assert_eq!(site.folders.outbox, folder.path().join("outbox"));
}
