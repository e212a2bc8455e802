//! The half in Rust of the comparison with scipy (`tests/outside/fit_scipy.py`): fits what lies in the folder that
//! `SIDEROLOG_FIT_JOBS` names and times it on one thread.

use ndarray::Array2;
use siderolog::fit::{Model, ModelSettings, Sigma, fit, moments};
use siderolog::study::ModelKind;
use std::path::Path;
use std::time::Instant;

fn floats(path: &Path) -> Vec<f32> {
    std::fs::read(path).unwrap().chunks_exact(4).map(|b| f32::from_le_bytes(b.try_into().unwrap())).collect()
}

/// Each `NAME.txt` holds: model, field strength, coil elements, echo times in seconds; `NAME.f32` the samples over σ.
#[test]
fn jobs_of_the_outside_comparison() {
    let Some(folder) = std::env::var_os("SIDEROLOG_FIT_JOBS") else {
        println!("SKIPPED: run by tests/outside/fit_scipy.py");
        return;
    };
    // `moments.grid`: pairs of a true signal over σ and a number of coil elements; `moments.found` gets mean and variance.
    if let Ok(grid) = std::fs::read_to_string(Path::new(&folder).join("moments.grid")) {
        let numbers: Vec<f64> = grid.split_whitespace().map(|word| word.parse().unwrap()).collect();
        let found: Vec<u8> = numbers
            .chunks_exact(2)
            .map(|pair| moments(pair[0], pair[1]))
            .flat_map(|(mean, variance)| [mean.to_le_bytes(), variance.to_le_bytes()].concat())
            .collect();
        std::fs::write(Path::new(&folder).join("moments.found"), found).unwrap();
    }
    let mut jobs: Vec<_> = std::fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    jobs.retain(|path| path.extension().is_some_and(|e| e == "txt"));
    assert!(!jobs.is_empty());
    for job in jobs {
        let text = std::fs::read_to_string(&job).unwrap();
        let words: Vec<&str> = text.split_whitespace().collect();
        let kind = ModelKind::ALL.into_iter().find(|kind| kind.word() == words[0]).unwrap();
        let numbers: Vec<f64> = words[1..].iter().map(|word| word.parse().unwrap()).collect();
        let (field, coils, times) = (numbers[0], numbers[1], &numbers[2..]);
        let values = floats(&job.with_extension("f32"));
        let samples = Array2::from_shape_vec((times.len(), values.len() / times.len()), values).unwrap();
        let settings = ModelSettings { field_strength: Some(field), ..ModelSettings::default() };
        let model = Model::new(kind, times, &settings).unwrap();
        let on = |threads: usize| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            let start = Instant::now();
            let maps = pool.install(|| fit(&model, samples.view(), Sigma::Uniform(1.0), coils));
            (maps, start.elapsed().as_secs_f64())
        };
        // The best of three: the machine may be busy with something else.
        let runs: Vec<_> = (0..3).map(|_| on(1)).collect();
        let fastest = runs.iter().map(|(_, time)| *time).fold(f64::INFINITY, f64::min);
        let two = (0..3).map(|_| on(2).1).fold(f64::INFINITY, f64::min);
        let maps = &runs[0].0;
        let mut out = Vec::new();
        for map in [&maps.r2star, &maps.standard_error, &maps.fat_fraction] {
            out.extend(map.iter().flat_map(|x| x.to_le_bytes()));
        }
        std::fs::write(job.with_extension("fitted"), out).unwrap();
        std::fs::write(job.with_extension("time"), format!("{fastest} {two}")).unwrap();
    }
}
