//! Which scanners and sequence a profile is for.

use super::at::{At, Text};
use super::errors::{Complaints, SourceText};
use super::unit::Unit;
use super::written::{self, Averages, Dimensions};
use crate::study::Header;
use crate::study::text::{plain, safe};
use std::sync::Arc;

/// Two field strengths nearer than this, in tesla, are the same magnet: 3.0 T is not 2.89 T.
const SAME_FIELD_T: f64 = 0.05;

/// What a header must say for a profile to apply. Empty lists and `None` ask nothing.
#[derive(Clone, Debug, Default)]
pub(super) struct Applies {
    manufacturer: Vec<String>,
    model: Vec<String>,
    serial: Vec<String>,
    field_strength: Option<f64>,
    dimensions: Option<Dimensions>,
    averages: Option<Averages>,
    words: Vec<String>,
}

impl Applies {
    /// Reads what was written.
    pub(super) fn read(source: &Arc<SourceText>, w: &written::AppliesTo, complaints: &mut Complaints) -> Self {
        let mut list = |texts: &Option<Vec<At<Text>>>| -> Vec<String> {
            let texts = texts.as_deref().unwrap_or_default();
            for text in texts.iter().filter(|t| t.value.0.trim().is_empty()) {
                complaints.add(
                    source,
                    text.place,
                    "an empty text matches nothing; name what the header has, or remove it",
                );
            }
            texts.iter().map(|t| t.value.0.trim().to_owned()).collect()
        };
        let (manufacturer, model, serial) = (list(&w.manufacturer), list(&w.model), list(&w.serial));
        let words = list(&w.protocol_or_series);
        let field_strength = w.field_strength.as_ref().and_then(|at| match Unit::Tesla.read(&at.value.0) {
            Ok(tesla) if tesla > 0.0 && tesla <= 20.0 => Some(tesla),
            Ok(_) => {
                complaints.add(source, at.place, "a field strength lies between 0 and 20 T");
                None
            }
            Err(message) => {
                complaints.add(source, at.place, message);
                None
            }
        });
        Self {
            manufacturer,
            model,
            serial,
            field_strength,
            dimensions: w.acquisition_type.as_ref().map(|d| d.value),
            averages: w.averages.as_ref().map(|a| a.value),
            words,
        }
    }

    /// The field strength it is for, in tesla.
    pub(super) fn field_strength(&self) -> Option<f64> {
        self.field_strength
    }

    /// Why it does not apply, as the first thing that differs; `None` where it applies.
    pub(super) fn differs(&self, header: &Header) -> Option<String> {
        let scanner = &header.scanner;
        let texts = [
            ("manufacturer", &self.manufacturer, &scanner.manufacturer),
            ("model", &self.model, &scanner.model),
            ("serial number", &self.serial, &scanner.serial),
        ];
        for (what, wanted, found) in texts {
            let same = |w: &String| found.as_ref().is_some_and(|f| f.trim().eq_ignore_ascii_case(w));
            if !wanted.is_empty() && !wanted.iter().any(same) {
                let found = found.as_ref().map_or_else(|| "not given".to_owned(), |f| safe(f, 60));
                return Some(format!("{what} {} asked for, {found} found", wanted.join(" or ")));
            }
        }
        if let Some(wanted) = self.field_strength {
            let found = scanner.field_strength.map(|t| t.0);
            if !found.is_some_and(|found| (found - wanted).abs() <= SAME_FIELD_T) {
                let found = found.map_or_else(|| "not given".to_owned(), |f| Unit::Tesla.show(f));
                return Some(format!("{} asked for, {found} found", Unit::Tesla.show(wanted)));
            }
        }
        if let Some(wanted) = self.dimensions {
            let word = match wanted {
                Dimensions::Two => "2D",
                Dimensions::Three => "3D",
            };
            let found = header.sequence.dimensions.as_deref().unwrap_or("not given");
            if !found.trim().eq_ignore_ascii_case(word) {
                return Some(format!("{word} acquisition asked for, {} found", safe(found, 20)));
            }
        }
        if let Some(wanted) = self.averages {
            let found = header.sequence.averages.unwrap_or(1.0);
            if (found >= 1.5) != (wanted == Averages::Several) {
                let word = if wanted == Averages::Several { "several averages" } else { "one average" };
                return Some(format!("{word} asked for, {} found", plain(found)));
            }
        }
        if !self.words.is_empty() {
            let names: Vec<String> = header
                .sequence
                .protocol_name
                .iter()
                .chain(header.series.iter().filter_map(|s| s.description.as_ref()))
                .map(|text| text.to_lowercase())
                .collect();
            if !self.words.iter().any(|word| names.iter().any(|name| name.contains(&word.to_lowercase()))) {
                return Some(format!(
                    "`{}` in protocol name or series description asked for",
                    self.words.join("` or `")
                ));
            }
        }
        None
    }
}
