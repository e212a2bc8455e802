//! A result read again with a person's region: a new result that names the old one and says who and why.

use super::adult;
use super::given::nifti;
use serde_json::Value;
use siderolog::daemon::ledger::{FILE_NAME, Ledger};
use siderolog::daemon::outbox::State;
use siderolog::daemon::postman;
use siderolog::daemon::settings::Site;
use siderolog::phantom::{self, Scan};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

const PROGRAM: &str = env!("CARGO_BIN_EXE_siderolog");

/// A study, and the result of its first reading.
struct Bench {
    folder: tempfile::TempDir,
    scan: Scan,
    old: PathBuf,
}

impl Bench {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let scan = phantom::scan(&adult());
        phantom::write(&scan, &folder.path().join("in")).unwrap();
        let output = Command::new(PROGRAM)
            .arg("analyse")
            .arg(folder.path().join("in"))
            .arg("--out")
            .arg(folder.path().join("out"))
            .arg("--json")
            .output()
            .unwrap();
        let old = only_result(&output);
        Self { folder, scan, old }
    }

    fn amend(&self, region: &[u8], more: &[&str]) -> Output {
        let file = self.folder.path().join("drawn.nii");
        fs::write(&file, region).unwrap();
        Command::new(PROGRAM)
            .arg("amend")
            .arg(self.old.parent().unwrap())
            .arg("--input")
            .arg(self.folder.path().join("in"))
            .arg("--region")
            .arg(file)
            .args(["--by", "Dr Example", "--why", "a vessel was left in", "--json"])
            .args(more)
            .output()
            .unwrap()
    }

    fn results(&self) -> usize {
        let folders = fs::read_dir(self.folder.path().join("out")).unwrap();
        folders.filter(|entry| entry.as_ref().unwrap().path().join("result.json").exists()).count()
    }
}

fn only_result(output: &Output) -> PathBuf {
    let text = String::from_utf8(output.stdout.clone()).unwrap();
    let errors = String::from_utf8_lossy(&output.stderr);
    let answer: Value = serde_json::from_str(text.lines().last().unwrap_or_else(|| panic!("{errors}"))).unwrap();
    let [path] = answer["results"].as_array().unwrap().as_slice() else { panic!("{answer}") };
    PathBuf::from(path.as_str().unwrap())
}

fn document(path: &Path) -> Value {
    serde_json::from_slice(&fs::read(path).unwrap()).unwrap()
}

#[test]
fn an_amended_region_makes_a_new_result_that_names_the_old() {
    let bench = Bench::new();
    let before = fs::read(&bench.old).unwrap();
    let (truth, grid) = (bench.scan.truth(), bench.scan.parts().grid);
    // The whole liver, a square centimetre and more of it, and a dot.
    let label = |k: usize| {
        let (slice, row, column) = grid.place(k);
        match (truth.parenchyma[k], slice == 1) {
            (false, _) => 0,
            (true, true) if (60..66).contains(&row) && (40..46).contains(&column) => 2,
            (true, true) if row == 70 && column == 50 => 3,
            _ => 1,
        }
    };
    let region = nifti(&grid, 0.0, label);
    let output = bench.amend(&region, &[]);
    let path = only_result(&output);
    let (old, new) = (document(&bench.old), document(&path));
    assert_eq!(fs::read(&bench.old).unwrap(), before, "the old result was touched");
    assert!(path.parent().unwrap().to_str().unwrap().ends_with("-amended-1"), "{}", path.display());
    assert_eq!(new["roi"]["method"], "amended");
    assert_eq!(new["roi"]["amended"]["by"], "Dr Example");
    assert_eq!(new["roi"]["amended"]["why"], "a vessel was left in");
    let named = siderolog::daemon::earlier::of_result(bench.old.parent().unwrap()).unwrap();
    assert_eq!(new["predecessor"]["digest"], named.report.digest.as_str());
    assert!(new["predecessor"]["structured_report"]["uid"].is_string());
    assert_eq!(new["input"]["digest"], old["input"]["digest"]);
    let regions = new["roi"]["regions"].as_array().unwrap();
    let names: Vec<&str> = regions.iter().map(|r| r["name"].as_str().unwrap()).collect();
    assert_eq!(names, ["label 1", "label 2"], "a dot is no region of interest");
    let (median, truth) = (new["r2star_per_s"]["median"].as_f64().unwrap(), truth.median_r2star);
    assert!((median / truth - 1.0).abs() < 0.05, "{median} and {truth}");
    // Statistics for the physicist agree with the whole.
    let slices = new["roi"]["by_slice"].as_array().unwrap();
    let voxels: u64 = slices.iter().map(|s| s["voxels"].as_u64().unwrap()).sum();
    assert_eq!(voxels, new["roi"]["voxels"].as_u64().unwrap());
    assert!(new["roi"]["histogram"]["counts"].as_array().unwrap().len() > 10);
    // Once more, beside the first; and into a place that is named.
    assert!(only_result(&bench.amend(&region, &[])).parent().unwrap().to_str().unwrap().ends_with("-amended-2"));
    let elsewhere = bench.folder.path().join("elsewhere/one");
    let path = only_result(&bench.amend(&region, &["--out", elsewhere.to_str().unwrap()]));
    assert!(path.starts_with(elsewhere.canonicalize().unwrap()) || path.starts_with(&elsewhere));
    let again = bench.amend(&region, &["--out", elsewhere.to_str().unwrap()]);
    assert_eq!(again.status.code(), Some(2));
}

#[test]
fn a_region_that_does_not_fit_leaves_no_result() {
    let bench = Bench::new();
    let moved = nifti(&bench.scan.parts().grid, 1.1, |_| 1);
    let output = bench.amend(&moved, &[]);
    assert_eq!(output.status.code(), Some(2));
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(said.contains("The region in drawn.nii cannot be used"), "{said}");
    assert_eq!(bench.results(), 1);
}

#[test]
fn an_amended_result_is_queued_and_what_waited_of_the_old_one_is_taken_back() {
    let bench = Bench::new();
    let file = bench.folder.path().join("site.yaml");
    // Nobody answers at the first; the second gets nothing before a person releases it.
    let destinations = "\
        - {name: archive, c_store: {address: '127.0.0.1:9', called: ARCHIVE}}\n\
        - {name: record, fhir: {url: 'http://127.0.0.1:9/fhir'}}\n";
    fs::write(&file, format!("folders: {{outbox: out, state: state}}\ndestinations:\n{destinations}")).unwrap();
    let site = Site::load(&file).unwrap();
    fs::create_dir_all(&site.folders.state).unwrap();
    let mut ledger = Ledger::open(&site.folders.state.join(FILE_NAME)).unwrap();
    let old = bench.old.parent().unwrap();
    assert!(postman::post(&mut ledger, &site, old).unwrap() > 4);
    let region = nifti(&bench.scan.parts().grid, 0.0, |k| u8::from(bench.scan.truth().parenchyma[k]));
    let new = only_result(&bench.amend(&region, &["--site", file.to_str().unwrap()]));
    let states = |folder: &Path| -> Vec<(String, String, State)> {
        let key = postman::key(&site.folders.outbox, folder).unwrap();
        let rows = ledger.shipments(Some(&key)).unwrap();
        rows.into_iter().map(|row| (row.destination, row.purpose, row.state)).collect()
    };
    let (before, after) = (states(old), states(new.parent().unwrap()));
    assert!(before.iter().all(|(.., state)| *state == State::Withdrawn), "{before:?}");
    assert!(after.iter().any(|(_, purpose, _)| purpose == "structured_report"));
    assert!(after.iter().any(|(_, purpose, _)| purpose == "fhir"));
    for (destination, purpose, state) in &after {
        let leaves = destination == "archive" && purpose != "report_document";
        assert_eq!(*state, if leaves { State::Waiting } else { State::Withheld }, "{destination} {purpose}");
    }
}
