//! What an echo train can measure: the Cramér-Rao bound against a numerical Fisher matrix, the simulated spread
//! against the bound, and the range against what the guideline calls reliable.

use super::statistics::{near, reference};
use siderolog::fit::{Model, ModelSettings};
use siderolog::reading::Calibrations;
use siderolog::reading::range::{Criterion, Information, Question, RangeCurve, RangePoint, measuring_range};
use siderolog::study::{ModelKind, PerSecond};

fn times(first_ms: f64, spacing_ms: f64, count: usize) -> Vec<f64> {
    (0..count).map(|k| (first_ms + spacing_ms * k as f64) * 1e-3).collect()
}

fn curve(kind: ModelKind, times: &[f64], snr: f64, coil_elements: f64, draws: usize) -> RangeCurve {
    let settings = ModelSettings { field_strength: Some(1.5), ..ModelSettings::default() };
    let model = Model::new(kind, times, &settings).unwrap();
    measuring_range(&Question {
        model: &model,
        snr,
        coil_elements,
        sigma_uncertainty: 0.03,
        voxels: 2000.0,
        criterion: Criterion::default(),
        draws,
    })
}

#[test]
fn information_agrees_with_a_numerical_fisher_matrix() {
    let all = &reference()["fisher"];
    for row in all["information"].as_array().unwrap() {
        let [a, n, wanted] = [0, 1, 2].map(|i| row[i].as_f64().unwrap());
        near(Information::new(n).at(a), wanted, 1e-3, &format!("information at {a} with {n} elements"));
    }
    for case in all["bounds"].as_array().unwrap() {
        let times: Vec<f64> = case["times"].as_array().unwrap().iter().map(|t| t.as_f64().unwrap()).collect();
        let [snr, r2star, n, wanted] = ["snr", "r2star", "n", "bound"].map(|k| case[k].as_f64().unwrap());
        near(Information::new(n).bound(&times, snr, r2star), wanted, 1e-3, "bound");
    }
}

#[test]
fn the_range_reaches_1000_per_s_at_snr_40_with_a_first_echo_of_1_ms() {
    for (first, spacing, count, elements) in [
        (1.0, 1.0, 12, 1.0),
        (0.9, 0.7, 12, 1.0),
        (1.0, 0.8, 8, 1.0),
        (1.0, 1.4, 12, 1.0),
        (1.0, 1.0, 6, 1.0),
        (1.0, 1.0, 12, 8.0),
    ] {
        let times = times(first, spacing, count);
        let started = std::time::Instant::now();
        let found = curve(ModelKind::NoiseCorrected, &times, 40.0, elements, 800);
        println!(
            "TE1 {first} spacing {spacing} echoes {count} N {elements}: {:?} in {:?}",
            found.limits,
            started.elapsed()
        );
        let [low, high] = found.limits.unwrap();
        assert!(high >= 1000.0 && low < 60.0, "{low} to {high}");
    }
}

#[test]
fn simulated_spread_is_within_15_percent_of_the_bound_inside_the_range() {
    let draws = if std::env::var("SIDEROLOG_EVIDENCE").is_ok() { 20_000 } else { 2_000 };
    for (snr, elements) in [(20.0, 1.0), (50.0, 1.0), (100.0, 1.0), (50.0, 8.0)] {
        let found = curve(ModelKind::NoiseCorrected, &times(1.0, 1.0, 12), snr, elements, draws);
        let [low, high] = found.limits.unwrap();
        // On the last step before the upper end, voxels beyond the echoes draw the upper percentile out (1.5 at most).
        let told = |p: &&RangePoint| p.r2star >= low && 1.2 * p.r2star <= high && p.spread.is_finite();
        for point in found.points.iter().filter(told) {
            let ratio = point.spread / point.bound;
            println!(
                "SNR {snr} N {elements} R2* {:.1}: spread/bound {ratio:.3} bias {:+.2} %",
                point.r2star,
                100.0 * point.bias() / point.r2star
            );
            // Chance of the simulated percentiles: 1.4/sqrt(draws) of the spread.
            let chance = 3.0 * 1.4 / (draws as f64).sqrt();
            assert!(ratio > 1.0 - chance && ratio < 1.15 + chance, "at {} /s: {ratio}", point.r2star);
        }
    }
}

#[test]
fn nothing_above_the_range_reads_as_if_inside() {
    for (snr, elements) in [(20.0, 1.0), (50.0, 1.0), (100.0, 4.0)] {
        let times = times(1.0, 1.0, 12);
        let found = curve(ModelKind::NoiseCorrected, &times, snr, elements, 1000);
        let [_, high] = found.limits.unwrap();
        for point in found.points.iter().filter(|p| p.r2star > high) {
            let dark = point.r2star > high + std::f64::consts::LN_2 / times[0];
            assert!(dark || point.median >= high, "{} /s reads {} below {high}", point.r2star, point.median);
        }
    }
}

#[test]
fn more_signal_an_earlier_echo_and_more_echoes_widen_the_range() {
    let range = |first, spacing, count, snr| {
        curve(ModelKind::NoiseCorrected, &times(first, spacing, count), snr, 1.0, 800).limits.unwrap()
    };
    let plain = range(1.2, 1.0, 8, 40.0);
    assert!(range(1.2, 1.0, 8, 80.0)[1] > 1.1 * plain[1]);
    assert!(range(0.8, 1.0, 8, 40.0)[1] > 1.1 * plain[1]);
    assert!(range(1.2, 1.0, 14, 40.0)[0] < 0.9 * plain[0]);
    // With hardly any signal nothing is measurable, and that is said.
    assert_eq!(curve(ModelKind::NoiseCorrected, &times(4.0, 4.0, 3), 3.0, 1.0, 400).limits, None);
}

/// A plain exponential runs into the noise floor: its fit to the expected signal at S0/σ = 50 gives 751.6 for 800 /s
/// (worked value), 6 % low, so its range ends below that.
#[test]
fn a_model_without_the_noise_floor_has_a_lower_ceiling() {
    let plain = curve(ModelKind::Monoexponential, &times(1.0, 1.0, 12), 50.0, 1.0, 2000);
    let corrected = curve(ModelKind::NoiseCorrected, &times(1.0, 1.0, 12), 50.0, 1.0, 2000);
    let high = plain.limits.unwrap()[1];
    assert!(high < 800.0 && corrected.limits.unwrap()[1] > 1.5 * high, "{high}");
    let bias = plain.at(800.0, |p| p.bias() / p.r2star).unwrap();
    assert!((bias + 0.06).abs() < 0.02, "{bias}");
}

/// The guideline calls about 40 mg/g reliable at 1.5 T and 26 mg/g at 3 T for first echo and spacing below 1 ms
/// (ESGAR/SAR 2023, read in secondary sources); with the Hernando lines that is about 1,540 and 1,930 /s. Where our
/// criterion ends depends on the signal; at S0/σ of 60 it must agree in order, within a third.
#[test]
fn the_range_agrees_in_order_with_the_guidelines_upper_limits() {
    let calibrations = Calibrations::shipped();
    for (name, guideline, first) in [("hernando-2023-1.5t", 40.0, 0.9), ("hernando-2023-3t", 26.0, 0.9)] {
        let found = curve(ModelKind::NoiseCorrected, &times(first, 0.8, 12), 60.0, 1.0, 1000);
        let high = found.limits.unwrap()[1];
        let lic = calibrations.get(name).unwrap().lic(PerSecond(high)).0;
        println!("{name}: {high:.0} /s, {lic:.1} mg/g; the guideline says {guideline} mg/g");
        assert!((lic / guideline).ln().abs() < f64::ln(4.0 / 3.0), "{name}: {lic} mg/g, guideline {guideline}");
    }
}

#[test]
fn the_range_is_the_same_at_any_thread_count() {
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| curve(ModelKind::NoiseCorrected, &times(1.0, 1.0, 12), 40.0, 1.0, 300))
    };
    assert_eq!(run(1), run(2));
}
