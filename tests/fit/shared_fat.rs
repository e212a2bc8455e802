//! The fat fraction that voxels share, on simulated livers.

use super::bias::{evidence, record, water_fat};
use super::simulate::{Normal, magnitude, median, train};
use ndarray::Array2;
use siderolog::fit::{Model, ModelSettings, Sigma, fit, shared_fat};
use siderolog::study::ModelKind;

/// Voxels with R2* spread by 15 % about the rate and fat by one point about the fraction.
fn liver(times: &[f64], rate: f64, fat: f64, field: f64, snr: f64, coils: usize, voxels: usize) -> Array2<f32> {
    let mut normal = Normal::new(31);
    let mut out = Array2::zeros((times.len(), voxels));
    for v in 0..voxels {
        let (own_rate, own_fat) = (rate * (0.15 * normal.draw()).exp(), (fat + 0.01 * normal.draw()).max(0.0));
        for (e, &t) in times.iter().enumerate() {
            let [re, im] = water_fat(own_fat, field, t);
            out[[e, v]] = magnitude(snr * (-own_rate * t).exp() * re.hypot(im), coils, &mut normal) as f32;
        }
    }
    out
}

#[test]
fn a_region_tells_the_fat_that_its_voxels_cannot() {
    let times = train(0.9, 0.9, 12);
    let (rates, snrs, voxels): (&[f64], &[f64], usize) = if evidence() {
        (&[60.0, 200.0, 400.0, 800.0, 1000.0], &[20.0, 40.0, 100.0], 4000)
    } else {
        (&[200.0, 1000.0], &[20.0, 40.0], 2000)
    };
    let mut table = String::from(
        "# Fat fraction shared by a region\n\nTwelve echoes from 0.9 ms, spacing 0.9 ms; R2* spread by 15 %, fat by one point. \
         Error of the median R2* in %, its standard uncertainty from the shared fat in %, and the shared fat in %.\n\n\
         | field | N | SNR | R2* | fat | error of R2* | from fat | shared fat |\n|---|---|---|---|---|---|---|---|\n",
    );
    let mut wrong = Vec::new();
    for (field, coils) in [(1.5, 1), (3.0, 1), (1.5, 8)] {
        for &snr in snrs {
            for &rate in rates {
                for fat in [0.0, 0.03, 0.15] {
                    let samples = liver(&times, rate, fat, field, snr, coils, voxels);
                    let settings = ModelSettings { field_strength: Some(field), ..ModelSettings::default() };
                    let (sigma, n) = (Sigma::Uniform(1.0), coils as f64);
                    let shared = shared_fat(&times, &settings, samples.view(), sigma, n).unwrap();
                    let settings = ModelSettings { fat_prior: Some(shared.prior), ..settings };
                    let model = Model::new(ModelKind::FatCorrected, &times, &settings).unwrap();
                    let maps = fit(&model, samples.view(), sigma, n);
                    let error = median((0..voxels).filter_map(|v| maps.ranked(v)).collect()) / rate - 1.0;
                    let from_fat = (shared.standard_error * shared.r2star_slope / rate).abs();
                    let row = format!(
                        "| {field} | {coils} | {snr} | {rate} | {:.0} | {:+.1} | {:.1} | {:.1} ± {:.1} |",
                        100.0 * fat,
                        100.0 * error,
                        100.0 * from_fat,
                        100.0 * shared.prior.mean,
                        100.0 * shared.standard_error,
                    );
                    table.push_str(&row);
                    table.push('\n');
                    // Two percent for the finite number of voxels and for what eight coils do at 1000 /s.
                    if error.abs() > 0.02 + 3.0 * from_fat {
                        wrong.push(row);
                    }
                }
            }
        }
    }
    record("fit-shared-fat.md", &table);
    assert!(wrong.is_empty(), "{wrong:#?}");
}
