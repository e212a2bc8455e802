//! The top of the quality picture: the verdict as shape and word, the number, what bounds it.

use super::canvas::{Anchor, Svg, Weight, fit};
use super::colour::{dark, light};
use crate::report::result::{Position, Relation};
use crate::report::view::View;
use crate::report::words::Words;
use crate::study::{Severity, Verdict};

/// Colours of marks: told apart by lightness as well as hue; the shape says the same without any colour.
#[derive(Clone, Copy, Debug)]
pub struct Palette {
    clear: &'static str,
    review: &'static str,
    refused: &'static str,
    note: &'static str,
    /// What is cut out of a mark.
    hole: &'static str,
}

/// On the dark picture.
pub const DARK: Palette =
    Palette { clear: "#4fa8d8", review: "#ffc857", refused: "#ffffff", note: dark::QUIET, hole: dark::GROUND };
/// On white paper.
pub const LIGHT: Palette =
    Palette { clear: light::MARK, review: light::SECOND, refused: light::TEXT, note: light::QUIET, hole: "#ffffff" };

impl Palette {
    /// The colour of a verdict.
    pub fn of(&self, verdict: Verdict) -> &'static str {
        match verdict {
            Verdict::Clear => self.clear,
            Verdict::Review => self.review,
            Verdict::Refused => self.refused,
        }
    }
}

/// The mark of a severity: ring for a note, triangle for a warning, filled octagon for a stop.
pub fn mark(svg: &mut Svg, [x, y]: [f64; 2], r: f64, severity: Severity, palette: &Palette) {
    match severity {
        Severity::Note => svg.ring([x, y], r * 0.7, palette.note, r * 0.22),
        Severity::Warn => {
            let points = [[x, y - r], [x + r, y + r * 0.8], [x - r, y + r * 0.8]];
            svg.polygon(&points, palette.review);
            svg.line([x, y - r * 0.35], [x, y + r * 0.25], palette.hole, r * 0.22, "");
            svg.circle([x, y + r * 0.53], r * 0.13, palette.hole);
        }
        Severity::Stop => {
            let c = r * 0.414;
            let points = [
                [x - c, y - r],
                [x + c, y - r],
                [x + r, y - c],
                [x + r, y + c],
                [x + c, y + r],
                [x - c, y + r],
                [x - r, y + c],
                [x - r, y - c],
            ];
            svg.polygon(&points, palette.refused);
            svg.line([x - r * 0.5, y], [x + r * 0.5, y], palette.hole, r * 0.3, "");
        }
    }
}

/// The mark of a verdict: disc with a tick, triangle, octagon.
pub fn verdict_mark(svg: &mut Svg, at: [f64; 2], r: f64, verdict: Verdict, palette: &Palette) {
    match verdict {
        Verdict::Clear => {
            svg.circle(at, r, palette.clear);
            let [x, y] = at;
            let tick = [[x - r * 0.45, y + r * 0.02], [x - r * 0.1, y + r * 0.38], [x + r * 0.48, y - r * 0.34]];
            svg.polyline(&tick, palette.hole, r * 0.2, "");
        }
        Verdict::Review => mark(svg, at, r, Severity::Warn, palette),
        Verdict::Refused => mark(svg, at, r, Severity::Stop, palette),
    }
}

/// Draws the top of the picture.
pub fn draw(svg: &mut Svg, view: &View<'_>, words: &Words) {
    let result = &view.result;
    svg.card([24.0, 20.0, 1552.0, 136.0], 6.0, dark::PANEL);
    verdict_mark(svg, [80.0, 86.0], 38.0, result.verdict, &DARK);
    let word = words.verdict(result.verdict);
    svg.text([136.0, 80.0], 42.0, Weight::Bold, Anchor::Start, DARK.of(result.verdict), word);
    let means = super::canvas::wrap(words.verdict_means(result.verdict), 17.0, Weight::Regular, 278.0);
    for (i, line) in means.iter().enumerate() {
        svg.text([136.0, 108.0 + 22.0 * i as f64], 17.0, Weight::Regular, Anchor::Start, dark::QUIET, line);
    }
    lic(svg, view, words, 440.0);
    r2star(svg, view, words, 850.0);
    region(svg, view, words, 1240.0);
}

fn lic(svg: &mut Svg, view: &View<'_>, words: &Words, x: f64) {
    svg.text([x, 46.0], 17.0, Weight::Regular, Anchor::Start, dark::QUIET, words.lic);
    let Some(lic) = &view.result.lic_mg_per_g else {
        svg.text([x, 94.0], 42.0, Weight::Bold, Anchor::Start, dark::TEXT, words.no_lic);
        return;
    };
    let number = format!("{}{}", lic.relation.sign(), words.lic_number(lic.value));
    svg.text([x, 95.0], 54.0, Weight::Bold, Anchor::Start, dark::TEXT, &number);
    let after = x + super::canvas::width(&number, 54.0, Weight::Bold) + 10.0;
    svg.text([after, 95.0], 24.0, Weight::Regular, Anchor::Start, dark::TEXT, words.lic_unit);
    if lic.relation != Relation::Equal {
        svg.text([x, 125.0], 17.0, Weight::Regular, Anchor::Start, dark::TEXT, words.bound_only);
        return;
    }
    let mut y = 121.0;
    let mut line = |name: &str, low: Option<f64>, high: Option<f64>| {
        let known = low.is_some() || high.is_some();
        let interval =
            if known { words.interval(low, high, Words::lic_number) } else { words.not_determined.to_owned() };
        svg.text([x, y], 17.0, Weight::Regular, Anchor::Start, dark::TEXT, &format!("{name} {interval}"));
        y += 23.0;
    };
    line(words.repeat_interval, lic.repeat_low, lic.repeat_high);
    line(words.tissue_interval, lic.low, lic.high);
}

fn r2star(svg: &mut Svg, view: &View<'_>, words: &Words, x: f64) {
    svg.text([x, 46.0], 17.0, Weight::Regular, Anchor::Start, dark::QUIET, words.r2star);
    let summary = view.result.r2star_per_s.as_ref();
    if let Some(median) = summary.and_then(|s| s.median) {
        let number = words.rate(median);
        svg.text([x, 98.0], 42.0, Weight::Bold, Anchor::Start, dark::TEXT, &number);
        let after = x + super::canvas::width(&number, 42.0, Weight::Bold) + 8.0;
        svg.text([after, 98.0], 22.0, Weight::Regular, Anchor::Start, dark::TEXT, "/s");
        if let Some(s) = summary.filter(|s| s.low.is_some()) {
            let text = words.interval(s.low, s.high, Words::rate);
            svg.text([after + 34.0, 98.0], 17.0, Weight::Regular, Anchor::Start, dark::TEXT, &text);
        }
    } else {
        svg.text([x, 94.0], 30.0, Weight::Bold, Anchor::Start, dark::QUIET, words.not_determined);
    }
    let range = match &view.result.measuring_range {
        None => format!("{}: {}", words.measuring_range, words.not_determined),
        Some(r) => {
            let [low, high] = r.r2star_per_s;
            let place = if summary.is_some() { format!(", {}", position(r.position, words)) } else { String::new() };
            format!("{} {} – {} /s{place}", words.measuring_range, words.rate(low), words.rate(high))
        }
    };
    let text = fit(&range, 17.0, Weight::Regular, 370.0);
    svg.text([x, 134.0], 17.0, Weight::Regular, Anchor::Start, dark::TEXT, &text);
}

fn region(svg: &mut Svg, view: &View<'_>, words: &Words, x: f64) {
    svg.text([x, 46.0], 17.0, Weight::Regular, Anchor::Start, dark::QUIET, words.region);
    let mut lines = Vec::new();
    match &view.result.roi {
        None => lines.push(words.not_determined.to_owned()),
        Some(roi) => {
            let volume = roi.volume_ml.map_or(String::new(), |v| format!(" · {} ml", words.number(v, 0)));
            let slices = format!("{} {} {} {}", roi.slices, words.of, view.shape()[0], words.slices);
            lines.push(format!("{} {}{volume}", words.count(roi.voxels), words.voxels));
            lines.push(format!("{slices} · {}", words.method(&roi.method)));
        }
    }
    let field = view.result.field_strength().map(|b| format!("{} T", words.number(b, 1)));
    let snr = view.result.noise.as_ref().and_then(|n| n.snr_first_echo).map(|s| format!("SNR {}", words.number(s, 0)));
    let model = view.result.fit.as_ref().map(|f| f.model.clone());
    lines.push([field, snr, model].into_iter().flatten().collect::<Vec<_>>().join(" · "));
    for (i, line) in lines.iter().enumerate() {
        let text = fit(line, 19.0, Weight::Regular, 322.0);
        svg.text([x, 78.0 + 28.0 * i as f64], 19.0, Weight::Regular, Anchor::Start, dark::TEXT, &text);
    }
}

fn position(position: Position, words: &Words) -> &'static str {
    match position {
        Position::Inside => words.inside,
        Position::Above => words.above,
        Position::Below => words.below,
    }
}
