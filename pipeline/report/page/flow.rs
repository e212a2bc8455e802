//! The page laid out on paper: sections become marks with positions, in points from the top left.

use super::model::{Block, FindingLine, HALF, Section, Sheet, WIDTH};
use crate::report::picture::canvas::{Svg, Weight, drawable, wrap};
use crate::report::picture::colour::light;
use crate::report::picture::head;
use crate::study::Severity;

/// A4, points.
pub const PAPER: [f64; 2] = [595.0, 842.0];
/// Left margin; the right one follows from the width of the text.
pub const LEFT: f64 = 36.0;
const TOP: f64 = 34.0;
const BOTTOM: f64 = 806.0;
const SIZE: f64 = 7.5;
const LEADING: f64 = 9.4;
/// Stands for a character that cannot be drawn; the fonts have it, which a test holds.
const MISSING: char = '□';

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
    y: f64,
    marks: Vec<Mark>,
}

impl Column {
    fn new(width: f64) -> Self {
        Self { width, y: 0.0, marks: Vec::new() }
    }

    fn lines(&mut self, x: f64, text: &str, room: f64, weight: Weight, colour: &'static str) {
        for line in wrap(text, SIZE, weight, room) {
            self.y += LEADING;
            self.marks.push(Mark::Text([x, self.y - 2.4], SIZE, weight, colour, line, Tag::Paragraph));
        }
    }

    /// Names in one column, values in the other.
    fn facts(&mut self, facts: &[(String, String)], name_width: f64) {
        for (name, value) in facts {
            let start = self.y;
            self.lines(0.0, name, name_width - 6.0, Weight::Regular, light::QUIET);
            let after_name = std::mem::replace(&mut self.y, start);
            self.lines(name_width, value, self.width - name_width, Weight::Regular, light::TEXT);
            self.y = self.y.max(after_name);
        }
    }

    fn findings(&mut self, lines: &[FindingLine]) {
        for line in lines {
            let colour = match line.severity {
                Severity::Note => "#8b96a0",
                Severity::Warn => "#c98a00",
                Severity::Stop => "#b3261e",
            };
            let start = self.y;
            let sentence = format!("{}: {}", line.word, line.message);
            self.lines(8.0, &sentence, self.width - 8.0, Weight::Regular, light::TEXT);
            for detail in &line.details {
                self.lines(8.0, detail, self.width - 8.0, Weight::Regular, light::QUIET);
            }
            self.marks.push(Mark::Rect([0.0, start + 1.5, 3.0, self.y - start - 1.0], colour));
            self.y += 3.0;
        }
    }

    fn table(&mut self, head: &[String], rows: &[Vec<String>], widths: &[f64]) {
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

    /// Lists beside each other, each as wide as its share.
    fn lists(&mut self, lists: &[(&'static str, Vec<(String, String)>)]) {
        let (start, mut deepest) = (self.y, self.y);
        let share = self.width / lists.len().max(1) as f64;
        for (i, (name, items)) in lists.iter().enumerate() {
            let mut list = Column::new(share - 12.0);
            list.lines(0.0, name, list.width, Weight::Bold, light::QUIET);
            for (number, meaning) in items {
                let top = list.y;
                list.lines(0.0, number, 20.0, Weight::Bold, light::TEXT);
                list.y = top;
                list.lines(21.0, meaning, list.width - 21.0, Weight::Regular, light::TEXT);
            }
            deepest = deepest.max(start + list.y);
            self.marks.extend(list.marks.into_iter().map(|m| m.shift([i as f64 * share, start])));
        }
        self.y = deepest + 2.0;
    }

    fn block(&mut self, block: &Block, title: &str, picture: Option<f64>) {
        match block {
            Block::Facts(facts) => self.facts(facts, if self.width > 400.0 { 92.0 } else { 66.0 }),
            Block::Lists(lists) => self.lists(lists),
            Block::Small(text) => self.lines(0.0, text, self.width, Weight::Regular, light::QUIET),
            Block::Text(text) => self.lines(0.0, text, self.width, Weight::Regular, light::TEXT),
            Block::Findings(lines) => self.findings(lines),
            Block::Table { head, rows, widths } => self.table(head, rows, widths),
            Block::Figure(svg, name) => {
                let height = svg.size()[1];
                self.marks.push(Mark::Drawing(svg.clone(), [0.0, self.y + 2.0], name.clone()));
                self.y += height + 4.0;
            }
            Block::Picture => {
                if let Some(aspect) = picture {
                    let height = self.width / aspect;
                    self.marks.push(Mark::Picture([0.0, self.y + 3.0, self.width, height], title.to_owned()));
                    self.y += height + 5.0;
                }
            }
        }
    }
}

/// The pages. `picture` is the width over height of the picture, where there is one.
pub fn pages(sheet: &Sheet, picture: Option<f64>) -> Vec<Vec<Mark>> {
    let mut pages = vec![Vec::new()];
    let mut y = head_of_page(sheet, &mut pages[0]);
    let mut waiting = sheet.sections.iter().peekable();
    while let Some(section) = waiting.next() {
        let mut row = vec![(section, 0.0, if section.wide { WIDTH } else { HALF })];
        if !section.wide
            && let Some(second) = waiting.next_if(|next| !next.wide)
        {
            row.push((second, WIDTH - HALF, HALF));
        }
        let columns: Vec<(Column, f64)> = row.into_iter().map(|(s, x, w)| (column(s, w, picture), x)).collect();
        let height = columns.iter().map(|(c, _)| c.y).fold(0.0, f64::max);
        if y + height > BOTTOM && y > TOP + 1.0 {
            pages.push(Vec::new());
            y = TOP;
        }
        if let Some(page) = pages.last_mut() {
            for (column, x) in columns {
                page.extend(column.marks.into_iter().map(|m| m.shift([LEFT + x, y])));
            }
        }
        y += height + 5.0;
    }
    let undrawn = undrawn(&mut pages);
    let count = pages.len();
    for (i, page) in pages.iter_mut().enumerate() {
        page.push(Mark::Rect([LEFT, 812.0, WIDTH, 0.6], light::LINE));
        let note = if undrawn { format!(" {}", sheet.no_glyph) } else { String::new() };
        let text = format!("{}{note} ({}/{count})", sheet.caution, i + 1);
        page.push(Mark::Text([LEFT, 822.0], SIZE, Weight::Regular, light::QUIET, text, Tag::Paragraph));
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

fn column(section: &Section, width: f64, picture: Option<f64>) -> Column {
    let mut column = Column::new(width);
    column.marks.push(Mark::Rect([0.0, 0.0, width, 0.6], light::LINE));
    column.y = 12.0;
    let title = section.title.to_owned();
    column.marks.push(Mark::Text([0.0, 10.0], 8.8, Weight::Bold, light::TEXT, title, Tag::Heading));
    for block in &section.blocks {
        column.block(block, section.title, picture);
    }
    column
}

/// Title, verdict, who and when, the number; returns where the sections begin.
fn head_of_page(sheet: &Sheet, page: &mut Vec<Mark>) -> f64 {
    let ink = head::verdict_ink(sheet.verdict);
    page.push(Mark::Text([LEFT, TOP + 14.0], 17.0, Weight::Bold, light::TEXT, sheet.title.to_owned(), Tag::Title));
    let mut mark = Svg::new(24.0, 24.0);
    head::verdict_mark(&mut mark, [12.0, 12.0], 10.0, sheet.verdict);
    let x = LEFT + WIDTH - 178.0;
    page.push(Mark::Drawing(Box::new(mark), [x, TOP - 4.0], sheet.verdict_word.to_owned()));
    let word = sheet.verdict_word.to_owned();
    page.push(Mark::Text([x + 30.0, TOP + 14.0], 17.0, Weight::Bold, light::TEXT, word, Tag::Paragraph));
    let means = wrap(sheet.verdict_means, SIZE, Weight::Regular, 176.0);
    for (i, line) in means.into_iter().enumerate() {
        let at = [x, TOP + 30.0 + LEADING * i as f64];
        page.push(Mark::Text(at, SIZE, Weight::Regular, light::QUIET, line, Tag::Paragraph));
    }
    let half = sheet.who.len().div_ceil(2);
    let mut deepest: f64 = TOP + 42.0;
    for (i, facts) in sheet.who.chunks(half.max(1)).enumerate() {
        let mut column = Column::new(168.0);
        column.facts(facts, 62.0);
        let at = [LEFT + 172.0 * i as f64, TOP + 20.0];
        deepest = deepest.max(at[1] + column.y);
        page.extend(column.marks.into_iter().map(|m| m.shift(at)));
    }
    let y = deepest + 6.0;
    page.push(Mark::Rect([LEFT, y, WIDTH, 2.0], ink));
    number(sheet, page, y + 6.0)
}

fn number(sheet: &Sheet, page: &mut Vec<Mark>, y: f64) -> f64 {
    let mut column = Column::new(WIDTH - 190.0);
    column.facts(&sheet.bounds, 90.0);
    let height = column.y.max(46.0) + 10.0;
    page.push(Mark::Rect([LEFT, y, WIDTH, height], light::PANEL));
    let size = if sheet.unit.is_empty() { 24.0 } else { 36.0 };
    let name = sheet.number_name.to_owned();
    page.push(Mark::Text([LEFT + 8.0, y + 13.0], SIZE, Weight::Regular, light::QUIET, name, Tag::Paragraph));
    let base = y + 46.0;
    let number = sheet.number.clone();
    let after = LEFT + 14.0 + crate::report::picture::canvas::width(&number, size, Weight::Bold);
    page.push(Mark::Text([LEFT + 8.0, base], size, Weight::Bold, light::TEXT, number, Tag::Paragraph));
    if !sheet.unit.is_empty() {
        let unit = sheet.unit.to_owned();
        page.push(Mark::Text([after, base], 14.0, Weight::Regular, light::TEXT, unit, Tag::Paragraph));
    }
    let at = [LEFT + 182.0, y + 4.0];
    page.extend(column.marks.into_iter().map(|m| m.shift(at)));
    y + height + 8.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_character_without_a_drawing_leaves_a_mark_that_can_be_drawn() {
        assert!(drawable(MISSING) && drawable('é') && drawable('Ж') && drawable('µ'));
        assert!(!drawable('山') && !drawable('ع'));
        let text =
            |text: &str| Mark::Text([0.0; 2], SIZE, Weight::Regular, light::TEXT, text.to_owned(), Tag::Paragraph);
        let mut pages = vec![vec![text("山田, Tarou")]];
        assert!(undrawn(&mut pages));
        assert!(matches!(&pages[0][0], Mark::Text(.., text, _) if text == "□□, Tarou"));
        assert!(!undrawn(&mut [vec![text("Yamada, Tarou")]]));
    }
}
