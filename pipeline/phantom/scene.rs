//! From tissue to signal: what a perfect receiver would see of one voxel at each echo.

use super::anatomy::{Anatomy, Place};
use super::random::{Lattice, key};
use super::recipe::Recipe;
use super::tissue::{Properties, Tissue};
use crate::study::{Grid, Seconds};

/// Gyromagnetic ratio of the proton over 2π in Hz per tesla (CODATA 2018).
pub const HERTZ_PER_TESLA: f64 = 42.577_478_518e6;

/// Shift of the fat peaks from water in ppm and their relative amplitudes: the six-peak model of liver fat used by
/// the ISMRM 2012 water-fat challenge, credited to Hamilton (NMR Biomed 2011, doi:10.1002/nbm.1622). The shares
/// add up to 0.999 as published and are normalised where used.
pub const FAT_PEAKS: [(f64, f64); 6] =
    [(-3.80, 0.087), (-3.40, 0.693), (-2.60, 0.128), (-1.94, 0.004), (-0.39, 0.039), (0.60, 0.048)];

/// A complex number, single precision as images are stored.
pub type Complex = (f32, f32);

/// Signal of pure fat at this echo time, relative to that of water: the sum of its peaks, decay left out.
pub fn fat_signal(field_t: f64, echo: f64) -> (f64, f64) {
    let total: f64 = FAT_PEAKS.iter().map(|peak| peak.1).sum();
    FAT_PEAKS.iter().fold((0.0, 0.0), |sum, &(ppm, share)| {
        let hertz = ppm * 1e-6 * HERTZ_PER_TESLA * field_t;
        let (sine, cosine) = libm::sincos(std::f64::consts::TAU * hertz * echo);
        (sum.0 + share / total * cosine, sum.1 + share / total * sine)
    })
}

/// The four subsamples of a voxel: half of them in the upper half of the slice, so that four places see partial
/// volume in the plane and across it.
const SUBSAMPLES: [[f64; 3]; 4] =
    [[-0.25, -0.25, 0.25], [0.25, -0.25, -0.25], [-0.25, 0.25, -0.25], [0.25, 0.25, 0.25]];

/// What the four subsamples of a voxel hit.
pub type Mixture = [Tissue; 4];

/// Everything that determines the noiseless signal.
pub struct Scene {
    pub(super) anatomy: Anatomy,
    grid: Grid,
    thickness: f64,
    echo_times: Vec<f64>,
    fat: Vec<(f64, f64)>,
    tissues: [Properties; Tissue::COUNT],
    texture: Lattice,
    /// Median and standard deviation of the raw texture over the parenchyma.
    texture_scale: (f64, f64),
    liver: super::recipe::Liver,
    coils: Vec<Place>,
    coil_reach: f64,
    shading: f64,
    shading_scale: f64,
    gas: Vec<(Place, f64)>,
    field_t: f64,
    disturbed: bool,
}

/// Displacement of the organs towards the feet, mm.
pub type Displacement = f64;

impl Scene {
    /// The scene of a recipe on its grid, before texture and shading are scaled by [`Scene::calibrate`].
    pub fn new(recipe: &Recipe, grid: Grid, echo_times: &[Seconds]) -> Self {
        let field_t = recipe.field_strength_t;
        let anatomy = Anatomy::new(recipe);
        let echo_times: Vec<f64> = echo_times.iter().map(|t| t.0).collect();
        let mut tissues = Tissue::ALL.map(|tissue| tissue.properties(field_t));
        if let Some(r2star) = recipe.body.spleen_r2star {
            tissues[Tissue::Spleen as usize].r2star = r2star;
        }
        let (width, depth) = (recipe.body.half_width_mm, recipe.body.half_depth_mm);
        let middle = -0.45 * recipe.body.liver_height_mm;
        // Eight loops around the trunk, front and back.
        let coils = (0..8)
            .map(|i| {
                let (sine, cosine) = libm::sincos(std::f64::consts::TAU * (f64::from(i) + 0.5) / 8.0);
                [1.12 * width * cosine, 1.2 * depth * sine, middle + if i % 2 == 0 { 40.0 } else { -40.0 }]
            })
            .collect();
        Self {
            fat: echo_times.iter().map(|&t| fat_signal(field_t, t)).collect(),
            echo_times,
            tissues,
            texture: Lattice::new(recipe.shape_seed(), &[6]),
            texture_scale: (0.0, 1.0),
            liver: recipe.liver.clone(),
            coils,
            coil_reach: 0.95 * depth,
            shading: recipe.receive.shading,
            shading_scale: 1.0,
            gas: anatomy.gas_pockets(),
            field_t,
            disturbed: recipe.receive.field_disturbance,
            thickness: recipe.grid.thickness_mm,
            anatomy,
            grid,
        }
    }

    /// Scales texture and shading so that over these places of parenchyma the median R2* and its spread are the
    /// recipe's and the median sensitivity is 1.
    pub fn calibrate(&mut self, parenchyma: &[Place]) {
        if parenchyma.is_empty() {
            return;
        }
        let raw: Vec<f64> = parenchyma.iter().map(|&p| self.raw_texture(p)).collect();
        let middle = super::median(raw.clone());
        let mean = raw.iter().sum::<f64>() / raw.len() as f64;
        let variance = raw.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / raw.len() as f64;
        self.texture_scale = (middle, variance.sqrt().max(1e-9));
        self.shading_scale = super::median(parenchyma.iter().map(|&p| self.raw_shading(p)).collect());
    }

    /// Centre of a voxel.
    pub fn centre(&self, slice: usize, row: usize, column: usize) -> Place {
        self.grid.centre(slice, row, column)
    }

    /// Whether there can be anything at this place: a quick no for most of what folds in.
    pub fn may_hold(&self, p: Place) -> bool {
        self.anatomy.may_hold(p)
    }

    /// What the voxel around this centre holds while the organs are displaced.
    pub fn mixture(&self, centre: Place, displacement: Displacement) -> Mixture {
        let (u, v, n) = (self.grid.along_row(), self.grid.along_column(), self.grid.normal());
        let steps = [self.grid.column_spacing().0, self.grid.row_spacing().0, self.thickness];
        SUBSAMPLES.map(|s| {
            let p = std::array::from_fn(|k| {
                centre[k] + s[0] * steps[0] * u[k] + s[1] * steps[1] * v[k] + s[2] * steps[2] * n[k]
            });
            self.anatomy.tissue(self.at_rest(p, displacement))
        })
    }

    /// Where the tissue now at `p` lies at rest: breathing moves it to the feet and, in front, outwards.
    fn at_rest(&self, p: Place, displacement: Displacement) -> Place {
        if displacement == 0.0 {
            return p;
        }
        let depth = self.anatomy.unit_mm()[1];
        let front = (0.5 - 0.5 * p[1] / depth).clamp(0.0, 1.0);
        [p[0], p[1] + 0.35 * displacement * front, p[2] + displacement]
    }

    /// Smooth variation over centimetres plus nodules of a few millimetres.
    fn raw_texture(&self, p: Place) -> f64 {
        let smooth = self.texture.at(p.map(|x| x / 45.0))[0];
        let nodules = self.texture.at(p.map(|x| x / 9.0 + 5.5))[1];
        smooth + 1.3 * nodules
    }

    /// True R2* of liver parenchyma at a place at rest, 1/s.
    pub fn liver_r2star(&self, p: Place) -> f64 {
        let (middle, spread) = self.texture_scale;
        let deviation = self.liver.heterogeneity * (self.raw_texture(p) - middle) / spread;
        self.liver.r2star * (1.0 + deviation).max(0.3)
    }

    /// True fat fraction of liver parenchyma at a place at rest: varies by a tenth.
    pub fn liver_fat(&self, p: Place) -> f64 {
        let variation = self.texture.at(p.map(|x| x / 60.0 + 2.5))[2];
        (self.liver.fat_fraction * (1.0 + 0.25 * variation)).clamp(0.0, 0.95)
    }

    fn raw_shading(&self, p: Place) -> f64 {
        let power: f64 = self
            .coils
            .iter()
            .map(|c| {
                let d: Place = std::array::from_fn(|k| (p[k] - c[k]) / self.coil_reach);
                let fall = 1.0 / (1.0 + d[0] * d[0] + d[1] * d[1] + d[2] * d[2]);
                fall * fall * fall
            })
            .sum();
        1.0 - self.shading + self.shading * power.sqrt()
    }

    /// Combined sensitivity of the coils, median 1 over the parenchyma.
    pub fn sensitivity(&self, p: Place) -> f64 {
        self.raw_shading(p) / self.shading_scale
    }

    /// Field offset in Hz at a place at rest: shim, gas pockets as spheres of air in water (χ 9.4 ppm apart,
    /// common practice), and the lung, whose field fades over two centimetres below the diaphragm (a
    /// simplification: the lung has no closed form).
    fn offset(&self, p: Place) -> f64 {
        let larmor = HERTZ_PER_TESLA * self.field_t;
        let shim =
            0.15e-6 * (p[0] / 150.0) + 0.10e-6 * (p[1] / 100.0) - 0.12e-6 * (p[0] * p[0] + p[1] * p[1]) / 30_000.0;
        let below = self.anatomy.below_diaphragm(p).max(0.0);
        let lung = 1.6e-6 * libm::exp(-below / 18.0);
        let gas: f64 = self
            .gas
            .iter()
            .map(|(centre, radius)| {
                let d: Place = std::array::from_fn(|k| p[k] - centre[k]);
                let square = (d[0] * d[0] + d[1] * d[1] + d[2] * d[2]).max(radius * radius);
                let cube = radius * radius * radius / (square * square.sqrt());
                9.4e-6 / 3.0 * cube * (3.0 * d[2] * d[2] / square - 1.0)
            })
            .sum();
        larmor * (shim + lung + gas)
    }

    /// Adds the signal of what lies around `at`, with this mixture and the organs displaced, to one voxel at every
    /// echo. `images` is echo × voxels of the slice. Coils stand still while organs move.
    pub fn add(
        &self,
        images: &mut [Complex],
        voxels: usize,
        voxel: usize,
        (at, mixture, displacement): (Place, &Mixture, Displacement),
    ) {
        if mixture.iter().all(|t| matches!(t, Tissue::Air | Tissue::Gas)) {
            return;
        }
        let rest = self.at_rest(at, displacement);
        let mut parts: [(f64, f64, f64); 4] = [(0.0, 0.0, 0.0); 4];
        let mut count = 0;
        for (index, &tissue) in mixture.iter().enumerate() {
            if mixture[..index].contains(&tissue) {
                continue;
            }
            let share = 0.25 * mixture.iter().filter(|&&t| t == tissue).count() as f64;
            let own = self.tissues[tissue as usize];
            let (r2star, fat) = match tissue {
                Tissue::Liver => (self.liver_r2star(rest), self.liver_fat(rest)),
                _ => (own.r2star, own.fat),
            };
            parts[count] = (share * own.signal, r2star, fat);
            count += 1;
        }
        // No tissue is uniform: a few per cent over the size of a lobule or a muscle's strands.
        let grain = self.texture.at(rest.map(|x| x / 6.0 + 1.25))[2];
        let gain = self.sensitivity(at) * (1.0 + 0.05 * grain);
        let (offset, widths) = self.field_at(rest);
        let coil_phase = 0.6 * at[0] / 150.0 - 0.4 * at[1] / 100.0;
        for (echo, &time) in self.echo_times.iter().enumerate() {
            let fat = self.fat[echo];
            let (mut real, mut imaginary) = (0.0, 0.0);
            for &(amount, r2star, fraction) in &parts[..count] {
                let decayed = amount * libm::exp(-r2star * time);
                real += decayed * (1.0 - fraction + fraction * fat.0);
                imaginary += decayed * fraction * fat.1;
            }
            let size: f64 = gain * widths.iter().map(|&width| dephasing(width * time)).product::<f64>();
            let (sine, cosine) = libm::sincos(coil_phase + std::f64::consts::TAU * offset * time);
            let slot = &mut images[echo * voxels + voxel];
            slot.0 += (size * (real * cosine - imaginary * sine)) as f32;
            slot.1 += (size * (real * sine + imaginary * cosine)) as f32;
        }
    }

    /// Field offset in Hz and its span across the voxel in each direction of the grid.
    fn field_at(&self, p: Place) -> (f64, [f64; 3]) {
        if !self.disturbed {
            return (0.0, [0.0; 3]);
        }
        let axes = [
            (self.grid.along_row(), self.grid.column_spacing().0),
            (self.grid.along_column(), self.grid.row_spacing().0),
            (self.grid.normal(), self.thickness),
        ];
        let here = self.offset(p);
        let widths = axes.map(|(axis, size)| {
            let there = self.offset(std::array::from_fn(|k| p[k] + 0.5 * size * axis[k]));
            2.0 * (there - here)
        });
        (here, widths)
    }
}

/// Signal left of spins whose phases spread evenly over this many turns: sin(πx)/(πx).
fn dephasing(turns: f64) -> f64 {
    let x = std::f64::consts::PI * turns;
    // Below this the loss is under 2e-7.
    if x.abs() < 1e-3 { 1.0 } else { libm::sin(x) / x }
}

/// Key of the noise of one slice and echo.
pub fn noise_key(seed: u64, slice: usize, echo: usize) -> u64 {
    key(seed, &[7, slice as u64, echo as u64])
}
