//! The trunk around the organs: arms, spine, body wall with its ribs, great vessels and the muscles of the back.

use super::anatomy::{Anatomy, CAVITY, Place, step};
use super::tissue::Tissue;

impl Anatomy {
    /// An arm at the side, or air.
    pub(super) fn arm(&self, p: Place) -> Tissue {
        if !self.body.arms {
            return Tissue::Air;
        }
        let size = 0.23 * self.body.half_width_mm;
        let x = p[0].abs() - (self.body.half_width_mm + 8.0 + size);
        let y = p[1] - 0.15 * self.body.half_depth_mm;
        let bump = self.noise.at([p[0] / 60.0, p[1] / 60.0, p[2] / 150.0])[1];
        let r = (x * x + y * y * 0.85).sqrt() / (size * (1.0 + 0.06 * bump));
        let fat = (0.10 + 0.5 * self.body.fat_mm / size).min(0.45);
        match r {
            _ if r > 1.0 => Tissue::Air,
            _ if r > 1.0 - fat => Tissue::Fat,
            _ if r > 0.26 => Tissue::Muscle,
            _ if r > 0.17 => Tissue::Bone,
            _ => Tissue::Marrow,
        }
    }

    /// Vertebrae, discs, the canal and the processes.
    pub(super) fn spine(&self, n: [f64; 3], p: Place) -> Option<Tissue> {
        let [u, v, _] = n;
        if u.abs() > 0.32 || v < 0.15 {
            return None;
        }
        let level = |cu: f64, cv: f64, ru: f64, rv: f64| {
            let (du, dv) = ((u.abs() - cu) / ru, (v - cv) / rv);
            du * du + dv * dv
        };
        let pitch = 0.21 * self.body.liver_height_mm;
        let along = (p[2] / pitch + self.disc_phase).rem_euclid(1.0);
        let body = level(0.0, 0.40, 0.165, 0.185);
        if body < 1.0 {
            return Some(match along {
                a if a < 0.20 => Tissue::Disc,
                _ if body > 0.86 => Tissue::Bone,
                _ => Tissue::Marrow,
            });
        }
        let canal = level(0.0, 0.645, 0.075, 0.065);
        if canal < 1.0 {
            return Some(Tissue::Canal);
        }
        let arch = canal < 1.9 && along > 0.3;
        let process = level(0.0, 0.83, 0.040, 0.13) < 1.0 && along > 0.35;
        let transverse = level(0.16, 0.67, 0.11, 0.045) < 1.0 && along > 0.45 && along < 0.8;
        (arch || process || transverse).then_some(if canal < 1.5 { Tissue::Bone } else { Tissue::Marrow })
    }

    /// The wall of the belly and chest: muscle, and ribs that slope down to the front.
    pub(super) fn wall(&self, n: [f64; 3], wall: f64) -> Tissue {
        let [u, v, t] = n;
        let depth = (wall - CAVITY) / (1.0 - CAVITY);
        if septum(n) {
            return Tissue::Fat;
        }
        let lateral = u.abs() > 0.22 + 0.10 * depth && v > -0.95;
        // No rib below the costal arch, which rises to the front.
        if !lateral || t < -1.05 + 0.45 * (0.3 - v).max(0.0) {
            // Fat between the muscle layers of the flank.
            return if depth > 0.46 && depth < 0.56 && v < 0.3 && u.abs() > 0.35 {
                Tissue::Fat
            } else {
                Tissue::Muscle
            };
        }
        let along = (t / 0.17 + 1.5 * (1.0 - v) + self.rib_phase + 0.1 * u).rem_euclid(1.0);
        let (a, b) = ((along - 0.5) / 0.24, (depth - 0.38) / 0.30);
        match a * a + b * b {
            r if r < 0.50 => Tissue::Marrow,
            r if r < 1.0 => Tissue::Bone,
            // Fat between the ribs and the muscles outside them.
            _ if (0.72..0.80).contains(&depth) && (along - 0.5).abs() < 0.40 => Tissue::Fat,
            _ => Tissue::Muscle,
        }
    }

    /// Aorta and inferior vena cava.
    pub(super) fn great_vessels(&self, q: [f64; 3]) -> Option<Tissue> {
        let scale = (self.inner[0] * self.inner[1]).sqrt();
        let round = |u: f64, v: f64, mm: f64| {
            let (x, y) = ((q[0] - u) * self.inner[0], (q[1] - v) * self.inner[1]);
            x * x + y * y < mm * mm
        };
        let mm = scale / 118.0;
        // The vena cava leans forward to the heart above the liver.
        let lean = step(-0.25, 0.05, q[2]);
        let cava = round(-0.17 + 0.05 * lean, 0.14 - 0.16 * lean, 11.0 * mm);
        (cava || round(0.07, 0.12, 9.5 * mm)).then_some(Tissue::Blood)
    }

    /// Paraspinal muscle, psoas and crura bulge into the cavity.
    pub(super) fn back_muscle(&self, n: [f64; 3]) -> Option<Tissue> {
        let level = |cu: f64, cv: f64, ru: f64, rv: f64| {
            let (du, dv) = ((n[0].abs() - cu) / ru, (n[1] - cv) / rv);
            du * du + dv * dv
        };
        if septum(n) && level(0.0, 0.72, 0.34, 0.25) < 1.0 {
            return Some(Tissue::Fat);
        }
        let psoas = if n[2] < -0.6 { level(0.25, 0.48, 0.10, 0.17) < 1.0 } else { false };
        let crura = level(0.10, 0.22, 0.10, 0.10) < 1.0 && level(0.02, 0.12, 0.10, 0.12) > 1.0;
        (psoas || crura || level(0.0, 0.72, 0.34, 0.25) < 1.0).then_some(Tissue::Muscle)
    }
}

/// Fat between the muscles of the back: lines fanning out from the spine.
fn septum(n: [f64; 3]) -> bool {
    let (u, v) = (n[0].abs(), n[1]);
    let outer = (u - 0.20 - 0.9 * (v - 0.72) + 1.2 * (v - 0.82) * (v - 0.82)).abs() < 0.012 && v > 0.70;
    let middle = (v - 0.80 + 0.35 * u).abs() < 0.014 && u > 0.12 && u < 0.36;
    outer || middle
}
