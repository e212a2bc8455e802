//! What goes wrong, and what then is seen.

use siderolog::phantom::{Artefacts, Gain, Motion, Pattern, Recipe, Scan, scan};

fn recipe() -> Recipe {
    let mut recipe = Recipe::default();
    (recipe.grid.slices, recipe.grid.rows, recipe.grid.columns) = (2, 80, 100);
    recipe.grid.pixel_mm = [3.8, 3.8];
    recipe.sequence.echoes = 4;
    recipe.receive.snr = 100.0;
    recipe
}

fn with(artefacts: Artefacts) -> Scan {
    scan(&Recipe { artefacts, ..recipe() })
}

/// Mean magnitude in air in units of σ: in front of and behind the body, and beside it.
fn air(scan: &Scan) -> (f64, f64) {
    let (parts, grid, sigma) = (scan.parts(), scan.grid(), scan.truth().sigma);
    let mean = |inside: &dyn Fn(usize, usize) -> bool| {
        let mut values = Vec::new();
        for row in 0..grid.rows() {
            for column in 0..grid.columns() {
                let index = grid.index(0, row, column);
                if scan.truth().labels[index] == 0 && inside(row, column) {
                    values.push(f64::from(parts.magnitude[[0, index]]));
                }
            }
        }
        values.iter().sum::<f64>() / values.len() as f64 / sigma
    };
    (
        mean(&|row, column| row < 8 && (20..80).contains(&column)),
        mean(&|row, column| column < 4 && (10..70).contains(&row)),
    )
}

fn motion(pattern: Pattern, displacement_mm: f64) -> Artefacts {
    Artefacts { motion: Some(Motion { pattern, displacement_mm, period_s: 3.5 }), ..Artefacts::default() }
}

#[test]
fn breathing_sends_ghosts_along_phase_encoding_only() {
    let (still, moved) = (air(&with(Artefacts::default())), air(&with(motion(Pattern::Breathing, 15.0))));
    // Rayleigh noise: 1.253 σ.
    assert!((still.0 - 1.253).abs() < 0.1, "{still:?}");
    assert!(moved.0 > 1.5 * still.0, "ghosts in front of the body: {moved:?}");
    assert!((moved.1 - still.1).abs() < 0.15, "none beside it: {moved:?}");
}

#[test]
fn no_displacement_is_no_motion() {
    let still = with(Artefacts::default()).parts().magnitude;
    let moved = with(motion(Pattern::Breathing, 0.0)).parts().magnitude;
    assert_eq!(still, moved);
}

#[test]
fn slices_and_echoes_shift_where_they_are_acquired_apart() {
    let still = with(Artefacts::default());
    let shifted = with(motion(Pattern::BetweenEchoes, 15.0));
    let difference = |echo: usize| {
        let (a, b) = (still.parts().magnitude, shifted.parts().magnitude);
        a.row(echo).iter().zip(b.row(echo)).map(|(x, y)| f64::from((x - y).abs())).sum::<f64>()
    };
    assert!(difference(0) < 0.02 * difference(1), "{} {}", difference(0), difference(1));
    let apart = with(motion(Pattern::BetweenSlices, 15.0));
    assert!(air(&apart).0 < 1.4, "a slice held still has no ghosts");
}

#[test]
fn cough_disturbs_all_echoes_alike() {
    let (still, cough) = (with(Artefacts::default()), with(motion(Pattern::Cough, 15.0)));
    let ghosts: Vec<f64> = (0..4)
        .map(|echo| {
            let total =
                |s: &Scan| -> f64 { s.parts().magnitude.row(echo).iter().take(8 * 100).map(|&x| f64::from(x)).sum() };
            total(&cough) / total(&still)
        })
        .collect();
    assert!(ghosts.iter().all(|&g| g > 1.1), "{ghosts:?}");
}

#[test]
fn gain_saturation_background_and_fold_over() {
    let still = with(Artefacts::default()).parts();
    let gained = with(Artefacts { gains: vec![Gain { echo: 3, factor: 0.5 }], ..Artefacts::default() }).parts();
    let ratio = |echo: usize| gained.magnitude.row(echo).sum() / still.magnitude.row(echo).sum();
    assert!((ratio(2) - 0.5).abs() < 0.01 && (ratio(1) - 1.0).abs() < 0.01);
    let saturated = with(Artefacts { saturation: 0.5, ..Artefacts::default() }).parts();
    assert!(saturated.flaws.iter().filter(|&&f| f != 0).count() > 100);
    assert!(still.flaws.iter().all(|&f| f == 0));
    let zeroed = with(Artefacts { zeroed_background: true, ..Artefacts::default() });
    assert_eq!(zeroed.parts().magnitude[[0, 0]], 0.0);
    let mut narrow = recipe();
    narrow.grid.rows = 48;
    assert!(air(&scan(&narrow)).0 > 3.0 * 1.253, "the back folds onto the front");
}
