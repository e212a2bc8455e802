//! `siderolog profile test` and `siderolog profile derive`: profiles against acquisitions.

use super::{Refused, SiteArgs, load, read, title};
use crate::intake::{Found, durable};
use crate::protocol::{self, ImageMeasures, Outcome, Profile, Trial};
use crate::study::Acquisition;
use crate::{fit, quality, roi};
use anyhow::Context as _;
use std::path::PathBuf;
use std::process::ExitCode;

/// Which rules fire on acquisitions.
#[derive(clap::Args)]
pub struct TestArgs {
    /// The profile.
    file: PathBuf,
    /// Folders, files or zip archives with acquisitions.
    #[arg(required = true)]
    inputs: Vec<PathBuf>,
    #[command(flatten)]
    site: SiteArgs,
}

/// Write a starting profile.
#[derive(clap::Args)]
pub struct DeriveArgs {
    /// Folders, files or zip archives with known good acquisitions.
    #[arg(required = true)]
    inputs: Vec<PathBuf>,
    /// Where to write the profile; an existing file stays untouched.
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    #[command(flatten)]
    site: SiteArgs,
}

pub(super) fn test(args: &TestArgs) -> anyhow::Result<Result<ExitCode, Refused>> {
    let loaded = args.site.calibrations().and_then(|calibrations| load(&args.file, &calibrations));
    let (profile, intake) = match loaded.and_then(|profile| Ok((profile, read(&args.inputs)?))) {
        Ok(both) => both,
        Err(refused) => return Ok(Err(refused)),
    };
    let mut worst = 0;
    for found in &intake.found {
        println!("{}", title(found));
        match found {
            Found::Acquisition(acquisition) => worst = worst.max(print(&profile, acquisition)),
            Found::Unreadable(unreadable) => {
                worst = 4;
                for finding in &unreadable.findings {
                    println!("  unreadable: {}", finding.message);
                }
            }
        }
    }
    if intake.found.is_empty() {
        println!("no acquisition found");
        worst = 4;
    }
    Ok(Ok(ExitCode::from(worst)))
}

/// Prints every rule's outcome; the exit status that they add up to.
fn print(profile: &Profile, acquisition: &Acquisition) -> u8 {
    if let Some(why) = profile.differs(acquisition.header()) {
        println!("  The profile does not apply to this acquisition: {why}.");
    }
    let measures = measures(profile, acquisition);
    let mut worst = 0;
    for Trial { rule, found, asked, outcome } in protocol::trial(profile, acquisition, &measures) {
        let word = match outcome {
            Outcome::Holds => "holds",
            Outcome::NotMeasured => "not measured",
            Outcome::ByRange => "by range",
            Outcome::Fires(severity) => {
                let (word, status) = match severity {
                    crate::study::Severity::Note => ("note", 0),
                    crate::study::Severity::Warn => ("warn", 3),
                    crate::study::Severity::Stop => ("stop", 4),
                };
                worst = worst.max(status);
                word
            }
        };
        // Only an analysis knows whether the reading lies inside the measuring range.
        if outcome == Outcome::ByRange {
            worst = worst.max(3);
        }
        println!("  {word:<12} {rule}: found {found}, asked for {asked}");
    }
    worst
}

/// Image quality, as an analysis would measure it.
fn measures(profile: &Profile, acquisition: &Acquisition) -> ImageMeasures {
    let (noise, survey) = fit::first_look(acquisition, profile.coil_elements());
    let region = roi::find(acquisition, &survey, &noise, profile.region());
    quality::measure(acquisition, &survey, &noise.over(region.mask()), &region)
}

pub(super) fn derive(args: &DeriveArgs) -> anyhow::Result<Result<ExitCode, Refused>> {
    let known = match args.site.calibrations() {
        Ok(calibrations) => calibrations,
        Err(refused) => return Ok(Err(refused)),
    };
    if args.out.exists() {
        return Ok(Err(Refused(format!("{}: exists already; name another file", args.out.display()))));
    }
    let intake = match read(&args.inputs) {
        Ok(intake) => intake,
        Err(refused) => return Ok(Err(refused)),
    };
    let acquisitions: Vec<&Acquisition> = intake
        .found
        .iter()
        .filter_map(|found| match found {
            Found::Acquisition(acquisition) => Some(acquisition.as_ref()),
            Found::Unreadable(_) => None,
        })
        .collect();
    let calibrations: Vec<(String, f64)> = known.iter().map(|c| (c.name.clone(), c.field_strength.0)).collect();
    match protocol::derive(&acquisitions, &calibrations) {
        Err(error) => Ok(Err(Refused(error.to_string()))),
        Ok(text) => {
            durable::write(&args.out, text.as_bytes())
                .with_context(|| format!("cannot write {}", args.out.display()))?;
            println!("{}: derived from {} acquisitions", args.out.display(), acquisitions.len());
            Ok(Ok(ExitCode::SUCCESS))
        }
    }
}
