//! Noise from the late echoes of voxels that have decayed into it, for scanners that blank the background.

use super::chi::Tally;
use crate::study::Acquisition;

/// Share of the noise plateau that the signal may still have at an echo that is used: a hundredth of its power.
const REMNANT: f64 = 0.1;
/// Times by which the first echo must exceed the plateau.
const ABOVE: f64 = 4.0;
/// Fewest samples that can speak.
const FEWEST: f64 = 1000.0;
/// Voxels that start within the noise can seem to decay; so many of the candidates must agree.
const AGREEING: f64 = 0.6;

/// A voxel whose first three echoes say that it decays fast.
struct Candidate {
    voxel: usize,
    first: f64,
    /// 1/s.
    rate: f64,
}

/// Tallies the late echoes, or `None` where too little has decayed.
pub fn estimate(acquisition: &Acquisition) -> Option<Tally> {
    let times = acquisition.echo_seconds();
    let late = times.len() - times.len() / 3;
    if times.len() < 6 {
        return None;
    }
    let samples = acquisition.magnitude();
    let since = |echo: usize| times[echo] - times[0];
    let candidates: Vec<Candidate> = (0..samples.ncols())
        .filter(|&voxel| acquisition.flaws()[voxel] == 0)
        .filter_map(|voxel| {
            let (first, third) = (f64::from(samples[[0, voxel]]), f64::from(samples[[2, voxel]]));
            let rate = libm::log(first / third) / since(2);
            // A hundredth of the first echo by the time the late ones begin.
            let fast = third > 0.0 && first > 0.0 && rate * since(late) > 4.6;
            fast.then_some(Candidate { voxel, first, rate })
        })
        .collect();
    let mut values: Vec<f64> = candidates
        .iter()
        .flat_map(|c| (late..times.len()).map(move |echo| f64::from(samples[[echo, c.voxel]])))
        .filter(|&value| value > 0.0)
        .collect();
    if (values.len() as f64) < FEWEST {
        return None;
    }
    values.sort_by(f64::total_cmp);
    let mut level = values[values.len() / 2];
    let mut kept = None;
    // The level decides who is in, never a voxel's own late echoes, or low ones would be preferred.
    for _ in 0..3 {
        let (mut tally, mut seen, mut agree) = (Tally::default(), 0.0, 0.0);
        for c in candidates.iter().filter(|c| c.first > ABOVE * level) {
            let gone = |echo: &usize| c.first * libm::exp(-c.rate * since(*echo)) < REMNANT * level;
            let mut own = Tally::default();
            for echo in (late..times.len()).filter(gone) {
                own.add(f64::from(samples[[echo, c.voxel]]));
            }
            if own.count < 2.0 {
                continue;
            }
            seen += 1.0;
            // Signal that came back (fat and water beating) is far above the plateau; noise alone seldom is.
            if own.mean() < level * (1.0 + 2.2 / own.count.sqrt()) {
                agree += 1.0;
                tally = tally.and(&own);
            }
        }
        if tally.count < FEWEST || agree < AGREEING * seen {
            return None;
        }
        level = tally.mean();
        kept = Some(tally);
    }
    kept.filter(|tally| (0.8..=80.0).contains(&tally.coil_elements()))
}
