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

#[test]
fn relative_paths_are_relative_to_the_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("site.yaml");
    fs::write(&path, "folders: {drop: [in, /abs]}\n").unwrap();
    let site = Site::load(&path).unwrap();
    assert_eq!(site.folders.drop, [folder.path().join("in"), PathBuf::from("/abs")]);
    assert_eq!(site.folders.outbox, folder.path().join("outbox"));
}
