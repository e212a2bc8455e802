//! The liver region against the phantom's truth.

use siderolog::fit;
use siderolog::phantom::{self, Recipe};
use siderolog::roi::{self, Region};
use siderolog::study::Acquisition;

/// A phantom, its acquisition and the region found in it.
pub struct Found {
    pub truth: phantom::Truth,
    pub acquisition: Acquisition,
    pub region: Region,
}

/// Scans a recipe and finds the liver as the service does.
pub fn find(recipe: &Recipe) -> Found {
    let scan = phantom::scan(recipe);
    let truth = scan.truth().clone();
    let acquisition = Acquisition::assemble(scan.parts()).unwrap();
    let noise = fit::estimate_noise(&acquisition, None);
    let survey = fit::survey(&acquisition, &noise);
    let region = roi::find(&acquisition, &survey, &noise, &Default::default());
    Found { truth, acquisition, region }
}

#[test]
fn the_liver_is_found_at_every_iron_load() {
    for (field, r2star) in [(1.5, 30.0), (1.5, 120.0), (1.5, 1000.0), (3.0, 60.0), (3.0, 500.0)] {
        let mut recipe = Recipe { field_strength_t: field, ..Recipe::default() };
        recipe.liver.r2star = r2star;
        recipe.grid.slices = 3;
        let found = find(&recipe);
        let mask =
            found.region.mask().unwrap_or_else(|| panic!("{field} T, {r2star}/s: {:?}", found.region.findings()));
        let dice = roi::dice(mask.voxels(), &found.truth.parenchyma);
        let outside = mask.indices().filter(|&k| !found.truth.organ[k]).count() as f64 / mask.count() as f64;
        assert!(dice > 0.80, "{field} T, {r2star}/s: Dice {dice:.3}");
        assert!(outside < 0.05, "{field} T, {r2star}/s: {outside:.3} outside");
        assert_eq!(mask.voxels().len(), found.acquisition.grid().voxels());
    }
}
