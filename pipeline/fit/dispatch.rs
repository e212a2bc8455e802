//! Which instructions to use, found out once on the running CPU. The arithmetic is the same on every level and the
//! results are the same to the bit; only the width of the registers differs.
#![allow(unsafe_code)] // Calling a function compiled for a wider instruction set, after asking the CPU.

/// A set of vector instructions.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Level {
    /// What every CPU of this architecture has (SSE2 on x86-64).
    Baseline,
    /// 256-bit registers.
    Avx2,
    /// 512-bit registers.
    Avx512,
}

impl Level {
    /// Every level this CPU has, narrowest first.
    pub fn available() -> Vec<Self> {
        let mut levels = vec![Self::Baseline];
        #[cfg(target_arch = "x86_64")]
        {
            if is_x86_feature_detected!("avx2") {
                levels.push(Self::Avx2);
            }
            if is_x86_feature_detected!("avx512f")
                && is_x86_feature_detected!("avx512bw")
                && is_x86_feature_detected!("avx512dq")
                && is_x86_feature_detected!("avx512vl")
            {
                levels.push(Self::Avx512);
            }
        }
        levels
    }

    /// The widest this CPU has.
    pub fn best() -> Self {
        Self::available().pop().unwrap_or(Self::Baseline)
    }

    /// Whether this CPU has it.
    pub fn exists(self) -> bool {
        Self::available().contains(&self)
    }
}

/// Work that is compiled once for each level: everything it calls must be inlined into `run`.
pub trait Work {
    /// What it makes.
    type Output;
    /// Does it with these instructions. The level is a constant wherever this is inlined.
    fn run(self, level: Level) -> Self::Output;
}

/// Runs the work with these instructions, or with the baseline where the CPU lacks them.
pub fn run<W: Work>(level: Level, work: W) -> W::Output {
    #[cfg(target_arch = "x86_64")]
    if level.exists() {
        // SAFETY: the CPU has just said that it has these instructions.
        match level {
            Level::Avx512 => return unsafe { wide::avx512(work) },
            Level::Avx2 => return unsafe { wide::avx2(work) },
            Level::Baseline => {}
        }
    }
    let _ = level;
    work.run(Level::Baseline)
}

#[cfg(target_arch = "x86_64")]
mod wide {
    use super::{Level, Work};

    #[target_feature(enable = "avx2")]
    pub fn avx2<W: Work>(work: W) -> W::Output {
        work.run(Level::Avx2)
    }

    #[target_feature(enable = "avx512f,avx512bw,avx512dq,avx512vl")]
    pub fn avx512<W: Work>(work: W) -> W::Output {
        work.run(Level::Avx512)
    }
}
