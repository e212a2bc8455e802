//! Units as types. Milliseconds exist only at the edges (DICOM, YAML, JSON).

use serde::{Deserialize, Serialize};

macro_rules! unit {
    ($(#[$doc:meta])* $name:ident, $symbol:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub f64);

        impl $name {
            /// The symbol a person reads after the number.
            pub const SYMBOL: &'static str = $symbol;

            /// The bare number, in this unit.
            pub fn get(self) -> f64 {
                self.0
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                write!(f, "{} {}", crate::study::text::plain(self.0), $symbol)
            }
        }
    };
}

unit!(
    /// A time, such as an echo time, in seconds.
    Seconds,
    "s"
);
unit!(
    /// A rate, such as R2*, in 1/s.
    PerSecond,
    "/s"
);
unit!(
    /// A length in millimetres.
    Millimetres,
    "mm"
);
unit!(
    /// Liver iron concentration in mg iron per g dry tissue.
    MilligramsPerGram,
    "mg/g"
);
unit!(
    /// A magnetic flux density in tesla.
    Tesla,
    "T"
);

impl Seconds {
    /// From milliseconds, the unit of DICOM, YAML and JSON.
    pub fn from_millis(ms: f64) -> Self {
        Self(ms / 1000.0)
    }

    /// In milliseconds, rounded to the picosecond so that 0.0023 s prints as 2.3 ms.
    pub fn as_millis(self) -> f64 {
        (self.0 * 1e12).round() / 1e9
    }
}

/// Standard atomic weight of iron in g/mol (IUPAC).
pub const IRON_G_PER_MOL: f64 = 55.845;

impl MilligramsPerGram {
    /// The same concentration in µmol/g: 1 mg/g = 1000/55.845 µmol/g.
    pub fn as_umol_per_g(self) -> f64 {
        self.0 * 1000.0 / IRON_G_PER_MOL
    }

    /// From µmol/g.
    pub fn from_umol_per_g(umol: f64) -> Self {
        Self(umol * IRON_G_PER_MOL / 1000.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn milliseconds_survive_the_round_trip() {
        for ms in [0.9, 2.3, 4.6, 5.19, 7.65, 12.46, 79.0] {
            assert_eq!(Seconds::from_millis(ms).as_millis(), ms);
        }
    }

    /// Conversions of the guideline thresholds; atomic weight 55.845 (IUPAC).
    #[test]
    fn molar_conversions_match_the_published_thresholds() {
        for (mg, umol) in [(1.8, 32.23), (3.0, 53.72), (3.2, 57.30), (5.0, 89.53), (7.0, 125.35), (15.0, 268.60)] {
            assert!((MilligramsPerGram(mg).as_umol_per_g() - umol).abs() < 0.005, "{mg}");
        }
        for (umol, mg) in [(36.0, 2.010), (130.0, 7.260), (466.0, 26.02), (700.0, 39.09)] {
            assert!((MilligramsPerGram::from_umol_per_g(umol).0 - mg).abs() < 0.005, "{umol}");
        }
    }
}
