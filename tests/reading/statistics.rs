//! Statistics against scipy and statsmodels (`tests/outside/reading_reference.py` keeps the file of references true).

use serde_json::Value;
use siderolog::reading::method_comparison::{LineError, agreement, deming, passing_bablok, residual_sd};
use siderolog::reading::repeatability::{
    ratio_limits, reference_change_value, repeatability_coefficient, within_subject_sd,
};
use siderolog::reading::stats;

pub fn reference() -> Value {
    serde_json::from_str(include_str!("../../fixtures/reading/reference.json")).unwrap()
}

fn list(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
}

pub fn near(found: f64, wanted: f64, relative: f64, what: &str) {
    let off = (found - wanted).abs() / wanted.abs().max(1e-12);
    assert!(off <= relative, "{what}: {found}, reference {wanted}");
}

#[test]
fn distributions_agree_with_scipy() {
    let all = reference();
    for row in all["distributions"]["normal_below"].as_array().unwrap() {
        let row = list(row);
        near(stats::normal_below(row[0]), row[1], 1e-12, "normal");
    }
    for row in all["distributions"]["student_below"].as_array().unwrap() {
        let row = list(row);
        near(stats::student_below(row[0], row[1]), row[2], 1e-10, "student");
    }
    for row in all["distributions"]["student_quantile"].as_array().unwrap() {
        let row = list(row);
        near(stats::student_quantile(row[0], row[1]), row[2], 1e-9, "student quantile");
    }
}

#[test]
fn quantiles_agree_with_numpy() {
    let all = &reference()["quantiles"];
    let values = list(&all["values"]);
    let order = stats::sorted(&values);
    for row in all["at"].as_array().unwrap() {
        let row = list(row);
        near(stats::quantile(&order, row[0]).unwrap(), row[1], 1e-14, "quantile");
    }
    near(stats::standard_deviation(&values).unwrap(), all["sd"].as_f64().unwrap(), 1e-14, "sd");
    assert_eq!(stats::median(&[]), None);
    // Voxels beyond a limit take part as infinities without spoiling the median.
    assert_eq!(stats::median(&[1.0, f64::INFINITY, 2.0, f64::NEG_INFINITY, 3.0]), Some(2.0));
    assert_eq!(stats::median(&[1.0, f64::INFINITY]), Some(f64::INFINITY));
}

#[test]
fn weighted_regression_agrees_with_statsmodels() {
    for case in reference()["weighted"].as_array().unwrap() {
        let (x, y, v) = (list(&case["x"]), list(&case["y"]), list(&case["variance"]));
        let line = stats::weighted_line(&x, &y, &v).unwrap();
        near(line.slope, case["slope"].as_f64().unwrap(), 1e-10, "slope");
        near(line.intercept, case["intercept"].as_f64().unwrap(), 1e-10, "intercept");
        near(line.slope_se, case["slope_se"].as_f64().unwrap(), 1e-8, "standard error");
        assert_eq!(stats::weighted_line(&x[..2], &y[..2], &v[..2]), None);
    }
}

#[test]
fn deming_agrees_with_total_least_squares() {
    let all = &reference()["deming"];
    let (x, y) = (list(&all["x"]), list(&all["y"]));
    for case in all["cases"].as_array().unwrap() {
        let line = deming(&x, &y, case["ratio"].as_f64().unwrap()).unwrap();
        near(line.slope, case["slope"].as_f64().unwrap(), 1e-9, "slope");
        near(line.intercept, case["intercept"].as_f64().unwrap(), 1e-7, "intercept");
        let reach = list(&case["reach"]);
        near(0.5 * (line.slope_limits[1] - line.slope_limits[0]), reach[0], 1e-6, "slope limits");
        near(0.5 * (line.intercept_limits[1] - line.intercept_limits[0]), reach[1], 1e-6, "intercept limits");
    }
    assert_eq!(deming(&x[..4], &y[..4], 1.0), Err(LineError::TooFew(4)));
    assert_eq!(deming(&[1.0; 6], &[1.0, 2.0, 3.0, 4.0, 5.0, 6.0], 1.0), Err(LineError::NoLine));
}

#[test]
fn passing_bablok_agrees_with_scipy() {
    for case in reference()["passing_bablok"].as_array().unwrap() {
        let line = passing_bablok(&list(&case["x"]), &list(&case["y"])).unwrap();
        near(line.slope, case["slope"].as_f64().unwrap(), 1e-12, "slope");
        near(line.slope_limits[0], case["low"].as_f64().unwrap(), 1e-12, "low");
        near(line.slope_limits[1], case["high"].as_f64().unwrap(), 1e-12, "high");
    }
}

#[test]
fn bland_altman_agrees_with_numpy() {
    let all = &reference()["agreement"];
    let found = agreement(&list(&all["a"]), &list(&all["b"])).unwrap();
    near(found.bias, all["bias"].as_f64().unwrap(), 1e-10, "bias");
    near(found.sd, all["sd"].as_f64().unwrap(), 1e-12, "sd");
    near(found.limit_reach, all["limit_reach"].as_f64().unwrap(), 1e-4, "reach of a limit");
    near(residual_sd(&[0.0, 1.0, 2.0], &[1.0, 3.0, 8.0], 3.0, 1.0).unwrap(), f64::sqrt(2.0), 1e-12, "residual");
}

/// Worked values: wCV 4.6 % gives a repeatability coefficient of 12.75 % (limits of the ratio -11.7 and +13.3 % with
/// ln 1.046 as the standard deviation of the logarithm), 5.5 % 15.25 %, 5.8 % 16.08 %, 7 % 19.40 %.
#[test]
fn repeatability_matches_the_worked_values() {
    for (wcv, rc) in [(4.6, 12.75), (5.5, 15.25), (5.8, 16.08), (7.0, 19.40)] {
        assert!((repeatability_coefficient(wcv) - rc).abs() < 0.0051, "{wcv}");
        assert!((reference_change_value(1.96, 0.0, wcv) - rc).abs() < 0.0051, "{wcv}");
    }
    let (low, high) = ratio_limits(libm::log(1.046));
    assert!((100.0 * low + 11.7).abs() < 0.05 && (100.0 * high - 13.3).abs() < 0.05);
    // Analytical and within-subject variation add in squares.
    assert!((reference_change_value(1.96, 3.0, 4.0) - reference_change_value(1.96, 0.0, 5.0)).abs() < 1e-12);
    // Bland and Altman's coefficient of repeatability of 1.96 SD of the differences is the same figure.
    let pairs = [(10.0, 11.0), (20.0, 18.5), (7.0, 7.2), (15.0, 16.1)];
    let wsd = within_subject_sd(&pairs).unwrap();
    let mean_square = pairs.iter().map(|(a, b): &(f64, f64)| (a - b).powi(2)).sum::<f64>() / 4.0;
    near(repeatability_coefficient(wsd), 1.959964 * mean_square.sqrt(), 1e-6, "coefficient");
}
