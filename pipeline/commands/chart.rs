//! A plain chart for the physicist: points, lines, named axes.

use crate::report::picture::axis::{Scale, round_up, ticks};
use crate::report::picture::canvas::{Anchor, Pixels, Svg, Weight};
use crate::study::text::plain;

/// One line or cloud of points.
pub struct Series {
    /// Written beside its end; empty for none.
    pub name: String,
    /// In data units, ascending in x for a line.
    pub points: Vec<[f64; 2]>,
    /// How it is drawn.
    pub mark: Mark,
}

/// How a series is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// A full line.
    Line,
    /// A dashed line.
    Dashed,
    /// Dots.
    Dots,
}

/// Dark enough on white to be told apart in print and by the colour-blind, each with its own name beside it.
const COLOURS: [&str; 8] = ["#1f4e79", "#9c3d10", "#2f6b2f", "#6b4fa3", "#7a5c00", "#00706b", "#8a1c4a", "#444444"];
const INK: &str = "#222222";
const GREY: &str = "#c8c8c8";
const SIZE: [f64; 2] = [1000.0, 640.0];

/// Draws the series as PNG. `x` and `y` name the axes; y starts at zero or below its lowest value.
pub fn png(title: &str, x: &str, y: &str, series: &[Series]) -> Vec<u8> {
    let [w, h] = SIZE;
    let points = || series.iter().flat_map(|s| s.points.iter().copied());
    let highest = |axis: usize| points().map(|p| p[axis]).fold(f64::MIN_POSITIVE, f64::max);
    let lowest = points().map(|p| p[1]).fold(0.0, f64::min);
    let x_end = round_up(highest(0));
    let y_ends = [if lowest < 0.0 { -round_up(-lowest) } else { 0.0 }, round_up(highest(1))];
    let (left, right, top, bottom) = (70.0, w - 190.0, 56.0, h - 60.0);
    let across = Scale::even([0.0, x_end], [left, right]);
    let up = Scale::even(y_ends, [bottom, top]);
    let mut svg = Svg::new(w, h);
    svg.rect([0.0, 0.0, w, h], "#ffffff");
    svg.text([left, 32.0], 20.0, Weight::Bold, Anchor::Start, INK, title);
    for tick in ticks([0.0, x_end], 8) {
        svg.line([across.at(tick), bottom], [across.at(tick), top], GREY, 0.6, "");
        svg.text([across.at(tick), bottom + 20.0], 14.0, Weight::Regular, Anchor::Middle, INK, &plain(tick));
    }
    for tick in ticks(y_ends, 6) {
        svg.line([left, up.at(tick)], [right, up.at(tick)], GREY, 0.6, "");
        svg.text([left - 8.0, up.at(tick) + 5.0], 14.0, Weight::Regular, Anchor::End, INK, &plain(tick));
    }
    svg.text([0.5 * (left + right), h - 14.0], 15.0, Weight::Regular, Anchor::Middle, INK, x);
    svg.text([8.0, top - 8.0], 15.0, Weight::Regular, Anchor::Start, INK, y);
    let mut taken: Vec<f64> = Vec::new();
    for (index, one) in series.iter().enumerate() {
        let colour = COLOURS[index % COLOURS.len()];
        let line: Vec<[f64; 2]> = one.points.iter().map(|p| [across.at(p[0]), up.at(p[1])]).collect();
        match one.mark {
            Mark::Line => svg.polyline(&line, colour, 2.0, ""),
            Mark::Dashed => svg.polyline(&line, colour, 1.5, "6 4"),
            Mark::Dots => line.iter().for_each(|at| svg.circle(*at, 3.5, colour)),
        }
        if let Some(end) = line.last().filter(|_| !one.name.is_empty()) {
            // Names keep a line's height apart; one that had to move is joined to its line.
            let mut place = end[1];
            while let Some(other) = taken.iter().find(|t| (*t - place).abs() < 17.0) {
                place = other + 17.5;
            }
            taken.push(place);
            svg.line([end[0], end[1]], [right + 12.0, place], colour, 0.8, "");
            let name = crate::report::picture::canvas::fit(&one.name, 14.0, Weight::Regular, w - right - 20.0);
            svg.text([right + 15.0, place + 5.0], 14.0, Weight::Regular, Anchor::Start, colour, &name);
        }
    }
    let mut pixels = Pixels::filled(w as usize, h as usize, [255, 255, 255]);
    pixels.draw(&svg);
    pixels.png()
}
