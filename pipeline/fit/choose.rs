//! Which model: as the profile says, or chosen from the acquisition, never from the decay.

use crate::protocol::ModelChoice;
use crate::study::{Acquisition, ModelKind};

/// A model, with the reason for it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Choice {
    /// Which model.
    pub kind: ModelKind,
    /// Why, as a sentence for the result.
    pub why: String,
}

/// Best first: what corrects for more goes before what corrects for less. The fat-corrected fit goes before the complex
/// one, which has no noise floor but knows nothing of its neighbours' fat: in a dark liver it exchanges water and fat.
const PREFERENCE: [ModelKind; 6] = [
    ModelKind::FatCorrected,
    ModelKind::Complex,
    ModelKind::NoiseCorrected,
    ModelKind::Truncated,
    ModelKind::MonoexponentialWithOffset,
    ModelKind::Monoexponential,
];

/// The model the profile names, or for `Auto` the best of those in `accepted` (by the calibration) that the
/// acquisition allows.
pub fn choose(wanted: ModelChoice, accepted: &[ModelKind], acquisition: &Acquisition) -> Choice {
    if let ModelChoice::Fixed(kind) = wanted {
        return Choice { kind, why: format!("The profile asks for the {kind} model.") };
    }
    let mut passed_over = Vec::new();
    for kind in PREFERENCE.into_iter().filter(|kind| accepted.contains(kind)) {
        match obstacle(kind, acquisition) {
            None => {
                let mut why = format!("The {kind} model is the best that the calibration accepts");
                if passed_over.is_empty() {
                    why.push('.');
                } else {
                    why.push_str(&format!(" and these images allow: {}.", passed_over.join("; ")));
                }
                return Choice { kind, why };
            }
            Some(reason) => passed_over.push(format!("not {kind}, because {reason}")),
        }
    }
    let because =
        if accepted.is_empty() { "the calibration names no model".to_owned() } else { passed_over.join("; ") };
    Choice { kind: ModelKind::NoiseCorrected, why: format!("The noise-corrected model: {because}.") }
}

/// The model that `auto` comes to for magnitude images without fat suppression, of this many echoes.
pub fn for_magnitude(accepted: &[ModelKind], field_known: bool, echoes: usize) -> ModelKind {
    let allowed = |kind: &ModelKind| {
        *kind != ModelKind::Complex && accepted.contains(kind) && beyond_echoes(*kind, field_known, echoes).is_none()
    };
    PREFERENCE.into_iter().find(allowed).unwrap_or(ModelKind::NoiseCorrected)
}

/// Why the images do not allow a model.
pub fn obstacle(kind: ModelKind, acquisition: &Acquisition) -> Option<&'static str> {
    let header = acquisition.header();
    if kind == ModelKind::Complex && acquisition.complex().is_none() {
        return Some("there are no phase or real and imaginary images");
    }
    if with_fat(kind) && header.sequence.fat_suppressed == Some(true) {
        return Some("fat was suppressed");
    }
    beyond_echoes(kind, header.scanner.field_strength.is_some(), acquisition.echo_times().len())
}

fn with_fat(kind: ModelKind) -> bool {
    matches!(kind, ModelKind::FatCorrected | ModelKind::Complex)
}

fn beyond_echoes(kind: ModelKind, field_known: bool, echoes: usize) -> Option<&'static str> {
    if with_fat(kind) && !field_known {
        return Some("the field strength is not known");
    }
    // Water, fat, R2* and the noise floor need more samples than unknowns.
    if kind == ModelKind::FatCorrected && echoes < 6 {
        return Some("magnitude images need at least six echoes to tell water from fat");
    }
    let fewest = super::model::fewest_echoes(kind);
    (echoes < fewest).then_some("there are too few echoes")
}
