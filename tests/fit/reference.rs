//! Noise-free expectations: every fit must return what the reference tables say, to the printed digit.

use super::simulate::train;
use ndarray::Array2;
use siderolog::fit::{Level, Model, ModelSettings, Sigma, fit_at, mean_signal};
use siderolog::study::ModelKind;

fn rate(kind: ModelKind, times: &[f64], signal: &[f64], coils: f64) -> f64 {
    let model =
        Model::new(kind, times, &ModelSettings { field_strength: Some(1.5), ..ModelSettings::default() }).unwrap();
    let samples = Array2::from_shape_fn((times.len(), 1), |(e, _)| signal[e]);
    fit_at(Level::best(), &model, samples.view(), Sigma::Uniform(1.0), coils).r2star[0]
}

fn expected(times: &[f64], r2star: f64, snr: f64, coils: f64) -> Vec<f64> {
    times.iter().map(|t| mean_signal(snr * (-r2star * t).exp(), coils)).collect()
}

/// Bias of the plain models on the expected magnitude, computed with another implementation.
const BIAS: &str = "
    1.0 1.0 1 50 20 49.8 50.2
    1.0 1.0 1 200 20 194.4 207.2
    1.0 1.0 1 400 20 351.1 463.3
    1.0 1.0 1 800 20 547.2 1027.0
    1.0 1.0 1 1200 20 268.4 1740.9
    1.0 1.0 1 50 50 50.0 50.0
    1.0 1.0 1 200 50 199.1 201.0
    1.0 1.0 1 400 50 390.6 418.9
    1.0 1.0 1 800 50 751.6 897.1
    1.0 1.0 1 1200 50 1056.7 1436.0
    1.0 1.0 1 50 100 50.0 50.0
    1.0 1.0 1 200 100 199.8 200.3
    1.0 1.0 1 400 100 397.5 405.9
    1.0 1.0 1 800 100 785.0 848.6
    1.0 1.0 1 1200 100 1155.8 1323.3
    1.0 1.0 8 400 20 158.2 567.4
    1.0 1.0 8 400 50 321.9 473.8
    1.0 1.0 8 400 100 375.0 433.9
    1.0 1.0 8 800 20 77.7 1271
    1.0 1.0 8 800 50 388.9 1046
    1.0 1.0 8 800 100 683.5 937.4
    0.9 0.7 1 400 50 395.5 407.0
    0.9 0.7 1 800 50 758.1 879.4
    0.9 0.7 1 1200 50 1082.8 1392.2";

#[test]
fn plain_models_show_the_bias_of_the_reference_table() {
    let mut worst: f64 = 0.0;
    for row in BIAS.trim().lines() {
        let n: Vec<f64> = row.split_whitespace().map(|x| x.parse().unwrap()).collect();
        let times = train(n[0], n[1], 12);
        let signal = expected(&times, n[3], n[4], n[2]);
        for (kind, reference) in [(ModelKind::Monoexponential, n[5]), (ModelKind::MonoexponentialWithOffset, n[6])] {
            let found = rate(kind, &times, &signal, n[2]);
            // One unit of the table's last digit.
            let unit = if reference > 1040.0 && n[2] > 1.0 { 0.51 } else { 0.051 };
            worst = worst.max((found - reference).abs());
            assert!((found - reference).abs() < unit, "{row}: {kind} {found}");
        }
        let found = rate(ModelKind::NoiseCorrected, &times, &signal, n[2]);
        assert!((found - n[3]).abs() < 5e-5, "{row}: noise-corrected {found}");
    }
    println!("24 rows, worst difference {worst:.3} /s");
}
