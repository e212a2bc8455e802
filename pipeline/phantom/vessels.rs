//! Hepatic and portal veins: branching tubes inside the liver.

use super::anatomy::{Anatomy, Place};
use super::random::Stream;

/// A tube with round ends that tapers.
struct Tube {
    from: Place,
    to: Place,
    radius: [f64; 2],
}

impl Tube {
    fn holds(&self, p: Place) -> bool {
        let axis: Place = std::array::from_fn(|k| self.to[k] - self.from[k]);
        let rest: Place = std::array::from_fn(|k| p[k] - self.from[k]);
        let length = dot(axis, axis);
        let along = if length > 0.0 { (dot(rest, axis) / length).clamp(0.0, 1.0) } else { 0.0 };
        let away: Place = std::array::from_fn(|k| rest[k] - along * axis[k]);
        let radius = self.radius[0] + along * (self.radius[1] - self.radius[0]);
        dot(away, away) < radius * radius
    }
}

/// Both trees, filed by cubes of space so that a place looks at few tubes.
pub struct Vessels {
    tubes: Vec<Tube>,
    cubes: std::collections::HashMap<[i32; 3], Vec<u32>>,
}

const CUBE_MM: f64 = 14.0;

fn dot(a: Place, b: Place) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

fn unit(a: Place) -> Place {
    let length = dot(a, a).sqrt();
    a.map(|x| x / length)
}

fn cube(p: Place) -> [i32; 3] {
    p.map(|x| (x / CUBE_MM).floor() as i32)
}

struct Growth<'a> {
    anatomy: &'a Anatomy,
    draw: Stream,
    scale: f64,
    vessels: Vessels,
}

impl Vessels {
    /// No vessel.
    pub fn none() -> Self {
        Self { tubes: Vec::new(), cubes: Default::default() }
    }

    /// Grows both trees inside the liver of this body.
    pub fn grow(anatomy: &Anatomy, seed: u64) -> Self {
        let unit_mm = anatomy.unit_mm();
        let scale = libm::cbrt(unit_mm[0] * unit_mm[1] * unit_mm[2] / (150.0 * 102.0 * 165.0));
        let mut growth = Growth { anatomy, draw: Stream::new(seed, &[5]), scale, vessels: Self::none() };
        let confluence = [-0.15, 0.02, -0.13];
        for direction in [[-1.0, 0.25, -0.45], [-0.75, -0.65, -0.55], [0.45, -0.85, -0.30]] {
            growth.branch(anatomy.place(confluence), growth.towards(direction), 5.4 * scale, 34.0 * scale, 0, true);
        }
        let (hilum, entry) = (anatomy.place([-0.20, -0.06, -0.56]), anatomy.place([0.0, 0.04, -0.72]));
        growth.add(Tube { from: entry, to: hilum, radius: [7.0 * scale, 6.0 * scale] });
        for direction in [[-1.0, 0.15, -0.15], [-0.6, -0.6, 0.35], [0.65, -0.75, 0.25]] {
            growth.branch(hilum, growth.towards(direction), 5.2 * scale, 28.0 * scale, 0, true);
        }
        growth.vessels
    }

    /// Whether this place lies in a tube.
    pub fn hold(&self, p: Place) -> bool {
        let Some(near) = self.cubes.get(&cube(p)) else { return false };
        near.iter().any(|&index| self.tubes[index as usize].holds(p))
    }
}

impl Growth<'_> {
    /// A direction given for a body with the organs on their usual side.
    fn towards(&self, direction: Place) -> Place {
        let origin = self.anatomy.place([0.0; 3]);
        let tip = self.anatomy.place([1e-3, 0.0, 0.0]);
        let side = if tip[0] < origin[0] { -1.0 } else { 1.0 };
        unit([side * direction[0], direction[1], direction[2]])
    }

    fn add(&mut self, tube: Tube) {
        let index = self.vessels.tubes.len() as u32;
        let thick = tube.radius[0].max(tube.radius[1]);
        let low = cube(std::array::from_fn(|k| tube.from[k].min(tube.to[k]) - thick));
        let high = cube(std::array::from_fn(|k| tube.from[k].max(tube.to[k]) + thick));
        for x in low[0]..=high[0] {
            for y in low[1]..=high[1] {
                for z in low[2]..=high[2] {
                    self.vessels.cubes.entry([x, y, z]).or_default().push(index);
                }
            }
        }
        self.vessels.tubes.push(tube);
    }

    fn branch(&mut self, from: Place, direction: Place, radius: f64, length: f64, depth: u32, retry: bool) {
        // Thinner ones are narrower than a voxel: what is measured as parenchyma contains them.
        let thinnest = 1.9 * self.scale;
        if radius < thinnest || depth > 7 {
            return;
        }
        // Two bent pieces, so that no vessel is a ruler.
        let mut start = from;
        let mut heading = direction;
        for piece in 0..2 {
            let end: Place = std::array::from_fn(|k| start[k] + 0.5 * length * heading[k]);
            if !self.anatomy.is_liver(end) {
                // At the surface: one more try inwards, else the branch ends.
                if depth == 0 || !retry {
                    return;
                }
                let back = self.anatomy.place([-0.4, -0.05, -0.42]);
                let inwards = unit(std::array::from_fn(|k| back[k] - start[k]));
                let next = unit(std::array::from_fn(|k| heading[k] + inwards[k]));
                return self.branch(start, next, radius, 0.8 * length, depth, false);
            }
            let taper = |share: f64| radius * (1.0 - 0.2 * share);
            let share = f64::from(piece) / 2.0;
            self.add(Tube { from: start, to: end, radius: [taper(share), taper(share + 0.5)] });
            start = end;
            heading = self.turned(heading, 0.25);
        }
        for _ in 0..2 {
            let shrink = self.draw.between(0.68, 0.86);
            let next = self.turned(heading, 0.85);
            let reach = length * self.draw.between(0.72, 0.95);
            self.branch(start, next, radius * shrink, reach, depth + 1, true);
        }
    }

    /// A direction bent by a random amount.
    fn turned(&mut self, heading: Place, amount: f64) -> Place {
        let bend: Place = std::array::from_fn(|_| self.draw.between(-amount, amount));
        unit(std::array::from_fn(|k| heading[k] + bend[k]))
    }
}
