//! Fits a second, by model, instruction set and number of threads. Ratios against scipy come from `.ci/bench-fit`.
#![allow(missing_docs, clippy::unwrap_used)]

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use ndarray::Array2;
use siderolog::fit::{Level, Model, ModelSettings, Sigma, fit_at};
use siderolog::study::ModelKind;

const VOXELS: usize = 100_000;

/// A decay with a ripple that stands in for noise; no two voxels alike.
fn samples(times: &[f64]) -> Array2<f32> {
    Array2::from_shape_fn((times.len(), VOXELS), |(e, v)| {
        let rate = 30.0 + 400.0 * (v % 997) as f64 / 997.0;
        let ripple = ((e * 7919 + v * 104_729) % 1009) as f64 / 1009.0 - 0.5;
        (50.0 * (-rate * times[e]).exp() + 3.0 * ripple).abs() as f32
    })
}

fn speed(c: &mut Criterion) {
    let times: Vec<f64> = (1..=12).map(|k| f64::from(k) * 1e-3).collect();
    let samples = samples(&times);
    let settings = ModelSettings { field_strength: Some(1.5), ..ModelSettings::default() };
    let mut group = c.benchmark_group("fit");
    group.throughput(Throughput::Elements(VOXELS as u64)).sample_size(10);
    for kind in [ModelKind::Monoexponential, ModelKind::NoiseCorrected, ModelKind::FatCorrected] {
        let model = Model::new(kind, &times, &settings).unwrap();
        let one = Level::available().into_iter().map(|level| (level, 1));
        for (level, threads) in one.chain([(Level::best(), 2)]) {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            let name = BenchmarkId::new(format!("{kind} {level:?}"), threads);
            group.bench_function(name, |b| {
                b.iter(|| pool.install(|| fit_at(level, &model, samples.view(), Sigma::Uniform(1.0), 1.0)));
            });
        }
    }
    group.finish();
}

criterion_group!(benches, speed);
criterion_main!(benches);
