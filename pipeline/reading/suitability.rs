//! Whether a calibration may be applied to this acquisition: field strength, confirmation, model, fat.

use super::calibration::{Accepted, Calibration};
use crate::study::text::plain;
use crate::study::{Finding, ModelKind, Severity, Stage, Tesla};

/// Fields this close are the same magnet.
const SAME: f64 = 0.05;
/// Fields this close are sold as the same nominal strength (2.89 T as 3 T) and still differ in R2* by 4 %.
const NEAR: f64 = 0.2;

fn finding(severity: Severity, code: &'static str, message: String) -> Finding {
    Finding::new(Stage::Reading, severity, code, message)
}

/// The calibration's field against the scanner's.
pub(super) fn field(calibration: &Calibration, scanner: Option<Tesla>) -> Option<Finding> {
    const ATTRIBUTE: &str = "(0018,0087) Magnetic Field Strength, (0018,0084) Imaging Frequency";
    let wanted = calibration.field_strength;
    let Some(found) = scanner else {
        return Some(
            finding(
                Severity::Stop,
                "field-strength-unknown",
                format!(
                    "The headers give no field strength, and the calibration {} holds at {wanted} only.",
                    calibration.name
                ),
            )
            .expected(wanted.to_string())
            .found("not given")
            .attribute(ATTRIBUTE)
            .advice("Export the series with its field strength.")
            .room_cannot_help("the export gives no field strength"),
        );
    };
    let off = (found.0 - wanted.0).abs();
    if off <= SAME {
        return None;
    }
    let (severity, code, consequence) = if off <= NEAR {
        (
            Severity::Warn,
            "field-strength-near",
            "R2* differs by a few percent between the two; nothing was interpolated.",
        )
    } else {
        (Severity::Stop, "field-strength-mismatch", "R2* of the same tissue is another at that field.")
    };
    let made = finding(
        severity,
        code,
        format!(
            "The scanner's field is {found}; the calibration {} holds at {wanted}. {consequence}",
            calibration.name
        ),
    )
    .expected(wanted.to_string())
    .found(found.to_string())
    .attribute(ATTRIBUTE)
    .advice("The MR physicist names a calibration for this field in the profile.");
    Some(if severity == Severity::Stop {
        made.room_cannot_help("the profile's calibration is for another field strength; call the MR physicist")
    } else {
        made
    })
}

/// Whether a person has compared the entry with its paper.
pub(super) fn confirmation(calibration: &Calibration) -> Option<Finding> {
    if calibration.is_confirmed() {
        return None;
    }
    let memory = if calibration.confidence.from_memory() { " Its equation was entered from memory." } else { "" };
    Some(
        finding(
            Severity::Warn,
            "calibration-unconfirmed",
            format!(
                "Nobody at this site has compared the calibration {} with its paper ({}).{memory}",
                calibration.name,
                calibration.source_id()
            ),
        )
        .expected("confirmed_by and confirmed_on")
        .found(format!("empty; {}", calibration.confidence.words()))
        .attribute("calibration")
        .advice("Compare the entry with its paper, then enter name and date in the calibrations file."),
    )
}

/// What the calibration's range of validation says of this LIC.
pub(super) fn validation(calibration: &Calibration, lic: f64) -> Option<Finding> {
    let [low, high] = calibration.validated_lic?;
    if (low..=high).contains(&lic) {
        return None;
    }
    Some(
        finding(
            Severity::Warn,
            "outside-validated-range",
            format!(
                "LIC {} mg/g lies outside the {} to {} mg/g of the patients behind the calibration {}.",
                plain(lic),
                plain(low),
                plain(high),
                calibration.name
            ),
        )
        .expected(format!("{} to {} mg/g", plain(low), plain(high)))
        .found(format!("{} mg/g", plain(lic)))
        .attribute("LIC"),
    )
}

/// What is known of fat in the region.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Fat {
    /// At most this many percent, at 97.5 %.
    AtMost(f64),
    /// Not told by these echoes.
    Unknown,
}

/// Whether the calibration accepts R2* of this model.
pub(super) fn model(calibration: &Calibration, kind: ModelKind, fat: Fat) -> (Option<&Accepted>, Option<Finding>) {
    let names: Vec<&str> = calibration.accepts.iter().map(|a| a.model.word()).collect();
    let Some(accepted) = calibration.acceptance(kind) else {
        let made = finding(
            Severity::Warn,
            "model-not-accepted",
            format!(
                "The calibration {} was made with another fit than {kind}; different fits give different R2*.",
                calibration.name
            ),
        )
        .expected(names.join(" or "))
        .found(kind.word())
        .attribute("signal model")
        .advice("The MR physicist names an accepted model or another calibration in the profile.");
        return (None, Some(made));
    };
    let Some(limit) = accepted.fat_at_most_percent else { return (Some(accepted), None) };
    let (found, says) = match fat {
        Fat::AtMost(most) if most <= limit => return (Some(accepted), None),
        Fat::AtMost(most) => (format!("up to {} %", plain(most)), "may be higher"),
        Fat::Unknown => ("not told by these echoes".to_owned(), "is not known"),
    };
    let made = finding(
        Severity::Warn,
        "fat-not-bounded",
        format!(
            "The calibration {} accepts the {kind} model where fat is below {} %; here the fat fraction {says}.",
            calibration.name,
            plain(limit)
        ),
    )
    .expected(format!("at most {} %", plain(limit)))
    .found(found)
    .attribute("fat fraction")
    .advice("Fat shifts R2* by a few percent; a profile with the fat-corrected model removes it.");
    (Some(accepted), Some(made))
}

#[cfg(test)]
mod tests {
    use super::super::calibration::Calibrations;
    use super::*;

    #[test]
    fn a_model_that_is_not_accepted_goes_to_review() {
        let shipped = Calibrations::shipped();
        let wood = shipped.get("wood-2005-1.5t").unwrap();
        let (accepted, said) = model(wood, ModelKind::NoiseCorrected, Fat::AtMost(1.0));
        let said = said.unwrap();
        assert!(accepted.is_none() && said.severity == Severity::Warn);
        insta::assert_snapshot!(said.message, @"The calibration wood-2005-1.5t was made with another fit than noise-corrected; different fits give different R2*.");
        assert_eq!(said.expected.as_deref(), Some("monoexponential-with-offset"));
        assert!(model(wood, ModelKind::MonoexponentialWithOffset, Fat::Unknown).1.is_none());
    }

    #[test]
    fn noise_corrected_needs_fat_shown_or_bounded_small() {
        let shipped = Calibrations::shipped();
        let hernando = shipped.get("hernando-2023-1.5t").unwrap();
        let said = |fat| model(hernando, ModelKind::NoiseCorrected, fat).1.map(|f| (f.severity, f.found));
        assert_eq!(said(Fat::AtMost(3.0)), None);
        assert_eq!(said(Fat::AtMost(12.0)), Some((Severity::Warn, Some("up to 12 %".to_owned()))));
        assert_eq!(said(Fat::Unknown), Some((Severity::Warn, Some("not told by these echoes".to_owned()))));
        assert_eq!(model(hernando, ModelKind::FatCorrected, Fat::Unknown).1, None);
    }

    #[test]
    fn a_lic_outside_the_patients_behind_the_line_goes_to_review() {
        let shipped = Calibrations::shipped();
        let hankins = shipped.get("hankins-2009-1.5t").unwrap();
        assert_eq!(validation(hankins, 12.0), None);
        insta::assert_snapshot!(validation(hankins, 35.0).unwrap().message, @"LIC 35 mg/g lies outside the 0.6 to 27.6 mg/g of the patients behind the calibration hankins-2009-1.5t.");
    }

    #[test]
    fn a_header_without_field_strength_gives_no_number() {
        let shipped = Calibrations::shipped();
        let hernando = shipped.get("hernando-2023-3t").unwrap();
        let said = field(hernando, None).unwrap();
        assert_eq!(said.severity, Severity::Stop);
        insta::assert_snapshot!(said.message, @"The headers give no field strength, and the calibration hernando-2023-3t holds at 3 T only.");
        // 2.89 T is sold as 3 T: the number is given, and a person looks.
        assert_eq!(field(hernando, Some(Tesla(2.89))).unwrap().severity, Severity::Warn);
        assert_eq!(field(hernando, Some(Tesla(3.0003))), None);
        assert_eq!(field(hernando, Some(Tesla(1.5))).unwrap().severity, Severity::Stop);
    }
}
