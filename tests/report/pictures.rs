//! Pictures are drawn into `target/tmp/look`, to be looked at.

use super::made::{Made, bound, lic, note, stop, warning};
use siderolog::report::picture::{self, canvas::Pixels};
use siderolog::report::view::View;
use siderolog::report::words::Language;
use std::path::PathBuf;

pub fn look(name: &str, bytes: &[u8]) {
    let dir = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("look");
    std::fs::create_dir_all(&dir).unwrap();
    std::fs::write(dir.join(name), bytes).unwrap();
}

fn draw(name: &str, view: &View<'_>, language: Language) -> Pixels {
    let started = std::time::Instant::now();
    let pixels = picture::quality(view, language.words());
    let drawn = started.elapsed();
    let png = pixels.png();
    eprintln!("{name}: drawn in {drawn:?}, {} bytes of PNG after {:?}", png.len(), started.elapsed());
    look(name, &png);
    pixels
}

#[test]
fn quality_pictures_of_made_up_studies() {
    let made = Made::new(8, 128, 160, 12, 212.4);
    let clear = draw("qc-clear.png", &made.view(vec![], Some(lic(5.4))), Language::English);
    let again = picture::quality(&made.view(vec![], Some(lic(5.4))), Language::English.words());
    assert_eq!(clear, again, "the same study gives the same picture");
    draw("qc-review-de.png", &made.view(vec![warning(), note()], Some(lic(5.4))), Language::German);
    let heavy = Made::new(25, 160, 192, 12, 1180.0);
    draw("qc-above.png", &heavy.view(vec![warning(), note(), note()], Some(bound(28.5))), Language::English);
    let mut refused = made.view(vec![stop(), warning(), note()], None);
    refused.r2star = None;
    refused.region = None;
    refused.decay = None;
    refused.result.roi = None;
    refused.result.r2star_per_s = None;
    refused.result.measuring_range = None;
    draw("qc-refused.png", &refused, Language::English);
}

/// Two patients with the same images get the same picture: nothing in it tells who, when or where.
#[test]
fn no_identity_reaches_the_pixels() {
    let made = Made::new(3, 64, 80, 6, 212.4);
    let mut other = Made::new(3, 64, 80, 6, 212.4);
    for text in [
        &mut other.header.patient.name,
        &mut other.header.patient.id,
        &mut other.header.patient.birth_date,
        &mut other.header.study.accession,
        &mut other.header.study.date,
        &mut other.header.study.institution,
        &mut other.header.study.referring_physician,
        &mut other.header.scanner.station,
    ] {
        *text = Some("Somebody^Else".to_owned());
    }
    other.header.series[0].description = Some("Somebody Else".to_owned());
    let words = Language::English.words();
    let one = picture::quality(&made.view(vec![warning()], Some(lic(5.4))), words);
    assert_eq!(one, picture::quality(&other.view(vec![warning()], Some(lic(5.4))), words));
}
