//! One delivery through every stage, in one place: from what intake found to finished reports.

use crate::daemon::settings::Documents;
use crate::intake::{Found, Intake, RegionFile, Unreadable};
use crate::protocol::{self, CheckedAcquisition, ImageMeasures, Profile};
use crate::reading::{self, Calibrations, FollowUp, PastReading, Reading};
use crate::report::{self, Case, Outputs, Report, Role, Software};
use crate::roi::{self, Region};
use crate::study::{Acquisition, Finding, Header, Severity, Stage};
use crate::{fit, quality};

/// What a site decided, parsed once.
pub struct Rules {
    /// Protocol profiles.
    pub profiles: Vec<Profile>,
    /// Calibrations.
    pub calibrations: Calibrations,
    /// Thresholds, repeatability and what is due.
    pub follow_up: FollowUp,
}

impl Rules {
    /// Parses what the site's files say, or what is shipped where it names none.
    pub fn of(documents: &Documents) -> Result<Self, String> {
        let calibrations = match &documents.calibrations {
            Some(file) => reading::calibrations(&file.name, &file.text).map_err(|e| e.to_string())?,
            None => Calibrations::shipped(),
        };
        let follow_up = match &documents.follow_up {
            Some(file) => reading::follow_up(&file.name, &file.text).map_err(|e| e.to_string())?,
            None => FollowUp::shipped().map_err(|e| e.to_string())?,
        };
        let names = calibrations.names();
        let shipped = protocol::shipped();
        let files: Vec<(&str, &str)> = if documents.profiles.is_empty() {
            shipped
        } else {
            documents.profiles.iter().map(|d| (d.name.as_str(), d.text.as_str())).collect()
        };
        let mut profiles = Vec::new();
        let mut errors = Vec::new();
        for (name, text) in files {
            match protocol::parse_for(name, text, &|_| None, Some(&names)) {
                Ok(profile) => profiles.push(profile),
                Err(error) => errors.push(error.to_string()),
            }
        }
        if errors.is_empty() { Ok(Self { profiles, calibrations, follow_up }) } else { Err(errors.join("\n")) }
    }
}

/// How far the stages carried an acquisition.
enum Carried {
    /// Its images could not be read.
    Unreadable(Box<Unreadable>),
    /// It does not decay with R2*, so there is nothing to fit.
    Checked(Box<CheckedAcquisition>),
    /// All the way.
    Read { reading: Box<Reading>, measures: ImageMeasures, findings: Vec<Finding> },
}

/// Carries everything intake found through the stages and composes a report for each.
///
/// `history` holds earlier readings of the patients concerned; `progress` hears how many are done.
pub fn analyse(
    intake: Intake,
    rules: &Rules,
    outputs: &Outputs,
    history: &[PastReading],
    progress: &dyn Fn(usize, usize),
) -> Vec<Report> {
    let Intake { found, regions, events, .. } = intake;
    let total = found.len();
    let mut carried = Vec::with_capacity(total);
    for (done, found) in found.into_iter().enumerate() {
        progress(done, total);
        carried.push(match found {
            Found::Unreadable(unreadable) => Carried::Unreadable(unreadable),
            Found::Acquisition(acquisition) => carry(*acquisition, rules, &regions, history),
        });
    }
    let roles = roles(&carried);
    let reports = carried.iter().zip(roles).map(|(carried, role)| compose(carried, role, outputs)).collect();
    progress(total, total);
    reports
}

/// One acquisition from its headers to its reading.
fn carry(acquisition: Acquisition, rules: &Rules, regions: &[RegionFile], history: &[PastReading]) -> Carried {
    let checked = protocol::check(acquisition, &rules.profiles);
    if !checked.decays_with_r2star() {
        return Carried::Checked(Box::new(checked));
    }
    let profile = checked.profile().cloned();
    let limits = profile.as_ref().map(|p| p.region().clone()).unwrap_or_default();
    let noise = fit::estimate_noise(checked.acquisition(), profile.as_ref().and_then(Profile::coil_elements));
    let survey = fit::survey(checked.acquisition(), &noise);
    let region = region(checked.acquisition(), &survey, &noise, &limits, regions);
    let measures = quality::measure(checked.acquisition(), &survey, &noise, &region);
    let image_findings = profile.as_ref().map(|p| protocol::check_images(p, &measures)).unwrap_or_default();
    let calibration = profile.as_ref().and_then(|p| rules.calibrations.get(p.calibration()));
    let accepted = calibration.map(reading::Calibration::accepted_models).unwrap_or_default();
    let wanted = profile.as_ref().map(Profile::model).unwrap_or_default();
    let choice = fit::choose(wanted, &accepted, checked.acquisition());
    match fit::map(checked, noise, survey, region.mask(), choice) {
        Ok(fitted) => {
            let context = reading::Context { calibrations: &rules.calibrations, follow_up: &rules.follow_up, history };
            let reading = reading::read(fitted, region, &context);
            Carried::Read { reading: Box::new(reading), measures, findings: image_findings }
        }
        Err((checked, finding)) => todo(),
    }
}
