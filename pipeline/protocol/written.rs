//! The profile file exactly as typed. The types here are the format: the JSON Schema comes from them.

use super::at::{At, QuantityName, Text};
use super::model_choice::ModelChoice;
use super::region_limits::RegionLimits;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A protocol profile: which scanners and sequence it applies to, what a valid acquisition is, and how it is measured.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(title = "Siderolog protocol profile")]
pub(super) struct File {
    /// Name of the profile: lower-case letters, digits, dots and hyphens.
    pub(super) name: At<Text>,
    /// Raised by one whenever the meaning changes.
    pub(super) revision: At<u32>,
    /// What the profile is for, for people.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) about: Option<At<Text>>,
    /// Who approved it and when. Without this every result needs review.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) approved: Option<Approval>,
    /// Name of the profile this one builds on. What is written here replaces what is written there, key by key; rules by their name.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) extends: Option<At<Text>>,
    /// Which scanners and sequence it applies to. What is not named here does not matter.
    #[serde(rename = "applies to", skip_serializing_if = "Option::is_none")]
    pub(super) applies_to: Option<AppliesTo>,
    /// Scanner software that was tested.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) software: Option<Software>,
    /// Signal model; `automatic` lets the fit choose among those the calibration accepts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) model: Option<At<ModelChoice>>,
    /// Noise settings.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) noise: Option<Noise>,
    /// Limits on the measured region.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) region: Option<At<RegionLimits>>,
    /// Name of the calibration from R2* to iron.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) calibration: Option<At<Text>>,
    /// What to tell the radiographer, whatever the answer is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) room: Option<At<Text>>,
    /// Names of rules of the base profile that do not hold here.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(super) without: Vec<At<Text>>,
    /// The rules; all of them run.
    pub(super) rules: Vec<At<Rule>>,
}

/// Who approved a profile and when.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Approval {
    /// Who.
    pub(super) by: At<Text>,
    /// When, YYYY-MM-DD.
    pub(super) date: At<Text>,
}

/// Which scanners and sequence a profile applies to.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct AppliesTo {
    /// Manufacturers, compared without regard to case.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) manufacturer: Option<Vec<At<Text>>>,
    /// Manufacturer's model names.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) model: Option<Vec<At<Text>>>,
    /// Device serial numbers.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) serial: Option<Vec<At<Text>>>,
    /// Field strength, such as `1.5 T`; within 0.05 T.
    #[serde(rename = "field strength", skip_serializing_if = "Option::is_none")]
    pub(super) field_strength: Option<At<Text>>,
    /// `2D` or `3D`.
    #[serde(rename = "acquisition type", skip_serializing_if = "Option::is_none")]
    pub(super) acquisition_type: Option<At<Dimensions>>,
    /// `one` or `several` averages. A header that does not say counts as one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) averages: Option<At<Averages>>,
    /// Words one of which the protocol name or a series description contains, without regard to case.
    #[serde(rename = "protocol or series", skip_serializing_if = "Option::is_none")]
    pub(super) protocol_or_series: Option<Vec<At<Text>>>,
}

/// Slice by slice or as a volume.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub(super) enum Dimensions {
    /// Slice by slice.
    #[serde(rename = "2D")]
    Two,
    /// As a volume.
    #[serde(rename = "3D")]
    Three,
}

/// Number of averages in words.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub(super) enum Averages {
    /// One: a breath-hold.
    One,
    /// Two or more: free breathing averaged out.
    Several,
}

/// Scanner software that was tested.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Software {
    /// Versions that may measure patients, exactly as (0018,1020) has them.
    pub(super) approved: At<Vec<At<Text>>>,
    /// What the physicist repeats before approving another version.
    #[serde(rename = "before approving", skip_serializing_if = "Option::is_none")]
    pub(super) before_approving: Option<At<Text>>,
}

/// Noise settings.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Noise {
    /// Effective number of coil elements of the combined magnitude, where it is known: 1 for adaptive combination, the number of elements for sum of squares.
    #[serde(rename = "coil elements", skip_serializing_if = "Option::is_none")]
    pub(super) coil_elements: Option<At<f64>>,
}

/// How much a deviation weighs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub(super) enum Weight {
    /// Worth knowing; the verdict stays clear.
    Note,
    /// A person must look; numbers are given.
    Warn,
    /// The iron concentration is withheld.
    Stop,
    /// `warn` where the reading and its interval lie inside the measuring range of the actual echoes, else `stop`.
    #[serde(rename = "by range")]
    ByRange,
}

/// What to do where the header does not say.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub(super) enum Missing {
    /// Nothing.
    Ignore,
    /// A note.
    Note,
    /// A warning.
    Warn,
    /// A stop.
    Stop,
}

/// Present or absent.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub(super) enum Presence {
    /// The header must have it.
    Present,
    /// The header must not have it.
    Absent,
}

/// A rule reads like a sentence: the quantity, one condition, the severity, the reason and what the scanner room can do.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Rule {
    /// Name of the rule; the quantity's own name where it is left out. Two rules on one quantity need names.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) name: Option<At<Text>>,
    /// A quantity of the list (`siderolog profile check --quantities`) or a DICOM tag such as `(0018,1030)`.
    pub(super) quantity: At<QuantityName>,
    /// Condition: this value; numbers may add `within`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) exactly: Option<At<Text>>,
    /// Tolerance of `exactly`, such as `10 %` or `0.2 ms`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) within: Option<At<Text>>,
    /// Condition: no more than this.
    #[serde(rename = "at most", skip_serializing_if = "Option::is_none")]
    pub(super) at_most: Option<At<Text>>,
    /// Condition: no less than this.
    #[serde(rename = "at least", skip_serializing_if = "Option::is_none")]
    pub(super) at_least: Option<At<Text>>,
    /// Condition: between two values, `[low, high]`, ends included.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) between: Option<At<Vec<At<Text>>>>,
    /// Condition: one of these.
    #[serde(rename = "one of", skip_serializing_if = "Option::is_none")]
    pub(super) one_of: Option<At<Vec<At<Text>>>>,
    /// Condition: none of these.
    #[serde(rename = "none of", skip_serializing_if = "Option::is_none")]
    pub(super) none_of: Option<At<Vec<At<Text>>>>,
    /// Condition: the text contains this, without regard to case.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) contains: Option<At<Text>>,
    /// Condition: `present` or `absent` in the header.
    #[serde(rename = "must be", skip_serializing_if = "Option::is_none")]
    pub(super) must_be: Option<At<Presence>>,
    /// How much a deviation weighs.
    pub(super) severity: At<Weight>,
    /// What happens where the header does not say; the severity where this is left out.
    #[serde(rename = "when missing", skip_serializing_if = "Option::is_none")]
    pub(super) when_missing: Option<At<Missing>>,
    /// Why the rule exists, with its source.
    pub(super) reason: At<Text>,
    /// What the scanner room changes; it continues the sentence "Repeat now, changing …", as in `the repetition time to 100 ms`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) advice: Option<At<Text>>,
    /// Why repeating would not help; it continues "Do not repeat, because …".
    #[serde(rename = "no repeat", skip_serializing_if = "Option::is_none")]
    pub(super) no_repeat: Option<At<Text>>,
}

impl File {
    /// Takes over what is not written here from the base. The approval is not inherited: whoever approved
    /// the base did not see what this file changes.
    pub(super) fn inherit(&mut self, base: &Self) {
        fn take<T: Clone>(mine: &mut Option<T>, theirs: &Option<T>) {
            if mine.is_none() {
                mine.clone_from(theirs);
            }
        }
        take(&mut self.about, &base.about);
        take(&mut self.software, &base.software);
        take(&mut self.model, &base.model);
        take(&mut self.noise, &base.noise);
        take(&mut self.region, &base.region);
        take(&mut self.calibration, &base.calibration);
        take(&mut self.room, &base.room);
        if let Some(theirs) = &base.applies_to {
            let mine = self.applies_to.get_or_insert_with(AppliesTo::default);
            take(&mut mine.manufacturer, &theirs.manufacturer);
            take(&mut mine.model, &theirs.model);
            take(&mut mine.serial, &theirs.serial);
            take(&mut mine.field_strength, &theirs.field_strength);
            take(&mut mine.acquisition_type, &theirs.acquisition_type);
            take(&mut mine.averages, &theirs.averages);
            take(&mut mine.protocol_or_series, &theirs.protocol_or_series);
        }
    }
}
