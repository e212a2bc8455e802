//! The known algorithms against the answers of scikit-image and scipy on one input, as
//! `tests/outside/roi_algorithms.py` keeps and checks them.

use super::confidence::split;
use super::lattice::Lattice;
use super::sets::{Reach, components, dilate, fill_holes};
use super::smooth::distance;
use serde::Deserialize;

#[derive(Deserialize)]
struct Answers {
    shape: [usize; 3],
    spacing: [f64; 3],
    set: Vec<u8>,
    pieces_in_planes: Vec<u32>,
    pieces_in_space: Vec<u32>,
    filled: Vec<u8>,
    distance_in_planes: Vec<f32>,
    distance_in_space: Vec<f32>,
    reach_mm: f64,
    grown: Vec<u8>,
    values: Vec<f64>,
    share_of_best_split: f64,
}

#[test]
fn known_algorithms_answer_as_others_do() {
    let text = include_str!("../../fixtures/roi-algorithms.json");
    let known: Answers = serde_json::from_str(text).expect("the file is as it was written");
    let lattice = Lattice { shape: known.shape, spacing: known.spacing };
    let flags = |bytes: &[u8]| bytes.iter().map(|&b| b == 1).collect::<Vec<bool>>();
    let set = flags(&known.set);
    assert_eq!(components(&lattice, &set, Reach::Plane).0, known.pieces_in_planes);
    assert_eq!(components(&lattice, &set, Reach::Space).0, known.pieces_in_space);
    assert_eq!(fill_holes(&lattice, &set), flags(&known.filled));
    assert_eq!(dilate(&lattice, &set, known.reach_mm), flags(&known.grown));
    for (reach, wanted) in [(Reach::Plane, &known.distance_in_planes), (Reach::Space, &known.distance_in_space)] {
        for (found, wanted) in distance(&lattice, &set, reach).iter().zip(wanted) {
            assert!((found - wanted).abs() < 1e-4, "{found} and {wanted}");
        }
    }
    // Theirs chooses among bins, ours among all values.
    let share = split(&known.values).expect("enough values");
    assert!((share - known.share_of_best_split).abs() < 2e-3, "{share} and {}", known.share_of_best_split);
}
