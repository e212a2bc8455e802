//! The names of the signal models, shared by profiles, calibrations, fits and results.

use serde::{Deserialize, Serialize};

/// A signal model of the gradient-echo decay.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ModelKind {
    /// S0·exp(−R2*·TE).
    Monoexponential,
    /// S0·exp(−R2*·TE) + C.
    MonoexponentialWithOffset,
    /// Monoexponential on the echoes that stand above the noise.
    Truncated,
    /// First moment of the noncentral chi distribution with known noise level.
    NoiseCorrected,
    /// Magnitude water-fat model with one R2* and the noise floor.
    FatCorrected,
    /// Complex water-fat-R2*-field model; has no noise floor.
    Complex,
}

impl ModelKind {
    /// Every model, in the order a person lists them.
    pub const ALL: [Self; 6] = [
        Self::Monoexponential,
        Self::MonoexponentialWithOffset,
        Self::Truncated,
        Self::NoiseCorrected,
        Self::FatCorrected,
        Self::Complex,
    ];

    /// The word used in profiles and results.
    pub fn word(self) -> &'static str {
        match self {
            Self::Monoexponential => "monoexponential",
            Self::MonoexponentialWithOffset => "monoexponential-with-offset",
            Self::Truncated => "truncated",
            Self::NoiseCorrected => "noise-corrected",
            Self::FatCorrected => "fat-corrected",
            Self::Complex => "complex",
        }
    }
}

impl std::fmt::Display for ModelKind {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.word())
    }
}
