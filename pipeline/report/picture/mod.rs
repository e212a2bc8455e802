//! The quality picture: one image by which a radiologist accepts or doubts a measurement in ten seconds.
//!
//! Top to bottom: verdict and numbers; the same slice at the first, middle and last echo with the region's outline
//! and its R2* map; what was left out, the decay with its fit, the histogram; findings in words and the region in
//! every slice. Nothing in it names the patient, the date or the place.

pub mod axis;
pub mod canvas;
pub mod colour;
pub mod course;
pub mod head;
pub mod plots;
mod slices;

use super::result::RoomAnswer;
use super::view::View;
use super::words::Words;
use crate::study::Severity;
use canvas::{Anchor, Pixels, Svg, Weight, fit, with_units_kept, wrap};
use colour::dark;
use slices::{Crop, Window};

/// Size of the picture.
pub const SIZE: [usize; 2] = [1600, 1200];

const MARGIN: f64 = 24.0;
const GAP: f64 = 16.0;

/// Which slice is shown, how, and which part of it; no part where no image could be read.
#[derive(Clone, Copy)]
struct Shown {
    slice: usize,
    window: Window,
    crop: Option<Crop>,
}

/// Draws the quality picture.
pub fn quality(view: &View<'_>, words: &Words) -> Pixels {
    let mut pixels = Pixels::filled(SIZE[0], SIZE[1], [0x15, 0x19, 0x1e]);
    let mut svg = Svg::new(SIZE[0] as f64, SIZE[1] as f64);
    head::draw(&mut svg, view, words);
    let window = Window::of(view);
    let slice = view.best_slice();
    let shown = Shown { slice, window, crop: view.magnitude.is_some().then(|| Crop::body(view, window)) };
    images(&mut pixels, &mut svg, view, words, shown);
    second_row(&mut pixels, &mut svg, view, words, shown);
    findings(&mut svg, view, words, [MARGIN, 892.0, 760.0, 262.0]);
    every_slice(&mut pixels, &mut svg, view, words, window, [MARGIN + 776.0, 892.0, 776.0, 262.0]);
    let foot = format!("{} {}", words.caution, words.not_for_measurement);
    svg.text([MARGIN, 1184.0], 17.0, Weight::Regular, Anchor::Start, dark::QUIET, &foot);
    let software = &view.result.software;
    let made = format!("{} {}", software.name, software.version);
    svg.text([SIZE[0] as f64 - MARGIN, 1184.0], 17.0, Weight::Regular, Anchor::End, dark::QUIET, &made);
    pixels.draw(&svg);
    pixels
}

/// The part of the picture that a screen's page shows: echoes, map, decay, histogram, without what it says itself.
pub fn middle(picture: &Pixels) -> Pixels {
    rows(picture, 164, 884)
}

/// The part that fits a sheet of paper: echoes and map.
pub fn images_only(picture: &Pixels) -> Pixels {
    rows(picture, 164, 510)
}

fn rows(picture: &Pixels, from: usize, to: usize) -> Pixels {
    let (from, to) = (from.min(picture.height), to.min(picture.height));
    let row = picture.width * 3;
    Pixels { width: picture.width, height: to - from, rgb: picture.rgb[from * row..to * row].to_vec() }
}

/// A panel with its title; returns the room inside.
fn panel(svg: &mut Svg, [x, y, w, h]: [f64; 4], title: &str, aside: &str) -> [f64; 4] {
    svg.card([x, y, w, h], 6.0, dark::PANEL);
    svg.text([x + 12.0, y + 25.0], 18.0, Weight::Bold, Anchor::Start, dark::TEXT, title);
    svg.text([x + w - 12.0, y + 25.0], 16.0, Weight::Regular, Anchor::End, dark::QUIET, aside);
    [x + 10.0, y + 36.0, w - 20.0, h - 46.0]
}

/// Where an image will lie: a frame on the panel that the pixel layer shows through.
fn frame(pixels: &mut Pixels, [x, y, w, h]: [f64; 4]) {
    for py in y as usize..(y + h) as usize {
        for px in x as usize..(x + w) as usize {
            pixels.set(px, py, [0, 0, 0]);
        }
    }
}

fn images(pixels: &mut Pixels, svg: &mut Svg, view: &View<'_>, words: &Words, shown: Shown) {
    let Shown { slice, window, crop } = shown;
    let echoes = view.result.acquisition.echo_times_ms.len();
    let top = 172.0;
    let [w, h] = [376.0, 330.0];
    let place = |i: usize| [MARGIN + i as f64 * (w + GAP), top, w, h];
    let where_ = format!("{} {} {} {}", words.slice, slice + 1, words.of, view.shape()[0].max(1));
    let three = [(words.first_echo, 0), (words.middle_echo, echoes / 2), (words.last_echo, echoes.saturating_sub(1))];
    for (i, (name, echo)) in three.into_iter().enumerate() {
        let time = view.result.acquisition.echo_times_ms.get(echo);
        let time = time.map_or(String::new(), |t| format!("{} ms", words.number(*t, 2)));
        let room = hollow(svg, place(i), name, &time);
        frame(pixels, room);
        let Some(crop) = crop else {
            empty(svg, room, words.images_unavailable);
            continue;
        };
        let placed = crop.placed(view, room);
        slices::paint(pixels, view, [slice, echo], placed, window, 1.0, &|_| None);
        svg.outline(&slices::outline(view, slice, placed), dark::REGION, 1.8);
        if i == 0 {
            tag(svg, [room[0] + 2.0, room[1] + room[3] - 24.0], 15.0, &where_);
        }
    }
    let title = format!("{} (1/s)", words.map);
    let room = hollow(svg, place(3), &title, &where_);
    frame(pixels, room);
    let (Some(crop), Some(map)) = (crop, view.r2star) else {
        empty(svg, room, words.not_determined);
        return;
    };
    let top_rate = map_top(view);
    let bar = [room[0] + room[2] - 66.0, room[1] + 14.0, 20.0, room[3] - 28.0];
    let placed = crop.placed(view, [room[0], room[1], room[2] - 74.0, room[3]]);
    slices::paint(pixels, view, [slice, 0], placed, window, 0.45, &slices::r2star_tint(map, top_rate));
    svg.outline(&slices::outline(view, slice, placed), "#ffffff", 1.6);
    for py in 0..bar[3] as usize {
        let colour = colour::of_fraction(1.0 - py as f64 / (bar[3] - 1.0));
        for px in 0..bar[2] as usize {
            pixels.set(bar[0] as usize + px, bar[1] as usize + py, colour);
        }
    }
    let scale = axis::Scale::even([0.0, top_rate], [bar[1] + bar[3], bar[1]]);
    for tick in axis::ticks([0.0, top_rate], 5) {
        let y = scale.at(tick);
        svg.line([bar[0] + bar[2], y], [bar[0] + bar[2] + 4.0, y], dark::TEXT, 1.2, "");
        svg.text(
            [bar[0] + bar[2] + 7.0, y + 5.0],
            14.0,
            Weight::Regular,
            Anchor::Start,
            dark::TEXT,
            &format!("{tick:.0}"),
        );
    }
}

/// A panel whose inside is left to the pixel layer.
fn hollow(svg: &mut Svg, [x, y, w, h]: [f64; 4], title: &str, aside: &str) -> [f64; 4] {
    svg.card([x, y, w, 34.0], 6.0, dark::PANEL);
    svg.text([x + 12.0, y + 24.0], 18.0, Weight::Bold, Anchor::Start, dark::TEXT, title);
    svg.text([x + w - 12.0, y + 24.0], 16.0, Weight::Regular, Anchor::End, dark::QUIET, aside);
    [x, y + 38.0, w, h - 38.0]
}

fn empty(svg: &mut Svg, [x, y, w, h]: [f64; 4], text: &str) {
    svg.text([x + w / 2.0, y + h / 2.0], 17.0, Weight::Regular, Anchor::Middle, dark::QUIET, text);
}

/// The upper end of the map's scale: round, with the region's upper decile at two thirds of it.
fn map_top(view: &View<'_>) -> f64 {
    let mut values = view.region_values();
    if values.is_empty() {
        values = view.r2star.map_or(Vec::new(), |m| m.iter().copied().filter(|v| v.is_finite()).collect());
    }
    values.sort_by(f32::total_cmp);
    let at = values.len() * 9 / 10;
    axis::round_up(values.get(at).map_or(200.0, |&v| f64::from(v) * 1.4).max(60.0))
}

/// A small label that stays readable on any image.
fn tag(svg: &mut Svg, [x, y]: [f64; 2], size: f64, text: &str) {
    let room = canvas::width(text, size, Weight::Bold) + size * 0.6;
    svg.rect([x, y, room, size * 1.3], "#000000");
    svg.text([x + size * 0.3, y + size], size, Weight::Bold, Anchor::Start, dark::TEXT, text);
}

fn second_row(pixels: &mut Pixels, svg: &mut Svg, view: &View<'_>, words: &Words, shown: Shown) {
    let Shown { slice, window, crop } = shown;
    let (top, h) = (518.0, 358.0);
    let room = hollow(svg, [MARGIN, top, 376.0, h], words.left_out, "");
    let legend = 22.0 * view.exclusions.len().min(5).div_ceil(2).max(1) as f64 + 8.0;
    let picture = [room[0], room[1], room[2], room[3] - legend];
    frame(pixels, picture);
    if let Some(crop) = crop {
        let placed = crop.placed(view, picture);
        slices::paint(pixels, view, [slice, 0], placed, window, 0.8, &slices::exclusion_tint(view.excluded));
        // White: the region's blue is too near the colour of vessels.
        svg.outline(&slices::outline(view, slice, placed), "#ffffff", 1.4);
    } else {
        empty(svg, picture, words.images_unavailable);
    }
    exclusion_legend(svg, view, words, [room[0], room[1] + room[3] - legend, room[2], legend]);
    let inside = panel(svg, [MARGIN + 392.0, top, 584.0, h], words.decay, words.signal);
    let style = plots::Style::dark();
    match &view.decay {
        Some(decay) => svg.place(&plots::decay(decay, words, &style, [inside[2], inside[3]]), [inside[0], inside[1]]),
        None => empty(svg, inside, words.not_determined),
    }
    let inside = panel(svg, [MARGIN + 992.0, top, 560.0, h], words.histogram, "");
    let values = view.region_values();
    if values.is_empty() {
        empty(svg, inside, words.not_determined);
    } else {
        svg.place(&plots::histogram(view, &values, words, &style, [inside[2], inside[3]]), [inside[0], inside[1]]);
    }
}

fn exclusion_legend(svg: &mut Svg, view: &View<'_>, words: &Words, [x, y, w, _]: [f64; 4]) {
    if view.exclusions.is_empty() {
        svg.text([x + 4.0, y + 22.0], 15.0, Weight::Regular, Anchor::Start, dark::QUIET, words.nothing_left_out);
        return;
    }
    // The largest six: a seventh reason would be a handful of voxels.
    let mut largest: Vec<_> = view.exclusions.iter().collect();
    largest.sort_by_key(|e| (std::cmp::Reverse(e.voxels), e.code));
    for (i, exclusion) in largest.into_iter().take(6).enumerate() {
        let (column, row) = (i % 2, i / 2);
        let at = [x + 4.0 + column as f64 * w / 2.0, y + 22.0 + row as f64 * 22.0];
        svg.rect([at[0], at[1] - 12.0, 13.0, 13.0], &colour::hex(colour::of_exclusion(exclusion.code)));
        let text = format!("{} {}", words.exclusion(&exclusion.word), words.count(exclusion.voxels));
        let text = fit(&text, 15.0, Weight::Regular, w / 2.0 - 24.0);
        svg.text([at[0] + 19.0, at[1]], 15.0, Weight::Regular, Anchor::Start, dark::TEXT, &text);
    }
}

/// Findings, worst first, as many as fit whole.
fn findings(svg: &mut Svg, view: &View<'_>, words: &Words, place: [f64; 4]) {
    let mut room = panel(svg, place, words.findings, "");
    let mut y = room[1] + 20.0;
    let size = 17.0;
    let told = &view.result.scanner_room;
    if told.answer != RoomAnswer::MayLeave {
        // What to do has its place at the bottom, whatever else is found.
        let lines = wrap(&format!("{}: {}", words.what_to_do, told.message), size, Weight::Bold, room[2] - 8.0);
        let shown = lines.len().min(4);
        room[3] -= shown as f64 * 22.0 + 6.0;
        for (i, line) in lines.iter().take(shown).enumerate() {
            let line = if i + 1 == shown && lines.len() > shown {
                fit(&format!("{line}…"), size, Weight::Bold, room[2] - 8.0)
            } else {
                line.clone()
            };
            let at = [room[0] + 4.0, room[1] + room[3] + 22.0 * (i + 1) as f64];
            svg.text(at, size, Weight::Bold, Anchor::Start, dark::TEXT, &line);
        }
    }
    let mut list: Vec<_> = view.result.findings.iter().collect();
    // Stable: within a severity the order of the stages stays.
    list.sort_by_key(|f| std::cmp::Reverse(f.severity));
    if list.is_empty() {
        svg.text([room[0] + 4.0, y], size, Weight::Regular, Anchor::Start, dark::TEXT, words.no_findings);
    }
    let total = list.len();
    for (i, finding) in list.into_iter().enumerate() {
        let lines = wrap(&with_units_kept(&finding.message), size, Weight::Regular, room[2] - 36.0);
        let left = total - i;
        let reserve = if left > 1 { 22.0 } else { 0.0 };
        let bottom = room[1] + room[3];
        if i > 0 && y + (lines.len() - 1) as f64 * 22.0 + reserve > bottom {
            let more = format!("+ {left} {}", words.and_more);
            svg.text([room[0] + 4.0, y], size, Weight::Regular, Anchor::Start, dark::QUIET, &more);
            return;
        }
        head::mark(svg, [room[0] + 12.0, y - 6.0], 9.0, finding.severity, &head::DARK);
        for line in lines {
            if y > bottom {
                return;
            }
            let colour = if finding.severity == Severity::Note { dark::QUIET } else { dark::TEXT };
            svg.text([room[0] + 32.0, y], size, Weight::Regular, Anchor::Start, colour, &line);
            y += 22.0;
        }
        y += 5.0;
    }
}

/// Every slice with voxels of the region, cropped to it.
fn every_slice(pixels: &mut Pixels, svg: &mut Svg, view: &View<'_>, words: &Words, window: Window, place: [f64; 4]) {
    let room = hollow(svg, place, if view.region.is_some() { words.all_slices } else { words.every_slice }, "");
    frame(pixels, room);
    // Without a region, all slices are what a person looks at to see why.
    let held = |s: &usize| view.region.is_none_or(|r| view.slice_of(r, *s).iter().any(|&v| v));
    let shown: Vec<usize> = (0..view.shape()[0]).filter(held).collect();
    if shown.is_empty() || view.magnitude.is_none() {
        empty(svg, room, words.images_unavailable);
        return;
    }
    let crop = if view.region.is_some() { Crop::region(view) } else { Crop::body(view, window) };
    let aspect = crop.aspect(view);
    let (rows, columns) = layout(shown.len(), aspect, room[2] / room[3]);
    let h = room[3] / rows as f64;
    // Side by side without gaps between, in the middle of the room.
    let w = (room[2] / columns as f64).min((h - 3.0) * aspect + 4.0);
    let left = room[0] + (room[2] - w * columns as f64) / 2.0;
    for (i, &slice) in shown.iter().enumerate() {
        let cell = [left + (i % columns) as f64 * w, room[1] + (i / columns) as f64 * h, w - 3.0, h - 3.0];
        let placed = crop.placed(view, cell);
        slices::paint(pixels, view, [slice, 0], placed, window, 1.0, &|_| None);
        svg.outline(&slices::outline(view, slice, placed), dark::REGION, 1.4);
        let number = format!("{}", slice + 1);
        tag(svg, [placed.place[0], placed.place[1]], 13.0, &number);
    }
}

/// Rows and columns for this many cells of one width over height, in a box of another: the widest cells win.
fn layout(count: usize, cell: f64, room: f64) -> (usize, usize) {
    let width = |rows: usize| {
        let columns = count.div_ceil(rows) as f64;
        (1.0 / columns).min(cell / room / rows as f64)
    };
    let rows = (1..=count).max_by(|&a, &b| width(a).total_cmp(&width(b)).then(b.cmp(&a))).unwrap_or(1);
    (rows, count.div_ceil(rows))
}
