//! The liver region against the phantom's truth, against itself under what must not matter, and from files.

mod amend;
mod given;
mod population;
mod segmenter;
mod unmoved;

use siderolog::fit;
use siderolog::phantom::{self, Recipe};
use siderolog::roi::{self, Region};
use siderolog::study::{Acquisition, AcquisitionParts, Grid, GridParts, Severity, Vector, Verdict};

/// A phantom, its acquisition and the region found in it.
pub struct Found {
    pub truth: phantom::Truth,
    pub acquisition: Acquisition,
    pub region: Region,
}

/// Finds the liver as the service does.
pub fn region_in(acquisition: &Acquisition) -> Region {
    let noise = fit::estimate_noise(acquisition, None);
    let survey = fit::survey(acquisition, &noise);
    roi::find(acquisition, &survey, &noise, &Default::default())
}

/// Scans a recipe and finds the liver.
pub fn find(recipe: &Recipe) -> Found {
    let scan = phantom::scan(recipe);
    let truth = scan.truth().clone();
    let acquisition = Acquisition::assemble(scan.parts()).unwrap();
    let region = region_in(&acquisition);
    Found { truth, acquisition, region }
}

/// A loaded adult in three slices.
pub fn adult() -> Recipe {
    let mut recipe = Recipe::default();
    recipe.grid.slices = 3;
    recipe
}

/// Measured voxels, whether or not the region is fit to give a number.
fn measured(region: &Region) -> Vec<bool> {
    region.organ().iter().zip(region.excluded()).map(|(&organ, &code)| organ && code == 0).collect()
}

/// Dice with the true parenchyma, share outside the liver, relative error of the true median inside.
fn scores(truth: &phantom::Truth, region: &Region) -> [f64; 3] {
    let mask = measured(region);
    let inside: Vec<usize> = (0..mask.len()).filter(|&k| mask[k]).collect();
    let outside = inside.iter().filter(|&&k| !truth.organ[k]).count();
    let mut rates: Vec<f64> = inside.iter().map(|&k| f64::from(truth.r2star[k])).collect();
    rates.sort_by(f64::total_cmp);
    let median = rates.get(rates.len() / 2).copied().unwrap_or(f64::NAN);
    [
        roi::dice(&mask, &truth.parenchyma),
        outside as f64 / inside.len().max(1) as f64,
        median / truth.median_r2star - 1.0,
    ]
}

#[test]
fn the_liver_is_found_at_every_iron_load() {
    for (field, r2star) in [(1.5, 30.0), (1.5, 1000.0), (3.0, 60.0), (3.0, 500.0)] {
        let mut recipe = Recipe { field_strength_t: field, ..adult() };
        recipe.liver.r2star = r2star;
        let found = find(&recipe);
        let mask =
            found.region.mask().unwrap_or_else(|| panic!("{field} T, {r2star}/s: {:?}", found.region.findings()));
        let [dice, outside, error] = scores(&found.truth, &found.region);
        assert!(dice > 0.80, "{field} T, {r2star}/s: Dice {dice:.3}");
        assert!(outside < 0.03, "{field} T, {r2star}/s: {outside:.3} outside");
        assert!(error.abs() < 0.03, "{field} T, {r2star}/s: median off by {error:.3}");
        assert_eq!(mask.voxels().len(), found.acquisition.grid().voxels());
    }
}

/// A first echo after the signal is gone: the region may be taken from where no signal is, or there is none; either
/// way nobody is told that all is well with a region that is not the liver.
#[test]
fn a_liver_black_from_the_first_echo_is_found_or_flagged() {
    let mut recipe = adult();
    recipe.liver.r2star = 1800.0;
    recipe.sequence.first_echo_ms = 2.3;
    recipe.sequence.echo_spacing_ms = 1.2;
    let found = find(&recipe);
    let [dice, ..] = scores(&found.truth, &found.region);
    let flagged = Verdict::of(found.region.findings()) != Verdict::Clear;
    assert!(dice > 0.7 || flagged, "Dice {dice:.3}, {:?}", found.region.findings());
}

/// A liver of which two echoes show anything, beside a loaded spleen that shows well: the spleen is no liver for that.
#[test]
fn a_spleen_is_not_taken_for_a_loaded_liver() {
    for (field, r2star, snr) in [(1.5, 1800.0, 60.0), (3.0, 1700.0, 25.0)] {
        let mut recipe = Recipe { field_strength_t: field, ..adult() };
        recipe.liver.r2star = r2star;
        recipe.body.spleen_r2star = Some(500.0);
        recipe.receive.snr = snr;
        let found = find(&recipe);
        let [dice, outside, _] = scores(&found.truth, &found.region);
        assert!(dice > 0.80 && outside < 0.05, "{field} T: Dice {dice:.3}, {outside:.3} outside");
    }
}

/// The same acquisition with its columns and rows exported the other way round.
fn exported_otherwise(acquisition: &Acquisition) -> (Acquisition, Vec<usize>) {
    let grid = acquisition.grid();
    let (rows, columns) = (grid.rows(), grid.columns());
    let from: Vec<usize> = (0..grid.voxels())
        .map(|index| {
            // New rows are the old columns backwards, new columns the old rows.
            let (slice, place) = (index / (rows * columns), index % (rows * columns));
            grid.index(slice, place % rows, columns - 1 - place / rows)
        })
        .collect();
    let back = |v: Vector| v.map(|x| -x);
    let (along_row, along_column) = (grid.along_column(), back(grid.along_row()));
    let positions = (0..grid.slices()).map(|slice| grid.centre(slice, 0, columns - 1)).collect();
    let parts = GridParts {
        rows: columns,
        columns: rows,
        positions,
        row_spacing: grid.column_spacing().0,
        column_spacing: grid.row_spacing().0,
        slice_thickness: grid.slice_thickness().map(|mm| mm.0),
        along_row,
        along_column,
        frame_of_reference: None,
    };
    let magnitude = acquisition.magnitude().select(ndarray::Axis(1), &from);
    let parts = AcquisitionParts {
        grid: Grid::new(parts).unwrap(),
        echo_times: acquisition.echo_times().to_vec(),
        magnitude,
        complex: None,
        flaws: from.iter().map(|&k| acquisition.flaws()[k]).collect(),
        header: acquisition.header().clone(),
        source: acquisition.source().clone(),
        scaling: acquisition.scaling().to_owned(),
        findings: Vec::new(),
    };
    (Acquisition::assemble(parts).unwrap(), from)
}

/// Orientation comes from the direction cosines, so that turning the export turns the region and nothing else.
#[test]
fn a_turned_export_gives_the_same_region() {
    let acquisition = Acquisition::assemble(phantom::scan(&adult()).parts()).unwrap();
    let noise = fit::estimate_noise(&acquisition, None);
    let plain = roi::find(&acquisition, &fit::survey(&acquisition, &noise), &noise, &Default::default());
    let (turned, from) = exported_otherwise(&acquisition);
    let region = roi::find(&turned, &fit::survey(&turned, &noise), &noise, &Default::default());
    let expected: Vec<bool> = from.iter().map(|&k| measured(&plain)[k]).collect();
    let dice = roi::dice(&measured(&region), &expected);
    assert!(dice > 0.995, "Dice {dice:.4}");
}

/// Units of intensity are arbitrary, and so is a slow shading left over from the coils.
#[test]
fn scaling_and_shading_do_not_move_the_region() {
    let parts = phantom::scan(&adult()).parts();
    let acquisition = Acquisition::assemble(phantom::scan(&adult()).parts()).unwrap();
    let plain = region_in(&acquisition);
    let mut scaled = parts;
    let columns = scaled.grid.columns();
    for mut echo in scaled.magnitude.rows_mut() {
        for (index, value) in echo.iter_mut().enumerate() {
            // Ten per cent from one side to the other.
            *value *= 7.5 * (0.95 + 0.1 * (index % columns) as f32 / columns as f32);
        }
    }
    let region = region_in(&Acquisition::assemble(scaled).unwrap());
    let dice = roi::dice(&measured(&region), &measured(&plain));
    assert!(dice > 0.97, "Dice {dice:.4}");
    let [a, b] = [&region, &plain].map(|r| r.measures().median_r2star.unwrap());
    assert!((a / b - 1.0).abs() < 0.01, "{a} and {b}");
}

/// The same at one thread and at four.
#[test]
fn threads_do_not_change_a_voxel() {
    let acquisition = Acquisition::assemble(phantom::scan(&adult()).parts()).unwrap();
    let at = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| region_in(&acquisition))
    };
    let (one, four) = (at(1), at(4));
    assert_eq!(measured(&one), measured(&four));
    assert_eq!(one.measures(), four.measures());
}

#[test]
fn noise_alone_is_no_liver() {
    let mut parts = phantom::scan(&adult()).parts();
    let sigma = 10.0;
    for (index, value) in parts.magnitude.iter_mut().enumerate() {
        // Rayleigh by inversion of a Weyl sequence.
        let uniform = ((index as f64 + 1.0) * 0.618_033_988_75).fract().max(1e-9);
        *value = (sigma * (-2.0 * uniform.ln()).sqrt()) as f32;
    }
    let region = region_in(&Acquisition::assemble(parts).unwrap());
    assert!(region.mask().is_none());
    assert!(region.findings().iter().any(|f| f.severity == Severity::Stop && f.code == "region-not-found"));
    insta::assert_snapshot!(
        region.findings()[0].message,
        @"No liver region was found: No trunk is seen in the images. There is no number without a region."
    );
}

/// Twenty-five slices of 160 × 192 voxels with twelve echoes; the limit is ten times the promise, for busy machines.
#[test]
fn a_whole_liver_is_segmented_in_time() {
    let mut recipe = Recipe::default();
    recipe.grid.slices = 25;
    recipe.grid.rows = 160;
    recipe.grid.columns = 192;
    recipe.grid.spacing_mm = 7.0;
    recipe.grid.thickness_mm = 6.0;
    recipe.grid.pixel_mm = [2.0, 2.0];
    let acquisition = Acquisition::assemble(phantom::scan(&recipe).parts()).unwrap();
    let noise = fit::estimate_noise(&acquisition, None);
    let survey = fit::survey(&acquisition, &noise);
    let start = std::time::Instant::now();
    let region = roi::find(&acquisition, &survey, &noise, &Default::default());
    let seconds = start.elapsed().as_secs_f64();
    println!("25 slices of 160 × 192: {seconds:.2} s");
    assert!(region.mask().is_some());
}
