//! The field map behind the complex model. A voxel alone cannot tell water off resonance from fat on resonance; a field
//! that varies slowly can. Each voxel's cost is looked at on a coarse grid of offsets, its lowest minima kept, and the
//! one chosen that agrees with the neighbourhood.

use super::models::ComplexDecay;
use rayon::prelude::*;
use std::f64::consts::TAU;

/// Rates tried with each offset, 1/s.
const RATES: [f64; 3] = [40.0, 150.0, 500.0];
/// Minima kept for each voxel.
const KEPT: usize = 3;
/// Passes over the neighbourhood.
const PASSES: usize = 12;
/// Half the side of the window that votes, in voxels.
const REACH: usize = 2;

/// One possible field offset of a voxel.
#[derive(Clone, Copy, Debug)]
pub struct Candidate {
    /// Offset, Hz.
    pub offset: f64,
    /// Rate of the lowest cost there, 1/s.
    pub rate: f64,
    /// Sum of squared residuals.
    pub cost: f64,
}

/// Unit vectors that span water and fat at one offset and rate, by echo: real and imaginary part.
struct Probe {
    offset: f64,
    rate: f64,
    base: [Vec<[f64; 2]>; 2],
}

/// Every offset, an eighth of a turn over the train apart, with every rate.
fn probes(model: &ComplexDecay) -> Vec<Probe> {
    let times = model.times();
    let span = times[times.len() - 1] - times[0];
    let [low, high] = model.offsets;
    let count = ((high - low) * span * 8.0).ceil().max(16.0);
    let mut out = Vec::new();
    for k in 0..count as usize {
        let offset = low + (high - low) * k as f64 / count;
        for rate in RATES {
            let turned = |shape: &dyn Fn(usize) -> [f64; 2]| -> Vec<[f64; 2]> {
                times
                    .iter()
                    .enumerate()
                    .map(|(e, t)| {
                        let (sin, cos) = libm::sincos(TAU * offset * t);
                        let decay = libm::exp(-rate * t);
                        let [re, im] = shape(e);
                        [decay * (cos * re - sin * im), decay * (cos * im + sin * re)]
                    })
                    .collect()
            };
            let water = unit(turned(&|_| [1.0, 0.0]));
            let mut fat = turned(&|e| model.fat[e]);
            let [re, im] = product(&water, &fat);
            for (f, w) in fat.iter_mut().zip(&water) {
                *f = [f[0] - (re * w[0] - im * w[1]), f[1] - (re * w[1] + im * w[0])];
            }
            out.push(Probe { offset, rate, base: [water, unit(fat)] });
        }
    }
    out
}

/// Sum of conj(a)·b.
fn product(a: &[[f64; 2]], b: &[[f64; 2]]) -> [f64; 2] {
    a.iter()
        .zip(b)
        .fold([0.0; 2], |sum, (a, b)| [sum[0] + a[0] * b[0] + a[1] * b[1], sum[1] + a[0] * b[1] - a[1] * b[0]])
}

fn unit(mut a: Vec<[f64; 2]>) -> Vec<[f64; 2]> {
    let length = product(&a, &a)[0].sqrt().max(f64::MIN_POSITIVE);
    for x in &mut a {
        *x = [x[0] / length, x[1] / length];
    }
    a
}

/// The lowest minima of one voxel, best first; samples over σ.
fn minima(samples: &[[f64; 2]], probes: &[Probe]) -> Vec<Candidate> {
    let energy = product(samples, samples)[0];
    let costs: Vec<Candidate> = probes
        .chunks(RATES.len())
        .map(|rates| {
            let cost = |probe: &Probe| {
                let explained: f64 =
                    probe.base.iter().map(|b| product(b, samples).iter().map(|x| x * x).sum::<f64>()).sum();
                Candidate { offset: probe.offset, rate: probe.rate, cost: energy - explained }
            };
            rates.iter().map(cost).fold(None::<Candidate>, |best, c| match best {
                Some(b) if b.cost <= c.cost => Some(b),
                _ => Some(c),
            })
        })
        .map(|c| c.unwrap_or(Candidate { offset: 0.0, rate: RATES[0], cost: f64::INFINITY }))
        .collect();
    let n = costs.len();
    // Offsets wrap around.
    let mut found: Vec<Candidate> = (0..n)
        .filter(|&k| costs[k].cost <= costs[(k + 1) % n].cost && costs[k].cost < costs[(k + n - 1) % n].cost)
        .map(|k| costs[k])
        .collect();
    found.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    found.truncate(KEPT);
    found
}

/// A start for every voxel, and how sure it is.
pub struct FieldMap {
    /// The chosen candidate of each voxel.
    pub chosen: Vec<Candidate>,
    /// Voxels whose choice goes against their own data, or against their neighbourhood by about the water-fat shift.
    pub suspected: Vec<bool>,
}

/// For voxels at these indices of a `shape` (slices, rows, columns) grid; `samples` gives a voxel's data over σ.
pub fn field_map(
    model: &ComplexDecay,
    shape: [usize; 3],
    voxels: &[usize],
    samples: impl Fn(usize) -> Vec<[f64; 2]> + Sync,
    shift: f64,
) -> FieldMap {
    let probes = probes(model);
    let options: Vec<Vec<Candidate>> = voxels.par_iter().map(|&v| minima(&samples(v), &probes)).collect();
    let none = Candidate { offset: 0.0, rate: RATES[0], cost: f64::INFINITY };
    let mut chosen: Vec<Candidate> = options.iter().map(|o| o.first().copied().unwrap_or(none)).collect();
    let mut place = vec![usize::MAX; shape[0] * shape[1] * shape[2]];
    for (k, &voxel) in voxels.iter().enumerate() {
        place[voxel] = k;
    }
    // How much better the best candidate is than the next: who is sure votes more.
    let weight: Vec<f64> = options
        .iter()
        .map(|o| match o.as_slice() {
            [] => 0.0,
            [_] => 1.0,
            [best, next, ..] => ((next.cost - best.cost) / (1.0 + best.cost)).clamp(0.01, 1.0),
        })
        .collect();
    let turn = model.offsets[1] - model.offsets[0];
    let distance = |a: f64, b: f64| (a - b - turn * ((a - b) / turn).round()).abs();
    for _ in 0..PASSES {
        let vote = |k: usize| {
            let near = neighbours(shape, voxels[k], &place);
            let score = |c: &Candidate| {
                near.iter().map(|&n| weight[n] * distance(c.offset, chosen[n].offset).min(0.5 * shift)).sum::<f64>()
            };
            let mut best = (f64::INFINITY, chosen[k]);
            for option in &options[k] {
                // Own data count as one more voice, in units of the shift.
                let own = (option.cost - options[k][0].cost) / (1.0 + options[k][0].cost);
                let total = score(option) + own.min(2.0) * 0.5 * shift;
                if total < best.0 {
                    best = (total, *option);
                }
            }
            best.1
        };
        let next: Vec<Candidate> = (0..voxels.len()).into_par_iter().map(vote).collect();
        let settled = next.iter().zip(&chosen).all(|(a, b)| a.offset == b.offset);
        chosen = next;
        if settled {
            break;
        }
    }
    let suspected = (0..voxels.len())
        .map(|k| {
            let mut far: Vec<f64> = neighbours(shape, voxels[k], &place)
                .iter()
                .map(|&n| distance(chosen[k].offset, chosen[n].offset))
                .collect();
            far.sort_by(f64::total_cmp);
            far.get(far.len() / 2).is_some_and(|&d| d > 0.5 * shift)
        })
        .collect();
    FieldMap { chosen, suspected }
}

/// Places of the listed voxels in a window of the same slice, without the voxel itself.
fn neighbours(shape: [usize; 3], voxel: usize, place: &[usize]) -> Vec<usize> {
    let [_, rows, columns] = shape;
    let (slice, row, column) = (voxel / (rows * columns), voxel / columns % rows, voxel % columns);
    let mut out = Vec::new();
    for r in row.saturating_sub(REACH)..(row + REACH + 1).min(rows) {
        for c in column.saturating_sub(REACH)..(column + REACH + 1).min(columns) {
            let other = (slice * rows + r) * columns + c;
            if other != voxel && place[other] != usize::MAX {
                out.push(place[other]);
            }
        }
    }
    out
}
