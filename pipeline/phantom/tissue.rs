//! What each tissue contributes to the signal.

/// The tissues of the phantom; the discriminant is the label in [`super::Truth::labels`].
#[repr(u8)]
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Tissue {
    /// Outside the body.
    Air = 0,
    /// Under the skin and between the organs.
    Fat,
    /// Body wall, back and diaphragm.
    Muscle,
    /// Liver parenchyma.
    Liver,
    /// Hepatic and portal veins.
    Vessel,
    /// Cyst in the liver.
    Lesion,
    /// Gallbladder.
    Gallbladder,
    /// Spleen.
    Spleen,
    /// Kidney.
    Kidney,
    /// What fills stomach or bowel.
    Contents,
    /// Wall of stomach or bowel, pancreas.
    Gut,
    /// Gas in stomach or bowel.
    Gas,
    /// Aorta, inferior vena cava, heart chambers.
    Blood,
    /// Heart muscle.
    Heart,
    /// Lung.
    Lung,
    /// Cortical bone.
    Bone,
    /// Marrow of vertebrae and ribs.
    Marrow,
    /// Intervertebral disc.
    Disc,
    /// Spinal canal.
    Canal,
    /// Free fluid in the belly.
    Fluid,
}

/// Signal of one tissue.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Properties {
    /// Signal at echo time zero, water and fat together, liver without fat = 1: proton density, T1 weighting
    /// and inflow of a spoiled gradient echo.
    pub signal: f64,
    /// R2*, 1/s.
    pub r2star: f64,
    /// Proton density fat fraction.
    pub fat: f64,
}

impl Tissue {
    /// All, in order of their labels.
    pub const ALL: [Self; 20] = [
        Self::Air,
        Self::Fat,
        Self::Muscle,
        Self::Liver,
        Self::Vessel,
        Self::Lesion,
        Self::Gallbladder,
        Self::Spleen,
        Self::Kidney,
        Self::Contents,
        Self::Gut,
        Self::Gas,
        Self::Blood,
        Self::Heart,
        Self::Lung,
        Self::Bone,
        Self::Marrow,
        Self::Disc,
        Self::Canal,
        Self::Fluid,
    ];

    /// Number of tissues.
    pub const COUNT: usize = Self::ALL.len();

    /// Whether it lies in the liver's outline and is not parenchyma.
    pub fn in_liver(self) -> bool {
        matches!(self, Self::Liver | Self::Vessel | Self::Lesion)
    }

    /// Properties at this field strength. The liver's R2* and fat are the recipe's, not these.
    ///
    /// R2* in 1/s at 1.5 T and 3 T, in between and beyond by a straight line. Values from memory of the
    /// relaxometry literature, plausible rather than exact: no test rests on them. Signals are common practice
    /// for a short repetition time, no source.
    pub fn properties(self, field_t: f64) -> Properties {
        let (signal, at_1_5, at_3, fat) = match self {
            Self::Air | Self::Gas => (0.0, 0.0, 0.0, 0.0),
            Self::Fat => (1.55, 38.0, 55.0, 0.94),
            Self::Muscle => (0.80, 32.0, 42.0, 0.02),
            Self::Liver => (1.0, 30.0, 50.0, 0.0),
            Self::Vessel => (1.30, 14.0, 34.0, 0.0),
            Self::Lesion => (0.60, 4.0, 6.0, 0.0),
            Self::Gallbladder => (0.70, 4.0, 6.0, 0.0),
            Self::Spleen => (0.85, 22.0, 38.0, 0.0),
            Self::Kidney => (0.85, 16.0, 27.0, 0.0),
            Self::Contents => (0.75, 18.0, 32.0, 0.05),
            Self::Gut => (0.80, 32.0, 50.0, 0.03),
            Self::Blood => (1.45, 10.0, 24.0, 0.0),
            Self::Heart => (0.90, 28.0, 42.0, 0.02),
            Self::Lung => (0.22, 650.0, 1300.0, 0.0),
            Self::Bone => (0.08, 900.0, 1200.0, 0.0),
            Self::Marrow => (0.90, 75.0, 120.0, 0.40),
            Self::Disc => (0.65, 18.0, 26.0, 0.0),
            Self::Canal => (0.55, 5.0, 9.0, 0.0),
            Self::Fluid => (0.50, 3.0, 5.0, 0.0),
        };
        let r2star: f64 = at_1_5 + (at_3 - at_1_5) * (field_t - 1.5) / 1.5;
        Properties { signal, r2star: r2star.max(0.5 * at_1_5), fat }
    }
}
