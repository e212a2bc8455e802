//! Bias and coverage on simulated voxels. Small by default; `SIDEROLOG_EVIDENCE=1` runs the full tables, prints them and
//! writes them to `docs/evidence/`.

use super::simulate::{Normal, magnitude, median, noisy, train};
use ndarray::Array2;
use siderolog::fit::{Maps, Model, ModelSettings, Sigma, State, fit};
use siderolog::study::ModelKind;
use std::fmt::Write as _;

pub fn evidence() -> bool {
    std::env::var_os("SIDEROLOG_EVIDENCE").is_some()
}

/// Writes a table where evidence is asked for.
pub fn record(name: &str, table: &str) {
    println!("{table}");
    if evidence() {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/evidence");
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(folder.join(name), table).unwrap();
    }
}

fn maps(kind: ModelKind, times: &[f64], samples: &Array2<f32>, field: f64, coils: usize) -> Maps {
    let settings = ModelSettings { field_strength: Some(field), ..ModelSettings::default() };
    fit(&Model::new(kind, times, &settings).unwrap(), samples.view(), Sigma::Uniform(1.0), coils as f64)
}

fn middle(maps: &Maps) -> f64 {
    median((0..maps.state.len()).filter_map(|v| maps.ranked(v)).collect())
}

#[test]
fn noise_corrected_medians_are_unbiased_with_known_noise() {
    let voxels = if evidence() { 20_000 } else { 3_000 };
    let times = train(1.0, 1.0, 12);
    let mut table = String::from(
        "# Bias of the noise-corrected median, noise level known\n\nTwelve echoes from 1.0 ms, spacing 1.0 ms; bias in % of \
         the true R2*, with the standard error of the median in brackets.\n\n| N | SNR | R2* 20 | 60 | 200 | 500 | 1000 |\n\
         |---|---|---|---|---|---|---|\n",
    );
    for coils in [1, 4, 16] {
        for (snr, limit) in [(20.0, 3.0), (40.0, 1.0), (100.0, 1.0)] {
            write!(table, "| {coils} | {snr} ").unwrap();
            for (k, rate) in [20.0, 60.0, 200.0, 500.0, 1000.0].into_iter().enumerate() {
                let signal: Vec<f64> = times.iter().map(|t| snr * f64::exp(-rate * t)).collect();
                let samples = noisy(&signal, coils, voxels, 100 + k as u64);
                let found = maps(ModelKind::NoiseCorrected, &times, &samples, 1.5, coils);
                let error =
                    median(found.standard_error.iter().filter(|e| e.is_finite()).map(|&e| f64::from(e)).collect());
                let bias = 100.0 * (middle(&found) / rate - 1.0);
                // Standard error of a median of normal values is 1.253 times that of their mean.
                let chance = 100.0 * 1.253 * error / rate / (voxels as f64).sqrt();
                write!(table, "| {bias:+.2} ({chance:.2}) ").unwrap();
                assert!(bias.abs() < limit + 3.0 * chance, "N {coils}, SNR {snr}, R2* {rate}: {bias} %");
            }
            table.push_str("|\n");
        }
    }
    record("fit-bias-known-noise.md", &table);
}

#[test]
fn intervals_cover_the_truth() {
    let voxels = if evidence() { 10_000 } else { 2_000 };
    let times = train(1.0, 1.0, 12);
    let mut table = String::from(
        "# Coverage of the 95 % interval of one voxel\n\nShare of voxels in % whose interval (R2* ± 1.96 standard errors, the \
         error from the noise level) holds the truth, where the median relative standard error is below 20 %.\n\n\
         | model | N | SNR | R2* | relative error % | coverage % |\n|---|---|---|---|---|---|\n",
    );
    for (kind, coils, snr, rates) in [
        (ModelKind::NoiseCorrected, 1, 30.0, [60.0, 200.0, 600.0]),
        (ModelKind::NoiseCorrected, 8, 60.0, [60.0, 200.0, 600.0]),
        (ModelKind::Monoexponential, 1, 100.0, [40.0, 100.0, 200.0]),
        (ModelKind::FatCorrected, 1, 100.0, [60.0, 150.0, 300.0]),
    ] {
        for rate in rates {
            let signal: Vec<f64> = times.iter().map(|t| snr * f64::exp(-rate * t)).collect();
            let found = maps(kind, &times, &noisy(&signal, coils, voxels, 7), 1.5, coils);
            let fitted: Vec<usize> = (0..voxels).filter(|&v| found.state[v] == State::Fitted).collect();
            let relative = median(fitted.iter().map(|&v| f64::from(found.standard_error[v]) / rate).collect());
            let holds =
                |v: &&usize| (f64::from(found.r2star[**v]) - rate).abs() < 1.96 * f64::from(found.standard_error[**v]);
            let coverage = 100.0 * fitted.iter().filter(holds).count() as f64 / voxels as f64;
            writeln!(table, "| {kind} | {coils} | {snr} | {rate} | {:.1} | {coverage:.1} |", 100.0 * relative).unwrap();
            // Three standard errors of a binomial share at 95 %.
            let chance = 300.0 * (0.95 * 0.05 / voxels as f64).sqrt();
            if relative < 0.2 {
                let inside = coverage > 93.0 - chance && coverage < 97.0 + chance;
                assert!(inside, "{kind}, N {coils}, SNR {snr}, R2* {rate}: {coverage} %");
            }
        }
    }
    record("fit-coverage.md", &table);
}

/// Six-peak fat, written out here apart from the room's own: place in ppm and amplitude.
const FAT: [(f64, f64); 6] =
    [(-3.80, 0.087), (-3.40, 0.693), (-2.60, 0.128), (-1.94, 0.004), (-0.39, 0.039), (0.60, 0.048)];

/// Real and imaginary part of water and fat with a total of 1 at echo time zero.
pub fn water_fat(fraction: f64, field: f64, t: f64) -> [f64; 2] {
    let mut sum = [1.0 - fraction, 0.0];
    for (ppm, amplitude) in FAT {
        let angle = std::f64::consts::TAU * ppm * 42.577_478 * field * t;
        sum[0] += fraction * amplitude / 0.999 * angle.cos();
        sum[1] += fraction * amplitude / 0.999 * angle.sin();
    }
    sum
}

#[test]
fn fat_corrected_medians_are_right_up_to_forty_percent_fat() {
    let voxels = 2_000;
    let times = train(1.0, 1.0, 12);
    let mut table = String::from(
        "# Fat-corrected fit: R2* and fat fraction\n\nTwelve echoes from 1.0 ms, spacing 1.0 ms, SNR 50, medians over 2,000 \
         voxels: bias of R2* in %, bias of the fat fraction in points.\n\n| field | R2* | FF 0 | 10 | 20 | 30 | 40 |\n\
         |---|---|---|---|---|---|---|\n",
    );
    let mut wrong = Vec::new();
    for field in [1.5, 3.0] {
        for rate in [30.0, 100.0, 200.0, 400.0] {
            write!(table, "| {field} | {rate} ").unwrap();
            for fat in [0.0, 10.0, 20.0, 30.0, 40.0] {
                let length = |t: &f64| {
                    let [re, im] = water_fat(fat / 100.0, field, *t);
                    50.0 * f64::exp(-rate * t) * re.hypot(im)
                };
                let signal: Vec<f64> = times.iter().map(length).collect();
                let found = maps(ModelKind::FatCorrected, &times, &noisy(&signal, 1, voxels, 9), field, 1);
                let bias = 100.0 * (middle(&found) / rate - 1.0);
                let told = found.fat_fraction.iter().filter(|f| f.is_finite()).map(|&f| 100.0 * f64::from(f)).collect();
                let points = median(told) - fat;
                write!(table, "| {bias:+.1} {points:+.1} ").unwrap();
                if bias.abs() > 3.0 || points.abs() > 3.0 {
                    wrong.push(format!("{field} T, R2* {rate}, fat {fat} %: {bias:.1} % and {points:.1} points"));
                }
            }
            table.push_str("|\n");
        }
    }
    record("fit-fat.md", &table);
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// Reference bias of a plain fit to noise-free water-fat magnitudes, computed with another implementation.
#[test]
fn plain_fits_of_fatty_decays_show_the_bias_of_the_reference_table() {
    let rows = "
        1.5 1.0 1.0 12 30 30.0 30.6 31.4 33.6 37.2 43.0
        1.5 1.0 1.0 12 400 400.0 405.2 411.9 431.3 464.4 524.0
        3.0 1.0 1.0 12 30 30.0 28.8 27.6 24.6 21.0 16.9
        3.0 1.0 1.0 12 400 400.0 388.9 377.2 351.4 323.1 294.3
        3.0 1.2 2.0 6 30 30.0 22.5 14.2 -5.5 -29.7 -58.8
        1.5 4.60 4.60 5 100 100.0 101.1 102.2 104.6 107.2 110.1
        3.0 2.30 2.30 5 400 400.0 404.1 408.3 417.3 427.1 437.9";
    for row in rows.trim().lines() {
        let n: Vec<f64> = row.split_whitespace().map(|x| x.parse().unwrap()).collect();
        let times = train(n[1], n[2], n[3] as usize);
        for (k, fat) in [0.0, 0.05, 0.1, 0.2, 0.3, 0.4].into_iter().enumerate() {
            let samples = Array2::from_shape_fn((times.len(), 1), |(e, _)| {
                let [re, im] = water_fat(fat, n[0], times[e]);
                1e4 * f64::exp(-n[4] * times[e]) * re.hypot(im)
            });
            let model = Model::new(ModelKind::Monoexponential, &times, &ModelSettings::default()).unwrap();
            let found = fit(&model, samples.view(), Sigma::Uniform(1.0), 1.0).r2star[0];
            assert!((found - n[5 + k]).abs() < 0.051, "{row}, fat {fat}: {found}");
        }
    }
}

/// Ambiguity must be called where fat and water are symmetric, and seldom where they are not.
#[test]
fn the_other_solution_is_reported_where_the_data_cannot_tell() {
    let times = train(1.0, 1.0, 12);
    let mut normal = Normal::new(11);
    let mut share = |fat: f64, snr: f64| {
        let samples = Array2::from_shape_fn((12, 1_000), |(e, _)| {
            let [re, im] = water_fat(fat, 1.5, times[e]);
            magnitude(snr * f64::exp(-100.0 * times[e]) * re.hypot(im), 1, &mut normal) as f32
        });
        let found = maps(ModelKind::FatCorrected, &times, &samples, 1.5, 1);
        found.ambiguous.iter().filter(|&&a| a).count() as f64 / 1_000.0
    };
    let (clear, unclear) = (share(0.1, 60.0), share(0.45, 10.0));
    assert!(clear < 0.05 && unclear > 0.2, "{clear} and {unclear}");
}
