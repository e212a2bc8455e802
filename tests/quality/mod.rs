//! Tests of the quality room, on the digital phantom with its true regions.

mod measures;
mod motion;

use siderolog::fit::{Noise, Survey, first_look};
use siderolog::phantom::{Recipe, Scan, scan};
use siderolog::protocol::ImageMeasures;
use siderolog::quality::measure_inside;
use siderolog::study::Acquisition;

/// A simulated acquisition with what the earlier stages know of it.
pub struct Case {
    pub scan: Scan,
    pub acquisition: Acquisition,
    pub noise: Noise,
    pub survey: Survey,
}

pub fn recipe(yaml: &str) -> Recipe {
    Recipe::from_yaml("test", yaml).unwrap_or_else(|e| panic!("{e}"))
}

pub fn case(recipe: &Recipe) -> Case {
    let scan = scan(recipe);
    let acquisition = Acquisition::assemble(scan.parts()).unwrap();
    let (noise, survey) = first_look(&acquisition, Some(scan.truth().coil_elements));
    Case { scan, acquisition, noise, survey }
}

impl Case {
    pub fn measures(&self) -> ImageMeasures {
        let truth = self.scan.truth();
        measure_inside(&self.acquisition, &self.survey, &self.noise, &truth.parenchyma, &truth.organ)
    }

    /// Median of the survey's R2* over the true parenchyma.
    pub fn median_r2star(&self) -> f64 {
        let truth = self.scan.truth();
        let mut values: Vec<f32> = self
            .survey
            .r2star
            .iter()
            .zip(&truth.parenchyma)
            .filter(|(v, inside)| **inside && v.is_finite())
            .map(|(v, _)| *v)
            .collect();
        values.sort_by(f32::total_cmp);
        f64::from(values[values.len() / 2])
    }
}
