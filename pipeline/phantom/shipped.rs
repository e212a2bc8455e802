//! The recipes that come with the program.

use super::recipe::Recipe;
use super::recipe_check::RecipeError;

macro_rules! recipes {
    ($($name:literal),* $(,)?) => {
        &[$(($name, include_str!(concat!("../../fixtures/recipes/", $name, ".yaml")))),*]
    };
}

/// Name and text of every recipe in `fixtures/recipes`, sorted by name.
pub const SHIPPED: &[(&str, &str)] = recipes![
    "accelerated",
    "adult-1.5t",
    "adult-3t",
    "ascites",
    "big-spleen",
    "bipolar",
    "cough",
    "eight-channels",
    "enhanced",
    "enhanced-per-echo",
    "fatty-liver",
    "folded",
    "free-breathing",
    "full-study",
    "gain-step",
    "late-first-echo",
    "loaded-child",
    "mirrored",
    "missing-slice",
    "moving-patient",
    "normalised-copy",
    "obese-adult",
    "oblique",
    "real-imaginary",
    "resected",
    "saturated",
    "series-per-echo",
    "shifted-slices",
    "single-slice",
    "small-child",
    "stable-patient",
    "volume-3t",
    "zeroed-background",
];

/// A recipe that comes with the program, by its name without ending; `None` where there is no such recipe.
pub fn shipped(name: &str) -> Option<Result<Recipe, RecipeError>> {
    let (name, text) = SHIPPED.iter().find(|(known, _)| *known == name)?;
    Some(Recipe::from_yaml(&format!("{name}.yaml"), text))
}
