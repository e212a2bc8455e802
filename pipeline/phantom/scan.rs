//! The scan itself: grid, truth, images, noise and the stored integers.

use super::anatomy::Place;
use super::encode::Encoder;
use super::header;
use super::random::{chi_squared, normal_pair};
use super::recipe::{Components, Recipe};
use super::scene::{Complex, Mixture, Scene, noise_key};
use super::tissue::Tissue;
use crate::study::{AcquisitionParts, ComplexImages, Digest, Grid, GridParts, Header, Seconds, flaw};
use ndarray::Array2;
use rayon::prelude::*;

/// Signal of the liver at echo time zero, in stored units before rescaling.
const LIVER_SIGNAL: f64 = 1000.0;

/// What is really there, voxel by voxel in grid order.
#[derive(Clone, Debug)]
pub struct Truth {
    /// The liver's outline, vessels and cysts included: at least half of the voxel.
    pub organ: Vec<bool>,
    /// Parenchyma: at least three quarters of the voxel.
    pub parenchyma: Vec<bool>,
    /// The most frequent tissue in the voxel, as [`Tissue`].
    pub labels: Vec<u8>,
    /// True R2* in 1/s of the most frequent tissue; 0 where there is no signal.
    pub r2star: Vec<f32>,
    /// True fat fraction of the most frequent tissue.
    pub fat_fraction: Vec<f32>,
    /// Median of the true R2* over the parenchyma, 1/s; the recipe's where no parenchyma is seen.
    pub median_r2star: f64,
    /// Standard deviation of one real channel, in rescaled units; of the corners where it varies.
    pub sigma: f64,
    /// Number of channels whose squares were added.
    pub coil_elements: f64,
}

/// A simulated acquisition.
#[derive(Clone, Debug)]
pub struct Scan {
    pub(super) recipe: Recipe,
    pub(super) grid: Grid,
    pub(super) echo_times: Vec<Seconds>,
    pub(super) header: Header,
    /// Stored magnitude, echo × voxel.
    pub(super) stored: Vec<u16>,
    /// Rescaled units for one stored unit.
    pub(super) slope: f64,
    /// Stored real and imaginary parts, echo × voxel, with their own slope.
    pub(super) complex: Option<(Vec<i16>, Vec<i16>, f64)>,
    /// Sensitivity of the coils in grid order, where a normalised copy is written.
    pub(super) sensitivity: Vec<f32>,
    flaws: Vec<u8>,
    truth: Truth,
}

/// Images of one slice with noise: magnitude, and real and imaginary where wanted; each echo × voxel.
struct SliceImages {
    magnitude: Vec<f32>,
    complex: Vec<Complex>,
}

/// Simulates a recipe. The same recipe gives the same numbers at any thread count.
pub fn scan(recipe: &Recipe) -> Scan {
    let echo_times: Vec<Seconds> = recipe.echo_times_ms().into_iter().map(Seconds::from_millis).collect();
    let grid = grid(recipe);
    let mut scene = Scene::new(recipe, grid.clone(), &echo_times);
    let (rows, columns) = (grid.rows(), grid.columns());
    let mixtures: Vec<Vec<Mixture>> = (0..grid.slices())
        .into_par_iter()
        .map(|slice| {
            let at = |index: usize| scene.centre(slice, index / columns, index % columns);
            (0..rows * columns).map(|index| scene.mixture(at(index), 0.0)).collect()
        })
        .collect();
    let parenchyma: Vec<Place> = mixtures
        .iter()
        .flatten()
        .enumerate()
        .filter(|(_, mixture)| is_parenchyma(mixture))
        .map(|(index, _)| {
            let (slice, row, column) = grid.place(index);
            scene.centre(slice, row, column)
        })
        .collect();
    scene.calibrate(&parenchyma);
    let sigma = LIVER_SIGNAL / recipe.receive.snr;
    let truth = truth(recipe, &grid, &scene, &mixtures, sigma);
    let slices: Vec<SliceImages> = (0..grid.slices())
        .into_par_iter()
        .map(|slice| {
            let encoder = Encoder { recipe, scene: &scene, grid: &grid, echoes: echo_times.len(), slice };
            let clean = encoder.images(&mixtures[slice]);
            receive(recipe, slice, grid.slice_voxels(), &mixtures[slice], clean, sigma)
        })
        .collect();
    let sensitivity = match recipe.export.normalised_copy {
        false => Vec::new(),
        true => (0..grid.voxels())
            .into_par_iter()
            .map(|index| {
                let (slice, row, column) = grid.place(index);
                scene.sensitivity(scene.centre(slice, row, column)) as f32
            })
            .collect(),
    };
    Scan { sensitivity, ..store(recipe, grid, echo_times, slices, truth) }
}

fn is_parenchyma(mixture: &Mixture) -> bool {
    mixture.iter().filter(|&&t| t == Tissue::Liver).count() >= 3
}

/// The most frequent tissue; the first of equals.
fn majority(mixture: &Mixture) -> Tissue {
    let count = |tissue: Tissue| mixture.iter().filter(|&&t| t == tissue).count();
    let mut best = mixture[0];
    for &tissue in mixture {
        if count(tissue) > count(best) {
            best = tissue;
        }
    }
    best
}

fn grid(recipe: &Recipe) -> Grid {
    let shape = &recipe.grid;
    // Rounded, so that the decimal strings of DICOM hold them exactly.
    let (sine, cosine) = libm::sincos(shape.tilt_deg.to_radians());
    let (sine, cosine) = ((sine * 1e9).round() / 1e9, (cosine * 1e9).round() / 1e9);
    let along_row = [1.0, 0.0, 0.0];
    let along_column = [0.0, cosine, sine];
    let normal = [0.0, -sine, cosine];
    let middle = [0.0, 0.0, -shape.centre * recipe.body.liver_height_mm];
    let half =
        [0.5 * (shape.columns as f64 - 1.0) * shape.pixel_mm[1], 0.5 * (shape.rows as f64 - 1.0) * shape.pixel_mm[0]];
    let positions = (0..shape.slices)
        .map(|slice| {
            let along = (slice as f64 - 0.5 * (shape.slices as f64 - 1.0)) * shape.spacing_mm;
            std::array::from_fn(|k| {
                let corner = middle[k] + along * normal[k] - half[0] * along_row[k] - half[1] * along_column[k];
                (corner * 1e3).round() / 1e3
            })
        })
        .collect();
    let parts = GridParts {
        rows: shape.rows,
        columns: shape.columns,
        positions,
        row_spacing: shape.pixel_mm[0],
        column_spacing: shape.pixel_mm[1],
        slice_thickness: Some(shape.thickness_mm),
        along_row,
        along_column,
        frame_of_reference: Some(header::uid(recipe, "frame of reference")),
    };
    match Grid::new(parts) {
        Ok(grid) => grid,
        Err(error) => unreachable!("a checked recipe always makes a grid: {error}"),
    }
}

fn truth(recipe: &Recipe, grid: &Grid, scene: &Scene, mixtures: &[Vec<Mixture>], sigma: f64) -> Truth {
    let all: Vec<&Mixture> = mixtures.iter().flatten().collect();
    let labels: Vec<Tissue> = all.iter().map(|m| majority(m)).collect();
    let properties = Tissue::ALL.map(|tissue| tissue.properties(recipe.field_strength_t));
    let (r2star, fat_fraction): (Vec<f32>, Vec<f32>) = labels
        .par_iter()
        .enumerate()
        .map(|(index, &label)| {
            let (slice, row, column) = grid.place(index);
            let p = scene.centre(slice, row, column);
            match label {
                Tissue::Liver => (scene.liver_r2star(p) as f32, scene.liver_fat(p) as f32),
                Tissue::Spleen => (recipe.body.spleen_r2star.unwrap_or(properties[label as usize].r2star) as f32, 0.0),
                _ => (properties[label as usize].r2star as f32, properties[label as usize].fat as f32),
            }
        })
        .unzip();
    let parenchyma: Vec<bool> = all.iter().map(|m| is_parenchyma(m)).collect();
    let inside: Vec<f64> =
        r2star.iter().zip(&parenchyma).filter(|(_, inside)| **inside).map(|(&r, _)| f64::from(r)).collect();
    Truth {
        organ: all.iter().map(|m| m.iter().filter(|t| t.in_liver()).count() >= 2).collect(),
        median_r2star: if inside.is_empty() { recipe.liver.r2star } else { super::median(inside) },
        parenchyma,
        labels: labels.iter().map(|&label| label as u8).collect(),
        r2star,
        fat_fraction,
        sigma,
        coil_elements: f64::from(recipe.receive.channels),
    }
}

/// Adds noise and combines the channels.
///
/// Where parallel imaging amplifies noise, σ is raised for all channels alike.
///
/// With white, independent noise of equal σ in each channel, a rotation among channels puts all signal into
/// one of them; so the root of the sum of squares of N channels is distributed exactly as that of one channel
/// with the combined signal and N − 1 without any, whose squares add up to σ² times a chi-squared number.
fn receive(
    recipe: &Recipe,
    slice: usize,
    voxels: usize,
    mixtures: &[Mixture],
    clean: Vec<Complex>,
    sigma: f64,
) -> SliceImages {
    let wanted = recipe.export.components != Components::Magnitude;
    let mut magnitude = Vec::with_capacity(clean.len());
    let mut complex = Vec::with_capacity(if wanted { clean.len() } else { 0 });
    for (echo, image) in clean.chunks(voxels).enumerate() {
        let key = noise_key(recipe.seed, slice, echo);
        let gain: f64 = recipe.artefacts.gains.iter().filter(|g| g.echo == echo + 1).map(|g| g.factor).product();
        let alternation = if echo % 2 == 1 { 1.0 - recipe.artefacts.bipolar } else { 1.0 };
        for (voxel, &(real, imaginary)) in image.iter().enumerate() {
            let (first, second) = normal_pair(key, voxel as u64);
            let sigma = sigma * amplification(recipe, voxel);
            let real = gain * (LIVER_SIGNAL * alternation * f64::from(real) + sigma * first);
            let imaginary = gain * (LIVER_SIGNAL * alternation * f64::from(imaginary) + sigma * second);
            let others = match recipe.receive.channels {
                0 | 1 => 0.0,
                channels => gain * gain * sigma * sigma * chi_squared(key, voxel as u64, channels - 1),
            };
            let outside = recipe.artefacts.zeroed_background && mixtures[voxel].iter().all(|&t| t == Tissue::Air);
            let keep = if outside { 0.0 } else { 1.0 };
            magnitude.push((keep * (real * real + imaginary * imaginary + others).sqrt()) as f32);
            if wanted {
                complex.push(((keep * real) as f32, (keep * imaginary) as f32));
            }
        }
    }
    SliceImages { magnitude, complex }
}

/// Spread of the zone where parallel imaging amplifies noise, as a share of the frame.
const ZONE: f64 = 0.25;

/// Geometry factor of parallel imaging at a voxel of a slice: a hill in the middle of the frame.
fn amplification(recipe: &Recipe, voxel: usize) -> f64 {
    if recipe.receive.amplification == 0.0 {
        return 1.0;
    }
    let columns = recipe.grid.columns;
    let from_middle = |place: usize, length: usize| (place as f64 + 0.5) / length as f64 - 0.5;
    let (y, x) = (from_middle(voxel / columns, recipe.grid.rows), from_middle(voxel % columns, columns));
    1.0 + recipe.receive.amplification * libm::exp(-(x * x + y * y) / (2.0 * ZONE * ZONE))
}

/// Six significant digits, so that a decimal string holds the number exactly.
fn rounded(value: f64) -> f64 {
    format!("{value:.5e}").parse().unwrap_or(value)
}

/// Rounds to stored integers, echo × voxel over the whole stack.
fn store(recipe: &Recipe, grid: Grid, echo_times: Vec<Seconds>, slices: Vec<SliceImages>, truth: Truth) -> Scan {
    let voxels = grid.slice_voxels();
    let top = f64::from((1u32 << recipe.export.bits) - 1);
    let brightest =
        slices.par_iter().map(|s| s.magnitude.iter().copied().fold(0.0f32, f32::max)).reduce(|| 0.0, f32::max);
    let ceiling = match recipe.artefacts.saturation {
        fraction if fraction > 0.0 => fraction * f64::from(brightest),
        _ => 1.02 * f64::from(brightest),
    };
    let slope = rounded(ceiling.max(1.0) / top);
    let echoes = echo_times.len();
    let gather = |pick: &(dyn Fn(&SliceImages, usize) -> f32 + Sync), echo: usize| -> Vec<f32> {
        slices.iter().flat_map(|s| (echo * voxels..(echo + 1) * voxels).map(|i| pick(s, i))).collect()
    };
    let stored: Vec<u16> = (0..echoes)
        .into_par_iter()
        .flat_map_iter(|echo| {
            gather(&|s, i| s.magnitude[i], echo).into_iter().map(|x| (f64::from(x) / slope).round().min(top) as u16)
        })
        .collect();
    let complex = (recipe.export.components != Components::Magnitude).then(|| {
        let half = f64::from(1u32 << (recipe.export.bits - 1)) - 1.0;
        let slope = rounded(ceiling.max(1.0) / half);
        let part = |pick: &(dyn Fn(&SliceImages, usize) -> f32 + Sync)| -> Vec<i16> {
            (0..echoes)
                .flat_map(|echo| gather(pick, echo))
                .map(|x| (f64::from(x) / slope).round().clamp(-half, half) as i16)
                .collect()
        };
        (part(&|s, i| s.complex[i].0), part(&|s, i| s.complex[i].1), slope)
    });
    let full = top as u16;
    let flaws = (0..grid.voxels())
        .map(|voxel| {
            let saturated = (0..echoes).any(|echo| stored[echo * grid.voxels() + voxel] == full);
            if saturated { flaw::SATURATED } else { flaw::NONE }
        })
        .collect();
    let header = header::header(recipe, &grid);
    Scan {
        recipe: recipe.clone(),
        grid,
        echo_times,
        header,
        stored,
        slope,
        complex,
        sensitivity: Vec::new(),
        flaws,
        truth,
    }
}

impl Scan {
    /// What is really there.
    pub fn truth(&self) -> &Truth {
        &self.truth
    }

    /// Standard deviation of one real channel at a voxel of the grid, in rescaled units.
    pub fn sigma_at(&self, voxel: usize) -> f64 {
        self.truth.sigma * amplification(&self.recipe, voxel % self.grid.slice_voxels())
    }

    /// The recipe it was made from.
    pub fn recipe(&self) -> &Recipe {
        &self.recipe
    }

    /// The grid, nothing left out.
    pub fn grid(&self) -> &Grid {
        &self.grid
    }

    /// Echo times.
    pub fn echo_times(&self) -> &[Seconds] {
        &self.echo_times
    }

    /// The acquisition as a reader of the exported files would build it, straight to memory. Images that the
    /// recipe leaves out of the export are present here.
    pub fn parts(&self) -> AcquisitionParts {
        let shape = (self.echo_times.len(), self.grid.voxels());
        let scaled = |stored: &mut dyn Iterator<Item = f64>, slope: f64| -> Array2<f32> {
            let mut array = Array2::zeros(shape);
            for (to, from) in array.iter_mut().zip(stored) {
                *to = (from * slope) as f32;
            }
            array
        };
        let complex = self.complex.as_ref().map(|(real, imaginary, slope)| ComplexImages {
            real: scaled(&mut real.iter().map(|&x| f64::from(x)), *slope),
            imaginary: scaled(&mut imaginary.iter().map(|&x| f64::from(x)), *slope),
        });
        let bytes: Vec<u8> = self.stored.iter().flat_map(|x| x.to_le_bytes()).collect();
        AcquisitionParts {
            grid: self.grid.clone(),
            echo_times: self.echo_times.clone(),
            magnitude: scaled(&mut self.stored.iter().map(|&x| f64::from(x)), self.slope),
            complex,
            flaws: self.flaws.clone(),
            header: self.header.clone(),
            source: header::source(&self.recipe, &self.grid, self.echo_times.len(), Digest::of(&bytes)),
            scaling: "rescaled".to_owned(),
            findings: Vec::new(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::random::Stream;
    use super::*;

    /// Eight channels one by one, each with its own noise, against the shortcut: same mean and variance of the
    /// root of the sum of squares, in air, at the noise floor and above it.
    #[test]
    fn one_channel_and_a_chi_squared_stand_for_all_channels() {
        const DRAWS: u64 = 40_000;
        let moments = |values: Vec<f64>| {
            let mean = values.iter().sum::<f64>() / values.len() as f64;
            let variance = values.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / values.len() as f64;
            (mean, variance)
        };
        for signal in [0.0, 2.0, 8.0] {
            // Unequal shares of the signal, with different phases.
            let mut draw = Stream::new(3, &[1]);
            let shares: Vec<(f64, f64)> = (0..8).map(|_| (draw.between(-1.0, 1.0), draw.between(-1.0, 1.0))).collect();
            let norm = shares.iter().map(|s| s.0 * s.0 + s.1 * s.1).sum::<f64>().sqrt();
            let explicit = (0..DRAWS).map(|i| {
                let power: f64 = shares
                    .iter()
                    .enumerate()
                    .map(|(channel, share)| {
                        let (a, b) = normal_pair(90 + channel as u64 * 7919, i);
                        let (re, im) = (signal * share.0 / norm + a, signal * share.1 / norm + b);
                        re * re + im * im
                    })
                    .sum();
                power.sqrt()
            });
            let shortcut = (0..DRAWS).map(|i| {
                let (a, b) = normal_pair(5, i);
                ((signal + a) * (signal + a) + b * b + chi_squared(5, i, 7)).sqrt()
            });
            let (one, other) = (moments(explicit.collect()), moments(shortcut.collect()));
            // Five standard errors of the mean; the variance to three per cent.
            assert!((one.0 - other.0).abs() < 5.0 * (2.0 * one.1 / DRAWS as f64).sqrt(), "{signal}: {one:?} {other:?}");
            assert!((one.1 / other.1 - 1.0).abs() < 0.04, "{signal}: {one:?} {other:?}");
        }
    }
}
