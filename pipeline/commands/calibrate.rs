//! `siderolog calibrate`: a site's own line from paired R2* and chemical LIC.

use super::chart::{self, Mark, Series};
use crate::reading::csv_cells;
use crate::reading::method_comparison::{
    Agreement, FittedLine, agreement, deming, passing_bablok, relative_residual_sd, residual_sd,
};
use crate::reading::stats::student_quantile;
use crate::study::MilligramsPerGram;
use anyhow::Context as _;
use std::path::PathBuf;
use std::process::ExitCode;

/// How the line is fitted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Method {
    /// Deming: both variables carry normal error of a known ratio.
    Deming,
    /// Passing and Bablok: ranks, no assumption on the errors.
    PassingBablok,
}

/// Fits slope and intercept of a site's own calibration from pairs of R2* and chemical LIC.
#[derive(clap::Args)]
pub struct Args {
    /// CSV with a heading line naming r2star_per_s and lic_mg_per_g (or lic_umol_per_g).
    #[arg(value_name = "FILE.csv")]
    file: PathBuf,
    /// Which line becomes the entry; both are printed.
    #[arg(long, value_enum, default_value_t = Method::Deming)]
    method: Method,
    /// Coefficient of variation of one R2*, percent.
    #[arg(long, value_name = "PERCENT", default_value_t = 4.6)]
    r2star_cv: f64,
    /// Coefficient of variation of one chemical LIC, percent; biopsies without fibrosis have about 9 (from memory).
    #[arg(long, value_name = "PERCENT", default_value_t = 9.0)]
    lic_cv: f64,
    /// Field strength in tesla.
    #[arg(long, value_name = "TESLA")]
    field: f64,
    /// Name of the entry.
    #[arg(long, default_value = "our-own")]
    name: String,
    /// Draws pairs and line into FILE and the differences into FILE with `-differences` before its ending.
    #[arg(long, value_name = "FILE.png")]
    plot: Option<PathBuf>,
    /// One JSON object instead of words.
    #[arg(long)]
    json: bool,
}

/// Paired measurements.
struct Pairs {
    r2star: Vec<f64>,
    lic: Vec<f64>,
}

/// Both lines and what follows from the chosen one.
struct Fits {
    ratio: f64,
    deming: FittedLine,
    passing_bablok: FittedLine,
    chosen: FittedLine,
    residual_sd: f64,
    relative_sd: f64,
    differences: Agreement,
}

/// Runs the command.
///
/// # Errors
/// A plot that cannot be written.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let file = args.file.display().to_string();
    let text = match std::fs::read_to_string(&args.file) {
        Ok(text) => text,
        Err(error) => {
            eprintln!("{file}: {error}");
            return Ok(ExitCode::from(2));
        }
    };
    let fits = pairs(&file, &text).and_then(|pairs| fit(&args, &pairs).map(|fits| (pairs, fits)));
    let (pairs, fits) = match fits {
        Ok(both) => both,
        Err(message) => {
            eprintln!("{message}");
            return Ok(ExitCode::from(2));
        }
    };
    if args.json {
        println!("{}", json(&pairs, &fits));
    } else {
        print!("{}", words(&args, &pairs, &fits));
    }
    if let Some(path) = &args.plot {
        let write = |path: &PathBuf, png: Vec<u8>| {
            std::fs::write(path, png).with_context(|| format!("writing {}", path.display()))
        };
        write(path, line_plot(&pairs, &fits))?;
        let stem = path.file_stem().unwrap_or_default().to_string_lossy();
        write(&path.with_file_name(format!("{stem}-differences.png")), difference_plot(&pairs, &fits))?;
    }
    Ok(ExitCode::SUCCESS)
}

/// Reads the pairs; every bad line is named.
fn pairs(file: &str, text: &str) -> Result<Pairs, String> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut lines = text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty());
    let heading: Vec<String> =
        lines.next().map(|(_, line)| csv_cells(line)).unwrap_or_default().iter().map(|c| c.to_lowercase()).collect();
    let place = |name: &str| heading.iter().position(|c| c == name);
    let (lic_column, molar) = match (place("lic_mg_per_g"), place("lic_umol_per_g")) {
        (Some(column), None) => (column, false),
        (None, Some(column)) => (column, true),
        _ => return Err(format!("{file}:1:1: the heading must name one of lic_mg_per_g and lic_umol_per_g")),
    };
    let rate_column = place("r2star_per_s").ok_or_else(|| format!("{file}:1:1: the heading must name r2star_per_s"))?;
    let (mut pairs, mut wrong) = (Pairs { r2star: Vec::new(), lic: Vec::new() }, Vec::new());
    for (index, line) in lines {
        let cells = csv_cells(line);
        let mut number = |column: usize| {
            let value = cells.get(column).and_then(|c| c.parse::<f64>().ok()).filter(|v| v.is_finite() && *v > 0.0);
            if value.is_none() {
                let found = cells.get(column).map_or("nothing", String::as_str);
                let name = heading.get(column).map_or("", String::as_str);
                wrong.push(format!("{file}:{}:{}: {name} is `{found}`, not a number above 0", index + 1, column + 1));
            }
            value
        };
        if let (Some(rate), Some(lic)) = (number(rate_column), number(lic_column)) {
            pairs.r2star.push(rate);
            pairs.lic.push(if molar { MilligramsPerGram::from_umol_per_g(lic).0 } else { lic });
        }
    }
    if wrong.is_empty() { Ok(pairs) } else { Err(wrong.join("\n")) }
}

fn fit(args: &Args, pairs: &Pairs) -> Result<Fits, String> {
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len().max(1) as f64;
    let error = |cv: f64, v: &[f64]| (cv * mean(v)) * (cv * mean(v));
    let ratio = error(args.lic_cv, &pairs.lic) / error(args.r2star_cv, &pairs.r2star);
    let said = |e: crate::reading::method_comparison::LineError| format!("{}: {e}", args.file.display());
    let deming = deming(&pairs.r2star, &pairs.lic, ratio).map_err(said)?;
    let passing_bablok = passing_bablok(&pairs.r2star, &pairs.lic).map_err(said)?;
    let chosen = if args.method == Method::Deming { deming } else { passing_bablok };
    let predicted: Vec<f64> = pairs.r2star.iter().map(|r| chosen.intercept + chosen.slope * r).collect();
    let differences = agreement(&predicted, &pairs.lic).ok_or_else(|| "too few pairs".to_owned())?;
    Ok(Fits {
        ratio,
        deming,
        passing_bablok,
        residual_sd: residual_sd(&pairs.r2star, &pairs.lic, chosen.slope, chosen.intercept).unwrap_or(f64::NAN),
        relative_sd: relative_residual_sd(&pairs.r2star, &pairs.lic, chosen.slope, chosen.intercept)
            .unwrap_or(f64::NAN),
        chosen,
        differences,
    })
}

fn json(pairs: &Pairs, fits: &Fits) -> serde_json::Value {
    let line = |l: &FittedLine| {
        serde_json::json!({"slope": l.slope, "slope_limits": l.slope_limits, "intercept": l.intercept,
            "intercept_limits": l.intercept_limits})
    };
    serde_json::json!({
        "pairs": pairs.lic.len(), "error_variance_ratio": fits.ratio, "deming": line(&fits.deming),
        "passing_bablok": line(&fits.passing_bablok), "residual_sd_mg_per_g": fits.residual_sd,
        "relative_residual_sd": fits.relative_sd, "bias_mg_per_g": fits.differences.bias,
        "sd_of_differences_mg_per_g": fits.differences.sd,
        "limits_of_agreement_mg_per_g": fits.differences.limits,
    })
}

fn words(args: &Args, pairs: &Pairs, fits: &Fits) -> String {
    let line = |name: &str, l: &FittedLine| {
        format!(
            "{name}: LIC = {:.5} R2* {} {:.3}   slope {:.5} to {:.5}, intercept {:.3} to {:.3} (95 % limits)\n",
            l.slope,
            if l.intercept < 0.0 { '-' } else { '+' },
            l.intercept.abs(),
            l.slope_limits[0],
            l.slope_limits[1],
            l.intercept_limits[0],
            l.intercept_limits[1]
        )
    };
    let n = pairs.lic.len();
    let reach = student_quantile(0.975, (n - 2) as f64) * fits.residual_sd;
    let (low, high) = pairs.lic.iter().fold((f64::INFINITY, 0.0_f64), |(a, b), l| (a.min(*l), b.max(*l)));
    // The error of a prediction grows with LIC where relative residuals are steadier than absolute ones; the smaller
    // relative figure at the middle decides, and the person sees both.
    let middle = 0.5 * (low + high);
    let relative = fits.relative_sd * middle < fits.residual_sd;
    let error = if relative {
        format!("relative: {{bias_percent: 0, sd_percent: {:.1}}}", 100.0 * fits.relative_sd)
    } else {
        format!("absolute: {{bias: {:.3}, sd: {:.3}}}", fits.differences.bias, fits.residual_sd)
    };
    format!(
        "{n} pairs, LIC {low:.1} to {high:.1} mg/g\n{}{}Error variance of LIC over that of R2*: {:.3e}\n\
         One prediction lies within {reach:.2} mg/g of the line in 95 of 100 (residual SD {:.2} mg/g; robust relative SD {:.1} %)\n\
         Differences line minus chemical: {:.2} mg/g, limits of agreement {:.2} to {:.2}, each to within {:.2} mg/g\n\n\
         Entry for the calibrations file (fill in what is missing, and have it confirmed):\n\n  \
         - name: {}\n    title: Our own\n    field_strength_t: {}\n    equation:\n      linear: {{slope: {:.6}, intercept: {:.4}}}\n    \
         patients: {n}\n    reference: chemical LIC\n    validated_lic_mg_per_g: [{low:.2}, {high:.2}]\n    error:\n      {error}\n    \
         presumes: # sequence and fit\n    accepts:\n      - model: noise-corrected\n        reason: # the model these R2* were fitted with\n    \
         source: our own pairs\n    doi: null\n    confidence: site\n    remarks: {} regression\n    confirmed_by: null\n    confirmed_on: null\n\n\
         For review by a qualified person; not a certified medical device.\n",
        line("Deming", &fits.deming),
        line("Passing-Bablok", &fits.passing_bablok),
        fits.ratio,
        fits.residual_sd,
        100.0 * fits.relative_sd,
        fits.differences.bias,
        fits.differences.limits[0],
        fits.differences.limits[1],
        fits.differences.limit_reach,
        args.name,
        args.field,
        fits.chosen.slope,
        fits.chosen.intercept,
        if args.method == Method::Deming { "Deming" } else { "Passing-Bablok" },
    )
}

fn line_plot(pairs: &Pairs, fits: &Fits) -> Vec<u8> {
    let most = pairs.r2star.iter().copied().fold(0.0, f64::max);
    let reach = student_quantile(0.975, (pairs.lic.len() - 2) as f64) * fits.residual_sd;
    let along = |of: &dyn Fn(f64) -> f64| (0..=40).map(|i| most * f64::from(i) / 40.0).map(|r| [r, of(r)]).collect();
    let line = |l: FittedLine| move |r: f64| (l.intercept + l.slope * r).max(0.0);
    let mut cloud: Vec<[f64; 2]> = pairs.r2star.iter().zip(&pairs.lic).map(|(r, l)| [*r, *l]).collect();
    cloud.sort_by(|a, b| a[0].total_cmp(&b[0]));
    let chosen = line(fits.chosen);
    let series = [
        Series { name: String::new(), points: cloud, mark: Mark::Dots },
        Series { name: "Deming".into(), points: along(&line(fits.deming)), mark: Mark::Line },
        Series { name: "Passing-Bablok".into(), points: along(&line(fits.passing_bablok)), mark: Mark::Line },
        Series { name: "95 % prediction".into(), points: along(&|r| chosen(r) + reach), mark: Mark::Dashed },
        Series { name: String::new(), points: along(&|r| (chosen(r) - reach).max(0.0)), mark: Mark::Dashed },
    ];
    chart::png("R2* and chemical LIC", "R2* in /s", "LIC in mg/g", &series)
}

fn difference_plot(pairs: &Pairs, fits: &Fits) -> Vec<u8> {
    let predicted = |r: f64| fits.chosen.intercept + fits.chosen.slope * r;
    let cloud: Vec<[f64; 2]> = pairs
        .r2star
        .iter()
        .zip(&pairs.lic)
        .map(|(r, l)| [(0.5 * (predicted(*r) + l)).max(0.0), predicted(*r) - l])
        .collect();
    let most = cloud.iter().map(|p| p[0]).fold(0.0, f64::max);
    let level = |name: &str, y: f64, mark: Mark| Series { name: name.into(), points: vec![[0.0, y], [most, y]], mark };
    let [low, high] = fits.differences.limits;
    let series = [
        Series { name: String::new(), points: cloud, mark: Mark::Dots },
        level("mean difference", fits.differences.bias, Mark::Line),
        level("upper limit", high, Mark::Dashed),
        level("lower limit", low, Mark::Dashed),
    ];
    chart::png(
        "Differences against their mean",
        "mean of line and chemical LIC in mg/g",
        "line minus chemical in mg/g",
        &series,
    )
}
