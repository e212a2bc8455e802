//! What holds of a patient who lies still.

use siderolog::phantom::{Recipe, scan};
use siderolog::study::Acquisition;

fn small() -> Recipe {
    let mut recipe = Recipe::default();
    recipe.grid.slices = 2;
    recipe
}

#[test]
fn the_same_recipe_gives_the_same_bits_at_any_thread_count() {
    let recipe = small();
    let run = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| scan(&recipe).parts().magnitude)
    };
    assert_eq!(run(1), run(3));
}

#[test]
fn the_parts_make_an_acquisition() {
    let scan = scan(&small());
    let acquisition = Acquisition::assemble(scan.parts()).unwrap();
    assert_eq!(acquisition.echo_times().len(), 12);
    assert!(acquisition.findings().is_empty());
}

/// The definition of signal-to-noise: median S0 of the parenchyma over σ; and the median R2* is the recipe's.
#[test]
fn the_liver_has_the_r2star_and_signal_that_were_asked_for() {
    let mut recipe = small();
    recipe.receive.snr = 80.0;
    recipe.liver.r2star = 200.0;
    recipe.liver.fat_fraction = 0.0;
    recipe.receive.field_disturbance = false;
    let scan = scan(&recipe);
    let (truth, parts) = (scan.truth(), scan.parts());
    let voxels: Vec<usize> = (0..truth.parenchyma.len()).filter(|&i| truth.parenchyma[i]).collect();
    assert!(voxels.len() > 2000, "{} voxels of parenchyma", voxels.len());
    assert!((truth.median_r2star / 200.0 - 1.0).abs() < 1e-4, "{}", truth.median_r2star);
    let mut at_zero: Vec<f64> = voxels
        .iter()
        .map(|&i| f64::from(parts.magnitude[[0, i]]) * (f64::from(truth.r2star[i]) * 0.9e-3).exp())
        .collect();
    at_zero.sort_by(f64::total_cmp);
    let ratio = at_zero[at_zero.len() / 2] / truth.sigma;
    // Voxels a quarter of which is something else move the median a little.
    assert!((ratio / 80.0 - 1.0).abs() < 0.01, "{ratio}");
}

/// In air the magnitude of N channels has mean square 2Nσ² (Constantinides 1997, doi:10.1002/mrm.1910380524).
#[test]
fn noise_in_air_has_the_power_of_its_channels() {
    for channels in [1, 8] {
        let mut recipe = small();
        recipe.receive.channels = channels;
        let scan = scan(&recipe);
        let (truth, parts) = (scan.truth(), scan.parts());
        let corner: Vec<f64> = (0..20)
            .flat_map(|row| (0..20).map(move |column| (row, column)))
            .flat_map(|(row, column)| (0..12).map(move |echo| (row, column, echo)))
            .map(|(row, column, echo)| f64::from(parts.magnitude[[echo, scan.grid().index(0, row, column)]]))
            .collect();
        assert_eq!(truth.labels[scan.grid().index(0, 19, 19)], 0, "the corner is air");
        let power = corner.iter().map(|x| x * x).sum::<f64>() / corner.len() as f64;
        let expected = 2.0 * f64::from(channels) * truth.sigma * truth.sigma;
        assert!((power / expected - 1.0).abs() < 0.06, "{channels}: {power} for {expected}");
    }
}
