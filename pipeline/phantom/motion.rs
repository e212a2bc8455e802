//! Where the organs are while each line of k-space is acquired.
//!
//! All echoes of a train see the same place. Lines are acquired in linear order, one in each repetition time;
//! the slices of a breath-hold share the repetition time.

use super::random::{Stream, key, mix};
use super::recipe::{Motion, Pattern, Recipe};

/// Displacement of the organs towards the feet, mm, for each phase-encoding line and average of one slice and echo.
pub struct Track {
    /// One displacement for each average and line: `average · lines + line`.
    pub displacements: Vec<f64>,
    lines: usize,
}

impl Track {
    /// The track of one slice and echo.
    pub fn new(recipe: &Recipe, motion: &Motion, slice: usize, echo: usize, lines: usize) -> Self {
        let repetition = recipe.sequence.repetition_time_ms / 1000.0;
        let averages = recipe.sequence.averages.max(1) as usize;
        let total = repetition * (lines * averages) as f64;
        let displacement = |index: usize| {
            let time = (index as f64 + slice as f64 / recipe.grid.slices as f64) * repetition;
            motion.displacement_mm * place(recipe, motion, slice, echo, time, total)
        };
        Self { displacements: (0..lines * averages).map(displacement).collect(), lines }
    }

    /// Whether the organs hold still, and where.
    pub fn constant(&self) -> Option<f64> {
        let first = self.displacements.first().copied().unwrap_or(0.0);
        self.displacements.iter().all(|&d| d == first).then_some(first)
    }

    /// Evenly spaced places that the track lies between, at most two millimetres apart.
    pub fn stations(&self) -> Vec<f64> {
        let low = self.displacements.iter().copied().fold(f64::INFINITY, f64::min);
        let high = self.displacements.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let steps = ((high - low) / 2.0).ceil().max(1.0);
        (0..=steps as usize).map(|i| low + (high - low) * i as f64 / steps).collect()
    }

    /// How much each station contributes to each line, the averages together: stations × lines.
    pub fn weights(&self, stations: &[f64]) -> Vec<Vec<f64>> {
        let mut weights = vec![vec![0.0; self.lines]; stations.len()];
        let averages = self.displacements.len() / self.lines.max(1);
        let (low, step) = match stations {
            [first, second, ..] => (*first, second - first),
            _ => return weights,
        };
        for (index, displacement) in self.displacements.iter().enumerate() {
            let along = ((displacement - low) / step).clamp(0.0, (stations.len() - 1) as f64);
            let lower = (along.floor() as usize).min(stations.len() - 2);
            let share = along - lower as f64;
            weights[lower][index % self.lines] += (1.0 - share) / averages as f64;
            weights[lower + 1][index % self.lines] += share / averages as f64;
        }
        weights
    }
}

/// Displacement as a fraction of the greatest, at a time in seconds after the start of a scan of this length.
fn place(recipe: &Recipe, motion: &Motion, slice: usize, echo: usize, time: f64, total: f64) -> f64 {
    let mut draw = Stream::new(recipe.seed, &[8, slice as u64]);
    match motion.pattern {
        // Organs rest at the end of expiration and dip at inspiration: cos⁴ (Lujan et al., Med Phys 1999,
        // doi:10.1118/1.598577). No two breaths are equally deep.
        Pattern::Breathing => {
            let breaths = time / motion.period_s + Stream::new(recipe.seed, &[9]).uniform();
            let depth = mix(key(recipe.seed, &[10]).wrapping_add(breaths.floor() as u64));
            let depth = 0.75 + 0.25 * (depth >> 11) as f64 / (1u64 << 53) as f64;
            let cosine = libm::cos(std::f64::consts::PI * (breaths - breaths.floor() - 0.5));
            depth * cosine * cosine * cosine * cosine
        }
        // A jolt near the middle of the scan, after which the organs come to rest elsewhere.
        Pattern::Cough => {
            let middle = Stream::new(recipe.seed, &[11]).between(0.40, 0.60) * total;
            let since = (time - middle) / motion.period_s;
            match since {
                s if s < -0.5 => 0.0,
                s if s > 0.5 => 0.4,
                s => {
                    let sine = libm::sin(std::f64::consts::PI * (s + 0.5));
                    (sine * sine).max(if s > 0.0 { 0.4 } else { 0.0 })
                }
            }
        }
        Pattern::BetweenSlices => draw.uniform(),
        Pattern::BetweenEchoes => (echo % 2) as f64,
    }
}
