//! The site file.

use siderolog::daemon::segmenter::Segmenter;
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
        "destinations:\n  - name: a b\n    folder: {path: x}\n",
        "destinations:\n  - name: none\n  - name: both\n    folder: {path: x}\n    mllp: {address: 'h:1'}\n",
        "destinations:\n  - {name: a, mllp: {address: host}}\n  - {name: b, c_store: {address: 'h:1', called: ''}}\n",
        "destinations:\n  - {name: a, fhir: {url: 'ftp://h'}}\n  - {name: b, stow: {url: 'http://h', authorities: none.pem}}\n",
        "destinations:\n  - {name: a, folder: {path: x}, files: [report_pfd]}\n",
        "destinations:\n  - {name: a, folder: {path: x}}\n  - {name: a, folder: {path: y}}\n",
        "destinations:\n  - {name: a, folder: {path: x}, unreleased: all}\n",
        "segmenter: {}\n",
        "segmenter: {command: [none/here]}\n",
        "child: {cpu_s: 9, wall_s: 9}\nsegmenter:\n  command: [/]\n  wall_s: 0\n  cpu_s: 0\n  name: 'a\\b'\n",
        "segmenter: {command: [/bin/sh], folder_mb: 8, answer_mb: 9, memory_mb: 1}\n",
        "segmenter: {command: /bin/sh}\n",
        "segmenter: {command: [site.yaml]}\n",
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

/// The example of a segmenter shows every limit as it is without one.
#[test]
fn the_shipped_site_file_shows_a_segmenter_with_the_defaults() {
    let text = include_str!("../../config/site.yaml");
    let shown = text.split("# segmenter:\n").nth(1).unwrap();
    let shown = shown.lines().take_while(|line| line.starts_with("#   "));
    let shown: String = shown.map(|line| format!("{}\n", line.strip_prefix("# ").unwrap_or(line))).collect();
    let folder = tempfile::tempdir().unwrap();
    let program = shown.split(['[', ',', ']']).nth(1).unwrap();
    let shown = shown.replace(program, "/bin/sh");
    let path = folder.path().join("site.yaml");
    fs::write(&path, format!("segmenter:\n{shown}")).unwrap();
    let segmenter = Site::load(&path).unwrap_or_else(|error| panic!("{error}")).segmenter.unwrap();
    let plain = Segmenter { command: segmenter.command.clone(), name: segmenter.name.clone(), ..Segmenter::default() };
    assert_eq!(segmenter, plain);
    for key in serde_json::to_value(plain).unwrap().as_object().unwrap().keys() {
        assert!(shown.contains(&format!("  {key}: ")), "{key} is not shown");
    }
}

#[test]
fn a_segmenter_may_be_named_by_its_place_beside_the_site_file() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("site.yaml");
    std::os::unix::fs::symlink("/bin/sh", folder.path().join("own-segmenter")).unwrap();
    fs::write(&path, "segmenter: {command: [own-segmenter, --fast]}\n").unwrap();
    let segmenter = Site::load(&path).unwrap().segmenter.unwrap();
    assert_eq!(segmenter.command, [folder.path().join("own-segmenter").to_str().unwrap(), "--fast"]);
    assert_eq!((segmenter.name.as_str(), segmenter.wall_s), ("own-segmenter", 60.0));
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

#[test]
fn the_schema_in_the_repository_is_the_files() {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("config/schema/site.json");
    let schema = siderolog::daemon::settings::schema();
    if std::env::var_os("SIDEROLOG_BLESS").is_some() {
        fs::write(&path, &schema).unwrap();
    }
    let kept = fs::read_to_string(&path).unwrap_or_default();
    assert!(
        kept == schema,
        "config/schema/site.json is not the site file's; run the tests once with SIDEROLOG_BLESS=1"
    );
}

#[test]
fn the_shipped_site_file_shows_every_way_of_sending() {
    let text = include_str!("../../config/site.yaml");
    let shown = text.split("# destinations:").nth(1).unwrap();
    let shown = shown.lines().take_while(|line| line.is_empty() || line.starts_with('#'));
    let shown: String = shown.map(|line| format!("{}\n", line.strip_prefix("# ").unwrap_or(line))).collect();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("site.yaml");
    fs::write(&path, format!("destinations:{shown}")).unwrap();
    for secret in ["record.authorization", "hospital.pem"] {
        fs::write(folder.path().join(secret), "x").unwrap();
    }
    let site = Site::load(&path).unwrap_or_else(|error| panic!("{error}"));
    let ways: Vec<&str> = site.destinations.iter().map(|d| d.way.word()).collect();
    assert_eq!(ways, ["C-STORE", "STOW-RS", "FHIR", "HL7 over MLLP", "folder"]);
}
