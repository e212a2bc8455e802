//! Noise levels from simulated scans, and what an estimated level does to R2*.

use super::bias::record;
use super::simulate::median;
use siderolog::fit::{Model, ModelSettings, Noise, NoiseMethod, Sigma, estimate_noise, fit};
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
