//! The digital phantom behind `simulate`, `demo` and the tests: an abdomen, a scanner, and what goes wrong.
//! Never imports `fit`: one mistake must not sit on both sides of a test.
//!
//! A [`Recipe`] says who is scanned and how; [`scan`] computes the images and the [`Truth`]. Computing is pure and
//! gives the same numbers at any thread count.

mod anatomy;
mod encode;
mod fourier;
mod header;
mod motion;
mod population;
mod random;
mod recipe;
mod recipe_check;
mod recipe_defaults;
mod scan;
mod scene;
mod shipped;
mod tissue;
mod trunk;
mod vessels;
mod write;
mod write_classic;
mod write_enhanced;

pub use population::population;
pub use recipe::{
    Artefacts, Body, Components, Export, Format, Gain, GridRecipe, Liver, Motion, Omission, PatientRecipe, Pattern,
    Receive, Recipe, Resection, SequenceRecipe,
};
pub use recipe_check::RecipeError;
pub use scan::{Scan, Truth, scan};
pub use scene::{FAT_PEAKS, fat_signal};
pub use shipped::{SHIPPED, shipped};
pub use tissue::{Properties, Tissue};
pub use write::write;

/// The middle value: of an even number, the lower of the two in the middle. 0 for none.
fn median(mut values: Vec<f64>) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = (values.len() - 1) / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}
