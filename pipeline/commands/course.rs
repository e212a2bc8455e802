//! `siderolog course`: a patient's readings, the change since the last, the rate, what is due.

use crate::daemon::job::PatientKey as LedgerKey;
use crate::daemon::ledger::{self, Ledger};
use crate::daemon::settings::Site;
use crate::reading::{
    CARDIAC_NOTE, Calibrations, Course, CourseEvents, CoursePoint, FollowUp, PastReading, Relation, Threshold, Today,
    calibrations, course, course_events, follow_up, history, imported,
};
use crate::report::picture::course::draw;
use crate::report::words::Language;
use crate::study::Finding;
use anyhow::Context as _;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Prints a patient's course, or imports earlier values from elsewhere.
#[derive(clap::Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub struct Args {
    #[command(subcommand)]
    command: Option<Command>,
    /// Patient identifier.
    #[arg(value_name = "PATIENT", required = true)]
    patient: Option<String>,
    /// Issuer of the identifier, where two hospitals could share a number.
    #[arg(long)]
    issuer: Option<String>,
    /// The site file, whose ledger is read.
    #[arg(long, value_name = "FILE")]
    site: Option<PathBuf>,
    /// Readings from a file instead of the ledger, one JSON object a line.
    #[arg(long, value_name = "FILE")]
    history: Option<PathBuf>,
    /// Course events to show and count from.
    #[arg(long, value_name = "FILE")]
    events: Vec<PathBuf>,
    /// Draws the course into this PNG file.
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// One JSON object instead of words.
    #[arg(long)]
    json: bool,
}

#[derive(clap::Subcommand)]
enum Command {
    /// Reads earlier LIC with method and date from a CSV file into the ledger: shown, not tested.
    Import(ImportArgs),
}

/// Arguments of the import.
#[derive(clap::Args)]
struct ImportArgs {
    /// CSV with a heading line naming patient_id, date, method and lic_mg_per_g or lic_umol_per_g.
    #[arg(value_name = "FILE.csv")]
    file: PathBuf,
    /// The site file, whose ledger takes the values.
    #[arg(long, value_name = "FILE")]
    site: PathBuf,
}

/// Runs the command.
///
/// # Errors
/// A ledger or a plot that cannot be read or written.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    if let Some(Command::Import(import)) = &args.command {
        return run_import(import);
    }
    let wrong = |error: &dyn std::fmt::Display| {
        eprintln!("{error}");
        Ok(ExitCode::from(2))
    };
    let site = match args.site.as_deref().map(Site::load).transpose() {
        Ok(site) => site,
        Err(error) => return wrong(&error),
    };
    let (calibrations, rules) = match rules(site.as_ref()) {
        Ok(both) => both,
        Err(error) => return wrong(&error),
    };
    let mut events = Vec::new();
    for path in &args.events {
        match read(path).and_then(|text| Ok(course_events(&path.display().to_string(), &text)?)) {
            Ok(file) => events.push(file),
            Err(error) => return wrong(&error),
        }
    }
    let readings = match readings(&args, site.as_ref()) {
        Ok(readings) => readings,
        Err(error) => return wrong(&error),
    };
    let Some((found, findings)) = of_patient(&readings, &calibrations, &events, &rules) else {
        return wrong(&"no reading of this patient is known");
    };
    if args.json {
        println!("{}", serde_json::json!({"course": found, "findings": findings}));
    } else {
        print!("{}", words(&found, &findings));
    }
    if let Some(path) = &args.plot {
        let thresholds: Vec<Threshold> = rules.thresholds_for(found.condition).cloned().collect();
        let picture = draw(&found, &thresholds, Language::English.words().caution);
        std::fs::write(path, picture.png()).with_context(|| format!("writing {}", path.display()))?;
    }
    Ok(ExitCode::SUCCESS)
}

fn read(path: &Path) -> anyhow::Result<String> {
    std::fs::read_to_string(path).with_context(|| path.display().to_string())
}

/// The site's calibrations and follow-up rules, or those shipped.
fn rules(site: Option<&Site>) -> anyhow::Result<(Calibrations, FollowUp)> {
    let documents = site.map(|s| &s.documents);
    let calibrations = match documents.and_then(|d| d.calibrations.as_ref()) {
        Some(document) => calibrations(&document.name, &document.text)?,
        None => Calibrations::shipped(),
    };
    let rules = match documents.and_then(|d| d.follow_up.as_ref()) {
        Some(document) => follow_up(&document.name, &document.text)?,
        None => FollowUp::shipped()?,
    };
    Ok((calibrations, rules))
}

/// The patient's readings, from a file or the ledger.
fn readings(args: &Args, site: Option<&Site>) -> anyhow::Result<Vec<PastReading>> {
    let patient = args.patient.clone().unwrap_or_default();
    let text = match (&args.history, site) {
        (Some(path), _) => read(path)?,
        (None, Some(site)) => {
            let open = Ledger::open(&site.folders.state.join(ledger::FILE_NAME))?;
            open.history(&LedgerKey { id: patient.clone(), issuer: args.issuer.clone() })?.join("\n")
        }
        (None, None) => anyhow::bail!("give --site or --history: where are the readings?"),
    };
    let name = args.history.as_ref().map_or("ledger".to_owned(), |p| p.display().to_string());
    let mut all = history(&name, &text)?;
    all.retain(|r| r.patient.id.as_deref() == Some(patient.as_str()));
    all.retain(|r| args.issuer.is_none() || r.patient.issuer == args.issuer);
    Ok(all)
}

/// The course as of the patient's latest own reading; as of the latest value where all are from elsewhere.
fn of_patient(
    readings: &[PastReading],
    calibrations: &Calibrations,
    events: &[CourseEvents],
    rules: &FollowUp,
) -> Option<(Course, Vec<Finding>)> {
    let latest = |own: bool| readings.iter().filter(|r| !own || !r.is_imported()).max_by(|a, b| a.date.cmp(&b.date));
    let today = latest(true).or_else(|| latest(false))?;
    let others: Vec<PastReading> = readings.iter().filter(|r| !std::ptr::eq(*r, today)).cloned().collect();
    let calibration = today.calibration.as_deref().and_then(|name| calibrations.get(name));
    Some(course(&Today { reading: today, calibration }, &others, events, rules))
}

/// One line of the table.
fn line(point: &CoursePoint) -> String {
    let value = match point.relation {
        Relation::Equal => format!("{:.1}", point.lic_mg_per_g),
        bound => format!("{} {:.1}", bound.words(), point.lic_mg_per_g),
    };
    let interval = point.low.zip(point.high).map_or(String::new(), |(a, b)| format!("{a:.1} to {b:.1}"));
    let field = point.field_strength_t.map_or(String::new(), |f| format!("{} T", crate::study::text::plain(f)));
    let how = point.method.clone().unwrap_or_else(|| format!("{field} {}", point.scanner));
    let differs =
        if point.differs.is_empty() { String::new() } else { format!("; differs: {}", point.differs.join(", ")) };
    format!("{}  {value:>14} mg/g  {interval:<14} {how}{differs}\n", point.date)
}

/// The course as a person reads it.
fn words(found: &Course, findings: &[Finding]) -> String {
    let mut out = String::from("date        LIC                   repeat interval\n");
    for point in found.previous.iter().chain(&found.current) {
        out.push_str(&line(point));
    }
    // Writing to a String cannot fail.
    for event in &found.events {
        let text = event.text.as_ref().map_or(String::new(), |t| format!(": {}", crate::study::text::safe(t, 80)));
        let _ = writeln!(out, "{}  {}{text}", event.date, event.kind.words());
    }
    for change in [&found.change, &found.change_since_event].into_iter().flatten() {
        let _ = writeln!(out, "{}", change.text);
    }
    if let Some(rate) = &found.rate {
        let _ = writeln!(out, "{}", rate.text);
    }
    for due in &found.due {
        let _ = writeln!(out, "Next scan by {}: {}.", due.by, due.text);
    }
    for finding in findings {
        let _ = writeln!(out, "{}", finding.message);
    }
    let _ = writeln!(out, "{CARDIAC_NOTE}\nFor review by a qualified person; not a certified medical device.");
    out
}

fn run_import(args: &ImportArgs) -> anyhow::Result<ExitCode> {
    let site = match Site::load(&args.site) {
        Ok(site) => site,
        Err(error) => {
            eprintln!("{error}");
            return Ok(ExitCode::from(2));
        }
    };
    let name = args.file.display().to_string();
    let readings = match read(&args.file).and_then(|text| Ok(imported(&name, &text)?)) {
        Ok(readings) => readings,
        Err(error) => {
            eprintln!("{error}");
            return Ok(ExitCode::from(2));
        }
    };
    let mut open = Ledger::open(&site.folders.state.join(ledger::FILE_NAME))?;
    let lines = readings.iter().map(serde_json::to_string).collect::<Result<Vec<_>, _>>()?;
    let new = open.import(&lines)?;
    println!("{} values read, {new} new in the ledger; they are shown, not tested", readings.len());
    Ok(ExitCode::SUCCESS)
}
