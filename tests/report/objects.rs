//! Composed files of made-up studies, written into `target/tmp/look/<study>` for the outside checks.

use super::made::{Made, bound, lic, note, stop, warning};
use siderolog::report::view::View;
use siderolog::report::words::Language;
use siderolog::report::{Outputs, RESULT, Report, ResultDocument, compose_view};
use std::path::PathBuf;

fn write(name: &str, report: &Report) {
    let dir = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("look").join(name);
    let _ = std::fs::remove_dir_all(&dir);
    std::fs::create_dir_all(&dir).unwrap();
    for (file, bytes) in &report.files {
        std::fs::write(dir.join(file), bytes).unwrap();
    }
}

fn compose(name: &str, view: View<'_>, wanted: &Outputs) -> Report {
    let started = std::time::Instant::now();
    let report = compose_view(view, wanted);
    eprintln!("{name}: {} files in {:?}", report.files.len(), started.elapsed());
    write(name, &report);
    report
}

/// A 25-slice study: everything, timed by the evidence run.
#[test]
fn everything_is_composed_twice_to_the_same_bytes() {
    let made = Made::new(25, 160, 192, 12, 212.4);
    let wanted = Outputs { nifti: true, lic_map: true, ..Outputs::default() };
    let once = compose("large", made.view(vec![warning(), note()], Some(lic(5.4))), &wanted);
    let twice = compose("large", made.view(vec![warning(), note()], Some(lic(5.4))), &wanted);
    assert_eq!(once.digest, twice.digest);
    assert_eq!(once.files, twice.files);
    let other = compose_view(made.view(vec![note()], Some(lic(5.4))), &wanted);
    assert_ne!(once.files["roi.dcm"], other.files["roi.dcm"], "another run has other identifiers");
    for (purpose, name) in &once.result.files {
        assert!(once.files.contains_key(name), "{purpose} names {name}");
    }
}

#[test]
fn refused_and_bounded_studies_have_their_objects() {
    let made = Made::new(6, 61, 83, 8, 400.0);
    let german = Outputs { language: Language::German, ..Outputs::default() };
    let refused = compose("refused", made.view(vec![stop(), warning()], None), &Outputs::default());
    compose("german", made.view(vec![warning()], Some(lic(5.4))), &german);
    assert!(refused.result.lic_mg_per_g.is_none());
    assert!(refused.files.contains_key("roi.dcm"), "a stop withholds LIC, no more");
    compose("bound", made.view(vec![warning()], Some(bound(28.5))), &Outputs::default());
    let mut blind = made.view(vec![stop()], None);
    blind.magnitude = None;
    blind.grid = None;
    blind.region = None;
    blind.r2star = None;
    blind.decay = None;
    blind.excluded = &[];
    blind.exclusions.clear();
    blind.result.r2star_per_s = None;
    blind.result.roi = None;
    let blind = compose("blind", blind, &Outputs::default());
    assert!(!blind.files.contains_key("roi.dcm"));
}

/// The contract: every top-level key is present, what was not measured is null, and the document reads back.
#[test]
fn the_result_document_keeps_the_contract() {
    let made = Made::new(3, 40, 50, 6, 212.4);
    let report = compose_view(made.view(vec![stop()], None), &Outputs::default());
    let text = String::from_utf8(report.files[RESULT].clone()).unwrap();
    let value: serde_json::Value = serde_json::from_str(&text).unwrap();
    for key in [
        "schema_version",
        "software",
        "verdict",
        "findings",
        "scanner_room",
        "role",
        "input",
        "acquisition",
        "profile",
        "noise",
        "fit",
        "roi",
        "r2star_per_s",
        "fat_fraction_percent",
        "lic_mg_per_g",
        "measuring_range",
        "course",
        "files",
    ] {
        assert!(value.as_object().unwrap().contains_key(key), "{key}");
    }
    assert!(value["lic_mg_per_g"].is_null());
    assert_eq!(value["verdict"], "refused");
    assert_eq!(value["role"], "primary");
    assert_eq!(value["findings"][0]["severity"], "stop");
    assert_eq!(value["measuring_range"]["position"], "inside");
    let back: ResultDocument = serde_json::from_str(&text).unwrap();
    assert_eq!(back, report.result);
}

/// `config/schema/result.json` is generated; SIDEROLOG_BLESS=1 writes it anew.
#[test]
fn the_schema_in_the_repository_is_the_documents() {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("config/schema/result.json");
    let schema = siderolog::report::result::schema();
    if std::env::var_os("SIDEROLOG_BLESS").is_some() {
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(&path, &schema).unwrap();
    }
    assert_eq!(
        std::fs::read_to_string(&path).unwrap(),
        schema,
        "run with SIDEROLOG_BLESS=1 and look at the difference"
    );
}
