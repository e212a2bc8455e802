//! The fat fraction that voxels share, on simulated livers.

use super::bias::water_fat;
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
    let mut wrong = Vec::new();
    for (field, coils) in [(1.5, 1), (3.0, 1), (1.5, 8)] {
        for snr in [20.0, 40.0, 100.0] {
            for rate in [60.0, 200.0, 400.0, 800.0, 1000.0] {
                for fat in [0.0, 0.03, 0.15] {
                    let samples = liver(&times, rate, fat, field, snr, coils, 4000);
                    let settings = ModelSettings { field_strength: Some(field), ..ModelSettings::default() };
                    let (sigma, n) = (Sigma::Uniform(1.0), coils as f64);
                    let Some(shared) = shared_fat(&times, &settings, samples.view(), sigma, n) else {
                        println!("{field} T N {coils} SNR {snr} R2* {rate} fat {fat}: nothing shared");
                        continue;
                    };
                    let settings = ModelSettings { fat_prior: Some(shared.prior), ..settings };
                    let model = Model::new(ModelKind::FatCorrected, &times, &settings).unwrap();
                    let maps = fit(&model, samples.view(), sigma, n);
                    let middle = median((0..4000).filter_map(|v| maps.ranked(v)).collect());
                    let error = shared.standard_error * shared.r2star_slope / rate;
                    let line = format!(
                        "{field} T N {coils} SNR {snr} R2* {rate} fat {fat}: {:+.2} %, shared {:.3} +- {:.3}, its part {:.2} %",
                        100.0 * (middle / rate - 1.0),
                        shared.prior.mean,
                        shared.standard_error,
                        100.0 * error,
                    );
                    println!("{line}");
                    if (middle / rate - 1.0).abs() > 0.02 + 2.0 * error.abs() {
                        wrong.push(line);
                    }
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}
