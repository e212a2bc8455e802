//! The region of 25 slices and the image measures of 300 images, beside one plain pass over the same samples.
#![allow(missing_docs, clippy::unwrap_used)]

use criterion::{Criterion, criterion_group, criterion_main};
use siderolog::phantom::{self, Recipe};
use siderolog::study::Acquisition;
use siderolog::{fit, quality, roi};
use std::hint::black_box;

/// Twenty-five slices of 160 × 192 with twelve echoes.
fn whole_liver() -> Acquisition {
    let mut recipe = Recipe { seed: 203, ..Recipe::default() };
    recipe.grid.slices = 25;
    recipe.grid.rows = 160;
    recipe.grid.columns = 192;
    recipe.grid.pixel_mm = [2.0, 2.0];
    recipe.grid.thickness_mm = 6.0;
    recipe.grid.spacing_mm = 6.5;
    Acquisition::assemble(phantom::scan(&recipe).parts()).unwrap()
}

fn region(c: &mut Criterion) {
    let acquisition = whole_liver();
    let noise = fit::estimate_noise(&acquisition, None);
    let survey = fit::survey(&acquisition, &noise);
    let found = roi::find(&acquisition, &survey, &noise, &Default::default());
    let pool = rayon::ThreadPoolBuilder::new().num_threads(2).build().unwrap();
    let mut group = c.benchmark_group("25 slices, two threads");
    group.sample_size(10);
    group.bench_function("one plain pass", |b| {
        b.iter(|| acquisition.magnitude().iter().map(|&v| f64::from(black_box(v)) * f64::from(v)).sum::<f64>());
    });
    group.bench_function("region", |b| {
        b.iter(|| pool.install(|| roi::find(&acquisition, &survey, &noise, &Default::default())));
    });
    group.bench_function("image measures", |b| {
        b.iter(|| pool.install(|| quality::measure(&acquisition, &survey, &noise, &found)));
    });
    group.finish();
}

criterion_group!(benches, region);
criterion_main!(benches);
