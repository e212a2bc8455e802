//! The population that nothing was tuned on: twelve abdomens in the suite; all of them, with the table
//! `docs/evidence/region-population.md`, where `SIDEROLOG_EVIDENCE` is set.

use super::{find, scores};
use siderolog::phantom::{self, Recipe};
use siderolog::study::Verdict;
use std::fmt::Write as _;

/// What became of one abdomen.
struct Abdomen {
    dice: f64,
    outside: f64,
    error: f64,
    /// Whether the truth lies inside what the echoes and the noise can measure.
    within: bool,
    verdict: Verdict,
    row: String,
}

fn abdomen(index: usize, recipe: &Recipe) -> Abdomen {
    let found = find(recipe);
    let [dice, outside, error] = scores(&found);
    let verdict = Verdict::of(found.region.findings());
    // Twice the signal's decay between excitation and first echo is about as much as can be measured, less with noise.
    let reach = 1.3e3 / recipe.echo_times_ms()[0] * (recipe.receive.snr / 40.0).clamp(0.3, 1.0);
    let within = recipe.liver.r2star <= reach;
    let codes: Vec<&str> = found.region.findings().iter().map(|f| f.code.as_ref()).collect();
    let row = format!(
        "| {index} | {:.1} | {:.0} | {:.0} | {:.0} | {}{}{} | {dice:.3} | {:.1} | {:+.1} | {} | {} |",
        recipe.field_strength_t,
        recipe.liver.r2star,
        recipe.receive.snr,
        100.0 * recipe.liver.fat_fraction,
        recipe.grid.slices,
        if recipe.body.situs_inversus { ", mirrored" } else { "" },
        if within { "" } else { ", beyond range" },
        100.0 * outside,
        100.0 * error,
        verdict.word(),
        codes.join(", ")
    );
    Abdomen { dice, outside, error: error.abs(), within, verdict, row }
}

#[test]
fn an_unseen_population_is_segmented() {
    let wide = std::env::var_os("SIDEROLOG_EVIDENCE").is_some();
    let recipes = phantom::population(61_803, if wide { 80 } else { 12 });
    let abdomens: Vec<Abdomen> = recipes.iter().enumerate().map(|(index, recipe)| abdomen(index, recipe)).collect();
    let within: Vec<&Abdomen> = abdomens.iter().filter(|a| a.within).collect();
    let middle = |value: &dyn Fn(&Abdomen) -> f64| {
        let mut column: Vec<f64> = within.iter().map(|a| value(a)).collect();
        column.sort_by(f64::total_cmp);
        column[column.len() / 2]
    };
    let share = |good: &dyn Fn(&Abdomen) -> bool| within.iter().filter(|a| good(a)).count();
    let (dice, outside) = (middle(&|a| a.dice), middle(&|a| a.outside));
    let (above, close) = (share(&|a| a.dice >= 0.8), share(&|a| a.error < 0.02));
    let percent = |count: usize| 100.0 * count as f64 / within.len() as f64;
    let summary = format!(
        "{} abdomens within range: median Dice {dice:.3}, at least 0.80 in {:.1} %, median outside the liver {:.2} %, \
         median R2* within 2 % of the truth in {:.1} %.",
        within.len(),
        percent(above),
        100.0 * outside,
        percent(close)
    );
    println!("{summary}");
    if wide {
        write_table(&summary, &abdomens);
    }
    for (index, a) in abdomens.iter().enumerate().filter(|(_, a)| a.within) {
        assert!(a.dice >= 0.7 || a.verdict != Verdict::Clear, "abdomen {index}: Dice {:.3} and clear", a.dice);
    }
    assert!(dice >= 0.90 && outside < 0.02, "{summary}");
    // Promised and not met: Dice of at least 0.80, and R2* within 2 %, in 95 of 100. One in twenty may fail; of a few, one.
    // Like a `known` row of the table of recipes: said aloud, held where it is now, and to be taken off once it is met.
    let failing = (within.len() / 20).max(1);
    let met = above + failing >= within.len() && close + failing >= within.len();
    println!("KNOWN SHORTFALL: {summary}");
    assert!(!met, "met now: hold it, and take the shortfall off ({summary})");
    assert!(percent(above) >= 70.0 && percent(close) >= 85.0, "worse than it was: {summary}");
}

fn write_table(summary: &str, abdomens: &[Abdomen]) {
    let mut text = format!(
        "# The region in abdomens that nothing was tuned on\n\n\
         Simulated abdomens of `phantom::population(61_803, {})`. Dice of the measured region with the true parenchyma, \
         share of the region outside the liver, error of the true median R2* in the region against that in the true \
         parenchyma, verdict and findings of the region alone. Beyond range: the first echo comes too late for this \
         R2* and noise.\n\n{summary}\n\n\
         | no. | T | R2* 1/s | SNR | fat % | slices | Dice | outside % | median % | verdict | findings |\n\
         |---|---|---|---|---|---|---|---|---|---|---|\n",
        abdomens.len()
    );
    for abdomen in abdomens {
        writeln!(text, "{}", abdomen.row).unwrap();
    }
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/evidence");
    std::fs::create_dir_all(&folder).unwrap();
    std::fs::write(folder.join("region-population.md"), text).unwrap();
}
