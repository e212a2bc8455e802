//! What the receiver gets of one slice: still, moved line by line, folded over and ghosted.

use super::fourier::{Complex64, Fourier};
use super::motion::Track;
use super::recipe::{Motion, Pattern, Recipe};
use super::scene::{Complex, Displacement, Mixture, Scene};
use crate::study::Grid;

/// One slice of a scene under a recipe.
pub struct Encoder<'a> {
    pub recipe: &'a Recipe,
    pub scene: &'a Scene,
    pub grid: &'a Grid,
    pub echoes: usize,
    pub slice: usize,
}

impl Encoder<'_> {
    /// Noiseless images of the slice, echo × voxel; `resting` is what its voxels hold at rest.
    pub fn images(&self, resting: &[Mixture]) -> Vec<Complex> {
        let mut images = match &self.recipe.artefacts.motion {
            None => self.still(0.0, Some(resting)),
            Some(motion) => self.moved(motion, resting),
        };
        if self.recipe.artefacts.ghost > 0.0 {
            self.add_ghost(&mut images);
        }
        images
    }

    /// With the organs held at one displacement. What lies beyond the field of view along phase encoding folds in.
    fn still(&self, displacement: Displacement, known: Option<&[Mixture]>) -> Vec<Complex> {
        let (columns, voxels) = (self.grid.columns(), self.grid.slice_voxels());
        let mut images: Vec<Complex> = vec![(0.0, 0.0); self.echoes * voxels];
        let along = if self.phase_along_row() { self.grid.along_row() } else { self.grid.along_column() };
        let view = match self.phase_along_row() {
            true => columns as f64 * self.grid.column_spacing().0,
            false => self.grid.rows() as f64 * self.grid.row_spacing().0,
        };
        for voxel in 0..voxels {
            let centre = self.scene.centre(self.slice, voxel / columns, voxel % columns);
            let mixture = known
                .and_then(|mixtures| mixtures.get(voxel).copied())
                .unwrap_or_else(|| self.scene.mixture(centre, displacement));
            self.scene.add(&mut images, voxels, voxel, (centre, &mixture, displacement));
            for fold in [-1.0, 1.0] {
                let beyond = std::array::from_fn(|k| centre[k] + fold * view * along[k]);
                if self.scene.may_hold(beyond) {
                    let mixture = self.scene.mixture(beyond, displacement);
                    self.scene.add(&mut images, voxels, voxel, (beyond, &mixture, displacement));
                }
            }
        }
        images
    }

    fn phase_along_row(&self) -> bool {
        self.recipe.sequence.phase_along_row
    }

    /// Index of the voxel at a line of readout and a place along phase encoding.
    fn voxel(&self, line: usize, place: usize) -> usize {
        if self.phase_along_row() { line * self.grid.columns() + place } else { place * self.grid.columns() + line }
    }

    /// Lines along readout, and voxels along phase encoding.
    fn shape(&self) -> (usize, usize) {
        let (rows, columns) = (self.grid.rows(), self.grid.columns());
        if self.phase_along_row() { (rows, columns) } else { (columns, rows) }
    }

    fn moved(&self, motion: &Motion, resting: &[Mixture]) -> Vec<Complex> {
        let (_, steps) = self.shape();
        let track = Track::new(self.recipe, motion, self.slice, 0, steps);
        if motion.pattern == Pattern::BetweenEchoes {
            return self.interleaved(motion, resting, steps);
        }
        if let Some(displacement) = track.constant() {
            return self.still(displacement, None);
        }
        let stations = track.stations();
        let weights = track.weights(&stations);
        let mut spectra = vec![(0.0, 0.0); self.echoes * self.grid.slice_voxels()];
        for (station, weight) in stations.iter().zip(&weights).filter(|(_, w)| w.iter().any(|&x| x > 0.0)) {
            self.add_lines(&mut spectra, &self.still(*station, None), weight);
        }
        self.reconstructed(&spectra)
    }

    /// Odd and even echoes at two places.
    fn interleaved(&self, motion: &Motion, resting: &[Mixture], steps: usize) -> Vec<Complex> {
        let voxels = self.grid.slice_voxels();
        let mut images = self.still(0.0, Some(resting));
        for echo in 0..self.echoes {
            let track = Track::new(self.recipe, motion, self.slice, echo, steps);
            match track.constant() {
                Some(displacement) if displacement != 0.0 => {
                    let moved = self.still(displacement, None);
                    let range = echo * voxels..(echo + 1) * voxels;
                    images[range.clone()].copy_from_slice(&moved[range]);
                }
                _ => {}
            }
        }
        images
    }

    /// Adds the lines of k-space of `images`, each with its weight. `spectra` is laid out as the images are, with
    /// the frequency in place of the position along phase encoding.
    fn add_lines(&self, spectra: &mut [Complex64], images: &[Complex], weights: &[f64]) {
        let ((lines, steps), voxels) = (self.shape(), self.grid.slice_voxels());
        let fourier = Fourier::new(steps);
        let mut values = vec![(0.0, 0.0); steps];
        for echo in 0..self.echoes {
            for line in 0..lines {
                let index = |place: usize| echo * voxels + self.voxel(line, place);
                for (place, value) in values.iter_mut().enumerate() {
                    let z = images[index(place)];
                    *value = (f64::from(z.0), f64::from(z.1));
                }
                if values.iter().all(|&z| z == (0.0, 0.0)) {
                    continue;
                }
                for (frequency, z) in fourier.forward(&values).into_iter().enumerate() {
                    // The first line acquired is the most negative frequency.
                    let weight = weights[(frequency + steps / 2) % steps];
                    let slot = &mut spectra[index(frequency)];
                    *slot = (slot.0 + weight * z.0, slot.1 + weight * z.1);
                }
            }
        }
    }

    /// Images from their lines of k-space.
    fn reconstructed(&self, spectra: &[Complex64]) -> Vec<Complex> {
        let ((lines, steps), voxels) = (self.shape(), self.grid.slice_voxels());
        let fourier = Fourier::new(steps);
        let mut images = vec![(0.0, 0.0); spectra.len()];
        for echo in 0..self.echoes {
            for line in 0..lines {
                let index = |place: usize| echo * voxels + self.voxel(line, place);
                let spectrum: Vec<Complex64> = (0..steps).map(|frequency| spectra[index(frequency)]).collect();
                for (place, z) in fourier.inverse(&spectrum).into_iter().enumerate() {
                    images[index(place)] = (z.0 as f32, z.1 as f32);
                }
            }
        }
        images
    }

    /// A copy displaced by half the field of view along phase encoding.
    fn add_ghost(&self, images: &mut [Complex]) {
        let ((lines, steps), voxels) = (self.shape(), self.grid.slice_voxels());
        let strength = self.recipe.artefacts.ghost as f32;
        let before = images.to_vec();
        for echo in 0..self.echoes {
            for line in 0..lines {
                for place in 0..steps {
                    let from = before[echo * voxels + self.voxel(line, (place + steps / 2) % steps)];
                    let slot = &mut images[echo * voxels + self.voxel(line, place)];
                    *slot = (slot.0 + strength * from.0, slot.1 + strength * from.1);
                }
            }
        }
    }
}
