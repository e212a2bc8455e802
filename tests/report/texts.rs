//! What people read, word for word: pages and notes for the scanner room.

use super::made::{Made, bound, lic, note, stop, warning};
use siderolog::report::result::SeriesLine;
use siderolog::report::words::Language;
use siderolog::report::{Outputs, answer, compose_view, scanner_room_note, waiting_note};
use siderolog::study::Finding;

/// The page's words, one element a line; drawings and styles left out.
fn page(change: impl Fn(&mut Made), findings: Vec<Finding>, value: Option<f64>, language: Language) -> String {
    let mut made = Made::new(3, 48, 64, 6, 212.0);
    change(&mut made);
    let value = value.map(|v| if v > 25.0 { bound(v) } else { lic(v) });
    let outputs =
        Outputs { language, quality_picture: false, pdf: false, encapsulated_pdf: false, ..Outputs::default() };
    let mut view = made.view(findings.clone(), value);
    view.result.scanner_room = answer(&findings);
    let report = compose_view(view, &outputs);
    let html = String::from_utf8(report.files["report.html"].clone()).unwrap();
    let body = html.split("</head>").nth(1).unwrap();
    let mut text = String::new();
    let mut rest = body;
    while let Some((before, after)) = rest.split_once('<') {
        text.push_str(before);
        text.push('\n');
        let skipped = if after.starts_with("svg") { after.split_once("</svg>").unwrap().1 } else { after };
        rest = if after.starts_with("svg") { skipped } else { skipped.split_once('>').unwrap().1 };
    }
    let lines: Vec<&str> = text.lines().map(str::trim).filter(|line| !line.is_empty()).collect();
    lines.join("\n")
}

#[test]
fn pages_read_as_agreed() {
    let same = |_: &mut Made| {};
    insta::assert_snapshot!("clear", page(same, vec![], Some(5.4), Language::English));
    insta::assert_snapshot!("review", page(same, vec![warning(), note()], Some(5.4), Language::English));
    insta::assert_snapshot!("refused", page(same, vec![stop()], None, Language::English));
    insta::assert_snapshot!("above", page(same, vec![warning()], Some(28.5), Language::English));
    insta::assert_snapshot!("german", page(same, vec![warning()], Some(5.4), Language::German));
}

#[test]
fn a_name_without_latin_letters_is_shown() {
    let mut made = Made::new(2, 48, 64, 4, 212.0);
    made.header.patient.name = Some("=山田^太郎=やまだ^たろう".to_owned());
    let mut view = made.view(vec![], Some(lic(5.4)));
    view.result.input.patient.name = made.header.patient.name.clone();
    let report = compose_view(view, &Outputs::default());
    let html = String::from_utf8(report.files["report.html"].clone()).unwrap();
    assert!(html.contains("山田, 太郎"));
    let hl7 = String::from_utf8(report.files["oru.hl7"].clone()).unwrap();
    assert!(hl7.contains("|山田^太郎|"), "{hl7}");
}

#[test]
fn notes_for_the_scanner_room_read_as_agreed() {
    let made = Made::new(2, 48, 64, 4, 212.0);
    let told = |findings: Vec<Finding>, value: Option<f64>| {
        let mut view = made.view(findings.clone(), value.map(lic));
        let told = answer(&findings);
        view.result.scanner_room = told;
        scanner_room_note(&view.result, "14:32")
    };
    let notes = [
        told(vec![], Some(5.4)),
        told(vec![warning()], Some(5.4)),
        told(vec![stop()], None),
        waiting_note(
            &[SeriesLine {
                number: Some(5),
                description: Some("ME GRE".to_owned()),
                time: Some("10:21:07".to_owned()),
            }],
            "slice 3, echo 1",
            "14:32",
        ),
    ];
    insta::assert_snapshot!("notes", notes.join("--\n"));
}
