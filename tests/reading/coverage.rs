//! Whether the repeat interval holds what it promises: simulated pairs of scans of a patient who did not change,
//! through the fit and the reading.
//!
//! Each scan draws a between-scan factor of known size, a displacement of the region's true median, a noise level
//! estimated with error, and noise. With SIDEROLOG_EVIDENCE=1 every cell has 2,000 pairs and the table is written
//! to `docs/evidence/repeat-coverage.md`.

use ndarray::Array2;
use rayon::prelude::*;
use siderolog::fit::Draws;
use siderolog::fit::{FatPrior, FatSpectrum, Model, ModelSettings, Sigma, estimate_noise, fit, shared_fat, survey};
use siderolog::phantom;
use siderolog::reading::range::{Criterion, DRAWS, Question, RangeCurve, measuring_range};
use siderolog::reading::stats::{median, standard_deviation};
use siderolog::reading::{
    Calibrations, FollowUp, Lic, PastReading, PatientKey, Position, R2StarSummary, Relation, Today, course, express,
    summarise,
};
use siderolog::roi;
use siderolog::study::{Acquisition, Grid, GridParts, Mask, MaskOrigin, MilligramsPerGram, ModelKind};
use std::fmt::Write as _;

/// Voxels of the simulated region: a side of the square.
const SIDE: usize = 18;
/// True spread of R2* within the liver.
const HETEROGENEITY: f64 = 0.08;
/// Standard error of the noise level.
const SIGMA_ERROR: f64 = 0.02;
/// Fat of the tissue where the fat-corrected model is asked.
const FAT: f64 = 0.03;
/// Tesla.
const FIELD: f64 = 1.5;

/// What a cell of the table is made of.
struct Cell {
    lic: f64,
    snr: f64,
    times: Vec<f64>,
    r2star: f64,
    range: RangeCurve,
    grid: Grid,
    mask: Mask,
    model: Model,
    /// Standard deviation of the between-scan factor.
    between: f64,
    /// Standard deviation of the true median over repositionings, relative.
    repositioning: f64,
}

/// What came of a cell.
#[derive(Debug, Default, Clone, Copy)]
struct Outcome {
    pairs: usize,
    covered: usize,
    called_changed: usize,
    above: usize,
    below: usize,
}

/// Relative standard deviation of the true median R2* inside the automatic region when one patient is put on the table
/// again: whole phantoms with the same body, other noise and a stack moved by up to a centimetre.
fn repositioning(r2star: f64, phantoms: u64) -> f64 {
    let medians: Vec<f64> = (1..=phantoms)
        .into_par_iter()
        .filter_map(|seed| {
            let mut recipe = phantom::Recipe { seed, ..phantom::Recipe::default() };
            recipe.body.seed = Some(5);
            recipe.liver.r2star = r2star;
            recipe.grid.slices = 3;
            recipe.grid.centre += 0.06 * (2.0 * Draws::new(seed).uniform() - 1.0);
            let scan = phantom::scan(&recipe);
            let truth = scan.truth().r2star.clone();
            let acquisition = Acquisition::assemble(scan.parts()).unwrap();
            let noise = estimate_noise(&acquisition, None);
            let survey = survey(&acquisition, &noise);
            let region = roi::find(&acquisition, &survey, &noise, &Default::default());
            let inside: Vec<f64> = region.mask()?.indices().map(|v| f64::from(truth[v])).collect();
            median(&inside)
        })
        .collect();
    standard_deviation(&medians).unwrap() / median(&medians).unwrap()
}

/// What [`repositioning`] gave for 50 phantoms at LIC 1.5 and above; the small version of the test takes it from here.
const REPOSITIONING: f64 = 0.01;

fn cell(kind: ModelKind, lic: f64, snr: f64, published: f64, moved: Option<f64>) -> Cell {
    let calibrations = Calibrations::shipped();
    let calibration = calibrations.get("hernando-2023-1.5t").unwrap();
    let times: Vec<f64> = (0..12).map(|k| (0.9 + 0.9 * f64::from(k)) * 1e-3).collect();
    let fat_prior = (kind == ModelKind::FatCorrected).then(|| FatPrior::of_region(FAT));
    let settings = ModelSettings { field_strength: Some(FIELD), fat_prior, ..ModelSettings::default() };
    let model = Model::new(kind, &times, &settings).unwrap();
    let grid = Grid::new(GridParts {
        rows: SIDE,
        columns: SIDE,
        positions: vec![[0.0, 0.0, 0.0]],
        row_spacing: 2.0,
        column_spacing: 2.0,
        slice_thickness: Some(8.0),
        along_row: [1.0, 0.0, 0.0],
        along_column: [0.0, 1.0, 0.0],
        frame_of_reference: None,
    })
    .unwrap();
    let mask = Mask::on(&grid, vec![true; SIDE * SIDE], MaskOrigin::Automatic).unwrap();
    let range = measuring_range(&Question {
        model: &model,
        snr,
        coil_elements: 1.0,
        sigma_uncertainty: SIGMA_ERROR,
        voxels: (SIDE * SIDE) as f64,
        criterion: Criterion::default(),
        draws: DRAWS,
    });
    let r2star = calibration.r2star(MilligramsPerGram(lic)).0;
    let mut made = Cell {
        lic,
        snr,
        times,
        r2star,
        range,
        grid,
        mask,
        model,
        between: 0.0,
        repositioning: moved.unwrap_or(REPOSITIONING),
    };
    // The published figure holds everything that differs between two scans; what fit, noise level and repositioning
    // take of it is measured on 40 scans without a factor, and the factor gets the rest.
    let alone: Vec<f64> = (0..40).filter_map(|i| scan(&made, 1_000_000 + i).map(|s| s.median)).collect();
    let own = standard_deviation(&alone).unwrap_or(0.0) / r2star;
    made.between = (published * published - own * own).max(0.0).sqrt();
    made
}

/// One simulated scan, fitted and summarised.
fn scan(cell: &Cell, seed: u64) -> Option<R2StarSummary> {
    let mut draws = Draws::new(seed);
    let factor = libm::exp(cell.between * draws.normal()) * (1.0 + cell.repositioning * draws.normal());
    let sigma = 1.0 + SIGMA_ERROR * draws.normal();
    let count = SIDE * SIDE;
    let mut samples = Array2::<f32>::zeros((cell.times.len(), count));
    let fatty = cell.model.kind() == ModelKind::FatCorrected;
    let beat = |time: f64| if fatty { FatSpectrum::default().length(FIELD, FAT, time) } else { 1.0 };
    let beats: Vec<f64> = cell.times.iter().map(|time| beat(*time)).collect();
    for voxel in 0..count {
        let rate = cell.r2star * factor * libm::exp(HETEROGENEITY * draws.normal());
        for (echo, time) in cell.times.iter().enumerate() {
            samples[[echo, voxel]] = draws.magnitude(cell.snr * beats[echo] * libm::exp(-rate * time), 1.0) as f32;
        }
    }
    let level = Sigma::Uniform(sigma);
    // As the fit stage does it: the voxels say together how much fat they hold, then each is fitted.
    let plain = ModelSettings { field_strength: Some(FIELD), ..ModelSettings::default() };
    let shared = if fatty { shared_fat(&cell.times, &plain, samples.view(), level, 1.0) } else { None };
    let settings = ModelSettings { fat_prior: shared.map(|s| s.prior), ..plain };
    let model = Model::new(cell.model.kind(), &cell.times, &settings).unwrap();
    let maps = fit(&model, samples.view(), level, 1.0);
    let fat_error = shared.map_or(0.0, |s| (s.standard_error * s.r2star_slope).abs());
    let noise_level = |r: f64| cell.range.at(r, |p| p.noise_level).filter(|e| e.is_finite()).unwrap_or(0.0);
    summarise(&maps, &cell.mask, &cell.grid, true, count as f64, noise_level, fat_error)
}

fn past(date: &str, kind: ModelKind, summary: &R2StarSummary, lic: &Lic) -> PastReading {
    PastReading {
        schema_version: 1,
        patient: PatientKey { id: Some("4711".into()), ..PatientKey::default() },
        date: Some(date.into()),
        study_uid: Some(format!("1.2.{}", date.replace('-', ""))),
        scanner: siderolog::reading::PastScanner { field_strength_t: Some(FIELD), ..Default::default() },
        model: Some(kind),
        calibration: Some(lic.calibration.clone()),
        r2star_per_s: Some(summary.median),
        r2star_se_per_s: Some(summary.standard_error),
        lic_mg_per_g: Some(lic.value),
        relation: Relation::Equal,
        ..PastReading::default()
    }
}

fn pair(cell: &Cell, seed: u64, rules: &FollowUp) -> Outcome {
    let calibrations = Calibrations::shipped();
    let calibration = calibrations.get("hernando-2023-1.5t").unwrap();
    let mut outcome = Outcome { pairs: 1, ..Outcome::default() };
    let scans = [scan(cell, 2 * seed), scan(cell, 2 * seed + 1)];
    let Some(limits) = cell.range.limits else { return outcome };
    let kind = cell.model.kind();
    let mut read = Vec::new();
    for summary in &scans {
        let position = summary.as_ref().map_or(Position::Above, |s| Position::of(s.median, limits));
        match (position, summary) {
            (Position::Inside, Some(s)) => read.push((s, express(s, calibration, kind, rules).0)),
            (Position::Below, _) => outcome.below = 1,
            _ => outcome.above = 1,
        }
    }
    if let [(first, a), (second, b)] = read.as_slice() {
        let inside = a.repeat_low.unwrap() <= b.value && b.value <= a.repeat_high.unwrap();
        outcome.covered = usize::from(inside);
        let (then, now) = (past("2026-01-01", kind, first, a), past("2026-01-02", kind, second, b));
        let (found, _) = course(&Today { reading: &now, calibration: Some(calibration) }, &[then], &[], rules);
        outcome.called_changed = usize::from(found.change.unwrap().changed);
    }
    outcome
}

fn run(cell: &Cell, pairs: usize, rules: &FollowUp) -> Outcome {
    let outcomes: Vec<Outcome> = (0..pairs as u64).into_par_iter().map(|i| pair(cell, 10 + i, rules)).collect();
    outcomes.into_iter().fold(Outcome::default(), |a, b| Outcome {
        pairs: a.pairs + b.pairs,
        covered: a.covered + b.covered,
        called_changed: a.called_changed + b.called_changed,
        above: a.above + b.above,
        below: a.below + b.below,
    })
}

#[test]
fn the_repeat_interval_covers_what_it_promises() {
    let evidence = std::env::var("SIDEROLOG_EVIDENCE").is_ok();
    let rules = FollowUp::shipped().unwrap();
    let published = rules.repeatability.same_scanner.fraction();
    let (pairs, loads, snrs): (usize, &[f64], &[f64]) =
        if evidence { (2000, &[1.5, 4.0, 8.0, 20.0, 35.0], &[20.0, 60.0]) } else { (200, &[4.0, 35.0], &[20.0]) };
    let mut table = String::from(
        "| model | LIC mg/g | R2* /s | SNR | measuring range /s | region choice SD % | between-scan factor SD % | pairs | covered % | called changed % | out of range % |\n\
         | --- | ---: | ---: | ---: | --- | ---: | ---: | ---: | ---: | ---: | ---: |\n",
    );
    // Three standard errors of a proportion of 95 % beyond the promised 93 to 97 %, where pairs are few.
    let chance = if evidence { 0.0 } else { 3.0 * (0.05 * 0.95 / pairs as f64).sqrt() };
    let calibrations = Calibrations::shipped();
    let calibration = calibrations.get("hernando-2023-1.5t").unwrap();
    // What the starting profiles come to, and the model that needs no fat. The first takes long.
    let kinds = |lic: f64| match evidence || lic < 10.0 {
        true => [ModelKind::FatCorrected, ModelKind::NoiseCorrected].as_slice(),
        false => &[ModelKind::NoiseCorrected],
    };
    for &lic in loads {
        let r2star = calibration.r2star(MilligramsPerGram(lic)).0;
        let moved = evidence.then(|| repositioning(r2star, 50));
        for (kind, snr) in kinds(lic).iter().flat_map(|kind| snrs.iter().map(|snr| (*kind, *snr))) {
            let cell = cell(kind, lic, snr, published, moved);
            let outcome = run(&cell, pairs, &rules);
            let [low, high] = cell.range.limits.unwrap();
            let share = |n: usize| n as f64 / outcome.pairs as f64;
            let scored = cell.r2star > low * 1.1 && cell.r2star < high / 1.1;
            let (covered, changed) = (share(outcome.covered), share(outcome.called_changed));
            let percent = |v: f64| if scored { format!("{:.1}", 100.0 * v) } else { "not scored".to_owned() };
            writeln!(
                table,
                "| {kind} | {} | {:.0} | {snr} | {low:.0} to {high:.0} | {:.2} | {:.2} | {} | {} | {} | {:.1} |",
                cell.lic,
                cell.r2star,
                100.0 * cell.repositioning,
                100.0 * cell.between,
                outcome.pairs,
                percent(covered),
                percent(changed),
                100.0 * share(outcome.above + outcome.below)
            )
            .unwrap();
            if scored {
                assert!(
                    (0.93 - chance..=0.97 + chance).contains(&covered),
                    "{kind}, LIC {lic} SNR {snr}: {outcome:?}\n{table}"
                );
                assert!(
                    (0.03 - chance..=0.07 + chance).contains(&changed),
                    "{kind}, LIC {lic} SNR {snr}: {outcome:?}\n{table}"
                );
            } else if cell.r2star > high * 1.1 {
                assert!(
                    share(outcome.above) > 0.95,
                    "{kind}, LIC {lic} SNR {snr} is above {high} and must say so: {outcome:?}"
                );
            }
        }
    }
    println!("{table}");
    if evidence {
        let text = format!(
            "# Coverage of the repeat interval\n\nPairs of simulated scans of a patient who did not change, through the fit \
             and the reading; written by `SIDEROLOG_EVIDENCE=1 cargo test --release --test suite reading::coverage`.\n\n\
             Echo times 0.9 to 10.8 ms in steps of 0.9; one coil element; {} % fat for the fat-corrected model, which is \
             told the fat by the region as in the service, none for the other; {} voxels with {} % true spread; noise level \
             known to {} %. Each scan draws a factor so that all variation together is the published {} %. A cell whose \
             truth lies within 10 % of an end of the range, or outside it, is not scored.\n\n{table}",
            100.0 * FAT,
            SIDE * SIDE,
            100.0 * HETEROGENEITY,
            100.0 * SIGMA_ERROR,
            100.0 * published
        );
        let dir = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/evidence");
        std::fs::create_dir_all(&dir).unwrap();
        std::fs::write(dir.join("repeat-coverage.md"), text).unwrap();
    }
}
