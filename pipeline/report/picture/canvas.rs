//! Two layers: pixels for images, SVG for everything drawn and written. Text uses the embedded fonts alone.

use resvg::tiny_skia;
use std::fmt::Write as _;
use std::sync::{Arc, OnceLock};
use usvg::fontdb;

/// Inter, regular weight (SIL Open Font License, `fonts/OFL.txt`).
pub const REGULAR: &[u8] = include_bytes!("../fonts/Inter-Regular.otf");
/// Inter, semibold.
pub const SEMIBOLD: &[u8] = include_bytes!("../fonts/Inter-SemiBold.otf");

/// Weight of a text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Weight {
    /// Regular.
    Regular,
    /// Semibold.
    Bold,
}

/// Where a text's position is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    /// At its start.
    Start,
    /// In its middle.
    Middle,
    /// At its end.
    End,
}

/// Fonts for SVG.
pub fn fonts() -> Arc<fontdb::Database> {
    static FONTS: OnceLock<Arc<fontdb::Database>> = OnceLock::new();
    Arc::clone(FONTS.get_or_init(|| {
        let mut database = fontdb::Database::new();
        database.load_font_data(REGULAR.to_vec());
        database.load_font_data(SEMIBOLD.to_vec());
        Arc::new(database)
    }))
}

/// The embedded faces, regular and semibold.
fn faces() -> &'static [Option<ttf_parser::Face<'static>>; 2] {
    static FACES: OnceLock<[Option<ttf_parser::Face<'static>>; 2]> = OnceLock::new();
    FACES.get_or_init(|| [REGULAR, SEMIBOLD].map(|data| ttf_parser::Face::parse(data, 0).ok()))
}

/// Whether the embedded fonts have this character.
pub fn drawable(c: char) -> bool {
    faces().iter().flatten().all(|face| face.glyph_index(c).is_some())
}

/// Width of a text in the units of its size.
pub fn width(text: &str, size: f64, weight: Weight) -> f64 {
    let Some(face) = &faces()[usize::from(weight == Weight::Bold)] else { return 0.0 };
    let per_em = f64::from(face.units_per_em());
    let advance = |c: char| {
        let glyph = face.glyph_index(c).unwrap_or(ttf_parser::GlyphId(0));
        f64::from(face.glyph_hor_advance(glyph).unwrap_or(0))
    };
    text.chars().map(advance).sum::<f64>() / per_em * size
}

/// Breaks a text into lines no wider than `room`; a word that is wider alone is broken inside.
pub fn wrap(text: &str, size: f64, weight: Weight, room: f64) -> Vec<String> {
    let mut lines: Vec<String> = vec![String::new()];
    // A space that does not break is part of its word.
    for word in text.split([' ', '\n', '\t']).filter(|word| !word.is_empty()) {
        let mut word = word.to_owned();
        loop {
            let line = lines.last().cloned().unwrap_or_default();
            let joined = if line.is_empty() { word.clone() } else { format!("{line} {word}") };
            if width(&joined, size, weight) <= room {
                if let Some(last) = lines.last_mut() {
                    *last = joined;
                }
                break;
            }
            if !line.is_empty() {
                lines.push(String::new());
                continue;
            }
            let mut head = String::new();
            for c in word.chars() {
                if !head.is_empty() && width(&format!("{head}{c}"), size, weight) > room {
                    break;
                }
                head.push(c);
            }
            let rest = word[head.len()..].to_owned();
            if let Some(last) = lines.last_mut() {
                *last = head;
            }
            if rest.is_empty() {
                break;
            }
            word = rest;
            lines.push(String::new());
        }
    }
    lines
}

/// The text with spaces that do not break between numbers and their units, so that no line ends in a bare number.
pub fn with_units_kept(text: &str) -> String {
    const UNITS: [&str; 14] =
        ["ms", "s", "/s", "mm", "mm²", "ml", "%", "T", "mg/g", "mg/kg", "µmol/g", "µg/L", "months", "years"];
    let mut out = String::with_capacity(text.len());
    let mut after_number = false;
    for (index, word) in text.split(' ').enumerate() {
        let unit = UNITS.contains(&word.trim_end_matches(['.', ',', ';', ':', ')']));
        if index > 0 {
            out.push(if after_number && unit { '\u{a0}' } else { ' ' });
        }
        out.push_str(word);
        after_number = word.ends_with(|c: char| c.is_ascii_digit());
    }
    out
}

/// The text cut with `…` so that it fits.
pub fn fit(text: &str, size: f64, weight: Weight, room: f64) -> String {
    if width(text, size, weight) <= room {
        return text.to_owned();
    }
    let mut kept = String::new();
    for c in text.chars() {
        if width(&format!("{kept}{c}…"), size, weight) > room {
            break;
        }
        kept.push(c);
    }
    format!("{}…", kept.trim_end())
}

/// Text made safe inside XML.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            // XML 1.0 allows no other control characters, and a picture needs none.
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

/// An SVG drawing under construction.
#[derive(Clone, Debug)]
pub struct Svg {
    width: f64,
    height: f64,
    body: String,
}

impl Svg {
    /// An empty drawing.
    pub fn new(width: f64, height: f64) -> Self {
        Self { width, height, body: String::new() }
    }

    /// A line of text with its baseline at `y`.
    pub fn text(&mut self, at: [f64; 2], size: f64, weight: Weight, anchor: Anchor, colour: &str, text: &str) {
        let weight = if weight == Weight::Bold { 600 } else { 400 };
        let anchor = match anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        let _ = write!(
            self.body,
            r#"<text x="{:.2}" y="{:.2}" font-size="{size:.2}" font-weight="{weight}" text-anchor="{anchor}" fill="{colour}">{}</text>"#,
            at[0],
            at[1],
            escape(text)
        );
    }

    /// A filled rectangle: x, y, width, height.
    pub fn rect(&mut self, place: [f64; 4], fill: &str) {
        let [x, y, w, h] = place;
        let _ = write!(self.body, r#"<rect x="{x:.2}" y="{y:.2}" width="{w:.2}" height="{h:.2}" fill="{fill}"/>"#);
    }

    /// A rectangle with rounded corners.
    pub fn card(&mut self, place: [f64; 4], radius: f64, fill: &str) {
        let [x, y, w, h] = place;
        let _ = write!(
            self.body,
            r#"<rect x="{x:.2}" y="{y:.2}" width="{w:.2}" height="{h:.2}" rx="{radius:.2}" fill="{fill}"/>"#
        );
    }

    /// A straight line; `dash` as SVG takes it, empty for none.
    pub fn line(&mut self, from: [f64; 2], to: [f64; 2], colour: &str, thickness: f64, dash: &str) {
        let _ = write!(
            self.body,
            r#"<line x1="{:.2}" y1="{:.2}" x2="{:.2}" y2="{:.2}" stroke="{colour}" stroke-width="{thickness:.2}""#,
            from[0], from[1], to[0], to[1]
        );
        self.dash(dash);
    }

    /// A line through points.
    pub fn polyline(&mut self, points: &[[f64; 2]], colour: &str, thickness: f64, dash: &str) {
        let mut list = String::new();
        for [x, y] in points {
            let _ = write!(list, "{x:.2},{y:.2} ");
        }
        let _ = write!(
            self.body,
            r#"<polyline points="{}" fill="none" stroke="{colour}" stroke-width="{thickness:.2}" stroke-linejoin="round""#,
            list.trim_end()
        );
        self.dash(dash);
    }

    /// A filled shape through points.
    pub fn polygon(&mut self, points: &[[f64; 2]], fill: &str) {
        let mut list = String::new();
        for [x, y] in points {
            let _ = write!(list, "{x:.2},{y:.2} ");
        }
        let _ = write!(self.body, r#"<polygon points="{}" fill="{fill}"/>"#, list.trim_end());
    }

    /// A path in SVG's notation, stroked.
    pub fn outline(&mut self, path: &str, colour: &str, thickness: f64) {
        if !path.is_empty() {
            let _ = write!(
                self.body,
                r#"<path d="{path}" fill="none" stroke="{colour}" stroke-width="{thickness:.2}" stroke-linejoin="round"/>"#
            );
        }
    }

    /// A filled circle.
    pub fn circle(&mut self, centre: [f64; 2], radius: f64, fill: &str) {
        let _ =
            write!(self.body, r#"<circle cx="{:.2}" cy="{:.2}" r="{radius:.2}" fill="{fill}"/>"#, centre[0], centre[1]);
    }

    /// A ring.
    pub fn ring(&mut self, centre: [f64; 2], radius: f64, colour: &str, thickness: f64) {
        let _ = write!(
            self.body,
            r#"<circle cx="{:.2}" cy="{:.2}" r="{radius:.2}" fill="none" stroke="{colour}" stroke-width="{thickness:.2}"/>"#,
            centre[0], centre[1]
        );
    }

    /// Another drawing, moved.
    pub fn place(&mut self, other: &Svg, at: [f64; 2]) {
        let _ = write!(self.body, r#"<g transform="translate({:.2} {:.2})">{}</g>"#, at[0], at[1], other.body);
    }

    /// The document; `title` is its accessible name.
    pub fn finish(&self, title: &str) -> String {
        format!(
            r#"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" width="{w}" height="{h}" role="img" font-family="Inter, sans-serif"><title>{}</title>{}</svg>"#,
            escape(title),
            self.body,
            w = self.width,
            h = self.height,
        )
    }

    /// Parsed for drawing; `None` only for a drawing with a size of zero.
    pub fn tree(&self) -> Option<usvg::Tree> {
        let options = usvg::Options { fontdb: fonts(), font_family: "Inter".to_owned(), ..usvg::Options::default() };
        usvg::Tree::from_str(&self.finish(""), &options).ok()
    }

    /// Size: width, height.
    pub fn size(&self) -> [f64; 2] {
        [self.width, self.height]
    }

    fn dash(&mut self, dash: &str) {
        if dash.is_empty() {
            self.body.push_str("/>");
        } else {
            let _ = write!(self.body, r#" stroke-dasharray="{dash}"/>"#);
        }
    }
}

/// Pixels, RGB, 8 bit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pixels {
    /// Columns.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Row by row, three bytes a pixel.
    pub rgb: Vec<u8>,
}

impl Pixels {
    /// Filled with one colour.
    pub fn filled(width: usize, height: usize, colour: [u8; 3]) -> Self {
        Self { width, height, rgb: colour.repeat(width * height) }
    }

    /// Sets a pixel; outside, nothing happens.
    pub fn set(&mut self, x: usize, y: usize, colour: [u8; 3]) {
        if x < self.width && y < self.height {
            let at = (y * self.width + x) * 3;
            if let Some(pixel) = self.rgb.get_mut(at..at + 3) {
                pixel.copy_from_slice(&colour);
            }
        }
    }

    /// Draws the SVG over the pixels.
    pub fn draw(&mut self, svg: &Svg) {
        let (Some(tree), Some(mut layer)) = (svg.tree(), tiny_skia::Pixmap::new(self.width as u32, self.height as u32))
        else {
            return;
        };
        for (over, under) in layer.pixels_mut().iter_mut().zip(self.rgb.chunks_exact(3)) {
            if let Some(opaque) = tiny_skia::PremultipliedColorU8::from_rgba(under[0], under[1], under[2], 255) {
                *over = opaque;
            }
        }
        resvg::render(&tree, tiny_skia::Transform::identity(), &mut layer.as_mut());
        for (pixel, drawn) in self.rgb.chunks_exact_mut(3).zip(layer.pixels()) {
            pixel.copy_from_slice(&[drawn.red(), drawn.green(), drawn.blue()]);
        }
    }

    /// As a PNG file.
    pub fn png(&self) -> Vec<u8> {
        use image::ImageEncoder as _;
        use image::codecs::png::{CompressionType, FilterType, PngEncoder};
        let mut bytes = Vec::new();
        let encoder = PngEncoder::new_with_quality(&mut bytes, CompressionType::Fast, FilterType::Adaptive);
        // Writing to memory fails only for a size that does not match, which `filled` rules out.
        let _ = encoder.write_image(&self.rgb, self.width as u32, self.height as u32, image::ExtendedColorType::Rgb8);
        bytes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_number_is_parted_from_its_unit() {
        let kept = with_units_kept("First echo is 2.6 ms; at most 1 ms. Found 12 %, 3 slices.");
        assert_eq!(kept, "First echo is 2.6\u{a0}ms; at most 1\u{a0}ms. Found 12\u{a0}%, 3 slices.");
        let lines = wrap(&kept, 10.0, Weight::Regular, 70.0);
        assert!(lines.iter().all(|line| !line.ends_with("2.6") && !line.ends_with('1')), "{lines:?}");
        assert!(drawable('\u{a0}'));
    }

    #[test]
    fn lines_fit_their_room_and_lose_nothing() {
        let text = "The first echo time is 2.3 ms; Donaudampfschifffahrtsgesellschaft asks for 1.2 ms or less.";
        for room in [40.0, 120.0, 400.0] {
            let lines = wrap(text, 14.0, Weight::Regular, room);
            assert!(lines.iter().all(|l| width(l, 14.0, Weight::Regular) <= room), "{lines:?}");
            let squeeze = |s: &str| s.split_whitespace().collect::<String>();
            assert_eq!(squeeze(&lines.concat()), squeeze(text));
        }
    }

    #[test]
    fn foreign_text_cannot_leave_its_element() {
        let mut svg = Svg::new(10.0, 10.0);
        svg.text([0.0, 8.0], 8.0, Weight::Regular, Anchor::Start, "#000", "</text><script>\u{1}&");
        assert!(svg.finish("").contains("&lt;/text&gt;&lt;script&gt; &amp;"));
        assert!(svg.tree().is_some());
    }
}
