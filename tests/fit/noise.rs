//! Noise levels from simulated scans, and what an estimated level does to R2*.

use super::bias::record;
use super::simulate::median;
use siderolog::fit::{Model, ModelSettings, Noise, NoiseMethod, Sigma, estimate_noise, first_look, fit};
use siderolog::phantom::{Recipe, Scan, scan};
use siderolog::study::{Acquisition, ModelKind};
use std::fmt::Write as _;

fn simulated(body: &str) -> (Scan, Acquisition) {
    let scan = scan(&Recipe::from_yaml("test.yaml", body).unwrap());
    let acquisition = Acquisition::assemble(scan.parts()).unwrap();
    (scan, acquisition)
}

/// Relative error of the noise level, and what it does to the median R2* over the true parenchyma: against the fit that
/// knows the noise, for ghosts and the spread of a real liver are not its doing.
fn errors(scan: &Scan, acquisition: &Acquisition, noise: &Noise) -> (f64, f64) {
    let truth = scan.truth();
    let liver: Vec<usize> = (0..truth.parenchyma.len()).filter(|&v| truth.parenchyma[v]).collect();
    let samples = acquisition.magnitude().select(ndarray::Axis(1), &liver);
    let model = Model::new(ModelKind::NoiseCorrected, &acquisition.echo_seconds(), &ModelSettings::default()).unwrap();
    let middle = |sigma: f64, coils: f64| {
        let maps = fit(&model, samples.view(), Sigma::Uniform(sigma), coils);
        median((0..liver.len()).filter_map(|v| maps.ranked(v)).collect())
    };
    let (found, known) = (middle(noise.sigma, noise.coil_elements), middle(truth.sigma, truth.coil_elements));
    (noise.sigma / truth.sigma - 1.0, found / known - 1.0)
}

fn recipe(r2star: f64, channels: u32, seed: u64, artefacts: &str) -> String {
    format!(
        "seed: {seed}\nliver: {{r2star: {r2star}, fat_fraction: 0}}\ngrid: {{slices: 2}}\n\
         sequence: {{first_echo_ms: 1.0, echo_spacing_ms: 1.0}}\nreceive: {{channels: {channels}, snr: 40, field_disturbance: false}}\n\
         artefacts: {{{artefacts}}}\n"
    )
}

/// One row: what was found and how wrong it is.
fn row(table: &mut String, rate: f64, channels: u32, artefacts: &str, given: Option<f64>) -> (NoiseMethod, f64, f64) {
    let (scan, acquisition) = simulated(&recipe(rate, channels, 5, artefacts));
    let noise = estimate_noise(&acquisition, given);
    let (sigma, r2star) = errors(&scan, &acquisition, &noise);
    let (word, n) = (noise.method.word(), noise.coil_elements);
    let (s, r) = (100.0 * sigma, 100.0 * r2star);
    writeln!(table, "| {artefacts} | {word} | {channels} | {rate} | {n:.2} | {s:+.1} | {r:+.1} |").unwrap();
    (noise.method, sigma, r2star)
}

#[test]
fn noise_is_found_in_the_images() {
    let mut table = String::from(
        "# Noise estimated from the images\n\nSimulated abdomens, SNR 40, twelve echoes from 1.0 ms; the true liver region.\n\n\
         | artefact | method | coils | R2* | N found | error of σ % | change of the median R2* % |\n|---|---|---|---|---|---|---|\n",
    );
    let mut wrong = Vec::new();
    let cases: &[(f64, u32, &str, Option<f64>)] = &[
        (100.0, 1, "", None),
        (400.0, 4, "", None),
        (1000.0, 1, "", None),
        (1000.0, 16, "", None),
        (400.0, 1, "ghost: 0.05", None),
        (1000.0, 1, "zeroed_background: true", None),
        (1000.0, 8, "zeroed_background: true", None),
        (60.0, 1, "zeroed_background: true", Some(1.0)),
        (200.0, 4, "zeroed_background: true", Some(4.0)),
    ];
    for &(rate, channels, artefacts, given) in cases {
        let (method, sigma, r2star) = row(&mut table, rate, channels, artefacts, given);
        let blanked = artefacts.starts_with("zeroed");
        let expected = match (blanked, rate > 500.0) {
            (false, _) => NoiseMethod::Background,
            (true, true) => NoiseMethod::Plateau,
            (true, false) => NoiseMethod::Residuals,
        };
        let limit = if expected == NoiseMethod::Residuals { 0.15 } else { 0.05 };
        if method != expected || sigma.abs() > limit || r2star.abs() > 0.02 {
            wrong.push(format!("R2* {rate}, {channels} channels, {artefacts}"));
        }
    }
    record("fit-noise.md", &table);
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn an_intensity_normalised_background_is_not_believed() {
    let scan = scan(&Recipe::from_yaml("test.yaml", &recipe(200.0, 1, 5, "")).unwrap());
    let mut parts = scan.parts();
    parts.header.intensity_normalised = Some(true);
    let acquisition = Acquisition::assemble(parts).unwrap();
    assert_ne!(estimate_noise(&acquisition, None).method, NoiseMethod::Background);
}

/// An image cropped inside the body has tissue in its corners, which is no noise however slowly it decays.
#[test]
fn tissue_that_fills_the_frame_is_not_taken_for_air() {
    let body = recipe(30.0, 1, 5, "")
        .replace("first_echo_ms: 1.0, echo_spacing_ms: 1.0", "first_echo_ms: 4.0, echo_spacing_ms: 4.0, echoes: 3");
    let scan = scan(&Recipe::from_yaml("test.yaml", &body).unwrap());
    let mut parts = scan.parts();
    let truth = scan.truth();
    let liver: Vec<usize> = (0..truth.parenchyma.len()).filter(|&v| truth.parenchyma[v]).collect();
    let whole: Vec<usize> = (0..truth.parenchyma.len()).map(|v| liver[v % liver.len()]).collect();
    parts.magnitude = parts.magnitude.select(ndarray::Axis(1), &whole);
    let noise = estimate_noise(&Acquisition::assemble(parts).unwrap(), None);
    let error = noise.sigma / truth.sigma - 1.0;
    println!("{:?}: sigma off by {:.1} %", noise.method, 100.0 * error);
    assert_ne!(noise.method, NoiseMethod::Background);
    assert!(error.abs() < 0.2, "sigma off by {error}");
}

/// Local level over the true one in the true parenchyma: median of the ratio and its spread, and whether it was taken for
/// varying at all.
fn local_ratio(scan: &Scan, acquisition: &Acquisition) -> (bool, f64, f64, Noise) {
    let (noise, _) = first_look(acquisition, None);
    let ratio = |v: usize| noise.level().at(v) / scan.sigma_at(v);
    let mut inside: Vec<f64> = (0..scan.grid().voxels()).filter(|&v| scan.truth().parenchyma[v]).map(ratio).collect();
    inside.sort_by(f64::total_cmp);
    let at = |share: f64| inside[((inside.len() - 1) as f64 * share) as usize];
    (noise.local.is_some(), at(0.5), 0.5 * (at(0.84) - at(0.16)), noise)
}

/// Parallel imaging amplifies noise in the middle of the body, where the corners do not show it.
#[test]
fn amplified_noise_is_found_where_it_is_and_even_noise_is_left_alone() {
    let mut table = String::from(
        "# Noise level place by place\n\nSimulated abdomens, SNR 60 by the noise of the corners, twelve echoes from 1.0 ms. \
         Amplification is the geometry factor of parallel imaging in the middle of the frame, less one. Error of R2* against \
         the fit that knows the noise of each voxel.\n\n\
         | amplification | coils | R2* | fat % | varies | σ over truth | its spread | R2* %, one level | R2* %, local |\n\
         |---|---|---|---|---|---|---|---|---|\n",
    );
    let mut wrong = Vec::new();
    for (amplification, channels, rate, fat, slices) in [
        (0.0, 1, 60.0, 0.0, 4),
        (0.0, 1, 400.0, 0.1, 4),
        (0.0, 8, 1000.0, 0.03, 4),
        (0.0, 1, 100.0, 0.35, 4),
        (0.0, 1, 300.0, 0.03, 1),
        (0.5, 1, 100.0, 0.03, 4),
        (0.5, 8, 400.0, 0.03, 4),
        (1.0, 1, 60.0, 0.3, 4),
        (1.0, 1, 700.0, 0.03, 4),
        (1.0, 8, 1000.0, 0.03, 4),
        (1.0, 1, 300.0, 0.03, 1),
        (2.0, 1, 300.0, 0.03, 12),
    ] {
        let (scan, acquisition) = simulated(&format!(
            "seed: 11\nliver: {{r2star: {rate}, fat_fraction: {fat}}}\ngrid: {{slices: {slices}}}\n\
             sequence: {{first_echo_ms: 1.0, echo_spacing_ms: 1.0}}\n\
             receive: {{channels: {channels}, snr: 60, amplification: {amplification}}}\n",
        ));
        let (varies, ratio, spread, noise) = local_ratio(&scan, &acquisition);
        let liver: Vec<usize> = (0..scan.grid().voxels()).filter(|&v| scan.truth().parenchyma[v]).collect();
        let samples = acquisition.magnitude().select(ndarray::Axis(1), &liver);
        let model =
            Model::new(ModelKind::NoiseCorrected, &acquisition.echo_seconds(), &ModelSettings::default()).unwrap();
        let middle = |level: &dyn Fn(usize) -> f64, coils: f64| {
            let map: Vec<f32> = liver.iter().map(|&v| level(v) as f32).collect();
            let maps = fit(&model, samples.view(), Sigma::PerVoxel(&map), coils);
            median((0..liver.len()).filter_map(|v| maps.ranked(v)).collect())
        };
        let known = middle(&|v| scan.sigma_at(v), f64::from(channels));
        let one = 100.0 * (middle(&|_| noise.sigma, noise.coil_elements) / known - 1.0);
        let local = 100.0 * (middle(&|v| noise.level().at(v), noise.coil_elements) / known - 1.0);
        writeln!(
            table,
            "| {amplification} | {channels} | {rate} | {} | {varies} | {ratio:.3} | {spread:.3} | {one:+.2} | {local:+.2} |",
            100.0 * fat
        )
        .unwrap();
        let kept = (ratio - 1.0).abs() < 0.05 && spread < 0.07 && local.abs() < (0.1 * one.abs()).max(1.0);
        if varies != (amplification > 0.0) || !kept {
            wrong.push(format!("amplification {amplification}, {channels} channels, R2* {rate}, fat {fat}"));
        }
    }
    record("fit-noise-local.md", &table);
    assert!(wrong.is_empty(), "{wrong:#?}");
}
