//! Complex water-fat-R2*-field model: (W + F·c(TE))·exp(i·2π·ψ·TE)·exp(−R2*·TE), W and F complex, c the fat
//! spectrum's signal, ψ the field offset. Complex noise has no floor. W and F are linear, R2* and ψ are not.
//!
//! In double precision, one voxel at a time: its start comes from the field map (`field.rs`), which has to see the
//! whole neighbourhood first.

use crate::fit::echoes::rate_limits;
use crate::fit::lanes::Lane;
use crate::fit::projection::{Basis, Curves, Projected};
use crate::fit::solver::minimise;
use crate::fit::spectrum::FatSpectrum;
use std::f64::consts::TAU;

const ITERATIONS: u8 = 40;

/// The model of one echo train; even rows are real parts, odd rows imaginary parts.
#[derive(Clone, Debug)]
pub struct ComplexDecay {
    times: Vec<f64>,
    /// Signal of unit fat at each echo.
    pub fat: Vec<[f64; 2]>,
    rates: [f64; 2],
    /// Lowest and highest field offset looked for, Hz.
    pub offsets: [f64; 2],
}

/// What came of one voxel.
#[derive(Clone, Copy, Debug)]
pub struct ComplexFit {
    /// R2*, 1/s.
    pub rate: f64,
    /// Its standard error.
    pub error: f64,
    /// Water at echo time zero over σ.
    pub water: f64,
    /// Fat at echo time zero over σ.
    pub fat: f64,
    /// Sum of squared residuals.
    pub cost: f64,
    /// Whether it settled.
    pub converged: bool,
    /// Iterations taken.
    pub iterations: u8,
}

impl ComplexDecay {
    /// For these echo times in seconds and field strength in tesla.
    pub fn new(times: &[f64], spectrum: FatSpectrum, field_strength: f64) -> Self {
        let shortest = times.windows(2).map(|w| w[1] - w[0]).fold(f64::INFINITY, f64::min);
        Self {
            times: times.to_vec(),
            fat: times.iter().map(|&t| spectrum.signal(field_strength, t)).collect(),
            rates: rate_limits(times),
            // Offsets a whole turn per spacing apart look alike.
            offsets: [-0.5 / shortest, 0.5 / shortest],
        }
    }

    /// Echo times in seconds.
    pub fn times(&self) -> &[f64] {
        &self.times
    }

    /// Curves of water and fat, real and imaginary amplitude each, at one echo.
    fn curves(&self, echo: usize, rate: f64, offset: f64) -> [[f64; 2]; 4] {
        let t = self.times[echo];
        let decay = libm::exp(-rate * t);
        let (sin, cos) = libm::sincos(TAU * offset * t);
        let water = [decay * cos, decay * sin];
        let [re, im] = self.fat[echo];
        let fat = [water[0] * re - water[1] * im, water[0] * im + water[1] * re];
        [water, [-water[1], water[0]], fat, [-fat[1], fat[0]]]
    }

    /// From this start (rate, offset); samples over σ, real and imaginary by turns, in `E` rows.
    pub fn fit<const E: usize>(&self, samples: &[f64], start: [f64; 2]) -> ComplexFit {
        let mut data = [[0.0; 1]; E];
        for (row, &value) in data.iter_mut().zip(samples) {
            row[0] = value;
        }
        let mut problem = Projected::<f64, _, 2, 4, E, 1>::new(self, &data, None);
        let end = minimise(&mut problem, start.map(|x| [x]), ITERATIONS);
        let [water, water_i, fat, fat_i] = problem.linear.map(|lane| lane[0]);
        let inside = end.at[0][0] > self.rates[0] && end.at[0][0] < self.rates[1];
        ComplexFit {
            rate: end.at[0][0],
            error: end.variance[0][0].sqrt(),
            water: water.hypot(water_i),
            fat: fat.hypot(fat_i),
            cost: end.cost[0],
            converged: end.converged[0] && inside,
            iterations: end.iterations[0],
        }
    }
}

impl<const E: usize> Basis<f64, 2, 4, E, 1> for ComplexDecay {
    fn count(&self) -> usize {
        2 * self.times.len()
    }

    fn fill(&self, at: &[Lane<f64, 1>; 2], curves: &mut Curves<f64, 2, 4, E, 1>) {
        for (echo, &t) in self.times.iter().enumerate() {
            for (k, [re, im]) in self.curves(echo, at[0][0], at[1][0]).into_iter().enumerate() {
                let turn = TAU * t;
                for (part, value, turned) in [(0, re, -im), (1, im, re)] {
                    let row = 2 * echo + part;
                    curves.columns[k][row][0] = value;
                    curves.slopes[0][k][row][0] = -t * value;
                    curves.slopes[1][k][row][0] = turn * turned;
                }
            }
        }
    }

    fn limits(&self) -> [[f64; 2]; 2] {
        // The offset may leave its range: the field map chose the turn it is in.
        [self.rates, self.offsets.map(|x| 3.0 * x)]
    }

    fn sizes(&self) -> [f64; 2] {
        [1.0, 1.0]
    }
}
