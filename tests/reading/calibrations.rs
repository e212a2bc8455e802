//! Each shipped calibration against published and derived figures.

use siderolog::reading::{Calibrations, Confidence, calibrations};
use siderolog::study::{MilligramsPerGram, ModelKind, PerSecond};

const NAMES: [&str; 8] = [
    "wood-2005-1.5t",
    "hankins-2009-1.5t",
    "henninger-2015-1.5t",
    "garbowski-2014-1.5t",
    "hernando-2023-1.5t",
    "hernando-2023-2.89t",
    "hernando-2023-3t",
    "dassignies-2018-3t",
];

#[test]
fn the_shipped_file_is_read_whole() {
    let text = include_str!("../../config/calibrations.yaml");
    let read = calibrations("config/calibrations.yaml", text).unwrap();
    assert_eq!(read, Calibrations::shipped());
    let mut names = read.names();
    names.sort_unstable();
    let mut wanted = NAMES.to_vec();
    wanted.sort_unstable();
    assert_eq!(names, wanted);
}

/// LIC of each published line at a grid of R2*, worked out from the papers' equations apart from this code.
#[test]
fn each_calibration_gives_its_published_line() {
    let shipped = Calibrations::shipped();
    let grid = [
        (30.0, [0.96, 0.39, 1.00, 0.91, 0.62, 0.39, 0.37, 0.47]),
        (100.0, [2.74, 2.35, 2.68, 3.09, 2.44, 1.37, 1.32, 1.70]),
        (400.0, [10.36, 10.75, 9.88, 12.61, 10.25, 5.57, 5.37, 6.96]),
        (1000.0, [25.60, 27.57, 24.28, 31.94, 25.87, 13.97, 13.46, 17.48]),
    ];
    for (r2star, lic) in grid {
        for (name, wanted) in NAMES.iter().zip(lic) {
            let found = shipped.get(name).unwrap().lic(PerSecond(r2star)).0;
            assert!((found - wanted).abs() < 0.0051, "{name} at {r2star}: {found}, published line {wanted}");
        }
    }
}

/// R2* at which each line crosses the clinical thresholds, worked out as above.
#[test]
fn each_calibration_crosses_the_thresholds_where_its_line_does() {
    let shipped = Calibrations::shipped();
    let grid = [
        (1.8, [62.9, 80.5, 63.5, 58.6, 75.3, 130.7, 135.7, 105.7]),
        (3.0, [110.2, 123.3, 113.5, 97.0, 121.4, 216.4, 224.6, 174.1]),
        (7.0, [267.6, 266.1, 280.1, 223.8, 275.1, 502.1, 521.1, 402.3]),
        (15.0, [582.6, 551.6, 613.5, 474.5, 582.4, 1073.6, 1114.2, 858.5]),
    ];
    for (lic, r2star) in grid {
        for (name, wanted) in NAMES.iter().zip(r2star) {
            let calibration = shipped.get(name).unwrap();
            let found = calibration.r2star(MilligramsPerGram(lic)).0;
            assert!((found - wanted).abs() < 0.06, "{name} at {lic} mg/g: {found}, published line {wanted}");
            let back = calibration.lic(PerSecond(found)).0;
            assert!((back - lic).abs() < 1e-9);
            let step = 1e-3;
            let rise = (calibration.equation.lic(found + step) - calibration.equation.lic(found - step)) / (2.0 * step);
            assert!((rise / calibration.equation.slope(found) - 1.0).abs() < 1e-6, "{name}");
        }
    }
}

/// The Hernando lines at 1.5 and 3 T imply R2*(3 T) = 1.930 R2*(1.5 T) - 9.6, beside Storey's measured 2.00(6), -11(4)
/// (Storey P et al., JMRI 2007;25:540-7).
#[test]
fn the_lines_at_two_fields_agree_with_storey() {
    let shipped = Calibrations::shipped();
    let (low, high) = (shipped.get("hernando-2023-1.5t").unwrap(), shipped.get("hernando-2023-3t").unwrap());
    let at_3t = |r: f64| high.r2star(low.lic(PerSecond(r))).0;
    let slope = (at_3t(800.0) - at_3t(100.0)) / 700.0;
    let intercept = at_3t(100.0) - slope * 100.0;
    assert!((slope - 1.930).abs() < 0.001 && (intercept + 9.6).abs() < 0.1, "{slope} {intercept}");
    assert!((slope - 2.00).abs() < 2.0 * 0.06 && (intercept + 11.0).abs() < 4.0);
}

#[test]
fn nobody_has_confirmed_what_is_shipped_and_memory_is_marked() {
    let shipped = Calibrations::shipped();
    assert!(shipped.iter().all(|c| !c.is_confirmed() && c.confirmed_on.is_none()));
    let memory: Vec<&str> = shipped.iter().filter(|c| c.confidence.from_memory()).map(|c| c.name.as_str()).collect();
    assert_eq!(
        memory,
        [
            "hernando-2023-2.89t",
            "hernando-2023-3t",
            "hankins-2009-1.5t",
            "garbowski-2014-1.5t",
            "henninger-2015-1.5t",
            "dassignies-2018-3t"
        ]
    );
    assert_eq!(shipped.get("hernando-2023-1.5t").unwrap().confidence, Confidence::Published);
}

#[test]
fn a_calibration_accepts_only_the_models_it_names() {
    let shipped = Calibrations::shipped();
    let wood = shipped.get("wood-2005-1.5t").unwrap();
    assert_eq!(wood.accepted_models(), [ModelKind::MonoexponentialWithOffset]);
    assert!(wood.acceptance(ModelKind::NoiseCorrected).is_none());
    let hernando = shipped.get("hernando-2023-3t").unwrap();
    let noise = hernando.acceptance(ModelKind::NoiseCorrected).unwrap();
    assert_eq!(noise.fat_at_most_percent, Some(5.0));
    assert!(hernando.acceptance(ModelKind::Monoexponential).is_none());
}

/// d'Assignies' differences from biopsy, 7.6 and 73.4 umol/g: limits of agreement -136 to +151 umol/g.
#[test]
fn the_one_known_prediction_error_is_the_published_one() {
    let shipped = Calibrations::shipped();
    let with_error: Vec<&str> = shipped.iter().filter(|c| c.error.is_some()).map(|c| c.name.as_str()).collect();
    assert_eq!(with_error, ["dassignies-2018-3t"]);
    let error = shipped.get("dassignies-2018-3t").unwrap().error.unwrap();
    let sd = error.standard_uncertainty(7.0);
    let umol = MilligramsPerGram(sd).as_umol_per_g();
    assert!((umol - f64::hypot(7.6, 73.4)).abs() < 0.01, "{umol}");
}
