//! The page as PDF: real text, embedded subsets of the fonts, tagged for readers who cannot see it.

use super::flow::{Mark, PAPER, Tag, pages};
use super::model::Sheet;
use crate::report::picture::canvas::{Pixels, REGULAR, SEMIBOLD, Weight};
use crate::report::words::Language;
use krilla::color::rgb;
use krilla::geom::{PathBuilder, Point, Rect, Size, Transform};
use krilla::image::Image;
use krilla::metadata::Metadata;
use krilla::num::NormalizedF32;
use krilla::page::PageSettings;
use krilla::paint::Fill;
use krilla::surface::Surface;
use krilla::tagging::{ArtifactType, ContentTag, SpanTag, Tag as Role, TagGroup, TagTree};
use krilla::text::{Font, TextDirection};
use krilla::{Document, SerializeSettings};
use krilla_svg::{SurfaceExt as _, SvgSettings};
use std::num::NonZeroU16;

/// `report.pdf`. `None` only if the embedded fonts did not load or the writer refuses, which a test rules out.
pub fn write(sheet: &Sheet, language: Language, picture: Option<&Pixels>) -> Option<Vec<u8>> {
    let fonts = [Font::new(REGULAR.to_vec().into(), 0)?, Font::new(SEMIBOLD.to_vec().into(), 0)?];
    let settings = SerializeSettings { enable_tagging: true, xmp_metadata: true, ..SerializeSettings::default() };
    let mut document = Document::new_with(settings);
    let mut tree = TagTree::new().with_lang(Some(language.tag().to_owned()));
    let aspect = picture.map(|p| p.width as f64 / p.height as f64);
    let image = picture.map(|p| {
        let rgba = p.rgb.chunks_exact(3).flat_map(|c| [c[0], c[1], c[2], 255]).collect();
        Image::from_rgba8(rgba, p.width as u32, p.height as u32)
    });
    for marks in pages(sheet, aspect) {
        let mut page = document.start_page_with(PageSettings::from_wh(PAPER[0] as f32, PAPER[1] as f32)?);
        let mut surface = page.surface();
        for mark in &marks {
            draw(&mut surface, mark, &fonts, image.as_ref(), &mut tree);
        }
        surface.finish();
        page.finish();
    }
    let metadata = Metadata::new()
        .title(sheet.title.to_owned())
        .language(language.tag().to_owned())
        .producer("siderolog".to_owned());
    document.set_metadata(metadata);
    document.set_tag_tree(tree);
    document.finish().ok()
}

fn fill(colour: &str) -> Fill {
    let part = |at: usize| colour.get(at..at + 2).and_then(|t| u8::from_str_radix(t, 16).ok()).unwrap_or(0);
    let paint = rgb::Color::new(part(1), part(3), part(5)).into();
    Fill { paint, opacity: NormalizedF32::ONE, ..Fill::default() }
}

fn draw(surface: &mut Surface<'_>, mark: &Mark, fonts: &[Font; 2], image: Option<&Image>, tree: &mut TagTree) {
    match mark {
        Mark::Text([x, y], size, weight, colour, text, tag) => {
            let content = surface.start_tagged(ContentTag::Span(SpanTag::empty()));
            surface.set_fill(Some(fill(colour)));
            let font = fonts[usize::from(*weight == Weight::Bold)].clone();
            let at = Point::from_xy(*x as f32, *y as f32);
            surface.draw_text(at, font, *size as f32, text, false, TextDirection::Auto);
            surface.end_tagged();
            let level = |n: u16| NonZeroU16::new(n).unwrap_or(NonZeroU16::MIN);
            let mut group = match tag {
                Tag::Title => TagGroup::new(Role::Hn(level(1), Some(text.clone()))),
                Tag::Heading => TagGroup::new(Role::Hn(level(2), Some(text.clone()))),
                Tag::Paragraph => TagGroup::new(Role::P),
            };
            group.push(content);
            tree.push(group);
        }
        Mark::Rect([x, y, w, h], colour) => {
            let Some(rect) = Rect::from_xywh(*x as f32, *y as f32, *w as f32, *h as f32) else { return };
            let mut path = PathBuilder::new();
            path.push_rect(rect);
            let Some(path) = path.finish() else { return };
            surface.start_tagged(ContentTag::Artifact(krilla::tagging::Artifact::with_kind(ArtifactType::Layout)));
            surface.set_fill(Some(fill(colour)));
            surface.draw_path(&path);
            surface.end_tagged();
        }
        Mark::Drawing(svg, [x, y], name) => {
            let [w, h] = svg.size();
            let (Some(drawing), Some(size)) = (svg.tree(), Size::from_wh(w as f32, h as f32)) else { return };
            figure(surface, tree, name, [*x, *y], |surface| {
                surface.draw_svg(&drawing, size, SvgSettings::default());
            });
        }
        Mark::Picture([x, y, w, h], name) => {
            let (Some(image), Some(size)) = (image, Size::from_wh(*w as f32, *h as f32)) else { return };
            figure(surface, tree, name, [*x, *y], |surface| surface.draw_image(image.clone(), size));
        }
    }
}

fn figure(
    surface: &mut Surface<'_>,
    tree: &mut TagTree,
    name: &str,
    [x, y]: [f64; 2],
    draw: impl FnOnce(&mut Surface<'_>),
) {
    let content = surface.start_tagged(ContentTag::Other);
    surface.push_transform(&Transform::from_translate(x as f32, y as f32));
    draw(surface);
    surface.pop();
    surface.end_tagged();
    let mut group = TagGroup::new(Role::Figure(Some(name.to_owned())));
    group.push(content);
    tree.push(group);
}
