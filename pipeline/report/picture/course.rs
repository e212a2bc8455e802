//! The course as one picture that a clinician reads in ten seconds: today's value, whether it changed, the points
//! over calendar time with what differs between them, events, and what is due.

use super::axis::{Scale, round_up, ticks};
use super::canvas::{Anchor, Pixels, Svg, Weight, width, wrap};
use super::colour::light;
use crate::reading::{CARDIAC_NOTE, Course, CoursePoint, Relation, Threshold};
use crate::study::text::{plain, safe};
use jiff::civil::Date;

/// Size of the picture.
pub const SIZE: [usize; 2] = [1200, 800];

const MARGIN: f64 = 32.0;
const PLOT: [f64; 4] = [80.0, 236.0, 1010.0, 630.0];

/// Draws the course. Without any point it says so.
pub fn draw(course: &Course, thresholds: &[Threshold], caution: &str) -> Pixels {
    let [w, h] = SIZE.map(|s| s as f64);
    let mut svg = Svg::new(w, h);
    svg.rect([0.0, 0.0, w, h], "#ffffff");
    let points: Vec<&CoursePoint> = course.previous.iter().chain(&course.current).collect();
    head(&mut svg, course, points.last().copied());
    if !points.is_empty() {
        plot(&mut svg, course, &points, thresholds);
    }
    let mut y = 704.0;
    for due in course.due.iter().take(2) {
        for line in wrap(&format!("Next scan by {}: {}.", due.by, due.text), 18.0, Weight::Regular, w - 2.0 * MARGIN) {
            svg.text([MARGIN, y], 18.0, Weight::Regular, Anchor::Start, light::TEXT, &line);
            y += 24.0;
        }
    }
    svg.text(
        [MARGIN, h - 18.0],
        15.0,
        Weight::Regular,
        Anchor::Start,
        light::QUIET,
        &format!("{CARDIAC_NOTE} {caution}"),
    );
    let mut pixels = Pixels::filled(SIZE[0], SIZE[1], [255, 255, 255]);
    pixels.draw(&svg);
    pixels
}

/// A value as the page gives it: its relation, one decimal, two below 1 mg/g.
fn value(point: &CoursePoint) -> String {
    let number = format!("{} mg/g", number(point));
    if point.relation == Relation::Equal { number } else { format!("{} {number}", point.relation.words()) }
}

fn number(point: &CoursePoint) -> String {
    let digits = if point.lic_mg_per_g < 1.0 { 2 } else { 1 };
    format!("{:.digits$}", point.lic_mg_per_g)
}

fn head(svg: &mut Svg, course: &Course, last: Option<&CoursePoint>) {
    let room = SIZE[0] as f64 - 2.0 * MARGIN;
    let Some(last) = last else {
        svg.text([MARGIN, 56.0], 28.0, Weight::Bold, Anchor::Start, light::TEXT, "No liver iron reading is known");
        return;
    };
    let title = format!("Liver iron {}", value(last));
    svg.text([MARGIN, 56.0], 34.0, Weight::Bold, Anchor::Start, light::TEXT, &title);
    let interval = last.low.zip(last.high).map_or(String::new(), |(a, b)| {
        format!("on {}; a single scan varies from {a:.1} to {b:.1} mg/g (95 %)", last.date)
    });
    let right = MARGIN + width(&title, 34.0, Weight::Bold) + 18.0;
    svg.text([right, 56.0], 18.0, Weight::Regular, Anchor::Start, light::QUIET, &interval);
    let mut y = 92.0;
    let changes = [&course.change_since_event, &course.change].into_iter().flatten().map(|c| c.text.as_str());
    let sentences = changes.chain(course.rate.as_ref().map(|r| r.text.as_str()));
    for (index, sentence) in sentences.enumerate() {
        let weight = if index == 0 { Weight::Bold } else { Weight::Regular };
        for line in wrap(sentence, 18.0, weight, room) {
            svg.text([MARGIN, y], 18.0, weight, Anchor::Start, light::TEXT, &line);
            y += 23.0;
        }
    }
}

/// Years since 1970 of a date.
fn years(date: &str) -> Option<f64> {
    let date: Date = date.parse().ok()?;
    Some(f64::from(date.year()) - 1970.0 + (f64::from(date.day_of_year()) - 1.0) / 365.25)
}

fn plot(svg: &mut Svg, course: &Course, points: &[&CoursePoint], thresholds: &[Threshold]) {
    let [left, top, right, bottom] = PLOT;
    let at: Vec<f64> = points.iter().filter_map(|p| years(&p.date)).collect();
    let events: Vec<f64> = course.events.iter().filter_map(|e| years(&e.date)).collect();
    let all = || at.iter().chain(&events).copied();
    let (from, to) = (all().fold(f64::INFINITY, f64::min), all().fold(f64::NEG_INFINITY, f64::max));
    let pad = (0.04 * (to - from)).max(0.15);
    let x = Scale::even([from - pad, to + pad], [left, right]);
    let top_value = points.iter().map(|p| p.high.unwrap_or(p.lic_mg_per_g)).fold(1.0, f64::max);
    let highest = round_up(1.06 * top_value);
    let y = Scale::even([0.0, highest], [bottom, top]);
    for tick in ticks([0.0, highest], 5) {
        svg.line([left, y.at(tick)], [right, y.at(tick)], light::LINE, 0.8, "");
        svg.text([left - 10.0, y.at(tick) + 6.0], 17.0, Weight::Regular, Anchor::End, light::QUIET, &plain(tick));
    }
    svg.text([MARGIN, top - 16.0], 17.0, Weight::Regular, Anchor::Start, light::QUIET, "mg/g");
    let step = ((to - from) / 8.0).ceil().max(1.0);
    let mut year = (from - pad).ceil();
    while year <= to + pad {
        svg.line([x.at(year), bottom], [x.at(year), bottom + 6.0], light::QUIET, 1.0, "");
        let label = plain(1970.0 + year);
        svg.text([x.at(year), bottom + 26.0], 17.0, Weight::Regular, Anchor::Middle, light::QUIET, &label);
        year += step;
    }
    let mut marks: Vec<f64> = thresholds.iter().map(|t| t.lic_mg_per_g).filter(|&mark| mark < highest).collect();
    marks.sort_by(|a, b| b.total_cmp(a));
    marks.dedup();
    let mut lowest_label = f64::NEG_INFINITY;
    for mark in marks {
        let place = y.at(mark);
        svg.line([left, place], [right, place], light::QUIET, 0.8, "5 4");
        // Labels that would lie on each other move down, next to their line no longer but in its order.
        lowest_label = place.max(lowest_label + 16.0);
        let label = format!("{} mg/g", plain(mark));
        svg.text([right + 8.0, lowest_label + 6.0], 15.0, Weight::Regular, Anchor::Start, light::QUIET, &label);
    }
    for (index, event) in course.events.iter().enumerate() {
        let Some(place) = years(&event.date).map(|t| x.at(t)) else { continue };
        svg.line([place, bottom], [place, top - 26.0 + 20.0 * (index % 3) as f64], light::SECOND, 1.2, "3 3");
        let words = event
            .text
            .as_ref()
            .map_or(event.kind.words().to_owned(), |t| format!("{}: {}", event.kind.words(), safe(t, 30)));
        let near_end = place + width(&words, 15.0, Weight::Regular) > right + 90.0;
        let (anchor, shift) = if near_end { (Anchor::End, -5.0) } else { (Anchor::Start, 5.0) };
        svg.text(
            [place + shift, top - 14.0 + 20.0 * (index % 3) as f64],
            15.0,
            Weight::Regular,
            anchor,
            light::SECOND,
            &words,
        );
    }
    let tested: Vec<[f64; 2]> = points
        .iter()
        .filter(|p| p.is_tested())
        .filter_map(|p| Some([x.at(years(&p.date)?), y.at(p.lic_mg_per_g)]))
        .collect();
    svg.polyline(&tested, light::MARK, 1.6, "");
    let mut free_from = f64::NEG_INFINITY;
    for point in points {
        let Some(place) = years(&point.date).map(|t| [x.at(t), y.at(point.lic_mg_per_g)]) else { continue };
        if let Some((low, high)) = point.low.zip(point.high) {
            svg.line([place[0], y.at(low)], [place[0], y.at(high)], light::MARK, 2.0, "");
        }
        marker(svg, point, place);
        let above = y.at(point.high.unwrap_or(point.lic_mg_per_g)).min(place[1]) - 16.0;
        let sign = match point.relation {
            Relation::Equal => "",
            Relation::AtLeast => "≥ ",
            Relation::AtMost => "≤ ",
        };
        let said = format!("{sign}{}", number(point));
        // A white edge keeps the number readable where a line runs behind it.
        let half = 0.5 * width(&said, 20.0, Weight::Bold) + 3.0;
        svg.rect([place[0] - half, above - 17.0, 2.0 * half, 21.0], "#ffffff");
        svg.text([place[0], above], 20.0, Weight::Bold, Anchor::Middle, light::TEXT, &said);
        // What sets a point apart is written under the axis, where it never hides a value.
        let words = label(point);
        let half = 0.5 * width(&words, 15.0, Weight::Regular);
        let row = if place[0] - half < free_from { 66.0 } else { 46.0 };
        if row < 60.0 {
            free_from = place[0] + half + 8.0;
        }
        svg.text([place[0], bottom + row], 15.0, Weight::Regular, Anchor::Middle, light::QUIET, &words);
    }
}

/// Filled where it takes part in comparisons, hollow where not, a triangle for a bound.
fn marker(svg: &mut Svg, point: &CoursePoint, [x, y]: [f64; 2]) {
    match (point.relation, point.is_tested()) {
        (Relation::Equal, true) => svg.circle([x, y], 6.5, light::MARK),
        (Relation::Equal, false) => {
            svg.circle([x, y], 6.5, "#ffffff");
            svg.ring([x, y], 6.5, light::MARK, 2.2);
        }
        (bound, _) => {
            let away = if bound == Relation::AtLeast { -13.0 } else { 13.0 };
            svg.polygon(&[[x - 8.0, y], [x + 8.0, y], [x, y + away]], light::MARK);
        }
    }
}

/// How a point was measured: the method of one from elsewhere, else the field strength.
fn label(point: &CoursePoint) -> String {
    match (&point.method, point.field_strength_t) {
        (Some(method), _) => safe(method, 16),
        (None, Some(field)) => {
            let moved = point.differs.iter().any(|d| d.starts_with("scanner ("));
            format!("{} T{}", plain((100.0 * field).round() / 100.0), if moved { ", other scanner" } else { "" })
        }
        (None, None) => String::new(),
    }
}
