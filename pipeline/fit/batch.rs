//! Many voxels: gathered into lanes, fitted block by block on rayon's threads, scattered into maps.

use super::dispatch::{self, Level, Work};
use super::lanes::{Column, Lane, Real};
use rayon::prelude::*;

/// Voxels that advance together.
pub const LANES: usize = 64;

/// Iterations after which a block ends and its slow voxels are gathered into blocks of their own, so that one of them
/// does not keep all the others waiting; those left after the last round are given up. A voxel starts anew each time, so
/// that its result does not depend on the round.
const ROUNDS: [u8; 3] = [8, 18, 60];

/// Voxels handed to a thread at a time. Fixed, so that nothing depends on how many threads there are.
const VOXELS_A_TASK: usize = 1024;

/// What became of a voxel.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Default)]
#[repr(u8)]
pub enum State {
    /// A value with its standard error.
    Fitted = 0,
    /// R2* above what the echoes can tell; as an order statistic it counts as higher than any value.
    AtBound = 1,
    /// No echo stands above the noise.
    NoSignal = 2,
    /// The iteration did not settle.
    NotConverged = 3,
    /// Not asked for.
    #[default]
    NotTried = 4,
    /// R2* below what the echoes can tell (the signal grows); as an order statistic lower than any value.
    BelowBound = 5,
}

/// Values of one map for every voxel, in the order of the samples; not a number where a voxel has none.
#[derive(Clone, Debug)]
pub struct Maps<T = f32> {
    /// R2*, 1/s, where the state is fitted.
    pub r2star: Vec<T>,
    /// Standard error of R2*, 1/s, from the known noise level.
    pub standard_error: Vec<T>,
    /// Signal at echo time zero, in the units of the samples.
    pub s0: Vec<T>,
    /// Constant of the model with an offset, in the units of the samples.
    pub offset: Vec<T>,
    /// Fat over fat and water signal, of the models with fat.
    pub fat_fraction: Vec<T>,
    /// Standard error of the fat fraction.
    pub fat_error: Vec<T>,
    /// Whether both solutions of the magnitude water-fat ambiguity explain the voxel equally well.
    pub ambiguous: Vec<bool>,
    /// Root mean square of the residuals over the fitted signal at the first echo.
    pub residual: Vec<T>,
    /// State.
    pub state: Vec<State>,
    /// Iterations taken.
    pub iterations: Vec<u8>,
}

impl<T: Real> Maps<T> {
    /// For this many voxels, none tried.
    pub fn untried(voxels: usize) -> Self {
        let none = || vec![T::NAN; voxels];
        Self {
            r2star: none(),
            standard_error: none(),
            s0: none(),
            offset: none(),
            fat_fraction: none(),
            fat_error: none(),
            ambiguous: vec![false; voxels],
            residual: none(),
            state: vec![State::NotTried; voxels],
            iterations: vec![0; voxels],
        }
    }

    /// Copies a fit of some voxels to their places in maps of all.
    pub fn place(&mut self, part: &Self, voxels: impl Iterator<Item = usize>) {
        for (k, voxel) in voxels.enumerate() {
            self.r2star[voxel] = part.r2star[k];
            self.standard_error[voxel] = part.standard_error[k];
            self.s0[voxel] = part.s0[k];
            self.offset[voxel] = part.offset[k];
            self.fat_fraction[voxel] = part.fat_fraction[k];
            self.fat_error[voxel] = part.fat_error[k];
            self.ambiguous[voxel] = part.ambiguous[k];
            self.residual[voxel] = part.residual[k];
            self.state[voxel] = part.state[k];
            self.iterations[voxel] = part.iterations[k];
        }
    }

    /// Of consecutive parts.
    fn of_parts(parts: &[Self]) -> Self {
        let mut all = Self::untried(0);
        for part in parts {
            all.r2star.extend_from_slice(&part.r2star);
            all.standard_error.extend_from_slice(&part.standard_error);
            all.s0.extend_from_slice(&part.s0);
            all.offset.extend_from_slice(&part.offset);
            all.fat_fraction.extend_from_slice(&part.fat_fraction);
            all.fat_error.extend_from_slice(&part.fat_error);
            all.ambiguous.extend_from_slice(&part.ambiguous);
            all.residual.extend_from_slice(&part.residual);
            all.state.extend_from_slice(&part.state);
            all.iterations.extend_from_slice(&part.iterations);
        }
        all
    }

    /// R2* for medians and quartiles: the value where fitted, infinite where the voxel is beyond a limit of what the
    /// echoes can tell, `None` where nothing is known. Leaving the beyond out would pull a median towards the middle.
    pub fn ranked(&self, voxel: usize) -> Option<f64> {
        match self.state[voxel] {
            State::Fitted => Some(self.r2star[voxel].double()),
            State::AtBound => Some(f64::INFINITY),
            State::BelowBound => Some(f64::NEG_INFINITY),
            State::NoSignal | State::NotConverged | State::NotTried => None,
        }
    }
}

/// What came of one block.
pub struct Fitted<T, const L: usize> {
    /// R2*, 1/s, also at a limit.
    pub rate: Lane<T, L>,
    /// Its standard error.
    pub error: Lane<T, L>,
    /// Signal at echo time zero over σ.
    pub start: Lane<T, L>,
    /// Constant over σ.
    pub offset: Lane<T, L>,
    /// Fat fraction.
    pub fat: Lane<T, L>,
    /// Its standard error.
    pub fat_error: Lane<T, L>,
    /// Whether the fat fraction has a rival.
    pub ambiguous: [bool; L],
    /// Relative residual.
    pub residual: Lane<T, L>,
    /// State.
    pub state: [State; L],
    /// Iterations.
    pub iterations: [u8; L],
}

impl<T: Real, const L: usize> Fitted<T, L> {
    /// No value at all.
    #[inline(always)]
    pub fn nothing() -> Self {
        let none = [T::NAN; L];
        Self {
            rate: none,
            error: none,
            start: none,
            offset: none,
            fat: none,
            fat_error: none,
            ambiguous: [false; L],
            residual: none,
            state: [State::NotConverged; L],
            iterations: [0; L],
        }
    }
}

/// A model with its echo times, ready for blocks of `E` rows by `L` voxels.
pub trait Kernel<T: Real, const E: usize, const L: usize>: Sync {
    /// Fits one block in at most so many iterations; the data are over σ, and zero in rows without an echo. The level
    /// says how wide registers are, and changes nothing else.
    fn block(&self, data: &Column<T, E, L>, most: u8, level: Level) -> Fitted<T, L>;
}

/// The noise level of one real channel.
#[derive(Clone, Copy, Debug)]
pub enum Sigma<'a> {
    /// The same everywhere.
    Uniform(f64),
    /// One for each voxel.
    PerVoxel(&'a [f32]),
}

impl Sigma<'_> {
    /// At this voxel.
    #[inline(always)]
    pub fn at(self, voxel: usize) -> f64 {
        match self {
            Self::Uniform(sigma) => sigma,
            Self::PerVoxel(map) => map.get(voxel).copied().map_or(f64::NAN, f64::from),
        }
    }
}

/// Samples, echo × voxel, in rows of consecutive voxels.
#[derive(Clone, Copy)]
pub struct Samples<'a, T> {
    /// Rows of consecutive voxels.
    pub rows: &'a [&'a [T]],
    /// Noise level.
    pub sigma: Sigma<'a>,
    /// Times σ that an echo must exceed for the voxel to be tried; the others get [`State::NoSignal`].
    pub threshold: f64,
}

/// One thread's share: consecutive voxels.
struct Task<'a, K, T, const E: usize, const L: usize> {
    kernel: &'a K,
    samples: Samples<'a, T>,
    first: usize,
    count: usize,
}

impl<T: Real, K: Kernel<T, E, L>, const E: usize, const L: usize> Task<'_, K, T, E, L> {
    #[inline(always)]
    fn block(&self, places: &[u32], most: u8, level: Level) -> Fitted<T, L> {
        let mut data = [[T::ZERO; L]; E];
        let first = self.first + places[0] as usize;
        let run = places.len() == L && places[L - 1] as usize == places[0] as usize + L - 1;
        if let (true, Sigma::Uniform(sigma)) = (run, self.samples.sigma) {
            let scale = T::of(1.0 / sigma);
            for (column, row) in data.iter_mut().zip(self.samples.rows) {
                for (out, &value) in column.iter_mut().zip(&row[first..first + L]) {
                    *out = value * scale;
                }
            }
            return self.kernel.block(&data, most, level);
        }
        for l in 0..L {
            // A last, short block repeats its first voxel: every lane always has a real decay.
            let voxel = self.first + places[if l < places.len() { l } else { 0 }] as usize;
            let scale = T::of(1.0 / self.samples.sigma.at(voxel));
            for (column, row) in data.iter_mut().zip(self.samples.rows) {
                column[l] = row[voxel] * scale;
            }
        }
        self.kernel.block(&data, most, level)
    }

    /// Puts what a block found at these places of the part.
    #[inline(always)]
    fn keep(&self, places: &[u32], fitted: &Fitted<T, L>, part: &mut Maps<T>) {
        for (l, &place) in places.iter().enumerate() {
            let place = place as usize;
            part.state[place] = fitted.state[l];
            part.iterations[place] = fitted.iterations[l];
            if fitted.state[l] != State::Fitted {
                continue;
            }
            let sigma = T::of(self.samples.sigma.at(self.first + place));
            part.r2star[place] = fitted.rate[l];
            part.standard_error[place] = fitted.error[l];
            part.s0[place] = fitted.start[l] * sigma;
            part.offset[place] = fitted.offset[l] * sigma;
            part.fat_fraction[place] = fitted.fat[l];
            part.fat_error[place] = fitted.fat_error[l];
            part.ambiguous[place] = fitted.ambiguous[l];
            part.residual[place] = fitted.residual[l];
        }
    }

    /// Places of the voxels in which an echo stands above the noise; the others are marked.
    #[inline(always)]
    fn with_signal(&self, part: &mut Maps<T>) -> Vec<u32> {
        let mut highest = [T::ZERO; VOXELS_A_TASK];
        for row in self.samples.rows {
            for (high, &value) in highest.iter_mut().zip(&row[self.first..self.first + self.count]) {
                *high = value.at_least(*high);
            }
        }
        let mut kept = Vec::with_capacity(self.count);
        for (place, high) in highest.iter().take(self.count).enumerate() {
            let sigma = self.samples.sigma.at(self.first + place);
            // A noise level that is not a positive number fails the comparison.
            if sigma > 0.0 && high.double() > self.samples.threshold * sigma {
                kept.push(place as u32);
            } else {
                part.state[place] = State::NoSignal;
            }
        }
        kept
    }
}

impl<T: Real, K: Kernel<T, E, L>, const E: usize, const L: usize> Work for Task<'_, K, T, E, L> {
    /// One entry for each voxel of the task.
    type Output = Maps<T>;

    #[inline(always)]
    fn run(self, level: Level) -> Self::Output {
        let mut part = Maps::untried(self.count);
        let mut waiting = self.with_signal(&mut part);
        // All rounds in one loop: what a block calls is inlined, and should be so once.
        for most in ROUNDS {
            for places in waiting.chunks(L) {
                let fitted = self.block(places, most, level);
                self.keep(places, &fitted, &mut part);
            }
            waiting.retain(|&place| part.state[place as usize] == State::NotConverged);
        }
        part
    }
}

/// Fits every voxel of the samples. `WIDE` code is compiled for every level, other code once.
pub fn fit_all<T: Real, K: Kernel<T, E, L>, const E: usize, const L: usize, const WIDE: bool>(
    level: Level,
    kernel: &K,
    samples: Samples<'_, T>,
) -> Maps<T> {
    let voxels = samples.rows.first().map_or(0, |row| row.len());
    let one = |share: usize| {
        let first = share * VOXELS_A_TASK;
        let count = VOXELS_A_TASK.min(voxels - first);
        let task = Task::<K, T, E, L> { kernel, samples, first, count };
        if WIDE { dispatch::run(level, task) } else { task.run(Level::Baseline) }
    };
    let done: Vec<Maps<T>> = (0..voxels.div_ceil(VOXELS_A_TASK)).into_par_iter().map(one).collect();
    Maps::of_parts(&done)
}
