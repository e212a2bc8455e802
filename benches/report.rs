//! The reporting stage of a study of 25 slices: everything a site gets by default, against encoding its quality picture
//! once as PNG in the same run.
#![allow(missing_docs, clippy::unwrap_used, dead_code)]

#[path = "../tests/report/made.rs"]
mod made;

use criterion::{Criterion, criterion_group, criterion_main};
use made::{Made, lic, note, warning};
use siderolog::report::picture;
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

fn speed(c: &mut Criterion) {
    let made = Made::new(SLICES, ROWS, COLUMNS, ECHOES, 212.0);
    let view = || made.view(vec![warning(), note()], Some(lic(5.4)));
    let picture = picture::quality(&view(), Language::English.words());
    let reference = shortest(|| drop(picture.png()));
    for threads in [1, 2] {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let whole = || pool.install(|| compose_view(view(), &Outputs::default()));
        let took = shortest(|| drop(whole()));
        println!(
            "report, {threads} thread(s): {:.0} ms, {:.1} times one PNG of {} x {} ({:.0} ms)",
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
