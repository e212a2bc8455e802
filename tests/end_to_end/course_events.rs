//! A file with the patient's course beside a series reaches the reading: it must be known as such by one room and
//! understood by another.

use super::super::roi::adult;
use serde_json::Value;
use siderolog::phantom;
use std::fs;
use std::process::Command;

fn analysed(events: Option<&str>) -> (Value, String) {
    let folder = tempfile::tempdir().unwrap();
    let series = folder.path().join("in");
    phantom::write(&phantom::scan(&adult()), &series).unwrap();
    if let Some(text) = events {
        fs::write(series.join("course.yaml"), text).unwrap();
    }
    let output = Command::new(env!("CARGO_BIN_EXE_siderolog"))
        .arg("analyse")
        .arg(&series)
        .arg("--out")
        .arg(folder.path().join("out"))
        .arg("--json")
        .output()
        .unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    let answer: Value = serde_json::from_str(text.lines().last().unwrap()).unwrap();
    let path = std::path::PathBuf::from(answer["results"][0].as_str().unwrap());
    let result = serde_json::from_slice(&fs::read(&path).unwrap()).unwrap();
    (result, fs::read_to_string(path.with_file_name("report.html")).unwrap())
}

fn has(result: &Value, code: &str) -> bool {
    result["findings"].as_array().unwrap().iter().any(|finding| finding["code"] == code)
}

#[test]
fn events_beside_a_series_decide_thresholds_and_the_next_scan() {
    let (alone, page) = analysed(None);
    assert_eq!(alone["course"]["next_scan"]["rule"], "yearly");
    assert!(page.contains("If sickle cell disease") && page.contains("condition is not known"));
    let date = alone["input"]["study_date"].as_str().unwrap();
    let text =
        format!("condition: transfusion-dependent\ncourse_events:\n  - {{date: {date}, kind: chelation-changed}}\n");
    let (told, page) = analysed(Some(&text));
    assert_eq!(told["course"]["next_scan"]["rule"], "treatment-changed");
    assert!(page.contains("If transfusion-dependent"));
    assert!(!page.contains("If sickle cell disease") && !page.contains("condition is not known"));
    assert!(!has(&told, "course-events-unreadable"));
    // A file that is meant but wrong is said, in one line that names the place.
    let (wrong, _) = analysed(Some("course_events:\n  - {date: yesterday, kind: other}\n"));
    assert!(has(&wrong, "course-events-unreadable"));
    let findings = wrong["findings"].as_array().unwrap();
    let said = findings.iter().find(|f| f["code"] == "course-events-unreadable").unwrap()["message"].as_str().unwrap();
    assert!(said.contains(":2:") && !said.contains('\n'), "{said}");
}
