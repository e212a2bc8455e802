//! Many different abdomens, drawn at random.

use super::random::Stream;
use super::recipe::{Body, GridRecipe, Recipe, Resection, SequenceRecipe};

/// `n` recipes drawn from the whole range a service meets: R2* 25 to 2000 /s (even in its logarithm), 1.5 and 3 T,
/// fat to 40 %, 1 to 25 slices, signal-to-noise 10 to 100, children and obese adults, gas, big spleens, arms,
/// ascites, resections and mirrored organs. Other seeds give other bodies.
pub fn population(seed: u64, n: usize) -> Vec<Recipe> {
    (0..n as u64).map(|index| one(seed, index)).collect()
}

fn one(seed: u64, index: u64) -> Recipe {
    let mut draw = Stream::new(seed, &[20, index]);
    let mut recipe = Recipe { seed: draw.bits() >> 16, ..Recipe::default() };
    recipe.description = format!("Abdomen {index} drawn with seed {seed}");
    recipe.body = body(&mut draw);
    recipe.field_strength_t = if draw.chance(0.5) { 1.5 } else { 3.0 };
    let logarithm = draw.between(libm::log(25.0), libm::log(2000.0));
    recipe.liver.r2star = libm::exp(logarithm);
    recipe.liver.heterogeneity = draw.between(0.10, 0.20);
    recipe.liver.fat_fraction = if draw.chance(0.4) { draw.between(0.05, 0.40) } else { draw.between(0.0, 0.05) };
    recipe.liver.lesions = if draw.chance(0.2) { 1 + (draw.bits() % 4) as u32 } else { 0 };
    // Transfusion loads the spleen too, less than the liver.
    if draw.chance(0.5) {
        recipe.body.spleen_r2star = Some(20.0 + draw.between(0.1, 0.6) * recipe.liver.r2star);
    }
    recipe.receive.snr = libm::exp(draw.between(libm::log(10.0), libm::log(100.0)));
    recipe.receive.channels = if draw.chance(0.3) { 8 } else { 1 };
    recipe.receive.shading = draw.between(0.2, 0.9);
    recipe.sequence = SequenceRecipe {
        first_echo_ms: (draw.between(0.8, 1.2) * 100.0).round() / 100.0,
        echo_spacing_ms: (draw.between(0.6, 1.3) * 100.0).round() / 100.0,
        echoes: 8 + (draw.bits() % 9) as usize,
        ..SequenceRecipe::default()
    };
    recipe.grid = grid(&recipe.body, &mut draw);
    recipe
}

fn body(draw: &mut Stream) -> Body {
    let kind = draw.uniform();
    let (half_width, half_depth, fat, height) = match kind {
        // A thin child.
        k if k < 0.25 => (draw.between(88.0, 125.0), draw.between(62.0, 86.0), draw.between(2.0, 8.0), 0.0),
        // An obese adult.
        k if k < 0.45 => (draw.between(185.0, 220.0), draw.between(130.0, 165.0), draw.between(25.0, 50.0), 30.0),
        _ => (draw.between(142.0, 182.0), draw.between(96.0, 128.0), draw.between(8.0, 26.0), 20.0),
    };
    let inner = half_width - fat;
    Body {
        half_width_mm: half_width,
        half_depth_mm: half_depth,
        fat_mm: fat,
        liver_height_mm: (0.85 * inner + height) * draw.between(0.92, 1.12),
        arms: draw.chance(0.2),
        situs_inversus: draw.chance(0.05),
        spleen: if draw.chance(0.3) { draw.between(1.5, 2.6) } else { draw.between(0.7, 1.3) },
        liver: draw.between(0.85, 1.35),
        left_lobe: draw.between(0.1, 0.9),
        gas: draw.uniform(),
        gallbladder: draw.chance(0.85),
        ascites: if draw.chance(0.12) { draw.between(0.2, 1.0) } else { 0.0 },
        resection: match draw.uniform() {
            u if u < 0.04 => Resection::Left,
            u if u < 0.08 => Resection::Right,
            _ => Resection::None,
        },
        irregularity: draw.between(0.7, 1.3),
        ..Body::default()
    }
}

/// Images that hold the whole body, as a radiographer would plan them.
fn grid(body: &Body, draw: &mut Stream) -> GridRecipe {
    let slices = match draw.uniform() {
        u if u < 0.2 => 1,
        u if u < 0.6 => 2 + (draw.bits() % 5) as usize,
        _ => 7 + (draw.bits() % 19) as usize,
    };
    let columns = [128, 160, 192][(draw.bits() % 3) as usize];
    let reach = if body.arms { 1.46 * body.half_width_mm + 12.0 } else { 1.08 * body.half_width_mm };
    let pixel = ((2.0 * reach / columns as f64).max(1.2) * 100.0).ceil() / 100.0;
    let rows = ((2.2 * body.half_depth_mm / pixel / 8.0).ceil() * 8.0) as usize;
    let coverage = 0.95 * body.liver_height_mm;
    let spacing = (coverage / slices as f64).clamp(4.0, 12.0).round();
    GridRecipe {
        slices,
        rows,
        columns,
        pixel_mm: [pixel, pixel],
        thickness_mm: (0.8 * spacing).min(10.0),
        spacing_mm: spacing,
        // A single slice goes through the middle of the liver; a stack is centred on it.
        centre: draw.between(0.38, 0.52),
        tilt_deg: 0.0,
    }
}
