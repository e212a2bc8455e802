//! One delivery through every stage, in one place: from what intake found to finished reports.

use super::region::{self, Amended, Segment};
use super::role::{Standing, roles};
use crate::daemon::earlier::{self, Earlier};
use crate::daemon::settings::Documents;
use crate::intake::{EventsFile, Found, Intake, RegionFile, Unreadable};
use crate::protocol::{self, CheckedAcquisition, ImageMeasures, Profile};
use crate::reading::{self, Calibrations, CourseEvents, FollowUp, PastReading, Reading};
use crate::report::{self, Case, Outputs, Report, Role, RoleKind, Software};
use crate::roi::Region;
use crate::study::{Acquisition, Finding, Severity, Stage};
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
        let names: Vec<String> = calibrations.names().into_iter().map(str::to_owned).collect();
        let files: Vec<(&str, &str)> = if documents.profiles.is_empty() {
            protocol::shipped().collect()
        } else {
            documents.profiles.iter().map(|d| (d.name.as_str(), d.text.as_str())).collect()
        };
        let beside = |place: usize, wanted: &str| documents.profiles.get(place)?.base(wanted);
        let profiles = protocol::parse_together(&files, &beside, Some(&names)).map_err(|e| e.to_string())?;
        Ok(Self { profiles, calibrations, follow_up })
    }
}

/// How far the stages carried an acquisition.
enum Carried {
    /// Its images could not be read.
    Unreadable(Box<Unreadable>),
    /// There is nothing to fit; the findings say why.
    Checked { checked: Box<CheckedAcquisition>, region: Option<Box<Region>>, findings: Vec<Finding> },
    /// All the way.
    Read { reading: Box<Reading>, measures: ImageMeasures, findings: Vec<Finding> },
}

/// One finished acquisition.
pub struct Analysed {
    /// What is written.
    pub report: Report,
    /// What enters the patient's course: of the primary acquisition of a study, where it was read.
    pub past: Option<PastReading>,
}

/// What a delivery is analysed with besides itself.
pub struct Setting<'a> {
    /// What the site decided.
    pub rules: &'a Rules,
    /// What is written.
    pub outputs: &'a Outputs,
    /// Earlier readings of the patients concerned.
    pub history: &'a [PastReading],
    /// Issuer of patient identifiers where a header names none.
    pub default_issuer: Option<&'a str>,
    /// Results of an earlier run over the same place, which these replace.
    pub earlier: &'a [Earlier],
    /// A person's region for one of the acquisitions.
    pub amended: Option<&'a Amended>,
    /// The site's own segmenter.
    pub segmenter: Option<&'a dyn Segment>,
}

/// Carries everything intake found through the stages and composes a report for each, in intake's order.
/// `progress` hears how many of how many are done.
pub fn analyse(intake: Intake, setting: &Setting<'_>, progress: &dyn Fn(usize, usize)) -> Vec<Analysed> {
    let Intake { found, events, regions, .. } = intake;
    let total = found.len();
    let (events, unreadable_events) = read_events(&events);
    let mut carried = Vec::with_capacity(total);
    for (done, found) in found.into_iter().enumerate() {
        progress(done, total);
        carried.push(match found {
            Found::Unreadable(unreadable) => Carried::Unreadable(unreadable),
            Found::Acquisition(acquisition) => carry(*acquisition, setting, &events, &regions),
        });
    }
    let findings: Vec<Vec<Finding>> = carried.iter().map(|c| all_findings(c, &unreadable_events)).collect();
    let standings: Vec<Standing<'_>> =
        carried.iter().zip(&findings).map(|(carried, findings)| standing(carried, findings)).collect();
    let analysed = roles(&standings)
        .into_iter()
        .zip(carried.iter().zip(&findings))
        .map(|(role, (carried, findings))| {
            let past = match carried {
                Carried::Read { reading, .. } if role.kind == RoleKind::Primary => Some(reading.past().clone()),
                _ => None,
            };
            Analysed { report: compose(carried, findings, role, setting), past }
        })
        .collect();
    progress(total, total);
    analysed
}

/// The place and the fault, without the excerpt below it that only a terminal shows well.
fn first_line(error: &impl std::fmt::Display) -> String {
    error.to_string().lines().next().unwrap_or_default().to_owned()
}

/// Course events that came with the delivery; a file that cannot be read is a finding, never lost.
fn read_events(files: &[EventsFile]) -> (Vec<CourseEvents>, Vec<Finding>) {
    let mut events = Vec::new();
    let mut findings = Vec::new();
    for file in files {
        let name = file.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        match reading::course_events(&name, &file.text) {
            Ok(read) => events.push(read),
            Err(error) => findings.push(
                Finding::new(
                    Stage::Intake,
                    Severity::Warn,
                    "course-events-unreadable",
                    format!("The file of course events beside the series cannot be read: {}", first_line(&error)),
                )
                .advice("Mend the file and drop the series again, or enter the events by hand."),
            ),
        }
    }
    (events, findings)
}

/// One acquisition from its headers to its reading.
fn carry(acquisition: Acquisition, setting: &Setting<'_>, events: &[CourseEvents], regions: &[RegionFile]) -> Carried {
    let rules = setting.rules;
    let checked = protocol::check(acquisition, &rules.profiles);
    if !checked.decays_with_r2star() {
        return Carried::Checked { checked: Box::new(checked), region: None, findings: Vec::new() };
    }
    let profile = checked.profile().cloned();
    let limits = profile.as_ref().map(|p| p.region().clone()).unwrap_or_default();
    let (noise, survey) = fit::first_look(checked.acquisition(), profile.as_ref().and_then(Profile::coil_elements));
    let given = region::Given { files: regions, amended: setting.amended, segmenter: setting.segmenter };
    let (region, refused) = region::of_acquisition(checked.acquisition(), &survey, &noise, &limits, given);
    let noise = noise.over(region.mask());
    let measures = quality::measure(checked.acquisition(), &survey, &noise, &region);
    let mut earlier = profile.as_ref().map(|p| protocol::check_images(p, &measures)).unwrap_or_default();
    let past = setting.history.iter().filter_map(|reading| reading.profile.as_ref());
    let past = past.filter_map(|p| Some((p.name.as_str(), p.revision, p.digest.as_deref()?)));
    earlier.extend(profile.as_ref().and_then(|p| protocol::same_revision_other_content(p, past)));
    earlier.extend(refused);
    let calibration = profile.as_ref().and_then(|p| rules.calibrations.get(p.calibration()));
    let accepted = calibration.map(reading::Calibration::accepted_models).unwrap_or_default();
    let wanted = profile.as_ref().map(Profile::model).unwrap_or_default();
    let choice = fit::choose(wanted, &accepted, checked.acquisition());
    match fit::map(checked, noise, survey, region.mask(), choice) {
        Ok(fitted) => {
            let context = reading::Context {
                calibrations: &rules.calibrations,
                follow_up: &rules.follow_up,
                history: setting.history,
                events,
                default_issuer: setting.default_issuer,
                earlier: &earlier,
            };
            let reading = reading::read(fitted, region, &context);
            Carried::Read { reading: Box::new(reading), measures, findings: earlier }
        }
        Err(back) => {
            let (checked, finding) = *back;
            earlier.push(finding);
            Carried::Checked { checked: Box::new(checked), region: Some(Box::new(region)), findings: earlier }
        }
    }
}

/// Every finding in the order of the stages.
fn all_findings(carried: &Carried, of_the_delivery: &[Finding]) -> Vec<Finding> {
    let parts: Vec<&[Finding]> = match carried {
        Carried::Unreadable(unreadable) => vec![&unreadable.findings],
        Carried::Checked { checked, region, findings } => {
            let found = region.as_ref().map_or(&[][..], |region| region.findings());
            vec![checked.acquisition().findings(), of_the_delivery, checked.findings(), found, findings]
        }
        Carried::Read { reading, findings, .. } => {
            let fitted = reading.fitted();
            vec![
                fitted.acquisition().findings(),
                of_the_delivery,
                fitted.checked().findings(),
                fitted.findings(),
                reading.region().findings(),
                findings,
                reading.findings(),
            ]
        }
    };
    parts.concat()
}

/// What decides which acquisition of a study is primary.
fn standing<'a>(carried: &'a Carried, findings: &'a [Finding]) -> Standing<'a> {
    match carried {
        Carried::Unreadable(unreadable) => {
            Standing { header: &unreadable.header, findings, images: unreadable.source.frames.len(), measured: false }
        }
        Carried::Checked { checked, .. } => Standing {
            header: checked.acquisition().header(),
            findings,
            images: checked.acquisition().source().frames.len(),
            measured: false,
        },
        Carried::Read { reading, .. } => Standing {
            header: reading.fitted().acquisition().header(),
            findings,
            images: reading.fitted().acquisition().source().frames.len(),
            measured: reading.r2star().is_some(),
        },
    }
}

fn compose(carried: &Carried, findings: &[Finding], role: Role, setting: &Setting<'_>) -> Report {
    let standing = standing(carried, findings);
    let unread = |source| Case {
        header: standing.header,
        source,
        grid: None,
        echo_times: &[],
        acquisition: None,
        profile: None,
        noise: None,
        survey: None,
        fitted: None,
        region: None,
        measures: None,
        reading: None,
        findings,
        role,
        predecessor: setting
            .amended
            .and_then(|amended| amended.corrects(source))
            .or_else(|| earlier::replaced(setting.earlier, &standing.header.study.uid, source)),
        software: software(),
        reviewer: None,
    };
    let case = match carried {
        Carried::Unreadable(unreadable) => {
            Case { grid: unreadable.grid.as_ref(), echo_times: &unreadable.echo_times, ..unread(&unreadable.source) }
        }
        Carried::Checked { checked, region, .. } => {
            let acquisition = checked.acquisition();
            Case {
                region: region.as_deref(),
                grid: Some(acquisition.grid()),
                echo_times: acquisition.echo_times(),
                acquisition: Some(acquisition),
                profile: checked.profile(),
                ..unread(acquisition.source())
            }
        }
        Carried::Read { reading, measures, .. } => {
            let acquisition = reading.fitted().acquisition();
            Case {
                grid: Some(acquisition.grid()),
                echo_times: acquisition.echo_times(),
                acquisition: Some(acquisition),
                profile: reading.fitted().checked().profile(),
                measures: Some(measures),
                reading: Some(reading),
                ..unread(acquisition.source())
            }
        }
    };
    report::compose(&case, setting.outputs)
}

/// This program, as results name it.
pub fn software() -> Software {
    Software {
        name: "siderolog".to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        commit: option_env!("SIDEROLOG_COMMIT").unwrap_or("unknown").to_owned(),
    }
}
