//! The body as a function of place: which tissue is here?
//!
//! Shapes live in body-normalised coordinates: `u` from −1 (the patient's right, inside of the fat) to 1 (left),
//! `v` from −1 (front) to 1 (back), `t` from 0 (the dome of the liver) to −1 (its lower tip). They are distorted
//! by smooth noise, so that no outline is a quadric. Proportions are common knowledge of the axial abdomen.

use super::random::{Lattice, Stream};
use super::recipe::{Body, Recipe, Resection};
use super::tissue::Tissue;
use super::vessels::Vessels;

/// A place in patient coordinates (x left, y back, z head), mm from the body's centre at the liver's dome.
pub type Place = [f64; 3];

/// An ellipsoid in normalised coordinates.
#[derive(Clone, Copy, Debug)]
struct Ellipsoid {
    centre: [f64; 3],
    radii: [f64; 3],
}

impl Ellipsoid {
    const fn new(centre: [f64; 3], radii: [f64; 3]) -> Self {
        Self { centre, radii }
    }

    /// Squared normalised distance from the centre: below 1 inside.
    fn level(&self, p: [f64; 3]) -> f64 {
        (0..3).map(|k| (p[k] - self.centre[k]) / self.radii[k]).map(|d| d * d).sum()
    }

    fn holds(&self, p: [f64; 3]) -> bool {
        self.level(p) < 1.0
    }

    fn grown(&self, factor: f64) -> Self {
        Self { centre: self.centre, radii: self.radii.map(|r| r * factor) }
    }
}

/// A loop of bowel: a ball with its filling.
#[derive(Clone, Copy, Debug)]
struct Loop {
    ball: Ellipsoid,
    /// Fraction of the radius below the top that is gas.
    gas: f64,
}

/// A body of the given recipe.
pub struct Anatomy {
    pub(super) body: Body,
    /// Half width and half depth inside the fat, mm, and the centre's shift to the back.
    pub(super) inner: [f64; 2],
    shift: f64,
    pub(super) noise: Lattice,
    kidneys: [Ellipsoid; 2],
    right_lobe: Ellipsoid,
    left_lobe: Ellipsoid,
    caudate: Ellipsoid,
    spleen: Ellipsoid,
    stomach: Ellipsoid,
    gallbladder: Ellipsoid,
    heart: Ellipsoid,
    pancreas: [Ellipsoid; 3],
    loops: Vec<Loop>,
    lesions: Vec<Ellipsoid>,
    vessels: Vessels,
    pub(super) rib_phase: f64,
    pub(super) disc_phase: f64,
}

/// Radius of the cavity of chest and belly: inside of the wall of muscle and ribs.
pub(super) const CAVITY: f64 = 0.86;

/// 0 below `low`, 1 above `high`, smooth between.
pub(super) fn step(low: f64, high: f64, x: f64) -> f64 {
    let s = ((x - low) / (high - low)).clamp(0.0, 1.0);
    s * s * (3.0 - 2.0 * s)
}

/// A rounded box's radius: between an ellipse and a squarer shape, flatter at the back.
fn radius(u: f64, v: f64) -> f64 {
    let (uu, vv) = (u * u, v * v);
    let round = (uu + vv).sqrt();
    let square = (uu * uu + vv * vv).sqrt().sqrt();
    let flat = 0.30 + 0.40 * step(-0.2, 0.8, v);
    round + flat * (square - round)
}

impl Anatomy {
    /// The body of this recipe.
    pub fn new(recipe: &Recipe) -> Self {
        let body = recipe.body.clone();
        let seed = recipe.shape_seed();
        let mut draw = Stream::new(seed, &[1]);
        let mut jitter = |amount: f64| draw.between(-amount, amount);
        let inner = [body.half_width_mm - body.fat_mm, body.half_depth_mm - 0.8 * body.fat_mm];
        let place = |centre: [f64; 3], radii: [f64; 3], jitter: &mut dyn FnMut(f64) -> f64| {
            Ellipsoid::new(centre.map(|c| c + jitter(0.03)), radii.map(|r| r * (1.0 + jitter(0.06))))
        };
        let size = libm::cbrt(body.liver);
        let reach = 0.30 + 0.62 * body.left_lobe;
        let (right_radii, left_radii) = match body.resection {
            Resection::Right => ([0.40, 0.75, 0.55], [reach + 0.15, 0.46, 0.46]),
            _ => ([0.52 * size, 0.86 * size, 0.62 * size], [reach, 0.34 * size, 0.34 * size]),
        };
        let swell = libm::cbrt(body.spleen);
        let spleen = place(
            [0.70 - 0.10 * (body.spleen - 1.0).max(0.0), 0.30 - 0.10 * (body.spleen - 1.0).max(0.0), -0.45],
            [0.25 * swell * swell, 0.40 * swell, 0.36 * swell * swell],
            &mut jitter,
        );
        let kidneys = [
            place([-0.50, 0.50, -0.92], [0.19, 0.24, 0.40], &mut jitter),
            place([0.50, 0.50, -0.80], [0.19, 0.24, 0.40], &mut jitter),
        ];
        let right_lobe = place([-0.47, 0.02, -0.46], right_radii, &mut jitter);
        let left_lobe = place([0.02, -0.44, -0.30], left_radii, &mut jitter);
        let caudate = place([-0.08, 0.02, -0.36], [0.15, 0.16, 0.18], &mut jitter);
        let stomach = place([0.42, -0.20, -0.46], [0.34, 0.42, 0.38], &mut jitter);
        let gallbladder = place([-0.30, -0.42, -0.72], [0.11, 0.16, 0.20], &mut jitter);
        let heart = place([0.16, -0.34, 0.14], [0.42, 0.40, 0.30], &mut jitter);
        let pancreas = [
            place([-0.12, -0.10, -0.72], [0.13, 0.14, 0.12], &mut jitter),
            place([0.10, -0.06, -0.66], [0.18, 0.10, 0.09], &mut jitter),
            place([0.36, 0.10, -0.60], [0.20, 0.11, 0.09], &mut jitter),
        ];
        let (rib_phase, disc_phase) = (jitter(0.5), jitter(0.5));
        let mut anatomy = Self {
            inner,
            shift: 0.12 * body.fat_mm,
            noise: Lattice::new(seed, &[2]),
            kidneys,
            right_lobe,
            left_lobe,
            caudate,
            spleen,
            stomach,
            gallbladder,
            heart,
            pancreas,
            loops: loops(seed, body.gas),
            lesions: Vec::new(),
            vessels: Vessels::none(),
            rib_phase,
            disc_phase,
            body,
        };
        anatomy.lesions = anatomy.cysts(seed, recipe.liver.lesions);
        anatomy.vessels = Vessels::grow(&anatomy, seed);
        anatomy
    }

    /// Half width, half depth of the cavity's outer wall and height of the liver: mm for one normalised unit.
    pub fn unit_mm(&self) -> [f64; 3] {
        [self.inner[0], self.inner[1], self.body.liver_height_mm]
    }

    /// From normalised coordinates to patient coordinates.
    pub fn place(&self, p: [f64; 3]) -> Place {
        let side = if self.body.situs_inversus { -1.0 } else { 1.0 };
        [side * p[0] * self.inner[0], p[1] * self.inner[1] + self.shift, p[2] * self.body.liver_height_mm]
    }

    /// Body-normalised coordinates of a place.
    fn normalised(&self, p: Place) -> [f64; 3] {
        let side = if self.body.situs_inversus { -1.0 } else { 1.0 };
        [side * p[0] / self.inner[0], (p[1] - self.shift) / self.inner[1], p[2] / self.body.liver_height_mm]
    }

    /// Displacement of outlines at a normalised place: large bumps and small ones.
    fn warped(&self, p: [f64; 3]) -> [f64; 3] {
        let strength = self.body.irregularity;
        if strength == 0.0 {
            return p;
        }
        let large = self.noise.at([p[0] * 2.6 + 3.0, p[1] * 2.6 + 7.0, p[2] * 2.6]);
        let small = self.noise.at([p[0] * 7.0 + 11.0, p[1] * 7.0, p[2] * 7.0 + 5.0]);
        std::array::from_fn(|k| p[k] + strength * (0.085 * large[k] + 0.026 * small[k]))
    }

    /// Height of the diaphragm above this place, normalised: two domes and the tendon between them.
    fn diaphragm(&self, u: f64, v: f64) -> f64 {
        let dome = |u0: f64, top: f64| {
            let (du, dv) = ((u - u0) / 0.50, (v + 0.05) / 0.86);
            let (uu, vv) = (du * du, dv * dv);
            // Flat on top and steep at the wall, so that low slices show the lung as a thin crescent at the back.
            let fall = if dv < 0.0 { 0.14 * vv + 0.18 * vv * vv } else { 0.16 * vv + 0.62 * vv * vv * vv };
            top - 0.16 * uu - 0.30 * uu * uu * uu - fall
        };
        dome(-0.42, 0.0).max(dome(0.44, -0.08)).max(dome(0.0, -0.12))
    }

    /// How far a place lies below the diaphragm, mm; negative above.
    pub fn below_diaphragm(&self, p: Place) -> f64 {
        let q = self.normalised(p);
        (self.diaphragm(q[0], q[1]) - q[2]) * self.body.liver_height_mm
    }

    /// Centres and radii in mm of the gas pockets: of each, the sphere about its middle that holds as much.
    pub fn gas_pockets(&self) -> Vec<(Place, f64)> {
        let balls = std::iter::once(self.stomach).chain(self.loops.iter().filter(|l| l.gas > 0.3).map(|l| l.ball));
        balls.filter_map(|ball| self.gas_in(&ball)).collect()
    }

    /// What of a hollow organ is gas, by a raster of places: the liver may have grown over some of it.
    fn gas_in(&self, ball: &Ellipsoid) -> Option<(Place, f64)> {
        const STEPS: usize = 15;
        let centre = self.place(ball.centre);
        let half: Place =
            [0, 1, 2].map(|k| ball.radii[k] * [self.inner[0], self.inner[1], self.body.liver_height_mm][k]);
        let offset = |step: usize| (2.0 * step as f64 + 1.0) / STEPS as f64 - 1.0;
        let (mut count, mut sum) = (0usize, [0.0; 3]);
        for raster in 0..STEPS.pow(3) {
            let steps = [raster / (STEPS * STEPS), raster / STEPS % STEPS, raster % STEPS];
            let p: Place = [0, 1, 2].map(|k| centre[k] + half[k] * offset(steps[k]));
            if self.tissue(p) == Tissue::Gas {
                count += 1;
                (0..3).for_each(|k| sum[k] += p[k]);
            }
        }
        let cell: f64 = half.iter().map(|h| 2.0 * h / STEPS as f64).product();
        let radius = libm::cbrt(0.75 / std::f64::consts::PI * cell * count as f64);
        (count > 0).then(|| (sum.map(|s| s / count as f64), radius))
    }

    /// Whether a normalised place (already warped) lies in the liver's outline, whatever is in it.
    fn in_liver(&self, q: [f64; 3]) -> bool {
        let [u, v, t] = q;
        let right = self.body.resection != Resection::Right && self.right_lobe.holds(q);
        let left = self.body.resection != Resection::Left && self.left_lobe.holds(q);
        let remnant = self.body.resection == Resection::Right && self.right_lobe.holds(q) && u > -0.42;
        if !(right || left || remnant || self.caudate.holds(q)) {
            return false;
        }
        if self.body.resection == Resection::Left && u > -0.10 {
            return false;
        }
        // The fissure of the round ligament, and fat where the portal vein enters.
        let fissure = (u + 0.06).abs() < 0.008 - 0.02 * (v + 0.30) && v < -0.30 && t < -0.30;
        let hilum = Ellipsoid::new([-0.17, -0.10, -0.60], [0.12, 0.11, 0.10]).holds(q);
        !(fissure || hilum)
    }

    /// Whether a place lies in the liver's outline.
    pub fn is_liver(&self, p: Place) -> bool {
        self.tissue(p).in_liver()
    }

    /// Whether a place, with a centimetre around it, can be in the body or an arm.
    pub fn may_hold(&self, p: Place) -> bool {
        let reach = if self.body.arms { 1.5 * self.body.half_width_mm + 20.0 } else { 1.05 * self.body.half_width_mm };
        p[0].abs() < reach + 10.0 && p[1].abs() < 1.08 * self.body.half_depth_mm + 10.0
    }

    /// The tissue at a place.
    pub fn tissue(&self, p: Place) -> Tissue {
        let (width, depth) = (self.body.half_width_mm, self.body.half_depth_mm);
        if p[0].abs() > width * 1.02 || p[1].abs() > depth * 1.06 {
            return self.arm(p);
        }
        let skin = self.noise.at([p[0] / width * 1.3 + 1.0, p[1] / depth * 1.3, p[2] / 160.0]);
        let uneven = 1.0 + 0.045 * self.body.irregularity * skin[0] - 0.02;
        // A shallow groove along the spine.
        let groove = 0.05 / (1.0 + (p[0] / (0.14 * width)) * (p[0] / (0.14 * width)));
        let back = if p[1] > 0.0 { 1.0 + groove } else { 1.0 };
        if radius(p[0] / width, p[1] / depth * back) > uneven {
            return self.arm(p);
        }
        let n = self.normalised(p);
        let wall = radius(n[0], n[1] * back) / uneven;
        if wall > 1.0 {
            return Tissue::Fat;
        }
        if let Some(tissue) = self.spine(n, p) {
            return tissue;
        }
        if wall > CAVITY {
            return self.wall(n, wall);
        }
        let q = self.warped(n);
        self.great_vessels(q)
            .or_else(|| self.back_muscle(n))
            .or_else(|| self.chest(n, q))
            .unwrap_or_else(|| self.belly(p, q, wall))
    }

    fn chest(&self, n: [f64; 3], q: [f64; 3]) -> Option<Tissue> {
        // The diaphragm is smoother than the organs under it.
        let mix: [f64; 3] = std::array::from_fn(|k| 0.6 * n[k] + 0.4 * q[k]);
        let above = mix[2] - self.diaphragm(mix[0], mix[1]);
        if above < -0.022 {
            return None;
        }
        if above < 0.0 {
            return Some(Tissue::Muscle);
        }
        Some(match self.heart.level(q) {
            level if level < 0.45 => Tissue::Blood,
            level if level < 0.85 => Tissue::Heart,
            level if level < 1.05 => Tissue::Fat,
            _ => Tissue::Lung,
        })
    }

    fn belly(&self, p: Place, q: [f64; 3], wall: f64) -> Tissue {
        for kidney in &self.kidneys {
            let level = kidney.level(q);
            if level < 1.0 {
                let inward = (q[0] - 0.4 * kidney.centre[0]).abs() < (kidney.centre[0] * 0.6).abs();
                return if level < 0.28 && inward { Tissue::Fat } else { Tissue::Kidney };
            }
            if kidney.grown(1.18).holds(q) {
                return Tissue::Fat;
            }
        }
        if self.body.gallbladder && self.gallbladder.holds(q) {
            return Tissue::Gallbladder;
        }
        // A film of fat, here and there thicker, between the organs and the wall.
        let film = self.noise.at([q[0] * 3.1, q[1] * 3.1 + 4.0, q[2] * 3.1 + 9.0])[2].max(0.0);
        let rim = CAVITY - 0.003 - 0.035 * film * self.body.irregularity - 0.10 * self.body.ascites;
        if wall < rim && self.in_liver(q) {
            return match () {
                () if self.vessels.hold(p) => Tissue::Vessel,
                () if self.lesions.iter().any(|l| l.holds(q)) => Tissue::Lesion,
                () => Tissue::Liver,
            };
        }
        if wall < CAVITY - 0.01 - 0.06 * self.body.ascites && self.spleen.holds(q) {
            return Tissue::Spleen;
        }
        let stomach = self.stomach.level(q);
        if wall < rim && stomach < 1.0 {
            let surface = self.stomach.centre[1] - self.stomach.radii[1] * (0.95 - 1.3 * self.body.gas);
            return match () {
                () if stomach > 0.80 => Tissue::Gut,
                () if q[1] < surface && self.body.gas > 0.05 => Tissue::Gas,
                () => Tissue::Contents,
            };
        }
        if self.pancreas.iter().any(|part| part.holds(q)) {
            return Tissue::Gut;
        }
        for l in &self.loops {
            let level = l.ball.level(q);
            if wall < rim && level < 1.0 {
                let surface = l.ball.centre[1] + l.ball.radii[1] * (2.0 * l.gas - 1.0);
                return match () {
                    () if level > 0.72 => Tissue::Gut,
                    () if q[1] < surface => Tissue::Gas,
                    () => Tissue::Contents,
                };
            }
        }
        // Fluid collects at the outside and in the depth.
        let wet = self.body.ascites > 0.0
            && (wall > CAVITY - 0.22 * self.body.ascites || q[1] > 0.75 - 0.5 * self.body.ascites);
        if wet { Tissue::Fluid } else { Tissue::Fat }
    }

    /// Cysts at random places of the liver.
    fn cysts(&self, seed: u64, wanted: u32) -> Vec<Ellipsoid> {
        let mut draw = Stream::new(seed, &[4]);
        let mut found = Vec::new();
        let unit = self.unit_mm();
        for _ in 0..2000 {
            if found.len() as u32 == wanted {
                break;
            }
            let centre = [draw.between(-0.85, 0.3), draw.between(-0.7, 0.6), draw.between(-0.8, -0.15)];
            let mm = draw.between(5.0, 13.0);
            if self.is_liver(self.place(centre)) {
                found.push(Ellipsoid::new(centre, unit.map(|u| mm / u)));
            }
        }
        found
    }
}

/// Transverse colon across the front, and small bowel below the stomach.
fn loops(seed: u64, gas: f64) -> Vec<Loop> {
    let mut draw = Stream::new(seed, &[3]);
    let mut loops = Vec::new();
    let mut add = |centre: [f64; 3], size: f64, often: f64, draw: &mut Stream| {
        let filled = draw.chance(often * gas);
        let gas = if filled { draw.between(0.35, 0.8) } else { 0.0 };
        loops.push(Loop { ball: Ellipsoid::new(centre, [size, size * 1.35, size * 0.85]), gas });
    };
    for i in 0..9 {
        let u = -0.62 + 0.155 * f64::from(i);
        let sag = 0.18 * (1.0 - (u / 0.62) * (u / 0.62));
        let centre = [u, -0.52 + draw.between(-0.06, 0.06), -0.88 - sag + draw.between(-0.05, 0.05)];
        let size = draw.between(0.11, 0.15);
        add(centre, size, 0.9, &mut draw);
    }
    for _ in 0..110 {
        let centre = [draw.between(-0.40, 0.72), draw.between(-0.60, 0.30), draw.between(-1.6, -0.74)];
        let size = draw.between(0.08, 0.14);
        add(centre, size, 0.18, &mut draw);
    }
    loops
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::phantom::population;

    /// Gas that makes a field lies in stomach or bowel, and most bodies have some in the stomach.
    #[test]
    fn gas_is_where_the_field_says_it_is() {
        let bodies: Vec<Anatomy> = population(7, 60).iter().map(Anatomy::new).collect();
        let mut stomachs = Vec::new();
        for anatomy in &bodies {
            for (centre, radius) in anatomy.gas_pockets() {
                assert!(!anatomy.is_liver(centre), "a field from gas at {centre:?}, in the liver");
                assert!(radius > 1.0 && radius < 60.0, "{radius} mm");
            }
            stomachs.extend(anatomy.gas_in(&anatomy.stomach).map(|(_, radius)| radius));
        }
        let mean = stomachs.iter().sum::<f64>() / stomachs.len() as f64;
        println!("{} of {} stomachs hold gas, as much as a ball of {mean:.0} mm", stomachs.len(), bodies.len());
        assert!(stomachs.len() * 2 > bodies.len() && mean > 10.0, "{stomachs:?}");
    }
}
