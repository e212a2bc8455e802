//! From R2* to LIC with its two intervals, never mixed, and the budget behind them.

use super::calibration::Calibration;
use super::follow_up::{FollowUp, Threshold};
use super::past::Relation;
use super::stats::{Z95, normal_below};
use super::summary::R2StarSummary;
use crate::study::{MilligramsPerGram, ModelKind, PerSecond};
use serde::Serialize;

/// Total body iron in mg/kg per mg/g of LIC: Angelucci E et al., N Engl J Med 2000;343:327-31.
pub const BODY_IRON_PER_LIC: f64 = 10.6;

/// Liver iron concentration, mg/g dry tissue.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Lic {
    /// The value, or the bound.
    pub value: f64,
    /// How it is to be read.
    pub relation: Relation,
    /// 95 % interval of the tissue's chemical LIC; `None` where the calibration's source gives no error.
    pub low: Option<f64>,
    /// See `low`.
    pub high: Option<f64>,
    /// 95 % prediction interval of a second, independent scan of this patient today.
    pub repeat_low: Option<f64>,
    /// See `repeat_low`.
    pub repeat_high: Option<f64>,
    /// Level of both intervals.
    pub level: f64,
    /// The value in µmol/g.
    pub umol_per_g: f64,
    /// Name of the calibration.
    pub calibration: String,
    /// Its source.
    pub source: String,
    /// Within-subject standard deviation, mg/g: what one scan varies by when the patient does not change.
    pub within_subject_sd: Option<f64>,
    /// Derived, in mg/kg body weight (Angelucci 2000): 10.6 · LIC. With the LIC's relation.
    pub total_body_iron_mg_per_kg: f64,
}

/// Which interval a part of the budget enters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Enters {
    /// Both intervals.
    Both,
    /// Only that of the chemical LIC.
    Chemical,
}

/// One row of the budget (GUM, JCGM 100): a standard uncertainty and where it is from.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Component {
    /// What it is.
    pub name: String,
    /// Standard uncertainty of R2* in /s, where it acts on R2*.
    pub r2star_per_s: Option<f64>,
    /// Standard uncertainty of LIC in mg/g.
    pub lic_mg_per_g: Option<f64>,
    /// Which interval it enters.
    pub enters: Enters,
    /// Where the figure is from.
    pub from: String,
}

/// The budget of a reading.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Budget {
    /// Rows in the order of the measurement.
    pub components: Vec<Component>,
    /// Root sum of squares of the rows that enter both intervals: the within-subject standard deviation, mg/g.
    pub repeat_mg_per_g: Option<f64>,
    /// Root sum of squares of all rows, mg/g; `None` where the calibration's error is not known.
    pub chemical_mg_per_g: Option<f64>,
}

/// Probability that LIC lies above a threshold.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Probability {
    /// The threshold.
    pub threshold: Threshold,
    /// That the tissue's chemical LIC lies above; `None` where the calibration's source gives no error or the
    /// reading is a bound.
    pub above: Option<f64>,
    /// That a second scan of this patient today would read above; `None` where the reading is a bound.
    pub repeat_above: Option<f64>,
}

/// LIC of a median inside the measuring range, with its budget. `kind` is the model the R2* was fitted with.
pub fn express(summary: &R2StarSummary, calibration: &Calibration, kind: ModelKind, rules: &FollowUp) -> (Lic, Budget) {
    let accepted = calibration.acceptance(kind);
    let r2star = summary.median;
    let slope = calibration.equation.slope(r2star);
    let value = calibration.lic(PerSecond(r2star)).0.max(0.0);
    let published = rules.repeatability.same_scanner.fraction() * r2star;
    let own = summary.standard_error;
    // Published scan-rescan figures already hold fit, noise level and region: only what is left is added.
    let remainder = (published * published - own * own).max(0.0).sqrt();
    let row = |name: &str, sd: f64, enters: Enters, from: String| Component {
        name: name.to_owned(),
        r2star_per_s: Some(sd),
        lic_mg_per_g: Some(sd * slope),
        enters,
        from,
    };
    let scan = || "this scan".to_owned();
    let mut components = vec![
        row("fit of noisy voxels", summary.fit_error, Enters::Both, scan()),
        row("noise level", summary.noise_level_error, Enters::Both, scan()),
        row("choice of region", summary.region_error, Enters::Both, scan()),
        row("fat that the voxels share", summary.fat_error, Enters::Both, scan()),
        row(
            "between scans, beyond the above",
            remainder,
            Enters::Both,
            format!(
                "what remains of {} % scan-rescan variation; {} ({})",
                rules.repeatability.same_scanner.percent,
                rules.repeatability.same_scanner.source,
                rules.repeatability.same_scanner.confidence.words()
            ),
        ),
    ];
    let repeat = libm::hypot(own, remainder) * slope;
    let added = accepted.map_or(0.0, |a| a.added_percent / 100.0 * r2star);
    if added > 0.0 {
        let from = accepted.map(|a| a.reason.clone()).unwrap_or_default();
        components.push(row("signal model other than the calibration's own", added, Enters::Chemical, from));
    }
    let prediction = calibration.error.map(|e| e.standard_uncertainty(value));
    components.push(Component {
        name: "calibration's prediction error".to_owned(),
        r2star_per_s: None,
        lic_mg_per_g: prediction,
        enters: Enters::Chemical,
        from: match prediction {
            Some(_) => calibration.source.clone(),
            None => format!("not known from {}", calibration.source),
        },
    });
    let chemical = prediction.map(|p| libm::hypot(libm::hypot(repeat, added * slope), p));
    let reach = Z95 * std::f64::consts::SQRT_2 * repeat;
    let lic = Lic {
        value,
        relation: Relation::Equal,
        low: chemical.map(|sd| (value - Z95 * sd).max(0.0)),
        high: chemical.map(|sd| value + Z95 * sd),
        repeat_low: Some((value - reach).max(0.0)),
        repeat_high: Some(value + reach),
        level: 0.95,
        umol_per_g: MilligramsPerGram(value).as_umol_per_g(),
        calibration: calibration.name.clone(),
        source: calibration.source_id(),
        within_subject_sd: Some(repeat),
        total_body_iron_mg_per_kg: BODY_IRON_PER_LIC * value,
    };
    (lic, Budget { components, repeat_mg_per_g: Some(repeat), chemical_mg_per_g: chemical })
}

/// LIC of a median outside the measuring range: the range's limit, as a bound.
pub(super) fn bound(limit: f64, relation: Relation, calibration: &Calibration) -> Lic {
    let value = calibration.lic(PerSecond(limit)).0.max(0.0);
    let from_below = (relation == Relation::AtLeast).then_some(value);
    let from_above = (relation == Relation::AtMost).then_some(value);
    Lic {
        value,
        relation,
        low: from_below,
        high: from_above,
        repeat_low: from_below,
        repeat_high: from_above,
        level: 0.95,
        umol_per_g: MilligramsPerGram(value).as_umol_per_g(),
        calibration: calibration.name.clone(),
        source: calibration.source_id(),
        within_subject_sd: None,
        total_body_iron_mg_per_kg: BODY_IRON_PER_LIC * value,
    }
}

/// Probabilities for these thresholds, normal about the value.
pub(super) fn probabilities<'a>(
    lic: &Lic,
    budget: &Budget,
    thresholds: impl Iterator<Item = &'a Threshold>,
) -> Vec<Probability> {
    let above = |sd: Option<f64>, threshold: f64| {
        let sd = sd.filter(|s| *s > 0.0 && lic.relation == Relation::Equal)?;
        Some(normal_below((lic.value - threshold) / sd))
    };
    let root2 = std::f64::consts::SQRT_2;
    thresholds
        .map(|threshold| Probability {
            above: above(budget.chemical_mg_per_g, threshold.lic_mg_per_g),
            repeat_above: above(budget.repeat_mg_per_g.map(|sd| root2 * sd), threshold.lic_mg_per_g),
            threshold: threshold.clone(),
        })
        .collect()
}
