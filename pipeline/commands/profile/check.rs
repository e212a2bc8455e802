//! `siderolog profile check`.

use super::{Refused, SiteArgs, load};
use crate::protocol::{Profile, Quantity};
use std::path::PathBuf;
use std::process::ExitCode;

/// Look for mistakes in profiles.
#[derive(clap::Args)]
pub struct Args {
    /// Profiles.
    #[arg(required_unless_present = "quantities")]
    files: Vec<PathBuf>,
    #[command(flatten)]
    site: SiteArgs,
    /// Print each profile as it holds, with what it takes from the profiles it builds on.
    #[arg(long)]
    resolved: bool,
    /// List the quantities that a rule can look at.
    #[arg(long)]
    quantities: bool,
}

pub(super) fn run(args: &Args) -> anyhow::Result<Result<ExitCode, Refused>> {
    if args.quantities {
        for quantity in Quantity::all() {
            println!("{:<26} {}", quantity.name(), quantity.meaning());
            println!("{:<26}   {}; {}", "", quantity.values(), quantity.attribute());
        }
    }
    let calibrations = match args.site.calibrations() {
        Ok(calibrations) => calibrations,
        Err(refused) => return Ok(Err(refused)),
    };
    let mut wrong = Vec::new();
    for file in &args.files {
        match load(file, &calibrations) {
            Ok(profile) if args.resolved => print!("{}", profile.resolved()),
            Ok(profile) => println!("{}: {}", file.display(), summary(&profile)),
            Err(Refused(errors)) => wrong.push(errors),
        }
    }
    Ok(if wrong.is_empty() { Ok(ExitCode::SUCCESS) } else { Err(Refused(wrong.join("\n"))) })
}

fn summary(profile: &Profile) -> String {
    let approved =
        profile.approved().map_or_else(|| "not approved".to_owned(), |a| format!("approved by {} on {}", a.by, a.date));
    format!(
        "{} revision {}, {} rules, {approved}, digest {}",
        profile.name(),
        profile.revision(),
        profile.rules().len(),
        profile.digest().short()
    )
}
