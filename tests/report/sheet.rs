//! The page on paper: one sheet, nothing clipped, nothing on top of anything else.

use super::made::{Made, bound, lic, note, stop, warning};
use siderolog::reading::FollowUp;
use siderolog::report::answer;
use siderolog::report::page::{flow, model};
use siderolog::report::picture::canvas::width;
use siderolog::report::result::{Change, EarlierReading, Relation};
use siderolog::report::view::{Threshold, View};
use siderolog::report::words::Language;
use siderolog::study::Finding;

/// Width over height of the strip of images on paper.
const STRIP: f64 = 1600.0 / 346.0;

/// Every shipped threshold: what is shown where the patient's condition is not known.
fn all_thresholds(view: &mut View<'_>) {
    let rules = FollowUp::shipped().unwrap();
    let value = view.result.lic_mg_per_g.as_ref().map_or(0.0, |l| l.value);
    let mark = |t: &siderolog::reading::Threshold| Threshold {
        lic_mg_per_g: t.lic_mg_per_g,
        condition: t.condition.words().to_owned(),
        meaning: t.meaning.clone(),
        source: t.source.clone(),
        above: Some(1.0 / (1.0 + ((t.lic_mg_per_g - value) / 0.4).exp())),
    };
    view.thresholds = rules.thresholds.iter().map(mark).collect();
    view.thresholds.sort_by(|a, b| a.lic_mg_per_g.total_cmp(&b.lic_mg_per_g));
}

/// Four scans on two scanners, the last two close together, and treatment changed between.
fn long_course(view: &mut View<'_>) {
    let earlier = |date: &str, lic: f64, field: f64, differs: &[&str]| EarlierReading {
        study_date: Some(date.to_owned()),
        r2star_per_s: Some((lic + 0.16) / 0.02603),
        lic_mg_per_g: Some(lic),
        relation: Some(Relation::Equal),
        repeat_low: Some(lic * 0.91),
        repeat_high: Some(lic * 1.09),
        field_strength_t: Some(field),
        scanner: Some("Fictional Magnets Aurora".to_owned()),
        calibration: Some("linear-1.5t".to_owned()),
        reported_lic_mg_per_g: None,
        differs: differs.iter().map(|d| (*d).to_owned()).collect(),
        not_comparable: None,
    };
    let other = ["field strength (3 T)", "scanner (Fictional Magnets Borealis 3)", "protocol profile", "calibration"];
    view.result.course.previous = vec![
        earlier("2023-05-02", 10.9, 1.5, &[]),
        earlier("2024-05-20", 8.2, 3.0, &other),
        earlier("2025-12-10", 5.9, 1.5, &[]),
    ];
    let text = "LIC fell by 2.8 mg/g since chelation changed on 2024-06-03 (a drug's dose doubled): more than two scans of \
                an unchanged patient differ by (reference change value 1.7 mg/g at 95 %). The two scans differ in field \
                strength (3 T), scanner (Fictional Magnets Borealis 3), protocol profile, calibration, which widens this.";
    let change = view.result.course.change.clone().unwrap();
    view.result.course.change_since_event = Some(Change { text: text.to_owned(), ..change });
}

/// Every text lies inside the margins and on no other text.
fn is_tidy(name: &str, pages: &[Vec<flow::Mark>]) {
    let right = flow::LEFT + model::WIDTH + 0.5;
    for page in pages {
        let texts: Vec<([f64; 4], &str)> = page
            .iter()
            .filter_map(|mark| match mark {
                flow::Mark::Text([x, y], size, weight, _, text, _) => {
                    Some(([*x, y - 0.7 * size, x + width(text, *size, *weight), *y], text.as_str()))
                }
                _ => None,
            })
            .collect();
        assert!(!texts.is_empty());
        for (i, (a, text)) in texts.iter().enumerate() {
            assert!(
                a[0] >= flow::LEFT - 0.5 && a[2] <= right && a[3] < flow::PAPER[1] - 8.0,
                "{name}: {text} at {a:?}"
            );
            for (b, other) in &texts[i + 1..] {
                let apart = a[2] <= b[0] + 0.1 || b[2] <= a[0] + 0.1 || a[3] <= b[1] + 0.1 || b[3] <= a[1] + 0.1;
                assert!(apart, "{name}: `{text}` and `{other}` lie on each other");
            }
        }
    }
}

fn smallest(pages: &[Vec<flow::Mark>]) -> f64 {
    let sizes = pages.iter().flatten().filter_map(|mark| match mark {
        flow::Mark::Text(_, size, ..) => Some(*size),
        _ => None,
    });
    sizes.fold(f64::INFINITY, f64::min)
}

#[test]
fn the_report_is_one_sheet_that_can_be_read() {
    let made = Made::new(8, 61, 83, 12, 212.0);
    let many = || vec![warning(), warning(), note()];
    let cases: [(&str, Vec<Finding>, Option<f64>, bool); 6] = [
        ("clear", vec![], Some(5.4), false),
        ("clear, with a long course", vec![], Some(5.4), true),
        ("review, with a long course", vec![warning()], Some(5.4), true),
        ("review", many(), Some(5.4), false),
        ("above the range", vec![warning(), note()], Some(28.5), false),
        ("refused", vec![stop(), stop(), warning(), warning(), note()], None, false),
    ];
    for language in [Language::English, Language::German] {
        for (name, findings, value, course) in &cases {
            let value = value.map(|v| if v > 25.0 { bound(v) } else { lic(v) });
            let mut view = made.view(findings.clone(), value);
            view.result.scanner_room = answer(findings);
            all_thresholds(&mut view);
            if *course {
                long_course(&mut view);
            } else {
                view.result.course.previous.clear();
                view.result.course.change = None;
                view.result.course.rate = None;
            }
            let sheet = model::sheet(&view, language.words());
            let pages = flow::pages(&sheet, Some(STRIP));
            eprintln!("{name}, {language:?}: {} sheet(s), smallest type {} pt", pages.len(), smallest(&pages));
            is_tidy(name, &pages);
            assert_eq!(pages.len(), 1, "{name} {language:?}");
            assert!(smallest(&pages) > 6.3);
        }
    }
}

/// More than one sheet holds is not squeezed: it goes on, in type that is easy to read, and nothing is lost.
#[test]
fn what_does_not_fit_one_sheet_goes_on_to_the_next() {
    let made = Made::new(3, 48, 64, 6, 212.0);
    let view = made.view((0..14).map(|_| warning()).collect(), Some(lic(5.4)));
    let sheet = model::sheet(&view, Language::English.words());
    let pages = flow::pages(&sheet, Some(STRIP));
    assert!(pages.len() > 1);
    is_tidy("many findings", &pages);
    assert!(smallest(&pages) > 7.0, "no reason to be small where it is not one sheet");
}
