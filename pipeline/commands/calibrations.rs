//! `siderolog calibrations`: what the site has, and what each would say of one R2*.

use super::chart::{self, Mark, Series};
use crate::daemon::settings::Site;
use crate::reading::{Calibration, Calibrations, calibrations};
use crate::study::PerSecond;
use crate::study::text::plain;
use anyhow::Context as _;
use std::fmt::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;

/// Lists the calibrations and what each says of one R2*: they differ by up to 30 %.
#[derive(clap::Args)]
pub struct Args {
    /// The site file; without it the calibrations shipped in the program.
    #[arg(long, value_name = "FILE")]
    site: Option<PathBuf>,
    /// R2* in /s to express by each calibration.
    #[arg(long, value_name = "RATE", default_value_t = 200.0)]
    r2star: f64,
    /// Draws all of them into this PNG file.
    #[arg(long, value_name = "FILE")]
    plot: Option<PathBuf>,
    /// One JSON object instead of words.
    #[arg(long)]
    json: bool,
}

/// The calibrations of a site, or those shipped.
///
/// # Errors
/// What is wrong with the site file or the calibrations file, with its place.
pub fn of_site(site: Option<&PathBuf>) -> anyhow::Result<Calibrations> {
    let Some(path) = site else { return Ok(Calibrations::shipped()) };
    let site = Site::load(path)?;
    match &site.documents.calibrations {
        Some(document) => Ok(calibrations(&document.name, &document.text)?),
        None => Ok(Calibrations::shipped()),
    }
}

/// Runs the command.
///
/// # Errors
/// A site that cannot be read, or a plot that cannot be written.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let all = match of_site(args.site.as_ref()) {
        Ok(all) => all,
        Err(error) => {
            eprintln!("{error}");
            return Ok(ExitCode::from(2));
        }
    };
    if !(args.r2star.is_finite() && args.r2star > 0.0) {
        eprintln!("--r2star {} is not a rate above 0 /s", args.r2star);
        return Ok(ExitCode::from(2));
    }
    if args.json {
        println!("{}", json(&all, args.r2star));
    } else {
        print!("{}", words(&all, args.r2star));
    }
    if let Some(path) = &args.plot {
        std::fs::write(path, plot(&all)).with_context(|| format!("writing {}", path.display()))?;
    }
    Ok(ExitCode::SUCCESS)
}

fn json(all: &Calibrations, r2star: f64) -> serde_json::Value {
    let list: Vec<serde_json::Value> = all
        .iter()
        .map(|c| {
            serde_json::json!({
                "name": c.name, "title": c.title, "field_strength_t": c.field_strength.0,
                "equation": c.equation.words(), "lic_mg_per_g": c.lic(PerSecond(r2star)).0,
                "accepts": c.accepted_models(), "patients": c.patients, "validated_lic_mg_per_g": c.validated_lic,
                "prediction_error_mg_per_g": c.error.map(|e| e.standard_uncertainty(c.lic(PerSecond(r2star)).0)),
                "source": c.source, "doi": c.doi, "confidence": c.confidence,
                "confirmed_by": c.confirmed_by, "confirmed_on": c.confirmed_on,
            })
        })
        .collect();
    serde_json::json!({"r2star_per_s": r2star, "calibrations": list})
}

/// The list as a person reads it.
fn words(all: &Calibrations, r2star: f64) -> String {
    let mut out = String::new();
    for one in all.iter() {
        // Writing to a String cannot fail.
        let _ = write!(out, "{}", entry(one, r2star));
    }
    for field in fields(all) {
        let lic: Vec<f64> =
            all.iter().filter(|c| c.field_strength.0 == field).map(|c| c.lic(PerSecond(r2star)).0).collect();
        let (low, high) = (lic.iter().copied().fold(f64::INFINITY, f64::min), lic.iter().copied().fold(0.0, f64::max));
        if lic.len() > 1 && low > 0.0 {
            let spread = 100.0 * (high / low - 1.0);
            let _ = writeln!(
                out,
                "At {field} T the {} calibrations say {low:.2} to {high:.2} mg/g of {} /s: the highest is {spread:.0} % above the lowest.",
                lic.len(),
                plain(r2star)
            );
        }
    }
    out.push_str("For review by a qualified person; not a certified medical device.\n");
    out
}

fn fields(all: &Calibrations) -> Vec<f64> {
    let mut fields: Vec<f64> = all.iter().map(|c| c.field_strength.0).collect();
    fields.sort_by(f64::total_cmp);
    fields.dedup();
    fields
}

fn entry(one: &Calibration, r2star: f64) -> String {
    let lic = one.lic(PerSecond(r2star)).0;
    let range = one.validated_lic.map_or("not known".to_owned(), |[a, b]| format!("{} to {} mg/g", plain(a), plain(b)));
    let error = one.error.map_or("not known".to_owned(), |e| format!("{:.2} mg/g here", e.standard_uncertainty(lic)));
    let models: Vec<String> = one
        .accepts
        .iter()
        .map(|a| match a.fat_at_most_percent {
            Some(most) => format!("{} (fat below {} %)", a.model, plain(most)),
            None => a.model.to_string(),
        })
        .collect();
    let confirmed = match (&one.confirmed_by, &one.confirmed_on) {
        (Some(by), Some(on)) => format!("by {by} on {on}"),
        _ => "by nobody at this site: results go to review".to_owned(),
    };
    let patients = one.patients.map_or("number not known".to_owned(), |n| n.to_string());
    format!(
        "{name}\n  {equation}   at {r} /s: {lic:.2} mg/g\n  field {field}; patients {patients}; validated {range}; prediction error {error}\n  \
         accepts {models}\n  {source}{doi}; {confidence}\n  compared with its paper {confirmed}\n\n",
        name = one.name,
        equation = one.equation.words(),
        r = plain(r2star),
        field = one.field_strength,
        models = models.join(", "),
        source = one.source,
        doi = one.doi.as_ref().map_or(String::new(), |d| format!(", doi:{d}")),
        confidence = one.confidence.words(),
    )
}

fn plot(all: &Calibrations) -> Vec<u8> {
    let series: Vec<Series> = all
        .iter()
        .map(|c| Series {
            name: c.title.clone(),
            points: (1..=100).map(|i| 10.0 * f64::from(i)).map(|r| [r, c.lic(PerSecond(r)).0.max(0.0)]).collect(),
            mark: if c.field_strength.0 < 2.0 { Mark::Line } else { Mark::Dashed },
        })
        .collect();
    chart::png("Calibrations: full lines at 1.5 T, dashed at higher fields", "R2* in /s", "LIC in mg/g", &series)
}
