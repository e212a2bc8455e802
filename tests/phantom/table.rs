//! The shipped recipes and the table of expected results.

use serde::Deserialize;
use siderolog::phantom::{Recipe, SHIPPED, population, scan, shipped};

/// How a row is judged; the table explains it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Judged {
    Full,
    IfClear,
    None,
}

/// One row of `fixtures/expected.yaml`; the columns are explained at its top.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Row {
    pub recipe: String,
    pub r2star: f64,
    pub snr: Option<f64>,
    #[serde(default)]
    pub verdict: Vec<String>,
    #[serde(default)]
    pub position: Vec<String>,
    #[serde(default)]
    pub room: Vec<String>,
    pub judged: Judged,
    #[serde(default = "one")]
    pub acquisitions: usize,
    pub known: Option<String>,
}

fn one() -> usize {
    1
}

impl Row {
    /// The recipe with this row's iron load and noise.
    pub fn study(&self) -> Recipe {
        let mut recipe = shipped(&self.recipe).expect("a shipped recipe").expect("a valid recipe");
        recipe.liver.r2star = self.r2star;
        recipe.receive.snr = self.snr.unwrap_or(recipe.receive.snr);
        recipe
    }
}

/// Every row.
pub fn rows() -> Vec<Row> {
    serde_yaml::from_str(include_str!("../../fixtures/expected.yaml")).unwrap()
}

#[test]
fn every_shipped_recipe_is_valid_expected_and_used() {
    let rows = rows();
    for (name, text) in SHIPPED {
        Recipe::from_yaml(name, text).unwrap();
        assert!(rows.iter().any(|row| row.recipe == *name), "{name} has no row in expected.yaml");
        assert!(
            std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("fixtures/recipes/{name}.yaml")).exists()
        );
    }
    let files = std::fs::read_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/fixtures/recipes")).unwrap().count();
    assert_eq!(files, SHIPPED.len(), "a recipe in fixtures/recipes is not in the program");
    for row in rows {
        row.study().check(&row.recipe).unwrap();
        for word in &row.verdict {
            assert!(["clear", "review", "refused"].contains(&word.as_str()), "{word}");
        }
        for word in &row.position {
            assert!(["inside", "above", "below"].contains(&word.as_str()), "{word}");
        }
        for word in &row.room {
            assert!(["may-leave", "repeat-now", "do-not-repeat", "waiting"].contains(&word.as_str()), "{word}");
        }
        assert!(row.known.as_ref().is_none_or(|why| !why.is_empty()), "{}: a reason", row.recipe);
        assert!(row.acquisitions > 0 && [Judged::Full, Judged::IfClear, Judged::None].contains(&row.judged));
    }
}

#[test]
fn every_shipped_body_shows_its_liver() {
    for (name, text) in SHIPPED.iter().filter(|(name, _)| *name != "full-study") {
        let mut recipe = Recipe::from_yaml(name, text).unwrap();
        // The shape is what counts here.
        recipe.sequence.echoes = 2;
        recipe.artefacts = Default::default();
        let scan = scan(&recipe);
        let truth = scan.truth();
        let ml = truth.parenchyma.iter().filter(|&&p| p).count() as f64 * scan.grid().voxel_ml().unwrap();
        let slices = recipe.grid.slices as f64;
        assert!(ml > 15.0 * slices, "{name}: {ml:.0} ml of parenchyma in {slices} slices");
        assert!((truth.median_r2star / recipe.liver.r2star - 1.0).abs() < 0.01, "{name}");
    }
}

#[test]
fn a_population_is_valid_various_and_repeatable() {
    let (one, other) = (population(1, 60), population(2, 60));
    assert_eq!(one, population(1, 60));
    assert!(one.iter().zip(&other).all(|(a, b)| a != b));
    for recipe in one.iter().chain(&other) {
        recipe.check("population").unwrap();
    }
    let spread = |value: &dyn Fn(&Recipe) -> f64| {
        let values = one.iter().map(value);
        (values.clone().fold(f64::INFINITY, f64::min), values.fold(0.0, f64::max))
    };
    let (low, high) = spread(&|r| r.liver.r2star);
    assert!(low < 40.0 && high > 1500.0, "R2* from {low} to {high}");
    let (low, high) = spread(&|r| r.receive.snr);
    assert!(low < 15.0 && high > 80.0, "signal-to-noise from {low} to {high}");
    let (low, high) = spread(&|r| r.grid.slices as f64);
    assert!(low == 1.0 && high >= 20.0, "slices from {low} to {high}");
    assert!(spread(&|r| r.liver.fat_fraction).1 > 0.3);
    assert!(one.iter().any(|r| r.body.half_width_mm < 100.0) && one.iter().any(|r| r.body.half_width_mm > 200.0));
}

#[test]
fn a_broken_recipe_says_where() {
    let said = |text: &str| Recipe::from_yaml("x.yaml", text).unwrap_err().to_string();
    let unknown = said("liver: {r2sta: 5}");
    assert!(unknown.starts_with("x.yaml: ") && unknown.contains("r2sta"), "{unknown}");
    assert_eq!(said("liver: {r2star: 1}"), "x.yaml: liver.r2star is 1; it must be between 5 and 5000");
    assert_eq!(
        said("sequence: {echo_times_ms: [2, 1]}"),
        "x.yaml: sequence is echo times [2.0, 1.0] ms; it must be at least two positive, increasing echo times"
    );
}
