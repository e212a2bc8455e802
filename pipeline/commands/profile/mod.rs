//! `siderolog profile`: the physicist's commands.

mod check;
mod range;
mod trial;

use crate::daemon::profiles::beside;
use crate::daemon::settings::Site;
use crate::intake::{self, Found, Intake, Limits, Request};
use crate::protocol::{self, Profile};
use crate::reading::{self, Calibrations};
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Check, derive, test and explore protocol profiles.
#[derive(clap::Args)]
pub struct Args {
    #[command(subcommand)]
    command: Command,
}

#[derive(clap::Subcommand)]
enum Command {
    /// Look for mistakes in profiles; each is named with file, line and column.
    Check(check::Args),
    /// Write a starting profile from known good acquisitions.
    Derive(trial::DeriveArgs),
    /// What the protocol can measure, before any patient.
    Range(range::Args),
    /// Which rules fire on acquisitions, all of them.
    Test(trial::TestArgs),
    /// The JSON Schema of the profile format, as in config/schema/profile.json.
    Schema,
}

/// Where the calibrations come from.
#[derive(clap::Args)]
struct SiteArgs {
    /// Site file whose calibrations apply; those shipped in the program without it.
    #[arg(long, value_name = "FILE")]
    site: Option<PathBuf>,
}

/// What ends a command before it did anything: bad arguments or a bad configuration file.
struct Refused(String);

/// Runs it.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let outcome = match args.command {
        Command::Check(args) => check::run(&args),
        Command::Derive(args) => trial::derive(&args),
        Command::Range(args) => range::run(&args),
        Command::Test(args) => trial::test(&args),
        Command::Schema => {
            print!("{}", protocol::json_schema());
            return Ok(ExitCode::SUCCESS);
        }
    };
    outcome?.map_or_else(
        |Refused(message)| {
            eprintln!("{message}");
            Ok(ExitCode::from(2))
        },
        Ok,
    )
}

impl SiteArgs {
    fn calibrations(&self) -> Result<Calibrations, Refused> {
        let Some(path) = &self.site else {
            return Ok(Calibrations::shipped());
        };
        let site = Site::load(path).map_err(|error| Refused(error.to_string()))?;
        match &site.documents.calibrations {
            None => Ok(Calibrations::shipped()),
            Some(document) => {
                reading::calibrations(&document.name, &document.text).map_err(|errors| Refused(errors.to_string()))
            }
        }
    }
}

/// Reads a profile; its bases lie beside it or in `bases/` beside it, or are shipped in the program.
fn load(path: &Path, calibrations: &Calibrations) -> Result<Profile, Refused> {
    let shown = path.display().to_string();
    let text = fs::read_to_string(path).map_err(|error| Refused(format!("{shown}:1:1: cannot be read: {error}")))?;
    let base = |name: &str| beside(path, name);
    let names: Vec<String> = calibrations.names().into_iter().map(str::to_owned).collect();
    protocol::parse_for(&shown, &text, &base, Some(&names)).map_err(|errors| Refused(errors.to_string()))
}

/// Reads what lies under the inputs.
fn read(inputs: &[PathBuf]) -> Result<Intake, Refused> {
    let limits = Limits::default();
    let request = Request { inputs, limits: &limits, set_aside: &BTreeMap::new(), announce: &() };
    intake::read(&request).map_err(|error| Refused(error.to_string()))
}

/// One line that tells a person which acquisition is meant. No patient.
fn title(found: &Found) -> String {
    let header = found.header();
    let series: Vec<String> = header
        .series
        .iter()
        .map(|s| {
            let number = s.number.map_or_else(|| "?".to_owned(), |n| n.to_string());
            let name = s.description.as_deref().unwrap_or("without description");
            format!("{number} {}", crate::study::text::safe(name, 60))
        })
        .collect();
    format!("series {}", series.join(", "))
}
