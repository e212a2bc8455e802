//! Every text of pictures and pages, by language. A field that lacks a translation does not compile.
//! Findings come from the stages that made them and stay in their words.

mod english;
mod german;

use crate::study::Verdict;
use crate::study::text::plain;
use serde::{Deserialize, Serialize};

/// A language of the texts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Language {
    /// English.
    #[default]
    English,
    /// German.
    German,
}

impl Language {
    /// The texts.
    pub fn words(self) -> &'static Words {
        match self {
            Self::English => &english::WORDS,
            Self::German => &german::WORDS,
        }
    }

    /// RFC 5646 tag.
    pub fn tag(self) -> &'static str {
        match self {
            Self::English => "en",
            Self::German => "de",
        }
    }
}

macro_rules! catalogue {
    ($($name:ident),+ $(,)?) => {
        /// The texts of one language.
        #[allow(missing_docs, reason = "each name says which text it is")]
        #[derive(Debug)]
        pub struct Words { $(pub $name: &'static str,)+ pub decimal: char }
    };
}

catalogue! {
    title, caution, not_for_measurement,
    clear, review, refused, clear_means, review_means, refused_means,
    lic, lic_long, lic_unit, no_lic, tissue_interval, tissue_unknown, repeat_interval, chemical, r2star, this_scan,
    measuring_range, inside, above, below, bound_only, not_determined,
    fat_fraction,
    first_echo, middle_echo, last_echo, map, left_out, nothing_left_out, region, slice, slices, of, voxels, all_slices, every_slice,
    decay, decay_axis, residual_axis, measured, fitted, noise_floor,
    histogram, histogram_axis, median, findings, no_findings, and_more, images_unavailable,
    expected, found, what_to_do, patient, born, sex, patient_id, study_date, accession, scanner, field_strength, referring, institution,
    result, thresholds, chance_means, also, body_iron, trend, hollow, side_above, side_below, side_unknown,
    everyone, transfused, not_transfused, sickle_cell, before_transplant, condition_unknown, no_source,
    other_scanner, due_by, conforms, deviations, heart, left_out_short, amended_by, segmented_by, automatic, supplied, amended, signal, course, course_none, change, since_event, next_scan,
    acquisition, echo_times, repetition_time, flip_angle, grid, profile, revision, profile_none,
    calibration, source, equation, budget, standard_uncertainty, provenance, software, digest, profile_digest, region_digest, predecessor, reviewed_by, not_reviewed, model, noise,
    quality_picture, mg_per_g, vessel, bile, lesion, edge, dome, near_gas, flawed, unfitted, outlier,
    severity_note, severity_warn, severity_stop, no_glyph,
}

impl Words {
    /// The verdict in a word.
    pub fn verdict(&self, verdict: Verdict) -> &'static str {
        match verdict {
            Verdict::Clear => self.clear,
            Verdict::Review => self.review,
            Verdict::Refused => self.refused,
        }
    }

    /// What the verdict asks of the reader.
    pub fn verdict_means(&self, verdict: Verdict) -> &'static str {
        match verdict {
            Verdict::Clear => self.clear_means,
            Verdict::Review => self.review_means,
            Verdict::Refused => self.refused_means,
        }
    }

    /// A reason of exclusion; what has no translation stays in its own word.
    pub fn exclusion(&self, word: &str) -> String {
        let text = match word {
            "vessel" => self.vessel,
            "bile-or-gallbladder" => self.bile,
            "lesion" => self.lesion,
            "edge" => self.edge,
            "dome" => self.dome,
            "near-gas" => self.near_gas,
            "flawed" => self.flawed,
            "unfitted" => self.unfitted,
            "outlier" => self.outlier,
            other => return other.replace('-', " "),
        };
        text.to_owned()
    }

    /// How a region came about; what has no translation stays in its own word.
    pub fn method(&self, word: &str) -> String {
        let text = match word {
            "automatic" => self.automatic,
            "supplied" => self.supplied,
            "amended" => self.amended,
            other => other,
        };
        text.to_owned()
    }

    /// Of whom a threshold speaks; what has no translation stays in its own words.
    pub fn condition(&self, words: &str) -> String {
        let text = match words {
            "everyone" => self.everyone,
            "transfusion-dependent" => self.transfused,
            "non-transfusion-dependent" => self.not_transfused,
            "sickle cell" => self.sickle_cell,
            "before transplant" => self.before_transplant,
            other => other,
        };
        text.to_owned()
    }

    /// A number as short as it can be, with the language's decimal mark.
    pub fn plain(&self, value: f64) -> String {
        let text = plain(value);
        if self.decimal == '.' { text } else { text.replace('.', &self.decimal.to_string()) }
    }

    /// A number with this many decimals and the language's decimal mark.
    pub fn number(&self, value: f64, decimals: usize) -> String {
        let text = format!("{value:.decimals$}");
        if self.decimal == '.' { text } else { text.replace('.', &self.decimal.to_string()) }
    }

    /// A LIC: one decimal, two below 1 mg/g.
    pub fn lic_number(&self, value: f64) -> String {
        self.number(value, if value.abs() < 1.0 { 2 } else { 1 })
    }

    /// An R2*: whole, one decimal below 100 /s.
    pub fn rate(&self, value: f64) -> String {
        self.number(value, if value.abs() < 100.0 { 1 } else { 0 })
    }

    /// `low – high`, with what is missing shown as `?`.
    pub fn interval(&self, low: Option<f64>, high: Option<f64>, show: impl Fn(&Self, f64) -> String) -> String {
        let end = |v: Option<f64>| v.map_or_else(|| "?".to_owned(), |v| show(self, v));
        format!("{} – {}", end(low), end(high))
    }

    /// A whole number in groups of three.
    pub fn count(&self, value: usize) -> String {
        let digits = value.to_string();
        let mut out = String::new();
        for (i, c) in digits.chars().enumerate() {
            if i > 0 && (digits.len() - i).is_multiple_of(3) {
                // A narrow space that does not break.
                out.push('\u{202f}');
            }
            out.push(c);
        }
        out
    }
}
