//! What a person reads when a calibrations, follow-up, events or history file is wrong.

use siderolog::reading::{FollowUp, calibrations, course_events, follow_up, history, imported};

const GOOD: &str = "\
calibrations:
  - name: our-own
    title: Our own
    field_strength_t: 1.5
    equation:
      linear: {slope: 0.026, intercept: -0.1}
    patients: 30
    reference: biopsy
    validated_lic_mg_per_g: [1, 30]
    error: {relative: {bias_percent: 2, sd_percent: 15}}
    presumes: breath-hold gradient echo
    accepts: [{model: noise-corrected, reason: our own fit}]
    source: our pairs
    doi: null
    confidence: site
    remarks: null
    confirmed_by: null
    confirmed_on: null
";

fn complaint(from: &str, to: &str) -> String {
    assert!(GOOD.contains(from), "{from}");
    calibrations("cal.yaml", &GOOD.replace(from, to)).unwrap_err().to_string()
}

#[test]
fn a_sound_file_is_read() {
    let read = calibrations("cal.yaml", GOOD).unwrap();
    let own = read.get("our-own").unwrap();
    assert_eq!(own.validated_lic, Some([1.0, 30.0]));
    let sd = own.error.unwrap().standard_uncertainty(10.0);
    assert!((sd - 10.0 * f64::hypot(0.02, 0.15)).abs() < 1e-12);
}

#[test]
fn each_mistake_is_named_with_its_place() {
    insta::assert_snapshot!(complaint("slope: 0.026", "slope: 26"), @r#"
cal.yaml:6:7: slope 26 is not in mg/g per /s (published: 0.013 to 0.029)
 6 |       linear: {slope: 26, intercept: -0.1}
   |       ^
"#);
    insta::assert_snapshot!(complaint("slope: 0.026", "slope: -0.026"), @r#"
cal.yaml:6:7: LIC must rise with R2*: slope or factor above 0, exponent below 0
 6 |       linear: {slope: -0.026, intercept: -0.1}
   |       ^
cal.yaml:6:7: slope -0.026 is not in mg/g per /s (published: 0.013 to 0.029)
 6 |       linear: {slope: -0.026, intercept: -0.1}
   |       ^
"#);
    insta::assert_snapshot!(complaint("    title", "    tittle"), @r#"
cal.yaml:3:5: unknown field `tittle`, expected one of name, title, field_strength_t, equation, patients, reference, validated_lic_mg_per_g, error, presumes, accepts, source, doi, confidence, remarks, confirmed_by, confirmed_on
 3 |     tittle: Our own
   |     ^
"#);
    insta::assert_snapshot!(complaint("field_strength_t: 1.5", "field_strength_t: fifteen"), @r#"
cal.yaml:4:23: invalid floating point
 4 |     field_strength_t: fifteen
   |                       ^
"#);
    insta::assert_snapshot!(complaint("field_strength_t: 1.5", "field_strength_t: 1500"), @r#"
cal.yaml:4:23: field strength 1500 T is not between 0.2 and 12 T
 4 |     field_strength_t: 1500
   |                       ^
"#);
    insta::assert_snapshot!(complaint("model: noise-corrected", "model: noisecorrected"), @r#"
cal.yaml:12:23: unknown variant `noisecorrected`, expected one of monoexponential, monoexponential-with-offset, truncated, noise-corrected, fat-corrected, complex
 12 |     accepts: [{model: noisecorrected, reason: our own fit}]
    |                       ^
"#);
    insta::assert_snapshot!(complaint("confirmed_by: null", "confirmed_by: E. Lind"), @r#"
cal.yaml:17:19: confirmed_by without confirmed_on: say when
 17 |     confirmed_by: E. Lind
    |                   ^
"#);
    insta::assert_snapshot!(
        complaint("confirmed_by: null\n    confirmed_on: null", "confirmed_by: E. Lind\n    confirmed_on: 14 March"),
        @r#"
cal.yaml:18:19: `14 March` is not a date; write YYYY-MM-DD
 18 |     confirmed_on: 14 March
    |                   ^
"#
    );
    insta::assert_snapshot!(complaint("[1, 30]", "[30, 1]"), @r#"
cal.yaml:9:29: a range is [lowest, highest] in mg/g
 9 |     validated_lic_mg_per_g: [30, 1]
   |                             ^
"#);
    insta::assert_snapshot!(complaint("    patients: 30", "    patients: 30\n    patients: 31"), @r#"
cal.yaml:8:5: duplicate mapping key: patients, set DuplicateKeyPolicy in Options if acceptable
 8 |     patients: 31
   |     ^
"#);
}

#[test]
fn a_second_entry_of_the_same_name_is_refused() {
    let twice = format!("{GOOD}{}", GOOD.strip_prefix("calibrations:\n").unwrap());
    insta::assert_snapshot!(calibrations("cal.yaml", &twice).unwrap_err(), @r#"
cal.yaml:19:11: calibration `our-own` is already defined above; names must differ
 19 |   - name: our-own
    |           ^
"#);
}

#[test]
fn an_alias_bomb_is_refused_at_once() {
    let mut bomb = String::from("a: &a [x,x,x,x,x,x,x,x,x]\n");
    for (name, before) in ["b", "c", "d", "e", "f", "g", "h"].iter().zip(["a", "b", "c", "d", "e", "f", "g"]) {
        bomb.push_str(&format!("{name}: &{name} [{}]\n", vec![format!("*{before}"); 9].join(",")));
    }
    let started = std::time::Instant::now();
    assert!(calibrations("bomb.yaml", &bomb).is_err());
    assert!(started.elapsed().as_secs() < 2);
}

#[test]
fn the_shipped_follow_up_rules_are_read_whole() {
    let text = include_str!("../../config/follow-up.yaml");
    let read = follow_up("config/follow-up.yaml", text).unwrap();
    assert_eq!(read, FollowUp::shipped().unwrap());
    let all: Vec<f64> = read.thresholds_for(None).map(|t| t.lic_mg_per_g).collect();
    assert_eq!(all.len(), read.thresholds.len());
    // Olivieri NF, Brittenham GM, Blood 1997;89:739-61: 3.2, 7 and 15 mg/g.
    let transfused: Vec<f64> = read
        .thresholds_for(Some(siderolog::reading::Condition::TransfusionDependent))
        .map(|t| t.lic_mg_per_g)
        .collect();
    assert_eq!(transfused, [1.8, 3.2, 7.0, 15.0]);
}

#[test]
fn follow_up_mistakes_are_named_with_their_place() {
    let text = include_str!("../../config/follow-up.yaml");
    let wrong = |from: &str, to: &str| {
        assert!(text.contains(from));
        follow_up("follow-up.yaml", &text.replacen(from, to, 1)).unwrap_err().to_string()
    };
    insta::assert_snapshot!(wrong("percent: 4.6", "percent: 0"), @r#"
follow-up.yaml:81:3: 0 is not a percentage between 0 and 50
 81 |   same_scanner:
    |   ^
"#);
    insta::assert_snapshot!(wrong("lic_mg_per_g: 15", "lic_mg_per_g: 270"), @r#"
follow-up.yaml:22:5: 270 mg/g is not a threshold of LIC in mg/g
 22 |   - lic_mg_per_g: 270
    |     ^
"#);
    insta::assert_snapshot!(wrong("months: 12", "months: 0"), @r#"
follow-up.yaml:120:5: 0 months is not between 1 and 120
 120 |   - name: yearly
     |     ^
"#);
    insta::assert_snapshot!(wrong("judge_change: absolute", "judge_change: percent"), @r#"
follow-up.yaml:116:15: unknown variant `percent`, expected one of relative, absolute
 116 | judge_change: percent
     |               ^
"#);
}

#[test]
fn events_are_read_in_order_and_mistakes_named() {
    let read = course_events(
        "events.yaml",
        "condition: sickle-cell\ncourse_events:\n  - {date: 2026-01-15, kind: chelation-changed, text: 21 mg/kg}\n  \
         - {date: 2025-03-01, kind: transplant-planned}\n",
    )
    .unwrap();
    assert_eq!(read.events.iter().map(|e| e.date.as_str()).collect::<Vec<_>>(), ["2025-03-01", "2026-01-15"]);
    insta::assert_snapshot!(
        course_events("events.yaml", "course_events:\n  - {date: 15.1.2026, kind: chelation-changed}\n").unwrap_err(),
        @r#"
events.yaml:2:5: `15.1.2026` is not a date; write YYYY-MM-DD
 2 |   - {date: 15.1.2026, kind: chelation-changed}
   |     ^
"#
    );
    insta::assert_snapshot!(
        course_events("events.yaml", "course_events:\n  - {date: 2026-01-15, kind: chelated}\n").unwrap_err(),
        @r#"
events.yaml:2:30: unknown variant `chelated`, expected one of chelation-begun, chelation-changed, chelation-stopped, transfusion-changed, phlebotomy-begun, transplant-planned, transplant, other
 2 |   - {date: 2026-01-15, kind: chelated}
   |                              ^
"#
    );
}

#[test]
fn a_history_line_that_is_no_reading_is_named_without_its_text() {
    let good = r#"{"schema_version":1,"patient":{"id":"4711"},"date":"2025-01-01","lic_mg_per_g":5.0}"#;
    assert_eq!(history("h.jsonl", &format!("{good}\n\n{good}\n")).unwrap().len(), 2);
    let text =
        history("h.jsonl", &format!("{good}\n{{\"patient\": 12, \"name\": \"SECRET\"}}\n")).unwrap_err().to_string();
    assert!(!text.contains("SECRET"));
    insta::assert_snapshot!(text, @"h.jsonl:2:14: not a reading: invalid type: integer `12`, expected struct PatientKey at line 1 column 14");
    let newer = good.replace("\"schema_version\":1", "\"schema_version\":9");
    insta::assert_snapshot!(history("h.jsonl", &newer).unwrap_err(), @"h.jsonl:1:1: schema_version 9 is newer than 1, the newest this program reads");
}

#[test]
fn values_from_elsewhere_are_imported_with_method_and_date() {
    let text = "patient_id,date,method,lic_umol_per_g,issuer\n4711,2023-05-01,\"biopsy, left lobe\",130,North\n";
    let read = imported("old.csv", text).unwrap();
    assert_eq!(read.len(), 1);
    // 130 umol/g = 7.260 mg/g.
    assert!((read[0].lic_mg_per_g.unwrap() - 7.260).abs() < 0.0005);
    assert_eq!(read[0].method.as_deref(), Some("biopsy, left lobe"));
    assert!(read[0].is_imported());
    let wrong =
        "patient_id,date,method,lic_mg_per_g\n,2023-05-01,MRI,4\n4711,1.5.2023,MRI,4\n4711,2023-05-01,MRI,four\n";
    insta::assert_snapshot!(imported("old.csv", wrong).unwrap_err(), @r#"
old.csv:2:1: patient_id is empty
old.csv:3:2: date is not YYYY-MM-DD
old.csv:4:4: lic_mg_per_g is not a number
"#);
    insta::assert_snapshot!(imported("old.csv", "patient,date,lic\n").unwrap_err(), @r#"
old.csv:1:1: column `patient` is not one of patient_id, date, method, lic_mg_per_g, lic_umol_per_g, issuer, birth_date
old.csv:1:3: column `lic` is not one of patient_id, date, method, lic_mg_per_g, lic_umol_per_g, issuer, birth_date
old.csv:1:1: the heading must name patient_id, date, method and one of lic_mg_per_g and lic_umol_per_g
"#);
}
