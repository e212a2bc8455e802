//! Plots as SVG, for the dark picture and the white page alike: decay, histogram, course, thresholds.

use super::axis::{Scale, log_ticks, round_up, ticks};
use super::canvas::{Anchor, Svg, Weight, width};
use super::colour::{dark, light};
use crate::report::result::Relation;
use crate::report::view::{Decay, Threshold, View};
use crate::report::words::Words;

/// Colours and letter size of a plot.
#[derive(Clone, Copy, Debug)]
pub struct Style {
    text: &'static str,
    quiet: &'static str,
    line: &'static str,
    mark: &'static str,
    fit: &'static str,
    floor: &'static str,
    ground: &'static str,
    size: f64,
}

impl Style {
    /// For the dark picture.
    pub fn dark() -> Self {
        Self {
            text: dark::TEXT,
            quiet: dark::QUIET,
            line: dark::LINE,
            mark: dark::REGION,
            fit: dark::FIT,
            floor: dark::FLOOR,
            ground: dark::PANEL,
            size: 15.0,
        }
    }

    /// For the page.
    pub fn light() -> Self {
        Self {
            text: light::TEXT,
            quiet: light::QUIET,
            line: light::LINE,
            mark: light::MARK,
            fit: light::SECOND,
            floor: "#6b4fa3",
            ground: "#ffffff",
            size: 8.0,
        }
    }
}

/// The region's decay on a logarithmic axis, with the fitted curve, the noise floor and the residuals below.
pub fn decay(decay: &Decay, words: &Words, style: &Style, [w, h]: [f64; 2]) -> Svg {
    let mut svg = Svg::new(w, h);
    let s = style.size;
    let (left, right) = (s * 3.6, w - s * 0.6);
    let residual_height = h * 0.2;
    let (top, bottom) = (s * 1.9, h - residual_height - s * 4.1);
    let first = decay.median.first().copied().unwrap_or(1.0).max(1e-9);
    let signals = decay.median.iter().chain(&decay.q25).chain(&decay.floor).copied();
    let lowest = signals.filter(|v| *v > 0.0).fold(first, f64::min).max(first * 1e-3);
    let start = decay.curve.first().map(|c| c.1);
    let highest = decay.q75.iter().chain(&decay.median).chain(&start).copied().fold(first, f64::max);
    let last = decay.times_ms.last().copied().unwrap_or(1.0);
    let x = Scale::even([0.0, last * 1.03], [left, right]);
    let domain = [lowest * 0.7, highest * 1.3];
    let y = Scale::logarithmic(domain, [bottom, top]);
    for tick in log_ticks(domain) {
        rung(&mut svg, style, [left, right], y.at(tick), &words.plain(tick));
    }
    if let Some(floor) = decay.floor {
        svg.line([left, y.at(floor)], [right, y.at(floor)], style.floor, s * 0.13, "7 5");
    }
    let curve: Vec<[f64; 2]> = decay.curve.iter().map(|&(t, v)| [x.at(t), y.at(v)]).collect();
    svg.polyline(&curve, style.fit, s * 0.16, "");
    for (i, (&t, &m)) in decay.times_ms.iter().zip(&decay.median).enumerate() {
        if let (Some(&a), Some(&b)) = (decay.q25.get(i), decay.q75.get(i)) {
            svg.line([x.at(t), y.at(a)], [x.at(t), y.at(b)], style.mark, s * 0.1, "");
        }
        svg.circle([x.at(t), y.at(m)], s * 0.3, style.mark);
    }
    legend(&mut svg, words, style, decay.floor.is_some(), [left, right], s * 0.9);
    let below = bottom + s * 1.6;
    residuals(&mut svg, decay, words, style, x, [left, right, below, below + residual_height]);
    for tick in ticks([0.0, last * 1.03], 6) {
        let at = x.at(tick);
        svg.text([at, h - s * 1.35], s, Weight::Regular, Anchor::Middle, style.quiet, &words.plain(tick));
    }
    svg.text([(left + right) / 2.0, h - s * 0.15], s, Weight::Regular, Anchor::Middle, style.quiet, words.decay_axis);
    svg
}

/// A line across a plot, with its number before it.
fn rung(svg: &mut Svg, style: &Style, [left, right]: [f64; 2], y: f64, number: &str) {
    let s = style.size;
    svg.line([left, y], [right, y], style.line, 0.6, "");
    svg.text([left - s * 0.4, y + s * 0.35], s, Weight::Regular, Anchor::End, style.quiet, number);
}

/// One row above the plot, where no curve can run through it.
fn legend(svg: &mut Svg, words: &Words, style: &Style, floor: bool, [left, right]: [f64; 2], y: f64) {
    let s = style.size;
    let mut items = vec![(words.measured, style.mark), (words.fitted, style.fit)];
    if floor {
        items.push((words.noise_floor, style.floor));
    }
    let room = |text: &str| s * 3.4 + width(text, s, Weight::Regular);
    // Long words begin left of the axis.
    let whole: f64 = items.iter().map(|(text, _)| room(text)).sum::<f64>() - s * 1.4;
    let mut x = left.min(right - whole).max(0.0);
    for (i, (text, colour)) in items.into_iter().enumerate() {
        match i {
            0 => svg.circle([x + s * 0.8, y - s * 0.35], s * 0.3, colour),
            1 => svg.line([x, y - s * 0.35], [x + s * 1.6, y - s * 0.35], colour, s * 0.16, ""),
            _ => svg.line([x, y - s * 0.35], [x + s * 1.6, y - s * 0.35], colour, s * 0.13, "7 5"),
        }
        svg.text([x + s * 2.0, y], s, Weight::Regular, Anchor::Start, style.text, text);
        x += room(text);
    }
}

/// Residuals of the region's median signal in percent of its first echo.
fn residuals(svg: &mut Svg, decay: &Decay, words: &Words, style: &Style, x: Scale, [l, r, t, b]: [f64; 4]) {
    let s = style.size;
    let first = decay.median.first().copied().unwrap_or(1.0).max(1e-9);
    let parts: Vec<f64> = decay.median.iter().zip(&decay.fitted).map(|(m, f)| (m - f) / first * 100.0).collect();
    let span = round_up(parts.iter().copied().map(f64::abs).fold(1.0, f64::max));
    let y = Scale::even([-span, span], [b, t]);
    for (value, text) in
        [(span, format!("+{}", words.plain(span))), (0.0, "0".to_owned()), (-span, format!("−{}", words.plain(span)))]
    {
        svg.line([l, y.at(value)], [r, y.at(value)], style.line, if value == 0.0 { 1.2 } else { 0.6 }, "");
        svg.text([l - s * 0.4, y.at(value) + s * 0.35], s * 0.9, Weight::Regular, Anchor::End, style.quiet, &text);
    }
    for (time, part) in decay.times_ms.iter().zip(&parts) {
        svg.line([x.at(*time), y.at(0.0)], [x.at(*time), y.at(*part)], style.mark, s * 0.25, "");
    }
    svg.text([r - s * 0.2, t + s * 0.9], s * 0.9, Weight::Regular, Anchor::End, style.quiet, words.residual_axis);
}

/// R2* over the region's voxels with the median, its interval and the ends of the measuring range.
pub fn histogram(view: &View<'_>, values: &[f32], words: &Words, style: &Style, [w, h]: [f64; 2]) -> Svg {
    let mut svg = Svg::new(w, h);
    let s = style.size;
    let (left, right, top, bottom) = (s * 3.2, w - s * 0.8, s * 3.4, h - s * 3.0);
    let mut sorted = values.to_vec();
    sorted.sort_by(f32::total_cmp);
    let high = sorted.get(sorted.len() * 995 / 1000).copied().map_or(1.0, f64::from);
    let low = sorted.get(sorted.len() * 5 / 1000).copied().map_or(0.0, f64::from);
    let margin = (high - low).max(high * 0.05) * 0.25;
    let domain = [(low - margin).max(0.0), high + margin];
    let bins = 48;
    let mut counts = vec![0usize; bins];
    for &v in values {
        let t = (f64::from(v) - domain[0]) / (domain[1] - domain[0]);
        if (0.0..1.0).contains(&t) {
            counts[(t * bins as f64) as usize] += 1;
        }
    }
    let most = counts.iter().copied().max().unwrap_or(1).max(1) as f64;
    let x = Scale::even(domain, [left, right]);
    let y = Scale::even([0.0, most * 1.05], [bottom, top]);
    for tick in ticks([0.0, most], 4) {
        rung(&mut svg, style, [left, right], y.at(tick), &words.plain(tick));
    }
    let name = [s * 0.1, top - s * 0.8];
    svg.text(name, s * 0.9, Weight::Regular, Anchor::Start, style.quiet, words.voxels);
    let step = (right - left) / bins as f64;
    for (i, &n) in counts.iter().enumerate().filter(|(_, n)| **n > 0) {
        let at = y.at(n as f64);
        svg.rect([left + i as f64 * step + 0.5, at, step - 1.0, bottom - at], style.mark);
    }
    svg.line([left, bottom], [right, bottom], style.quiet, 1.0, "");
    for tick in ticks(domain, 6) {
        svg.text([x.at(tick), bottom + s * 1.3], s, Weight::Regular, Anchor::Middle, style.quiet, &words.plain(tick));
    }
    let summary = view.result.r2star_per_s.as_ref();
    if let Some(median) = summary.and_then(|s| s.median) {
        svg.line([x.at(median), top - s * 1.8], [x.at(median), bottom], style.fit, s * 0.16, "");
        let label = format!("{} {}", words.median, words.rate(median));
        let anchor = if x.at(median) > (left + right) / 2.0 { Anchor::End } else { Anchor::Start };
        svg.text([x.at(median), top - s * 2.1], s, Weight::Bold, anchor, style.fit, &label);
    }
    if let Some(range) = &view.result.measuring_range {
        let shown = range.r2star_per_s.map(|end| (domain[0]..=domain[1]).contains(&end).then(|| x.at(end)));
        for at in shown.into_iter().flatten() {
            svg.line([at, top - s * 1.2], [at, bottom], style.floor, s * 0.13, "7 5");
        }
        // Above the bars, once, on the inside of the range.
        let room = width(words.measuring_range, s * 0.9, Weight::Regular) + s * 0.6;
        let label = match shown {
            [Some(low), Some(high)] => Some(((low + high - room) / 2.0).max(low + s * 0.4).min(right - room)),
            [Some(low), None] => Some((low + s * 0.4).min(right - room)),
            [None, Some(high)] => Some((high - room).max(left)),
            [None, None] => None,
        };
        if let Some(start) = label {
            let at = [start, top - s * 0.4];
            svg.text(at, s * 0.9, Weight::Regular, Anchor::Start, style.floor, words.measuring_range);
        }
    }
    svg.text(
        [(left + right) / 2.0, h - s * 0.2],
        s,
        Weight::Regular,
        Anchor::Middle,
        style.quiet,
        words.histogram_axis,
    );
    svg
}

/// The thresholds on a plain axis with the result on it: a bar where a second scan today would lie, a thin line with
/// ends for the tissue, where they are known.
pub fn thresholds(view: &View<'_>, marks: &[Threshold], words: &Words, style: &Style, w: f64) -> Svg {
    let s = style.size;
    let (left, right) = (s * 0.8, w - s * 3.4);
    let lic = view.result.lic_mg_per_g.as_ref();
    let farthest = lic.map_or(0.0, |l| l.high.unwrap_or(l.value).max(l.value));
    let top = round_up(marks.iter().map(|m| m.lic_mg_per_g).fold(farthest, f64::max) * 1.08);
    let x = Scale::even([0.0, top], [left, right]);
    // Numbers that crowd go into a second row.
    let mut free_from = f64::NEG_INFINITY;
    let place = |number: f64| {
        let (at, text) = (x.at(number), words.plain(number));
        let half = width(&text, s, Weight::Regular) / 2.0 + s * 0.2;
        let row = usize::from(at - half < free_from);
        free_from = if row == 0 { at + half } else { free_from };
        (at, text, row)
    };
    let numbers: Vec<(f64, String, usize)> = distinct(marks).into_iter().map(place).collect();
    let rows = 1 + numbers.iter().map(|(.., row)| *row).max().unwrap_or(0);
    let base = s * 3.6;
    let mut svg = Svg::new(w, base + s * (0.5 + 1.1 * rows as f64));
    svg.line([left, base], [right, base], style.quiet, 1.0, "");
    let unit = [right + s * 0.5, base + s * 0.35];
    svg.text(unit, s, Weight::Regular, Anchor::Start, style.quiet, words.mg_per_g);
    for (at, text, row) in numbers {
        svg.line([at, base - s * 2.2], [at, base + s * 0.3], style.quiet, 0.8, "3 2");
        let y = base + s * (1.35 + 1.1 * row as f64);
        svg.text([at, y], s, Weight::Regular, Anchor::Middle, style.quiet, &text);
    }
    let Some(lic) = lic else { return svg };
    let y = base - s * 1.1;
    if lic.relation == Relation::Equal {
        axis_legend(&mut svg, words, style, lic.low.is_some(), [left, right], x.at(lic.value) > (left + right) / 2.0);
        if let (Some(low), Some(high)) = (lic.low, lic.high) {
            svg.line([x.at(low), y], [x.at(high), y], style.mark, s * 0.12, "");
            for end in [low, high] {
                svg.line([x.at(end), y - s * 0.45], [x.at(end), y + s * 0.45], style.mark, s * 0.12, "");
            }
        }
        if let (Some(low), Some(high)) = (lic.repeat_low, lic.repeat_high) {
            svg.line([x.at(low), y], [x.at(high), y], style.mark, s * 0.42, "");
        }
        svg.circle([x.at(lic.value), y], s * 0.55, style.mark);
    } else {
        let to = if lic.relation == Relation::AtLeast { right } else { left };
        svg.line([x.at(lic.value), y], [to, y], style.mark, s * 0.2, "2 2");
        svg.line([x.at(lic.value), y - s * 0.6], [x.at(lic.value), y + s * 0.6], style.mark, s * 0.3, "");
    }
    let label = format!("{}{}", lic.relation.sign(), words.lic_number(lic.value));
    let half = width(&label, s * 1.2, Weight::Bold) / 2.0;
    let at = x.at(lic.value).clamp(left + half, right - half);
    svg.text([at, y - s * 1.3], s * 1.2, Weight::Bold, Anchor::Middle, style.text, &label);
    svg
}

/// What bar and line are, at the end of the axis that the result is not at.
fn axis_legend(svg: &mut Svg, words: &Words, style: &Style, tissue: bool, [left, right]: [f64; 2], at_left: bool) {
    let s = style.size;
    let items: Vec<(&str, f64)> = [(words.repeat_interval, 0.42), (words.tissue_interval, 0.12)]
        .into_iter()
        .take(1 + usize::from(tissue))
        .collect();
    let room = |(text, _): &(&str, f64)| s * 3.4 + width(text, s, Weight::Regular);
    let mut x = if at_left { left } else { right - items.iter().map(room).sum::<f64>() };
    for item in &items {
        svg.line([x, s * 0.65], [x + s * 1.6, s * 0.65], style.mark, s * item.1, "");
        svg.text([x + s * 2.0, s], s, Weight::Regular, Anchor::Start, style.quiet, item.0);
        x += room(item);
    }
}

/// The numbers of these thresholds, ascending, each once.
fn distinct(marks: &[Threshold]) -> Vec<f64> {
    let mut numbers: Vec<f64> = marks.iter().map(|mark| mark.lic_mg_per_g).collect();
    numbers.sort_by(f64::total_cmp);
    numbers.dedup();
    numbers
}

/// One point of a course.
#[derive(Clone, Debug, PartialEq)]
pub struct CoursePoint {
    /// Position in time, years.
    pub year: f64,
    /// Its date, under the axis.
    pub label: String,
    /// How it was measured, under the date; shown only where the points differ in it.
    pub how: String,
    /// mg/g.
    pub lic: f64,
    /// What one scan varies by.
    pub interval: Option<[f64; 2]>,
    /// Value or bound.
    pub relation: Relation,
    /// Whether it can be compared with the last.
    pub comparable: bool,
}

/// LIC over time; points that cannot be compared are hollow and not joined. Every value is written where it covers
/// neither a point nor another value.
pub fn course(points: &[CoursePoint], marks: &[Threshold], words: &Words, style: &Style, [w, h]: [f64; 2]) -> Svg {
    let mut svg = Svg::new(w, h);
    let s = style.size;
    let mixed = points.iter().any(|p| p.how != points[0].how);
    let (left, right, top) = (s * 3.0, w - s * 3.4, s * 2.2);
    let ends = points.iter().flat_map(|p| [p.lic, p.interval.map_or(p.lic, |i| i[1])]);
    let highest = round_up(ends.fold(1.0, f64::max) * 1.15);
    let from = points.iter().map(|p| p.year).fold(f64::INFINITY, f64::min);
    let to = points.iter().map(|p| p.year).fold(f64::NEG_INFINITY, f64::max);
    let pad = ((to - from) * 0.08).max(0.1);
    let x = Scale::even([from - pad, to + pad], [left, right]);
    let rows = label_rows(points, mixed, s, |year| x.at(year), w);
    let label_height = s * if mixed { 2.3 } else { 1.15 };
    let deepest = rows.iter().flatten().map(|(_, row)| *row).max().unwrap_or(0);
    let bottom = h - s * 0.75 - label_height * (deepest + 1) as f64;
    let y = Scale::even([0.0, highest], [bottom, top]);
    for tick in ticks([0.0, highest], 4) {
        svg.line([left, y.at(tick)], [right, y.at(tick)], style.line, 0.5, "");
        let at = [left - s * 0.4, y.at(tick) + s * 0.35];
        svg.text(at, s, Weight::Regular, Anchor::End, style.quiet, &words.plain(tick));
    }
    let mut free_above = f64::INFINITY;
    for number in distinct(marks).into_iter().filter(|&number| number < highest) {
        svg.line([left, y.at(number)], [right, y.at(number)], style.fit, 0.5, "3 2");
        let at = y.at(number) + s * 0.3;
        if at < free_above {
            let text = words.plain(number);
            svg.text([right + s * 0.4, at], s * 0.9, Weight::Regular, Anchor::Start, style.fit, &text);
            free_above = at - s * 0.95;
        }
    }
    let place = |p: &CoursePoint| [x.at(p.year), y.at(p.lic)];
    let joined: Vec<[f64; 2]> = points.iter().filter(|p| p.comparable).map(place).collect();
    svg.polyline(&joined, style.mark, s * 0.12, "");
    let mut taken: Vec<Room> = Vec::new();
    for point in points {
        let [px, py] = place(point);
        let [low, high] = point.interval.unwrap_or([point.lic; 2]).map(|end| y.at(end));
        svg.line([px, low], [px, high], style.mark, s * 0.12, "");
        dot(&mut svg, style, point, [px, py]);
        taken.push(Room { x: [px - s * 0.5, px + s * 0.5], y: [high.min(py - s * 0.5), low.max(py + s * 0.5)] });
    }
    // The latest first: where room is short, today's value is what must be read.
    for point in points.iter().rev() {
        let [px, py] = place(point);
        let said = format!("{}{}", point.relation.sign(), words.lic_number(point.lic));
        let half = width(&said, s, Weight::Bold) / 2.0 + s * 0.2;
        let [low, high] = point.interval.unwrap_or([point.lic; 2]).map(|end| y.at(end));
        let (over, under) = (high.min(py - s * 0.5) - s * 1.2, low.max(py + s * 0.5) + s * 0.2);
        let beside = s * 0.6 + half;
        let places = [[px, over], [px, under], [px + beside, py - s * 0.5], [px - beside, py - s * 0.5]];
        let room = |[cx, cy]: [f64; 2]| Room { x: [cx - half, cx + half], y: [cy, cy + s] };
        let fits = |r: &Room| r.y[1] <= bottom && r.x[0] >= left && r.x[1] <= w && taken.iter().all(|t| !t.meets(r));
        let free = places.into_iter().map(room).find(fits).unwrap_or_else(|| room(places[0]));
        svg.rect([free.x[0], free.y[0] - s * 0.05, 2.0 * half, s * 1.05], style.ground);
        let at = [free.x[0] + half, free.y[0] + s * 0.82];
        svg.text(at, s, Weight::Bold, Anchor::Middle, style.text, &said);
        taken.push(free);
    }
    for (point, place) in points.iter().zip(&rows) {
        let Some((middle, row)) = place else { continue };
        let (px, drop) = (x.at(point.year), label_height * *row as f64);
        svg.line([px, bottom], [px, bottom + s * 0.3 + drop], style.line, 0.7, "");
        let how = Some(&point.how).filter(|_| mixed);
        for (line, text) in [Some(&point.label), how].into_iter().flatten().enumerate() {
            let at = [*middle, bottom + drop + s * (1.3 + 1.1 * line as f64)];
            svg.text(at, s, Weight::Regular, Anchor::Middle, style.quiet, text);
        }
    }
    svg.text([0.0, s * 0.9], s * 0.9, Weight::Regular, Anchor::Start, style.quiet, words.mg_per_g);
    svg
}

/// Where each point's label stands under the axis: its middle, and the row. The latest has the first choice; of many
/// points that crowd, some go without.
fn label_rows(
    points: &[CoursePoint],
    mixed: bool,
    s: f64,
    x: impl Fn(f64) -> f64,
    w: f64,
) -> Vec<Option<(f64, usize)>> {
    let mut free_until = [f64::INFINITY; 2];
    let mut rows: Vec<_> = points
        .iter()
        .rev()
        .map(|point| {
            let how = if mixed { width(&point.how, s, Weight::Regular) } else { 0.0 };
            let half = width(&point.label, s, Weight::Regular).max(how) / 2.0;
            let middle = x(point.year).clamp(half, w - half);
            let row = free_until.iter().position(|free| middle + half < *free)?;
            free_until[row] = middle - half - s * 0.5;
            Some((middle, row))
        })
        .collect();
    rows.reverse();
    rows
}

/// A part of a plot that something stands in.
struct Room {
    x: [f64; 2],
    y: [f64; 2],
}

impl Room {
    fn meets(&self, other: &Self) -> bool {
        let cross = |a: [f64; 2], b: [f64; 2]| a[0] < b[1] && b[0] < a[1];
        cross(self.x, other.x) && cross(self.y, other.y)
    }
}

/// Filled where it is compared, hollow where not, a triangle that points away from a bound.
fn dot(svg: &mut Svg, style: &Style, point: &CoursePoint, [x, y]: [f64; 2]) {
    let s = style.size;
    match (point.relation, point.comparable) {
        (Relation::Equal, true) => svg.circle([x, y], s * 0.4, style.mark),
        (Relation::Equal, false) => {
            svg.circle([x, y], s * 0.45, style.ground);
            svg.ring([x, y], s * 0.4, style.mark, s * 0.15);
        }
        (bound, _) => {
            let d = if bound == Relation::AtLeast { -s } else { s };
            svg.polygon(&[[x - s * 0.45, y], [x + s * 0.45, y], [x, y + d * 0.8]], style.mark);
        }
    }
}
