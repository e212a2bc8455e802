//! `siderolog profile range`: what a protocol can measure before any patient.

use super::{Refused, SiteArgs, load};
use crate::fit::{FatPrior, Model, ModelSettings, for_magnitude};
use crate::intake::durable;
use crate::protocol::{ModelChoice, Profile};
use crate::reading::Calibration;
use crate::reading::range::{Criterion, Question, RangeCurve, measuring_range};
use crate::report::picture::axis::{Scale, log_ticks, ticks};
use crate::report::picture::canvas::{Anchor, Pixels, Svg, Weight};
use crate::report::picture::colour::light;
use crate::study::text::plain;
use crate::study::{ModelKind, PerSecond};
use anyhow::Context as _;
use std::path::PathBuf;
use std::process::ExitCode;

/// What the protocol can measure: lowest and highest R2* and iron with a relative error under 5 %.
#[derive(clap::Args)]
pub struct Args {
    /// The profile. Its rules give the echo train at its worst: latest first echo, widest spacing, fewest echoes.
    file: PathBuf,
    /// First echo, ms, in place of the rules' latest.
    #[arg(long, value_name = "MS")]
    first_echo: Option<f64>,
    /// Echo spacing, ms, in place of the rules' widest.
    #[arg(long, value_name = "MS")]
    spacing: Option<f64>,
    /// Number of echoes, in place of the rules' fewest.
    #[arg(long, value_name = "N")]
    echoes: Option<usize>,
    /// Signal at echo time zero over the noise of one real channel.
    #[arg(long, default_value_t = 50.0)]
    snr: f64,
    /// Independent voxels in the region.
    #[arg(long, default_value_t = 1000.0)]
    voxels: f64,
    /// Simulated voxels for each R2*.
    #[arg(long, default_value_t = 2000)]
    draws: usize,
    /// Signal model; the profile's, or noise-corrected where it leaves the choice to the fit.
    #[arg(long)]
    model: Option<String>,
    /// Write the curve as a PNG picture.
    #[arg(long, value_name = "FILE")]
    png: Option<PathBuf>,
    #[command(flatten)]
    site: SiteArgs,
}

/// Relative standard uncertainty of a noise level that was estimated from background air: what thousands of voxels
/// give, with room for structure in it (common practice, no source).
const SIGMA_UNCERTAINTY: f64 = 0.02;

/// An echo train as a protocol sets it.
#[derive(Clone, Copy)]
struct Train {
    first_ms: f64,
    spacing_ms: f64,
    echoes: usize,
}

impl Train {
    fn seconds(self) -> Vec<f64> {
        (0..self.echoes).map(|k| (self.first_ms + k as f64 * self.spacing_ms) / 1000.0).collect()
    }
    fn words(self) -> String {
        format!("{} echoes from {} ms every {} ms", self.echoes, plain(self.first_ms), plain(self.spacing_ms))
    }
}

pub(super) fn run(args: &Args) -> anyhow::Result<Result<ExitCode, Refused>> {
    let prepared = args.site.calibrations().and_then(|calibrations| {
        let profile = load(&args.file, &calibrations)?;
        let train = train(args, &profile)?;
        let calibration = calibrations.get(profile.calibration()).cloned();
        let kind = model(args, &profile, calibration.as_ref(), train)?;
        Ok((profile, kind, train, calibration))
    });
    let (profile, kind, train, calibration) = match prepared {
        Ok(all) => all,
        Err(refused) => return Ok(Err(refused)),
    };
    let asked = Asked {
        kind,
        field: profile.field_strength(),
        coil_elements: profile.coil_elements().unwrap_or(1.0),
        snr: args.snr,
        voxels: args.voxels,
        draws: args.draws,
    };
    let curve = match asked.curve(train) {
        Ok(curve) => curve,
        Err(message) => return Ok(Err(Refused(message))),
    };
    println!("{} revision {}: {}, {kind} model", profile.name(), profile.revision(), train.words());
    println!("signal-to-noise {} at echo time zero, {} independent voxels", plain(args.snr), plain(args.voxels));
    println!("measurable: {}", curve.criterion.words());
    println!("{}\n", limits(&curve, calibration.as_ref()));
    table(&curve, calibration.as_ref());
    println!("\nWhat would change it:");
    for (what, changed, snr) in variants(train, args.snr) {
        if let Ok(other) = (Asked { snr, ..asked }).curve(changed) {
            println!("  {what:<44} {}", limits(&other, calibration.as_ref()));
        }
    }
    println!("\nFor review by a qualified person; not a certified medical device.");
    if let Some(path) = &args.png {
        let title = format!("{} revision {}: {}", profile.name(), profile.revision(), train.words());
        let picture = plot(&curve, &title);
        durable::write(path, &picture).with_context(|| format!("cannot write {}", path.display()))?;
        println!("picture: {}", path.display());
    }
    Ok(Ok(ExitCode::SUCCESS))
}

/// What the range is asked for, the echo train apart.
#[derive(Clone, Copy)]
struct Asked {
    kind: ModelKind,
    field: Option<f64>,
    coil_elements: f64,
    snr: f64,
    voxels: f64,
    draws: usize,
}

impl Asked {
    fn curve(self, train: Train) -> Result<RangeCurve, String> {
        // As a region is fitted; here one without fat.
        let fat_prior = Some(FatPrior::of_region(0.0));
        let settings = ModelSettings { field_strength: self.field, fat_prior, ..ModelSettings::default() };
        let model = Model::new(self.kind, &train.seconds(), &settings).map_err(|error| error.to_string())?;
        Ok(measuring_range(&Question {
            model: &model,
            snr: self.snr,
            coil_elements: self.coil_elements,
            sigma_uncertainty: SIGMA_UNCERTAINTY,
            voxels: self.voxels,
            criterion: Criterion::default(),
            draws: self.draws,
        }))
    }
}

fn model(
    args: &Args,
    profile: &Profile,
    calibration: Option<&Calibration>,
    train: Train,
) -> Result<ModelKind, Refused> {
    match (&args.model, profile.model()) {
        (Some(word), _) => ModelKind::ALL.into_iter().find(|kind| kind.word() == word).ok_or_else(|| {
            let words: Vec<&str> = ModelKind::ALL.iter().map(|kind| kind.word()).collect();
            Refused(format!("--model {word}: not a model; known are {}", words.join(", ")))
        }),
        (None, ModelChoice::Fixed(kind)) => Ok(kind),
        (None, ModelChoice::Auto) => {
            let accepted = calibration.map(Calibration::accepted_models).unwrap_or_default();
            Ok(for_magnitude(&accepted, profile.field_strength().is_some(), train.echoes))
        }
    }
}

fn train(args: &Args, profile: &Profile) -> Result<Train, Refused> {
    let allowed = profile.allowed_echoes();
    let missing =
        |what: &str, option: &str| Refused(format!("the profile has no limit on {what}; give it with {option}"));
    let first_ms = args.first_echo.or(allowed.first_ms).ok_or_else(|| missing("the first echo", "--first-echo"))?;
    let spacing_ms = args.spacing.or(allowed.spacing_ms).ok_or_else(|| missing("the echo spacing", "--spacing"))?;
    let count = args.echoes.or(allowed.count.map(|n| n.ceil() as usize));
    let echoes = count.ok_or_else(|| missing("the number of echoes", "--echoes"))?;
    let sane = first_ms > 0.0 && spacing_ms > 0.0 && (2..=64).contains(&echoes) && args.snr > 1.0 && args.voxels >= 1.0;
    if !sane || !(100..=100_000).contains(&args.draws) {
        return Err(Refused(
            "times are above 0, echoes from 2 to 64, --snr above 1, --voxels at least 1, --draws from 100 to 100000"
                .to_owned(),
        ));
    }
    Ok(Train { first_ms, spacing_ms, echoes })
}

/// The range in words.
fn limits(curve: &RangeCurve, calibration: Option<&Calibration>) -> String {
    match curve.limits {
        None => "nothing is measurable".to_owned(),
        Some([low, high]) => {
            let iron = calibration.map_or(String::new(), |c| {
                let at = |r2star| plain(round(c.lic(PerSecond(r2star)).0.max(0.0), 2));
                format!(", {} to {} mg/g ({})", at(low), at(high), c.name)
            });
            format!("R2* {} to {} /s{iron}", plain(round(low, 1)), plain(round(high, 0)))
        }
    }
}

fn round(value: f64, decimals: i32) -> f64 {
    let power = libm::pow(10.0, f64::from(decimals));
    (value * power).round() / power
}

fn table(curve: &RangeCurve, calibration: Option<&Calibration>) {
    println!("   R2* /s   LIC mg/g   median /s     bias %   spread /s   bound /s   spread/bound   error %");
    // Where the estimator gives nothing there is no number.
    let number =
        |value: f64, decimals: usize| if value.is_finite() { format!("{value:.decimals$}") } else { "-".to_owned() };
    for point in &curve.points {
        let iron = calibration.map_or("-".to_owned(), |c| format!("{:.2}", c.lic(PerSecond(point.r2star)).0));
        println!(
            "{:>9.1} {iron:>10} {:>11} {:>10} {:>11} {:>10} {:>14} {:>9}",
            point.r2star,
            number(point.median, 1),
            number(100.0 * point.bias() / point.r2star, 2),
            number(point.spread, 2),
            number(point.bound, 2),
            number(point.spread / point.bound, 3),
            number(100.0 * point.relative_error(), 2)
        );
    }
}

/// Changes a physicist could make, with the signal-to-noise ratio that goes with each.
fn variants(train: Train, snr: f64) -> Vec<(String, Train, f64)> {
    let earlier = Train { first_ms: 0.8 * train.first_ms, ..train };
    let denser = Train { spacing_ms: 0.8 * train.spacing_ms, ..train };
    let more = Train { echoes: (train.echoes + 4).min(64), ..train };
    vec![
        (format!("an earlier first echo, {} ms", plain(earlier.first_ms)), earlier, snr),
        (format!("a closer spacing, {} ms", plain(denser.spacing_ms)), denser, snr),
        (format!("more echoes, {}", more.echoes), more, snr),
        (format!("more signal-to-noise, {}", plain(1.5 * snr)), train, 1.5 * snr),
    ]
}

/// Relative error and bias against true R2*, with the measurable part marked.
fn plot(curve: &RangeCurve, title: &str) -> Vec<u8> {
    const SIZE: [f64; 2] = [1000.0, 620.0];
    const FRAME: [f64; 4] = [90.0, 70.0, 870.0, 450.0];
    let [x, y, w, h] = FRAME;
    let mut svg = Svg::new(SIZE[0], SIZE[1]);
    let ends = [curve.points.first(), curve.points.last()].map(|p| p.map_or(1.0, |p| p.r2star));
    let across = Scale::logarithmic(ends, [x, x + w]);
    let up = Scale::even([-20.0, 20.0], [y + h, y]);
    svg.card(FRAME, 4.0, light::PANEL);
    if let Some([low, high]) = curve.limits {
        svg.rect([across.at(low), y, across.at(high) - across.at(low), h], "#dcebf3");
    }
    for tick in log_ticks(ends) {
        svg.line([across.at(tick), y], [across.at(tick), y + h], light::LINE, 1.0, "");
        svg.text([across.at(tick), y + h + 24.0], 16.0, Weight::Regular, Anchor::Middle, light::TEXT, &plain(tick));
    }
    for tick in ticks([-20.0, 20.0], 8) {
        svg.line([x, up.at(tick)], [x + w, up.at(tick)], light::LINE, 1.0, "");
        svg.text([x - 10.0, up.at(tick) + 6.0], 16.0, Weight::Regular, Anchor::End, light::TEXT, &plain(tick));
    }
    let limit = 100.0 * curve.criterion.relative_error;
    svg.line([x, up.at(limit)], [x + w, up.at(limit)], light::QUIET, 1.5, "6 4");
    let line = |of: &dyn Fn(&crate::reading::range::RangePoint) -> f64| -> Vec<[f64; 2]> {
        let finite = curve.points.iter().filter(|p| of(p).is_finite());
        finite.map(|p| [across.at(p.r2star), up.at(100.0 * of(p))]).collect()
    };
    svg.polyline(&line(&|p| p.relative_error()), light::MARK, 2.5, "");
    svg.polyline(&line(&|p| p.bias() / p.r2star), light::SECOND, 2.5, "8 5");
    svg.text([x, 36.0], 20.0, Weight::Bold, Anchor::Start, light::TEXT, title);
    svg.text([x + w / 2.0, y + h + 52.0], 17.0, Weight::Regular, Anchor::Middle, light::TEXT, "true R2*, 1/s");
    svg.text([x, 60.0], 16.0, Weight::Regular, Anchor::Start, light::MARK, "expected error of the region's median, %");
    svg.text([x + 400.0, 60.0], 16.0, Weight::Regular, Anchor::Start, light::SECOND, "bias, % (dashed)");
    let foot = "Shaded: measurable. For review by a qualified person; not a certified medical device.";
    svg.text([x, SIZE[1] - 16.0], 16.0, Weight::Regular, Anchor::Start, light::QUIET, foot);
    let mut pixels = Pixels::filled(SIZE[0] as usize, SIZE[1] as usize, [0xff, 0xff, 0xff]);
    pixels.draw(&svg);
    pixels.png()
}
