//! The complex model on a slice whose field wanders by more than the distance between water and fat.

use super::bias::water_fat;
use super::simulate::{Normal, median, train};
use ndarray::Array2;
use siderolog::fit::{Model, ModelSettings, Sigma, State, fit_complex};
use siderolog::study::ModelKind;

const SIDE: usize = 24;

#[test]
fn complex_fits_tell_fat_and_r2star_through_a_wandering_field() {
    let times = train(1.0, 1.0, 12);
    for (field, rate, fat) in [(1.5, 60.0, 0.2), (3.0, 200.0, 0.05), (1.5, 400.0, 0.1)] {
        let mut normal = Normal::new(21);
        let mut images = [Array2::<f32>::zeros((12, SIDE * SIDE)), Array2::<f32>::zeros((12, SIDE * SIDE))];
        for v in 0..SIDE * SIDE {
            // From −120 to +120 Hz across the slice.
            let offset = 240.0 * ((v % SIDE) as f64 / (SIDE - 1) as f64 - 0.5);
            for (e, &t) in times.iter().enumerate() {
                let [re, im] = water_fat(fat, field, t);
                let (sin, cos) = (std::f64::consts::TAU * offset * t + 0.7).sin_cos();
                let size = 60.0 * (-rate * t).exp();
                images[0][[e, v]] = (size * (re * cos - im * sin) + normal.draw()) as f32;
                images[1][[e, v]] = (size * (re * sin + im * cos) + normal.draw()) as f32;
            }
        }
        let settings = ModelSettings { field_strength: Some(field), ..ModelSettings::default() };
        let model = Model::new(ModelKind::Complex, &times, &settings).unwrap();
        let voxels: Vec<usize> = (0..SIDE * SIDE).collect();
        let (real, imaginary) = (images[0].view(), images[1].view());
        let (maps, swaps) = fit_complex(&model, real, imaginary, Sigma::Uniform(1.0), [1, SIDE, SIDE], &voxels);
        let fitted = maps.state.iter().filter(|&&s| s == State::Fitted).count();
        let values = |map: &[f32]| median(map.iter().filter(|x| x.is_finite()).map(|&x| f64::from(x)).collect());
        let (r2star, fraction) = (values(&maps.r2star), values(&maps.fat_fraction));
        println!("{field} T, R2* {rate}, fat {fat}: {r2star:.1} /s, {fraction:.3}, {fitted} fitted");
        assert!(fitted > 560, "{fitted} fitted");
        assert!((r2star / rate - 1.0).abs() < 0.03, "R2* {r2star}");
        assert!((fraction - fat).abs() < 0.03, "fat fraction {fraction}");
        assert!(swaps.iter().filter(|&&s| s).count() < 20);
    }
}
