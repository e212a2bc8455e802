//! `siderolog settings`: checks a site file and everything it names, as the service does before it starts.

use super::analyse::UNUSABLE;
use super::chain::Rules;
use crate::daemon::settings::Site;
use std::path::PathBuf;
use std::process::ExitCode;

/// Check a site file and what it names.
#[derive(clap::Args)]
pub struct Args {
    /// The site file.
    #[arg(env = "SIDEROLOG_SITE")]
    site: PathBuf,
}

/// Prints what applies, or every fault with its place.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let checked = Site::load(&args.site).map_err(|error| error.to_string());
    let checked = checked.and_then(|site| Rules::of(&site.documents).map(|rules| (site, rules)));
    let (site, rules) = match checked {
        Ok(checked) => checked,
        Err(faults) => {
            eprintln!("{faults}");
            return Ok(ExitCode::from(UNUSABLE));
        }
    };
    let folders = &site.folders;
    for drop in &folders.drop {
        let there = if drop.is_dir() { "" } else { " (not there now)" };
        println!("drop        {}{there}", drop.display());
    }
    for (name, path) in [
        ("spool", &folders.spool),
        ("outbox", &folders.outbox),
        ("archive", &folders.archive),
        ("quarantine", &folders.quarantine),
        ("state", &folders.state),
    ] {
        println!("{name:<11} {}", path.display());
    }
    if let Some(segmenter) = &site.segmenter {
        println!("segmenter   {}, {}", segmenter.name, segmenter.command.join(" "));
    }
    for destination in &site.destinations {
        println!("destination {}, {}", destination.name, destination.way.word());
    }
    for profile in &rules.profiles {
        println!("profile     {}, revision {}", profile.name(), profile.revision());
    }
    println!("The settings can be used.");
    Ok(ExitCode::SUCCESS)
}
