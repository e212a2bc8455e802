//! The reporting stage of a study of 25 slices: everything a site gets by default, against encoding its quality picture
//! once as PNG in the same run.
#![allow(missing_docs, clippy::unwrap_used, dead_code)]

#[path = "../tests/report/made.rs"]
mod made;

use criterion::{Criterion, criterion_group, criterion_main};
use made::{Made, lic, note, warning};
use siderolog::report::outputs::StructuredReport;
use siderolog::report::page::{html, model, pdf};
use siderolog::report::picture::{self, canvas::Pixels};
use siderolog::report::view::View;
use siderolog::report::words::Language;
use siderolog::report::{Outputs, compose_view};
use std::time::{Duration, Instant};

const SLICES: usize = 25;
const ROWS: usize = 160;
const COLUMNS: usize = 192;
const ECHOES: usize = 12;

fn shortest(mut work: impl FnMut()) -> Duration {
    (0..5).map(|_| timed(&mut work)).min().unwrap()
}

fn timed(work: &mut impl FnMut()) -> Duration {
    let began = Instant::now();
    work();
    began.elapsed()
}

/// Milliseconds of processor time this process has used, all threads together, to ten (Linux, proc(5)).
fn processor_ms() -> u64 {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let after_name = text.rsplit(')').next().unwrap_or_default();
    let fields = after_name.split_whitespace().skip(11).take(2);
    fields.filter_map(|ticks| ticks.parse::<u64>().ok()).sum::<u64>() * 10
}

/// Where the time goes, each part alone on one thread.
fn parts<'v>(make: impl Fn() -> View<'v>, picture: &Pixels) {
    let view = &make();
    let words = Language::English.words();
    let sheet = model::sheet(view, words);
    let strip = picture::images_only(picture);
    let only = |change: fn(&mut Outputs)| {
        let mut wanted =
            Outputs { quality_picture: false, page: false, pdf: false, encapsulated_pdf: false, ..Outputs::default() };
        wanted.capture = false;
        wanted.fhir = false;
        wanted.hl7 = false;
        change(&mut wanted);
        wanted
    };
    let composed = |wanted: &Outputs| drop(compose_view(make(), wanted));
    let (nothing, objects) = (only(|w| w.segmentations = false), only(|_| {}));
    let without = Outputs { r2star_map: false, structured_report: StructuredReport::None, ..nothing.clone() };
    let named: [(&str, &dyn Fn()); 6] = [
        ("quality picture", &|| drop(picture::quality(view, words))),
        ("PNG of its middle", &|| drop(picture::middle(picture).png())),
        ("HTML", &|| drop(html::write(&sheet, Language::English, Some(&[0; 1 << 20])))),
        ("PDF", &|| drop(pdf::write(&sheet, Language::English, Some(&strip)))),
        ("region, map, report", &|| composed(&objects)),
        ("names and digests", &|| composed(&without)),
    ];
    for (name, work) in named {
        println!("  {name}: {:.0} ms", shortest(work).as_secs_f64() * 1e3);
    }
}

fn speed(c: &mut Criterion) {
    let made = Made::new(SLICES, ROWS, COLUMNS, ECHOES, 212.0);
    let view = || made.view(vec![warning(), note()], Some(lic(5.4)));
    let picture = picture::quality(&view(), Language::English.words());
    let reference = shortest(|| drop(picture.png()));
    parts(view, &picture);
    for threads in [1, 2] {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let whole = || pool.install(|| compose_view(view(), &Outputs::default()));
        let before = processor_ms();
        let took = shortest(|| drop(whole()));
        let processor = (processor_ms() - before) / 5;
        println!(
            "report, {threads} thread(s): {:.0} ms by the clock, {processor} ms of processor, {:.1} times one PNG of {} x {} ({:.0} ms)",
            took.as_secs_f64() * 1e3,
            took.as_secs_f64() / reference.as_secs_f64(),
            picture.width,
            picture.height,
            reference.as_secs_f64() * 1e3
        );
        c.bench_function(&format!("report/{threads}"), |b| b.iter(whole));
    }
    c.bench_function("report/one-png", |b| b.iter(|| picture.png()));
}

criterion_group!(name = benches; config = Criterion::default().sample_size(10); targets = speed);
criterion_main!(benches);
