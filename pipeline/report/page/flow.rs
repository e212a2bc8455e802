//! The page laid out on paper: sections become marks with positions, in points from the top left.

use super::model::{Block, FindingLine, Group, HALF, Section, Sheet, WIDTH};
use crate::report::picture::canvas::{Svg, Weight, drawable, width, wrap};
use crate::report::picture::colour::light;
use crate::report::picture::head;
use std::collections::VecDeque;

/// A4, points.
pub const PAPER: [f64; 2] = [595.0, 842.0];
/// Left margin; the right one follows from the width of the text.
pub const LEFT: f64 = 33.0;
const TOP: f64 = 28.0;
const BOTTOM: f64 = 806.0;
const GAP: f64 = 4.0;
/// Sizes of the text in points, the best first: the largest at which everything fits on one sheet is taken.
const SIZES: [f64; 7] = [9.0, 8.6, 8.2, 7.8, 7.4, 7.0, 6.8];
/// A piece of a torn section is not smaller than this.
const LEAST_PIECE: f64 = 80.0;
/// References and legends are smaller than the text, but not than this.
const SMALLEST: f64 = 6.4;
/// What the images keep of their width where the smallest text alone is not enough.
const NARROWED: f64 = 0.84;
/// Where nothing makes it one sheet, there is no reason to strain the eye.
const MANY_SHEETS: f64 = 8.2;
/// Stands for a character that cannot be drawn; the fonts have it, which a test holds.
const MISSING: char = '□';

/// The images on paper.
#[derive(Clone, Copy, Debug)]
struct Strip {
    /// Width over height.
    aspect: f64,
    /// How much of the width they take.
    share: f64,
}

/// What a piece of text is to a reader who cannot see the page.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tag {
    /// Title of the page.
    Title,
    /// Title of a section.
    Heading,
    /// Text.
    Paragraph,
}

/// One thing on the page.
pub enum Mark {
    /// A line of text: baseline, size, weight, colour, text, role.
    Text([f64; 2], f64, Weight, &'static str, String, Tag),
    /// A filled rectangle.
    Rect([f64; 4], &'static str),
    /// A drawing at a place, with its description.
    Drawing(Box<Svg>, [f64; 2], String),
    /// The picture in a box, with its description.
    Picture([f64; 4], String),
}

impl Mark {
    fn shift(mut self, [dx, dy]: [f64; 2]) -> Self {
        match &mut self {
            Self::Text([x, y], ..)
            | Self::Rect([x, y, ..], _)
            | Self::Drawing(_, [x, y], _)
            | Self::Picture([x, y, ..], _) => {
                *x += dx;
                *y += dy;
            }
        }
        self
    }
}

/// Marks from the top of a box, growing downwards.
struct Column {
    width: f64,
    /// Size of its text.
    size: f64,
    y: f64,
    marks: Vec<Mark>,
}

impl Column {
    fn new(width: f64, size: f64) -> Self {
        Self { width, size, y: 0.0, marks: Vec::new() }
    }

    fn leading(&self) -> f64 {
        self.size * 1.24
    }

    fn lines(&mut self, x: f64, text: &str, room: f64, weight: Weight, colour: &'static str) {
        for line in wrap(text, self.size, weight, room) {
            self.y += self.leading();
            let at = [x, self.y - self.size * 0.3];
            self.marks.push(Mark::Text(at, self.size, weight, colour, line, Tag::Paragraph));
        }
    }

    /// Names in one column, values in the other.
    fn facts(&mut self, facts: &[(String, String)], name_width: f64) {
        for (name, value) in facts {
            let start = self.y;
            self.lines(0.0, name, name_width - 4.0, Weight::Regular, light::QUIET);
            let after_name = std::mem::replace(&mut self.y, start);
            self.lines(name_width, value, self.width - name_width, Weight::Regular, light::TEXT);
            self.y = self.y.max(after_name);
        }
    }

    /// As wide as the widest name needs, within reason.
    fn name_width(&self, facts: &[(String, String)], most: f64) -> f64 {
        let widest = facts.iter().map(|(name, _)| width(name, self.size, Weight::Regular)).fold(0.0, f64::max);
        (widest + 8.0).min(most)
    }

    fn findings(&mut self, lines: &[FindingLine]) {
        let indent = self.size * 1.7;
        for line in lines {
            let mut mark = Svg::new(self.size * 1.2, self.size * 1.2);
            head::mark(&mut mark, [self.size * 0.6; 2], self.size * 0.5, line.severity, &head::LIGHT);
            let at = [0.0, self.y + self.size * 0.1];
            self.marks.push(Mark::Drawing(Box::new(mark), at, line.word.to_owned()));
            let sentence = format!("{}: {}", line.word, line.message);
            self.lines(indent, &sentence, self.width - indent, Weight::Regular, light::TEXT);
            for detail in &line.details {
                self.lines(indent, detail, self.width - indent, Weight::Regular, light::QUIET);
            }
            self.y += self.size * 0.35;
        }
    }

    fn table(&mut self, head: &[String], rows: &[Vec<String>], widths: &[f64]) {
        self.y += 2.0;
        let mut row = |cells: &[String], weight: Weight, colour: &'static str| {
            let start = self.y;
            let mut deepest = start;
            let mut x = 0.0;
            for (cell, part) in cells.iter().zip(widths) {
                self.y = start;
                self.lines(x, cell, part * self.width - 6.0, weight, colour);
                deepest = deepest.max(self.y);
                x += part * self.width;
            }
            self.y = deepest + 1.0;
            self.marks.push(Mark::Rect([0.0, self.y - 0.2, self.width, 0.4], light::LINE));
        };
        row(head, Weight::Bold, light::QUIET);
        rows.iter().for_each(|cells| row(cells, Weight::Regular, light::TEXT));
    }

    /// Groups of thresholds in up to three columns.
    fn groups(&mut self, groups: &[Group]) {
        let columns = groups.len().clamp(1, 3);
        let room = self.width / columns as f64 - 12.0;
        let pieces = groups.iter().map(|group| self.group(group, room)).collect();
        self.stacked(pieces, columns);
        self.y += 2.0;
    }

    fn group(&self, group: &Group, room: f64) -> Self {
        let mut column = Self::new(room, self.size);
        column.y = self.size * 0.25;
        column.lines(0.0, &group.title, room, Weight::Bold, light::QUIET);
        for (side, meaning) in &group.items {
            column.run_in(side, meaning);
        }
        column
    }

    /// A bold beginning with its text running on behind it, further lines set in a little.
    fn run_in(&mut self, beginning: &str, text: &str) {
        let indent = self.size * 0.9;
        let after = width(beginning, self.size, Weight::Bold) + self.size * 0.5;
        let text = text.split(' ').filter(|word| !word.is_empty()).collect::<Vec<_>>().join(" ");
        let first = wrap(&text, self.size, Weight::Regular, self.width - after).swap_remove(0);
        let rest = text[first.len()..].trim_start().to_owned();
        let top = self.y;
        self.lines(0.0, beginning, self.width, Weight::Bold, light::TEXT);
        self.y = top;
        self.lines(after, &first, self.width, Weight::Regular, light::TEXT);
        if !rest.is_empty() {
            self.lines(indent, &rest, self.width - indent, Weight::Regular, light::TEXT);
        }
    }

    /// What fits into a room, and the rest.
    fn torn(self, room: f64) -> (Self, Self) {
        let top_of = |mark: &Mark| match mark {
            Mark::Text([_, y], size, ..) => y - size,
            Mark::Rect([_, y, ..], _) | Mark::Drawing(_, [_, y], _) | Mark::Picture([_, y, ..], _) => *y,
        };
        let below = |mark: &Mark| match mark {
            Mark::Text([_, y], ..) => *y,
            Mark::Rect([_, y, _, h], _) | Mark::Picture([_, y, _, h], _) => y + h,
            Mark::Drawing(svg, [_, y], _) => y + svg.size()[1],
        };
        let cut = self.marks.iter().filter(|m| below(m) > room).map(top_of).fold(self.y, f64::min);
        // A mark that is taller than a whole sheet stays: cutting above it for ever would help nobody.
        let cut = if cut <= 0.0 { self.y } else { cut };
        let (mut kept, mut rest) = (Self::new(self.width, self.size), Self::new(self.width, self.size));
        (kept.y, rest.y) = (cut, self.y - cut);
        for mark in self.marks {
            if top_of(&mark) < cut - 0.01 {
                kept.marks.push(mark);
            } else {
                rest.marks.push(mark.shift([0.0, -cut]));
            }
        }
        (kept, rest)
    }

    /// Pieces in columns of about the same height, in order; none is torn.
    fn stacked(&mut self, pieces: Vec<Self>, columns: usize) {
        let share = self.width / columns as f64;
        let fits = |height: f64| {
            let (mut used, mut filled) = (1, 0.0);
            for piece in &pieces {
                if filled > 0.0 && filled + piece.y > height {
                    (used, filled) = (used + 1, 0.0);
                }
                filled += piece.y;
            }
            used <= columns
        };
        // The lowest height at which they fit; in steps, so that it is found soon.
        let mut height = pieces.iter().map(|piece| piece.y).fold(0.0, f64::max);
        while !fits(height) {
            height += self.size * 0.25;
        }
        let (start, mut at, mut filled) = (self.y, 0, 0.0);
        for piece in pieces {
            if filled > 0.0 && filled + piece.y > height {
                (at, filled) = (at + 1, 0.0);
            }
            let corner = [at as f64 * share, start + filled];
            filled += piece.y;
            self.y = self.y.max(start + filled);
            self.marks.extend(piece.marks.into_iter().map(|m| m.shift(corner)));
        }
    }

    fn block(&mut self, block: &Block, title: &str, strip: Option<Strip>) {
        match block {
            Block::Facts(facts) => self.facts(facts, self.name_width(facts, self.width * 0.3)),
            Block::Groups(groups) => self.groups(groups),
            Block::Small(text) => {
                let size = self.size;
                self.size = (size - 0.8).max(SMALLEST);
                self.lines(0.0, text, self.width, Weight::Regular, light::QUIET);
                self.size = size;
            }
            Block::Text(text) => self.lines(0.0, text, self.width, Weight::Regular, light::TEXT),
            Block::Findings(lines) => self.findings(lines),
            Block::Table { head, rows, widths } => self.table(head, rows, widths),
            Block::Figure(svg, name) => {
                let height = svg.size()[1];
                self.marks.push(Mark::Drawing(svg.clone(), [0.0, self.y + 2.0], name.clone()));
                self.y += height + 4.0;
            }
            Block::Picture => {
                if let Some(strip) = strip {
                    let wide = self.width * strip.share;
                    let height = wide / strip.aspect;
                    let place = [(self.width - wide) / 2.0, self.y + 3.0, wide, height];
                    self.marks.push(Mark::Picture(place, title.to_owned()));
                    self.y += height + 5.0;
                }
            }
        }
    }
}

/// The pages. `picture` is the width over height of the picture, where there is one.
pub fn pages(sheet: &Sheet, picture: Option<f64>) -> Vec<Vec<Mark>> {
    let full = |aspect: f64| Strip { aspect, share: 1.0 };
    // The images give up some of their width before the text becomes too small to read.
    let narrower = picture.map(|aspect| (SIZES[SIZES.len() - 1], Some(Strip { aspect, share: NARROWED })));
    let attempts = SIZES.into_iter().map(|size| (size, picture.map(full))).chain(narrower);
    let one = attempts.map(|(size, strip)| laid_out(sheet, strip, size)).find(|pages| pages.len() == 1);
    let mut pages = one.unwrap_or_else(|| laid_out(sheet, picture.map(full), MANY_SHEETS));
    let undrawn = undrawn(&mut pages);
    let count = pages.len();
    for (i, page) in pages.iter_mut().enumerate() {
        page.push(Mark::Rect([LEFT, 811.0, WIDTH, 0.6], light::LINE));
        let note = if undrawn { format!(" {}", sheet.no_glyph) } else { String::new() };
        let sheets = if count > 1 { format!(" ({}/{count})", i + 1) } else { String::new() };
        let text = format!("{} {}{note}{sheets}", sheet.caution, sheet.heart);
        let mut foot = Column::new(WIDTH, 8.0);
        foot.lines(0.0, &text, WIDTH, Weight::Regular, light::QUIET);
        page.extend(foot.marks.into_iter().map(|m| m.shift([LEFT, 812.0])));
    }
    pages
}

/// Sections in two columns, each in the shorter one; a wide one goes below both. Before it, narrow sections that come
/// later are drawn up into what would stay empty beside, the tallest that fit first; below the last wide one the
/// tallest come first, so that both columns end at about the same height.
fn laid_out(sheet: &Sheet, strip: Option<Strip>, size: f64) -> Vec<Vec<Mark>> {
    let mut pages = vec![Vec::new()];
    let mut depth = [head_of_page(sheet, &mut pages[0], size); 2];
    let made = |section: &Section| {
        let width = if section.wide { WIDTH } else { HALF };
        (section.wide, column(section, width, strip, size))
    };
    let mut waiting: VecDeque<(bool, Column)> = sheet.sections.iter().map(made).collect();
    let mut past_wide = false;
    while let Some(&(wide, _)) = waiting.front() {
        let (upper, lower) = (depth[0].min(depth[1]), depth[0].max(depth[1]));
        let fits = |(_, (wide, column)): &(usize, &(bool, Column))| !*wide && column.y + GAP <= lower - upper;
        let tallest = |candidates: &mut dyn Iterator<Item = (usize, &(bool, Column))>| {
            candidates.max_by(|(_, a), (_, b)| a.1.y.total_cmp(&b.1.y)).map(|(index, _)| index)
        };
        let chosen = if wide {
            tallest(&mut waiting.iter().enumerate().filter(fits))
        } else if past_wide && waiting.iter().all(|(wide, _)| !wide) {
            tallest(&mut waiting.iter().enumerate())
        } else {
            None
        };
        let Some((wide, mut column)) = waiting.remove(chosen.unwrap_or(0)) else { break };
        past_wide |= wide;
        let mut start = if wide { lower } else { upper };
        if start + column.y > BOTTOM && lower > TOP + 1.0 {
            // What is longer than a sheet is torn, and goes on where it ends; all else begins on the next.
            if column.y > BOTTOM - TOP && BOTTOM - start > LEAST_PIECE {
                let (piece, rest) = column.torn(BOTTOM - start);
                waiting.push_front((wide, rest));
                column = piece;
            } else {
                pages.push(Vec::new());
                depth = [TOP; 2];
                start = TOP;
            }
        }
        if column.y > BOTTOM - start {
            let (piece, rest) = column.torn(BOTTOM - start);
            waiting.push_front((wide, rest));
            column = piece;
        }
        let right = !wide && depth[1] < depth[0];
        let left = if right { LEFT + WIDTH - HALF } else { LEFT };
        let after = start + column.y + GAP;
        if wide {
            depth = [after; 2];
        } else {
            depth[usize::from(right)] = after;
        }
        if let Some(page) = pages.last_mut() {
            page.extend(column.marks.into_iter().map(|m| m.shift([left, start])));
        }
    }
    pages
}

/// Puts a visible mark where the embedded fonts have no character, and says whether it had to.
fn undrawn(pages: &mut [Vec<Mark>]) -> bool {
    let mut any = false;
    for mark in pages.iter_mut().flatten() {
        if let Mark::Text(.., text, _) = mark
            && !text.chars().all(drawable)
        {
            *text = text.chars().map(|c| if drawable(c) { c } else { MISSING }).collect();
            any = true;
        }
    }
    any
}

fn column(section: &Section, width: f64, strip: Option<Strip>, size: f64) -> Column {
    let mut column = Column::new(width, size);
    if matches!(section.blocks.as_slice(), [Block::Picture]) {
        // A picture says itself what it is.
        column.block(&Block::Picture, section.title, strip);
        return column;
    }
    column.marks.push(Mark::Rect([0.0, 0.0, width, 0.6], light::LINE));
    column.y = size + 4.6;
    let title = section.title.to_owned();
    column.marks.push(Mark::Text([0.0, size + 2.4], size + 1.3, Weight::Bold, light::TEXT, title, Tag::Heading));
    for block in &section.blocks {
        column.block(block, section.title, strip);
    }
    column
}

/// Title, verdict, who and when, the number; returns where the sections begin.
fn head_of_page(sheet: &Sheet, page: &mut Vec<Mark>, size: f64) -> f64 {
    page.push(Mark::Text([LEFT, TOP + 16.0], 18.0, Weight::Bold, light::TEXT, sheet.title.to_owned(), Tag::Title));
    let word = sheet.verdict_word.to_owned();
    let x = LEFT + WIDTH - width(&word, 20.0, Weight::Bold);
    page.push(Mark::Text([x, TOP + 16.0], 20.0, Weight::Bold, light::TEXT, word, Tag::Paragraph));
    let mut mark = Svg::new(24.0, 24.0);
    head::verdict_mark(&mut mark, [12.0, 12.0], 11.0, sheet.verdict, &head::LIGHT);
    page.push(Mark::Drawing(Box::new(mark), [x - 31.0, TOP - 3.0], sheet.verdict_word.to_owned()));
    let means = sheet.verdict_means.to_owned();
    let at = [LEFT + WIDTH - width(&means, size, Weight::Regular), TOP + 28.0];
    page.push(Mark::Text(at, size, Weight::Regular, light::QUIET, means, Tag::Paragraph));
    let y = who(sheet, page, TOP + 32.0, size) + 4.0;
    number(sheet, page, y, size)
}

/// Who and when in three columns.
fn who(sheet: &Sheet, page: &mut Vec<Mark>, top: f64, size: f64) -> f64 {
    let mut whole = Column::new(WIDTH, size);
    let room = WIDTH / 3.0 - 12.0;
    let names = whole.name_width(&sheet.who, room * 0.45);
    let piece = |fact: &(String, String)| {
        let mut piece = Column::new(room, size);
        piece.facts(std::slice::from_ref(fact), names);
        piece
    };
    let pieces = sheet.who.iter().map(piece).collect();
    whole.stacked(pieces, 3);
    page.extend(whole.marks.into_iter().map(|m| m.shift([LEFT, top])));
    top + whole.y
}

fn number(sheet: &Sheet, page: &mut Vec<Mark>, y: f64, size: f64) -> f64 {
    let name = sheet.number_name.to_owned();
    let large = if sheet.unit.is_empty() { 26.0 } else { 42.0 };
    let after = LEFT + 14.0 + width(&sheet.number, large, Weight::Bold);
    // The bounds begin where the number and its name end.
    let unit = width(sheet.unit, 15.0, Weight::Regular);
    let beside = (after + unit).max(LEFT + 8.0 + width(&name, size, Weight::Regular)) + 22.0;
    let mut column = Column::new(LEFT + WIDTH - beside - 8.0, size);
    column.facts(&sheet.bounds, column.name_width(&sheet.bounds, 100.0));
    let height = (column.y + 10.0).max(large + size + 13.0);
    page.push(Mark::Rect([LEFT, y, WIDTH, height], light::PANEL));
    page.push(Mark::Text([LEFT + 8.0, y + size + 5.0], size, Weight::Regular, light::QUIET, name, Tag::Paragraph));
    let base = y + (height + large) / 2.0;
    page.push(Mark::Text([LEFT + 8.0, base], large, Weight::Bold, light::TEXT, sheet.number.clone(), Tag::Paragraph));
    if !sheet.unit.is_empty() {
        let unit = sheet.unit.to_owned();
        page.push(Mark::Text([after, base], 15.0, Weight::Regular, light::TEXT, unit, Tag::Paragraph));
    }
    let at = [beside, y + (height - column.y) / 2.0 - 1.0];
    page.extend(column.marks.into_iter().map(|m| m.shift(at)));
    y + height + 6.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_character_without_a_drawing_leaves_a_mark_that_can_be_drawn() {
        assert!(drawable(MISSING) && drawable('é') && drawable('Ж') && drawable('µ'));
        assert!(!drawable('山') && !drawable('ع'));
        let text =
            |text: &str| Mark::Text([0.0; 2], 8.0, Weight::Regular, light::TEXT, text.to_owned(), Tag::Paragraph);
        let mut pages = vec![vec![text("山田, Tarou")]];
        assert!(undrawn(&mut pages));
        assert!(matches!(&pages[0][0], Mark::Text(.., text, _) if text == "□□, Tarou"));
        assert!(!undrawn(&mut [vec![text("Yamada, Tarou")]]));
    }
}
