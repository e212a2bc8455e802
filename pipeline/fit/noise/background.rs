//! Noise from air. Ghosts run along one encoding direction through the object, so that the corners, which lie
//! outside its rows and its columns, are free of them; tiles that are not are left out all the same.

use super::chi::Tally;
use crate::study::Acquisition;

/// Share of rows and of columns that a corner takes.
const CORNER: f64 = 1.0 / 6.0;
/// Side of a tile in voxels.
const TILE: usize = 8;
/// Fewest samples that can speak.
const FEWEST: f64 = 400.0;
/// Logarithm of the power of early over late echoes that all tiles together may show; a tissue with R2* 20/s shows three
/// times as much within eight milliseconds.
const STEADY: f64 = 0.1;

/// Tallies pure noise in the corners, or `None` where there is none: blanked, filled by the body, or too small.
pub fn estimate(acquisition: &Acquisition) -> Option<Tally> {
    let grid = acquisition.grid();
    let (rows, columns) = (grid.rows(), grid.columns());
    let side = |n: usize| ((n as f64 * CORNER) as usize).max(2);
    let (high, wide) = (side(rows), side(columns));
    let mut tiles = Vec::new();
    for slice in 0..grid.slices() {
        for row in starts(rows, high) {
            for column in starts(columns, wide) {
                let place = Place { origin: (slice * rows + row) * columns + column, columns, high, wide };
                tiles.extend(tile(acquisition, &place));
            }
        }
    }
    let [early, late] = agreeing(&tiles)?;
    // One tile cannot tell a slow decay from chance; together they can: images without air have tissue in the corners.
    if libm::log(early.power() / late.power()).abs() > STEADY {
        return None;
    }
    let pooled = early.and(&late);
    let shape = pooled.coil_elements();
    // Anything but noise has another shape: a signal too narrow, blanking or ghosts too wide.
    (pooled.count >= FEWEST && (0.8..=80.0).contains(&shape)).then_some(pooled)
}

/// First indices of the tiles in the two margins of one direction.
fn starts(length: usize, margin: usize) -> Vec<usize> {
    let tile = TILE.min(margin);
    let count = margin / tile;
    let near = (0..count).map(|k| k * tile);
    let far = (0..count).map(|k| length - (k + 1) * tile);
    near.chain(far).collect()
}

struct Place {
    origin: usize,
    columns: usize,
    high: usize,
    wide: usize,
}

/// One tile over the early and the late echoes, unless it is blanked or decays.
fn tile(acquisition: &Acquisition, place: &Place) -> Option<[Tally; 2]> {
    let samples = acquisition.magnitude();
    let echoes = samples.nrows();
    let (mut early, mut late) = (Tally::default(), Tally::default());
    let (mut zeros, mut first, mut differ) = (0usize, None, false);
    for (echo, row) in samples.rows().into_iter().enumerate() {
        let half = if echo < echoes / 2 { &mut early } else { &mut late };
        for y in 0..TILE.min(place.high) {
            for x in 0..TILE.min(place.wide) {
                let value = row[place.origin + y * place.columns + x];
                zeros += usize::from(value <= 0.0);
                differ |= *first.get_or_insert(value) != value;
                half.add(f64::from(value));
            }
        }
    }
    if !differ || zeros as f64 > 0.02 * (early.count + late.count) {
        return None;
    }
    // Signal decays, noise does not: the halves agree within four standard errors of a chi distribution.
    let error = 4.0 * (1.0 / early.count + 1.0 / late.count).sqrt();
    let ratio = early.power() / late.power();
    (libm::log(ratio).abs() < error).then_some([early, late])
}

/// The tiles that agree with the lower quartile: contamination only ever adds power.
fn agreeing(tiles: &[[Tally; 2]]) -> Option<[Tally; 2]> {
    let mut powers: Vec<f64> = tiles.iter().map(|[early, late]| early.and(late).power()).collect();
    powers.sort_by(f64::total_cmp);
    let mut reference = *powers.get(powers.len() / 4)?;
    let mut pooled = [Tally::default(); 2];
    for _ in 0..3 {
        pooled = [Tally::default(); 2];
        for [early, late] in tiles {
            let whole = early.and(late);
            // Relative standard error of the mean square is 1/√(N·count), at most 1/√count.
            let error = 1.0 / whole.count.sqrt();
            if libm::log(whole.power() / reference).abs() < 4.0 * error {
                pooled = [pooled[0].and(early), pooled[1].and(late)];
            }
        }
        reference = pooled[0].and(&pooled[1]).power();
    }
    (pooled[0].count > 0.0 && pooled[1].count > 0.0).then_some(pooled)
}
