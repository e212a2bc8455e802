//! Reading a recipe, and refusing one that no scan can have.

use super::recipe::{Components, Recipe};

/// A recipe that cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RecipeError {
    /// Not YAML, an unknown key or a wrong type.
    #[error("{name}: {message}")]
    Syntax {
        /// The recipe's file.
        name: String,
        /// What the parser says, with line and column.
        message: String,
    },
    /// A value that no scan can have.
    #[error("{name}: {key} is {found}; it must be {expected}")]
    Value {
        /// The recipe's file.
        name: String,
        /// The key.
        key: &'static str,
        /// What it is.
        found: String,
        /// What it may be.
        expected: &'static str,
    },
}

impl Recipe {
    /// Reads and checks a recipe; `name` is for messages.
    pub fn from_yaml(name: &str, text: &str) -> Result<Self, RecipeError> {
        let recipe: Self = serde_yaml::from_str(text)
            .map_err(|error| RecipeError::Syntax { name: name.to_owned(), message: error.to_string() })?;
        recipe.check(name)?;
        Ok(recipe)
    }

    /// Whether every value can be simulated; `name` is for messages.
    pub fn check(&self, name: &str) -> Result<(), RecipeError> {
        let between = |key, value: f64, low: f64, high: f64, expected| {
            let fits = value >= low && value <= high;
            let error = || RecipeError::Value { name: name.to_owned(), key, found: value.to_string(), expected };
            if fits { Ok(()) } else { Err(error()) }
        };
        between("field_strength_t", self.field_strength_t, 0.5, 7.0, "between 0.5 and 7")?;
        between("body.half_width_mm", self.body.half_width_mm, 60.0, 300.0, "between 60 and 300")?;
        between("body.half_depth_mm", self.body.half_depth_mm, 40.0, 250.0, "between 40 and 250")?;
        between("body.liver_height_mm", self.body.liver_height_mm, 50.0, 300.0, "between 50 and 300")?;
        between("body.fat_mm", self.body.fat_mm, 0.0, 0.5 * self.body.half_depth_mm, "at most half the half depth")?;
        between("body.spleen", self.body.spleen, 0.3, 3.0, "between 0.3 and 3")?;
        between("body.left_lobe", self.body.left_lobe, 0.0, 1.0, "between 0 and 1")?;
        between("liver.r2star", self.liver.r2star, 5.0, 5000.0, "between 5 and 5000")?;
        between("liver.heterogeneity", self.liver.heterogeneity, 0.0, 0.4, "between 0 and 0.4")?;
        between("liver.fat_fraction", self.liver.fat_fraction, 0.0, 0.9, "between 0 and 0.9")?;
        between("grid.slices", self.grid.slices as f64, 1.0, 256.0, "between 1 and 256")?;
        between("grid.rows", self.grid.rows as f64, 8.0, 1024.0, "between 8 and 1024")?;
        between("grid.columns", self.grid.columns as f64, 8.0, 1024.0, "between 8 and 1024")?;
        between("grid.pixel_mm", self.grid.pixel_mm[0].min(self.grid.pixel_mm[1]), 0.2, 20.0, "between 0.2 and 20")?;
        between("grid.thickness_mm", self.grid.thickness_mm, 0.5, 50.0, "between 0.5 and 50")?;
        between("grid.spacing_mm", self.grid.spacing_mm, 0.5, 100.0, "between 0.5 and 100")?;
        between("receive.snr", self.receive.snr, 1.0, 1e6, "between 1 and a million")?;
        between("receive.channels", f64::from(self.receive.channels), 1.0, 128.0, "between 1 and 128")?;
        between("receive.shading", self.receive.shading, 0.0, 1.0, "between 0 and 1")?;
        between("receive.amplification", self.receive.amplification, 0.0, 4.0, "between 0 and 4")?;
        between("export.bits", f64::from(self.export.bits), 8.0, 16.0, "12 or 16")?;
        let times = self.echo_times_ms();
        let rising = times.windows(2).all(|pair| pair[0] < pair[1]);
        if times.len() < 2 || !rising || times.iter().any(|t| !(*t > 0.0 && *t < 1000.0)) {
            return Err(RecipeError::Value {
                name: name.to_owned(),
                key: "sequence",
                found: format!("echo times {times:?} ms"),
                expected: "at least two positive, increasing echo times",
            });
        }
        if self.receive.channels > 1 && self.export.components != Components::Magnitude {
            return Err(RecipeError::Value {
                name: name.to_owned(),
                key: "receive.channels",
                found: self.receive.channels.to_string(),
                expected: "1 where phase, real or imaginary images are written (a root of sum of squares has none)",
            });
        }
        Ok(())
    }

    /// Echo times in ms.
    pub fn echo_times_ms(&self) -> Vec<f64> {
        let sequence = &self.sequence;
        if sequence.echo_times_ms.is_empty() {
            // Rounded to the nanosecond, so that 0.9 + 2 · 0.9 is written 2.7.
            let time = |echo: usize| sequence.first_echo_ms + echo as f64 * sequence.echo_spacing_ms;
            (0..sequence.echoes).map(|echo| (time(echo) * 1e6).round() / 1e6).collect()
        } else {
            sequence.echo_times_ms.clone()
        }
    }

    /// Seed of the shapes.
    pub fn shape_seed(&self) -> u64 {
        self.body.seed.unwrap_or(self.seed)
    }
}
