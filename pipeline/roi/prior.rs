//! Where a liver is expected, in coordinates of the trunk. Rough shapes of axial anatomy drawn by us; no atlas.

/// Log odds that a place inside the trunk is liver, from its position alone.
///
/// `across` runs from -1 at the right end of the muscle wall to 1 at the left, `back` from -1 in front to 1 behind;
/// `wall` is the distance to the outside of the muscle wall in mm, `half` half the trunk's width and depth there.
pub(super) fn log_odds(across: f32, back: f32, wall: f32, half: [f32; 2]) -> f32 {
    let blob = |a: f32, b: f32, ra: f32, rb: f32| {
        let (da, db) = ((across - a) / ra, (back - b) / rb);
        1.0 - (da * da + db * db).sqrt()
    };
    // The right lobe fills the right half but for the strip along the spine; the left lobe lies in front and
    // crosses the middle.
    let right = 4.0 * blob(-0.55, 0.0, 0.62, 0.95);
    let left = 2.5 * blob(-0.05, -0.55, 0.65, 0.55);
    // The spine with its muscles, and the spleen's place.
    let spine = 8.0 * blob(0.0, 0.7, 0.5, 0.6);
    let spleen = 10.0 * blob(0.78, 0.32, 0.72, 0.66);
    // The wall of muscle and ribs takes some seventh of the way from the skin's fat to the middle, all round.
    let rim = (RIM.1 * (share_of_radius(across, back, wall, half) - RIM.0)).clamp(-7.0, 0.0);
    (right.max(left) + 0.5 - spine.max(0.0) - spleen.max(0.0) + rim).clamp(-9.0, 2.5)
}

/// Distance to the outside of the muscle wall, as a share of the way from there to the middle.
pub(super) fn share_of_radius(across: f32, back: f32, wall: f32, half: [f32; 2]) -> f32 {
    let (a, b) = (across * half[1], back * half[0]);
    let radius = half[0] * half[1] * ((across * across + back * back) / (a * a + b * b).max(1.0)).sqrt();
    wall / radius.max(20.0)
}

const RIM: (f32, f32) = (0.145, 50.0);

/// Log odds against liver in a slice of the chest, where the heart lies from somewhat right of the middle leftwards.
pub(super) fn heart(across: f32) -> f32 {
    6.0 * (3.0 * (across + 0.25)).clamp(0.0, 1.0)
}

/// How surely a place is liver in most patients and slices, 0 to 1: where the search begins.
pub(super) fn heart_of_liver(across: f32, back: f32) -> f32 {
    let (a, b) = ((across + 0.5) / 0.28, (back + 0.08) / 0.38);
    libm::expf(-0.5 * (a * a + b * b))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_prior_knows_left_from_right_and_front_from_back() {
        assert!(log_odds(-0.5, 0.0, 60.0, [150.0, 100.0]) > 1.0);
        assert!(log_odds(0.6, 0.3, 45.0, [150.0, 100.0]) < -4.0, "spleen");
        assert!(log_odds(0.0, 0.7, 30.0, [150.0, 100.0]) < -1.0, "spine");
        assert!(log_odds(0.0, -0.5, 60.0, [150.0, 100.0]) > log_odds(0.0, 0.5, 60.0, [150.0, 100.0]));
        assert!(log_odds(-1.0, 0.0, 0.0, [150.0, 100.0]) < -2.0, "in the wall");
        assert!(heart(-0.5) == 0.0 && heart(0.2) > 5.0, "the heart");
        assert!(heart_of_liver(-0.5, 0.0) > 0.9 && heart_of_liver(0.5, 0.0) < 0.01);
    }
}
