//! `siderolog send`: a person sends a result, which releases it for that destination; or looks what has left.

use super::analyse::UNUSABLE;
use crate::daemon::ledger::{FILE_NAME, Ledger};
use crate::daemon::outbox::{Shipment, State};
use crate::daemon::postman;
use crate::daemon::settings::Site;
use crate::report::RESULT;
use crate::sending::Destination;
use anyhow::Context as _;
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Status while something has not reached its destination.
const NOT_YET: u8 = 3;

/// Send a result by hand, or show what has left and what waits.
#[derive(clap::Args)]
pub struct Args {
    /// A result's folder or its result.json.
    #[arg(required_unless_present = "status")]
    result: Option<PathBuf>,
    /// A destination of the site file; all of them without it.
    #[arg(long, value_name = "NAME")]
    to: Vec<String>,
    /// Show where the files of the result, or of all results, stand, and send nothing.
    #[arg(long)]
    status: bool,
    /// Take back what has not left.
    #[arg(long, conflicts_with = "status")]
    withdraw: bool,
    /// One JSON object on the last line.
    #[arg(long)]
    json: bool,
    /// The site file.
    #[arg(long, env = "SIDEROLOG_SITE")]
    site: PathBuf,
}

/// Runs it.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let site = match Site::load(&args.site) {
        Ok(site) => site,
        Err(error) => return unusable(&error.to_string()),
    };
    let known = |name: &String| site.destinations.iter().any(|d| d.name == *name);
    if let Some(unknown) = args.to.iter().find(|name| !known(name)) {
        return unusable(&format!("the site file has no destination `{unknown}`"));
    }
    let wanted = |d: &&Destination| args.to.is_empty() || args.to.contains(&d.name);
    let destinations: Vec<&Destination> = site.destinations.iter().filter(wanted).collect();
    if destinations.is_empty() && !args.status {
        return unusable("the site file has no destination");
    }
    let folder = match args.result.as_deref().map(folder_of).transpose() {
        Ok(folder) => folder,
        Err(message) => return unusable(&message),
    };
    fs::create_dir_all(&site.folders.state)?;
    let mut ledger = Ledger::open(&site.folders.state.join(FILE_NAME))?;
    let key = folder.as_deref().map(|folder| postman::key(&site.folders.outbox, folder)).transpose()?;
    if let (Some(folder), Some(key), false) = (&folder, &key, args.status) {
        if args.withdraw {
            for destination in &destinations {
                ledger.withdraw(key, Some(&destination.name), true, "taken back by hand", &now())?;
            }
        } else {
            postman::post(&mut ledger, &site, folder)?;
            for destination in &destinations {
                ledger.send_by_hand(key, &destination.name)?;
                deliver(&mut ledger, &site, destination, key)?;
            }
        }
    }
    let mut rows = ledger.shipments(key.as_deref())?;
    rows.retain(|row| args.to.is_empty() || args.to.contains(&row.destination));
    if rows.is_empty() && folder.is_some() {
        return unusable("none of the result's files goes to this destination");
    }
    print!("{}", table(&rows));
    if args.json {
        println!("{}", serde_json::json!({"shipments": rows}));
    }
    let pending = rows.iter().any(|row| matches!(row.state, State::Waiting | State::Refused));
    Ok(if pending { ExitCode::from(NOT_YET) } else { ExitCode::SUCCESS })
}

/// One attempt at everything; what fails stays in the outbox, and the service goes on with it.
fn deliver(ledger: &mut Ledger, site: &Site, destination: &Destination, key: &str) -> anyhow::Result<()> {
    loop {
        let round = postman::round(ledger, destination, site.sending, &site.folders.outbox, Some(key))
            .context("the ledger cannot be written")?;
        if round.due == 0 || round.away.is_some() {
            return Ok(());
        }
    }
}

fn unusable(message: &str) -> anyhow::Result<ExitCode> {
    eprintln!("{message}");
    Ok(ExitCode::from(UNUSABLE))
}

fn folder_of(result: &Path) -> Result<PathBuf, String> {
    let folder = if result.is_dir() { Some(result) } else { result.parent() };
    let folder = folder.filter(|folder| folder.join(RESULT).is_file());
    folder.map(Path::to_path_buf).ok_or_else(|| format!("{}: no {RESULT} there", result.display()))
}

fn now() -> String {
    jiff::Timestamp::now().to_string()
}

/// One line a file: destination, state, file, and why.
fn table(rows: &[Shipment]) -> String {
    let mut text = String::new();
    let wide = |f: fn(&Shipment) -> usize| rows.iter().map(f).max().unwrap_or(0);
    let (to, folder, file) = (wide(|r| r.destination.len()), wide(|r| r.folder.len()), wide(|r| r.file.len()));
    for row in rows {
        let tries = if row.attempts > 1 { format!(", attempt {}", row.attempts) } else { String::new() };
        let why = row.reason.as_ref().map_or(String::new(), |why| format!("  {why}{tries}"));
        // Writing to a String cannot fail.
        let _ = writeln!(
            text,
            "{:<to$}  {:<9}  {:<folder$}  {:<file$}{why}",
            row.destination,
            row.state.word(),
            row.folder,
            row.file
        );
    }
    text
}
