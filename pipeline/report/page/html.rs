//! The page as one HTML file that needs nothing beside it.

use super::model::{Block, FindingLine, Group, Section, Sheet};
use crate::report::picture::canvas::Svg;
use crate::report::picture::head;
use crate::report::words::Language;
use askama::Template;

#[derive(Template)]
#[template(path = "page.html")]
struct Page<'a> {
    lang: &'static str,
    sheet: &'a Sheet,
    mark: String,
    picture: String,
}

impl Page<'_> {
    fn mark(line: &FindingLine) -> String {
        let mut mark = Svg::new(16.0, 16.0);
        head::mark(&mut mark, [8.0, 8.0], 7.0, line.severity, &head::LIGHT);
        mark.finish(line.word)
    }

    fn columns(groups: &[Group]) -> usize {
        groups.len().clamp(1, 3)
    }

    /// Narrow sections that follow each other stand side by side.
    fn rows(&self) -> Vec<Vec<&Section>> {
        let mut rows: Vec<Vec<&Section>> = Vec::new();
        for section in &self.sheet.sections {
            match rows.last_mut() {
                Some(row) if !section.wide && row.iter().all(|beside| !beside.wide) => row.push(section),
                _ => rows.push(vec![section]),
            }
        }
        // Neither of the first two stays alone in its column beside a longer one.
        if let [first, .., last] = rows.as_mut_slice()
            && first.len() == 2
            && last.len() > 1
        {
            first.insert(1, last.remove(0));
        }
        rows
    }
}

/// `report.html`; `picture` is a PNG.
pub fn write(sheet: &Sheet, language: Language, picture: Option<&[u8]>) -> Vec<u8> {
    let mut mark = Svg::new(28.0, 28.0);
    head::verdict_mark(&mut mark, [14.0, 14.0], 12.0, sheet.verdict, &head::LIGHT);
    let page = Page {
        lang: language.tag(),
        sheet,
        mark: mark.finish(sheet.verdict_word),
        picture: picture.map(base64).unwrap_or_default(),
    };
    // Rendering to memory fails only where a value's Display does, and all are text.
    page.render().unwrap_or_default().into_bytes()
}

/// RFC 4648, section 4.
fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let at = |i: usize| u32::from(chunk.get(i).copied().unwrap_or(0));
        let bits = at(0) << 16 | at(1) << 8 | at(2);
        for i in 0..4 {
            let letter = LETTERS[(bits >> (18 - 6 * i) & 63) as usize];
            out.push(if i <= chunk.len() { char::from(letter) } else { '=' });
        }
    }
    out
}

#[cfg(test)]
mod tests {
    /// RFC 4648, section 10.
    #[test]
    fn base64_of_the_standards_examples() {
        for (plain, coded) in
            [("", ""), ("f", "Zg=="), ("fo", "Zm8="), ("foo", "Zm9v"), ("foob", "Zm9vYg=="), ("foobar", "Zm9vYmFy")]
        {
            assert_eq!(super::base64(plain.as_bytes()), coded);
        }
    }
}
