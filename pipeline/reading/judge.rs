//! The findings of this stage, with what the scanner room can do about each.

use super::calibration::{Calibration, Calibrations};
use super::read::Position;
use super::stats::Z95;
use super::suitability::{self, Fat};
use super::summary::{FatSummary, R2StarSummary, Ranks};
use crate::fit::{FittedMap, Model, ModelSettings, Sigma, State, fit};
use crate::study::text::plain;
use crate::study::{Finding, Mask, ModelKind, ScannerRoom, Severity, Stage};
use ndarray::Array2;

/// Below this many measured voxels no median is given, whatever a profile says.
const FEWEST_VOXELS: usize = 100;
/// Below this share of the region's voxels with a rank no median is given.
const LEAST_COVERAGE: f64 = 0.6;
/// Above this half-width of the 95 % interval over the median no number is given.
const MOST_UNCERTAINTY: f64 = 0.25;

fn finding(severity: Severity, code: &'static str, message: String) -> Finding {
    Finding::new(Stage::Reading, severity, code, message)
}

/// The calibration the profile names, with findings on its field and its confirmation.
pub(super) fn calibration<'a>(
    fitted: &FittedMap,
    calibrations: &'a Calibrations,
    findings: &mut Vec<Finding>,
) -> Option<&'a Calibration> {
    // Without a profile protocol has said so.
    let name = fitted.checked().profile()?.calibration();
    let Some(calibration) = calibrations.get(name) else {
        let message = if name.is_empty() {
            "The profile names no calibration, so R2* is given without a liver iron concentration.".to_owned()
        } else {
            format!("The profile names the calibration {name}, which the calibrations file does not have.")
        };
        let made = finding(Severity::Stop, "calibration-unknown", message)
            .expected(calibrations.names().join(" or "))
            .found(if name.is_empty() { "none" } else { name })
            .attribute("calibration")
            .advice("The MR physicist corrects the name in the profile or adds the calibration.")
            .room_cannot_help("the profile names no known calibration; call the MR physicist");
        findings.push(made);
        return None;
    };
    findings.extend(suitability::field(calibration, fitted.acquisition().header().scanner.field_strength));
    findings.extend(suitability::confirmation(calibration));
    Some(calibration)
}

/// The median if enough of the region was measured; it is infinite where most voxels are beyond the echoes.
pub(super) fn coverage(ranks: &Ranks, body_gives_signal: bool, findings: &mut Vec<Finding>) -> Option<f64> {
    let (measured, all) = (ranks.order.len(), ranks.order.len() + ranks.failed);
    let share = measured as f64 / all.max(1) as f64;
    let made = if !body_gives_signal && (measured < FEWEST_VOXELS || share < LEAST_COVERAGE) {
        finding(
            Severity::Stop,
            "no-signal",
            "Neither the region nor the body around it stands out of the noise; there is nothing to read.".to_owned(),
        )
        .found(format!("{measured} of {all} voxels with signal"))
        .attribute("signal")
        .advice("Check the coil, the position of the patient and the export.")
        .room_can_change("the receive coil and its position; the images hold only noise")
    } else if measured < FEWEST_VOXELS {
        finding(
            Severity::Stop,
            "region-too-small-to-read",
            format!(
                "Only {measured} voxels of the region could be measured; no number is given below {FEWEST_VOXELS}."
            ),
        )
        .expected(format!("at least {FEWEST_VOXELS} voxels"))
        .found(format!("{measured} voxels"))
        .attribute("region")
        .advice("Draw the region on more slices, or repeat with slices through the middle of the liver.")
        .room_can_change("the slices, so that more of the liver is covered")
    } else if share < LEAST_COVERAGE {
        finding(
            Severity::Stop,
            "coverage-too-low",
            format!("The decay could be fitted in only {} % of the region's voxels.", plain((100.0 * share).round())),
        )
        .expected(format!("at least {} %", plain(100.0 * LEAST_COVERAGE)))
        .found(format!("{measured} of {all} voxels"))
        .attribute("region")
        .advice("Look at the region and at the residuals on the quality image.")
    } else {
        return ranks.median();
    };
    findings.push(made);
    None
}

/// No R2* at all meets the criterion.
pub(super) fn nothing_measurable(snr: f64) -> Finding {
    finding(
        Severity::Stop,
        "nothing-measurable",
        format!(
            "With these echo times and a signal of {} times the noise, no R2* can be read to within 5 %.",
            plain((10.0 * snr).round() / 10.0)
        ),
    )
    .found(format!("S0 over sigma {}", plain((10.0 * snr).round() / 10.0)))
    .attribute("measuring range")
    .advice("More signal is needed: receive coil, slice thickness, bandwidth, or more echoes.")
    .room_can_change("the receive coil or the slice thickness, for more signal")
}

/// What a reading outside the measuring range means.
pub(super) fn position(position: Position, median: f64, limits: [f64; 2], lic: Option<[f64; 2]>) -> Option<Finding> {
    let rate = |r: f64| plain(r.round());
    let range = format!("{} to {} /s", plain((10.0 * limits[0]).round() / 10.0), rate(limits[1]));
    let found = if median.is_finite() {
        format!("{} /s", plain((10.0 * median).round() / 10.0))
    } else {
        "most voxels decayed before the first echoes".to_owned()
    };
    let bound = |index: usize| {
        lic.and_then(|l| l.get(index).copied())
            .map_or(String::new(), |l| format!(" ({} mg/g)", super::course::plain2(l)))
    };
    let made = match position {
        Position::Inside => return None,
        Position::Above => finding(
            Severity::Warn,
            "above-measuring-range",
            format!(
                "R2* lies above what this acquisition can measure: the liver is too dark at its first echoes. \
                 The result is a lower bound, at least {} /s{}; the true value can be far higher.",
                rate(limits[1]),
                bound(1)
            ),
        )
        .advice("A repeat with the same echoes gives the same. The clinician decides on the bound.")
        .room_cannot_help("the liver iron is above what these echoes can measure"),
        Position::Below => finding(
            Severity::Note,
            "below-measuring-range",
            format!(
                "R2* lies below what this acquisition can measure: the echo train is too short for so slow a decay. \
                 The result is an upper bound, at most {} /s{}.",
                plain((10.0 * limits[0]).round() / 10.0),
                bound(0)
            ),
        ),
    };
    Some(made.expected(range).found(found).attribute("measuring range"))
}

/// A median inside the measuring range whose interval is not: beyond the upper end readings fall short of the truth, so
/// that one just below it may belong to a liver beyond it.
pub(super) fn reaches_beyond(summary: &R2StarSummary, limits: [f64; 2]) -> Option<Finding> {
    (summary.high > limits[1]).then(|| {
        finding(
            Severity::Warn,
            "interval-beyond-range",
            format!(
                "The interval of R2* reaches beyond the measuring range's upper end of {} /s: the true value may lie \
                 above all that this acquisition can measure.",
                plain(limits[1].round())
            ),
        )
        .expected(format!("at most {} /s", plain(limits[1].round())))
        .found(format!("{} to {} /s", plain(summary.low.round()), plain(summary.high.round())))
        .attribute("measuring range")
        .advice("Read it as no lower than its interval's lower end; only a shorter first echo can tell more.")
    })
}

/// Where the echoes are not the profile's and the room can set them right, a repeat does help: the profile's echoes
/// reach further than these did.
pub(super) fn yield_to_echoes(judged: &[Finding], findings: &mut [Finding]) {
    let mendable = |f: &Finding| matches!(f.scanner_room, Some(ScannerRoom::Repeat(_)));
    if !judged.iter().any(|f| f.severity == Severity::Stop && mendable(f)) {
        return;
    }
    for above in findings.iter_mut().filter(|f| f.code == "above-measuring-range") {
        above.scanner_room = None;
        above.advice = Some("A repeat with the echo times that the profile asks for can measure more.".to_owned());
    }
}

/// A median that is known too badly to be given.
pub(super) fn too_uncertain(summary: &R2StarSummary) -> Option<Finding> {
    let half = Z95 * summary.standard_error / summary.median;
    if half <= MOST_UNCERTAINTY {
        return None;
    }
    Some(
        finding(
            Severity::Stop,
            "too-uncertain",
            format!(
                "The median R2* is known only to within {} % at 95 %; no number is given above {} %.",
                plain((100.0 * half).round()),
                plain(100.0 * MOST_UNCERTAINTY)
            ),
        )
        .expected(format!("at most {} %", plain(100.0 * MOST_UNCERTAINTY)))
        .found(format!("{} %", plain((100.0 * half).round())))
        .attribute("R2* interval")
        .advice("Look at the region: parts of the liver differ, or too few voxels were measured."),
    )
}

/// A source that gives no prediction error leaves its interval and the probabilities empty.
pub(super) fn unknown_error(calibration: &Calibration) -> Option<Finding> {
    if calibration.error.is_some() {
        return None;
    }
    Some(
        finding(
            Severity::Note,
            "calibration-error-unknown",
            format!(
                "No prediction error of the calibration {} is known, so the interval of the chemical LIC and the \
                 probabilities against thresholds are not given.",
                calibration.name
            ),
        )
        .attribute("calibration"),
    )
}

/// What is known of fat in the region: from the map's own fat fraction, else from a fit with fat to the region's
/// mean decay, whose noise is that of one voxel over the root of the independent voxels.
pub(super) fn fat(fitted: &FittedMap, mask: &Mask, summary: Option<&FatSummary>, independent: f64) -> Fat {
    if let Some(summary) = summary {
        return Fat::AtMost(summary.high.max(0.0));
    }
    let acquisition = fitted.acquisition();
    let noise = fitted.noise();
    let field_strength = acquisition.header().scanner.field_strength.map(|t| t.0);
    let settings = ModelSettings { field_strength, ..ModelSettings::default() };
    let Ok(model) = Model::new(ModelKind::FatCorrected, &acquisition.echo_seconds(), &settings) else {
        return Fat::Unknown;
    };
    let count = mask.count().max(1) as f64;
    let mean = Array2::from_shape_fn((acquisition.echo_times().len(), 1), |(echo, _)| {
        let samples = acquisition.echo(echo);
        (mask.indices().filter_map(|v| samples.get(v)).map(|s| f64::from(*s)).sum::<f64>() / count) as f32
    });
    let maps = fit(&model, mean.view(), Sigma::Uniform(noise.sigma), noise.coil_elements);
    let told = maps.state.first() == Some(&State::Fitted) && maps.ambiguous.first() == Some(&false);
    match (maps.fat_fraction.first(), maps.fat_error.first()) {
        (Some(fraction), Some(error)) if told && fraction.is_finite() && error.is_finite() => {
            Fat::AtMost(100.0 * (f64::from(*fraction) + Z95 * f64::from(*error) / independent.sqrt()).max(0.0))
        }
        _ => Fat::Unknown,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn outside_the_range_the_words_say_bound_and_reason() {
        let above = position(Position::Above, 2412.4, [14.2, 1712.8], Some([0.2096, 44.424])).unwrap();
        insta::assert_snapshot!(above.message, @"R2* lies above what this acquisition can measure: the liver is too dark at its first echoes. The result is a lower bound, at least 1713 /s (44.4 mg/g); the true value can be far higher.");
        assert_eq!(above.expected.as_deref(), Some("14.2 to 1713 /s"));
        assert_eq!(above.found.as_deref(), Some("2412 /s"));
        assert!(matches!(above.scanner_room, Some(ScannerRoom::NoUse(_))));
        let below = position(Position::Below, 6.25, [14.2, 1712.8], Some([0.2096, 44.424])).unwrap();
        insta::assert_snapshot!(below.message, @"R2* lies below what this acquisition can measure: the echo train is too short for so slow a decay. The result is an upper bound, at most 14.2 /s (0.21 mg/g).");
        assert_eq!((below.severity, below.scanner_room.clone()), (Severity::Note, None));
        let black = position(Position::Above, f64::INFINITY, [14.2, 1712.8], None).unwrap();
        assert_eq!(black.found.as_deref(), Some("most voxels decayed before the first echoes"));
        assert_eq!(position(Position::Inside, 200.0, [14.2, 1712.8], None), None);
    }

    #[test]
    fn a_mendable_echo_takes_back_that_a_repeat_is_of_no_use() {
        let mut findings = vec![position(Position::Above, 2400.0, [14.0, 700.0], None).unwrap()];
        let rule =
            |severity| Finding::new(Stage::Protocol, severity, "first-echo-off", "x").room_can_change("the first echo");
        yield_to_echoes(&[rule(Severity::Warn)], &mut findings);
        assert!(findings[0].scanner_room.is_some());
        yield_to_echoes(&[rule(Severity::Stop)], &mut findings);
        assert!(findings[0].scanner_room.is_none());
    }

    fn ranks(order: Vec<f64>, failed: usize) -> Ranks {
        let ranked = order.iter().copied().enumerate().collect();
        Ranks { ranked, fitted: order.len(), order, beyond: 0, below: 0, failed }
    }

    /// Twenty voxels, a region mostly unfitted, a body without signal: no median, whatever the voxels say.
    #[test]
    fn too_few_voxels_give_no_median() {
        let mut findings = Vec::new();
        assert_eq!(coverage(&ranks(vec![200.0; 20], 0), true, &mut findings), None);
        assert_eq!(coverage(&ranks(vec![200.0; 500], 600), true, &mut findings), None);
        assert_eq!(coverage(&ranks(vec![200.0; 5], 900), false, &mut findings), None);
        assert_eq!(coverage(&ranks(vec![200.0; 500], 100), true, &mut findings), Some(200.0));
        assert!(findings.iter().all(|f| f.severity == Severity::Stop));
        let said: Vec<&str> = findings.iter().map(|f| f.message.as_str()).collect();
        insta::assert_snapshot!(said.join("\n"), @r"
        Only 20 voxels of the region could be measured; no number is given below 100.
        The decay could be fitted in only 45 % of the region's voxels.
        Neither the region nor the body around it stands out of the noise; there is nothing to read.
        ");
    }

    #[test]
    fn nothing_measurable_is_said_with_the_signal() {
        insta::assert_snapshot!(nothing_measurable(3.12).message, @"With these echo times and a signal of 3.1 times the noise, no R2* can be read to within 5 %.");
    }
}
