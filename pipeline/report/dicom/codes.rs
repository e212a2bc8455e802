//! Codes, looked up in PS3.16 of the standard's dictionary as pydicom 3.0.2 holds it; our own under `99SIDEROLOG`.

use super::element::Code;

/// Our coding scheme.
pub const SCHEME: &str = "99SIDEROLOG";

/// A code of the DICOM, SNOMED, UCUM … schemes.
pub fn code(value: &str, scheme: &'static str, meaning: &str) -> Code {
    Code { value: value.to_owned(), scheme, meaning: meaning.to_owned() }
}

/// One of our own codes.
pub fn own(value: &str, meaning: &str) -> Code {
    code(value, SCHEME, meaning)
}

macro_rules! codes {
    ($($(#[$doc:meta])* $name:ident = ($value:literal, $scheme:expr, $meaning:literal);)+) => {
        $($(#[$doc])* pub fn $name() -> Code { code($value, $scheme, $meaning) })+
        /// Every own code with its meaning, for the manual.
        pub fn own_codes() -> Vec<Code> {
            vec![$($name()),+].into_iter().filter(|c| c.scheme == SCHEME).collect()
        }
    };
}

codes! {
    /// The liver.
    liver = ("10200004", "SCT", "Liver");
    /// Category of an organ.
    anatomical_structure = ("91723000", "SCT", "Anatomical Structure");
    /// Category of a lesion.
    abnormal_structure = ("49755003", "SCT", "Morphologically Abnormal Structure");
    /// Category of a place that is defined by where it lies.
    spatial_concept = ("309825002", "SCT", "Spatial and Relational Concept");
    /// A vessel.
    blood_vessel = ("59820001", "SCT", "Blood Vessel");
    /// The gallbladder.
    gallbladder = ("28231008", "SCT", "Gallbladder");
    /// A lesion.
    lesion = ("52988006", "SCT", "Lesion");
    /// An organ, as a finding.
    organ = ("91772007", "SCT", "Organ");
    /// R2*.
    r2star = ("126395", "DCM", "R2*");
    /// 1/s.
    per_second = ("/s", "UCUM", "/s");
    /// mg iron per g dry tissue; 16 characters, as many as a code value holds.
    mg_per_g = ("mg/g{dry_tissue}", "UCUM", "mg/g dry tissue");
    /// Percent.
    percent = ("%", "UCUM", "Percent");
    /// ml.
    cubic_centimetre = ("cm3", "UCUM", "cubic centimeter");
    /// Count of voxels.
    voxels = ("{voxels}", "UCUM", "voxels");
    /// mm.
    millimetre = ("mm", "UCUM", "mm");
    /// No unit.
    no_units = ("1", "UCUM", "no units");
    /// Count of pixels.
    pixels = ("{pixels}", "UCUM", "Pixels");
    /// A direction cosine.
    cosine = ("{-1:1}", "UCUM", "{-1:1}");
    /// Quantity, in a quantity definition.
    quantity = ("246205007", "SCT", "Quantity");
    /// Measurement method.
    measurement_method = ("370129005", "SCT", "Measurement Method");
    /// The derivation of a number.
    derivation = ("121401", "DCM", "Derivation");
    /// Mean.
    mean = ("373098007", "SCT", "Mean");
    /// Median.
    median = ("373099004", "SCT", "Median");
    /// Standard deviation.
    standard_deviation = ("386136009", "SCT", "Standard Deviation");
    /// Volume from voxels.
    volume = ("YEKZ", "IBSI", "Volume from Voxel Summation");
    /// Proton density fat fraction.
    fat_fraction = ("129100", "DCM", "Fat fraction");
    /// Acquisition equipment.
    acquisition_equipment = ("109101", "DCM", "Acquisition Equipment");
    /// Purpose of a source image.
    source_image = ("121322", "DCM", "Source image for image processing operation");
    /// Derivation of a segmentation.
    segmentation = ("113076", "DCM", "Segmentation");
    /// Derivation of a map.
    calculation = ("112187", "DCM", "Unspecified method of calculation");
    /// Family of the region's algorithm.
    morphological = ("123104", "DCM", "Morphological Operations");
    /// LIC.
    lic = ("LIC", SCHEME, "Liver iron concentration, dry weight, MR R2* derived");
    /// LIC at least this: the measured value lies above the measuring range.
    lic_at_least = ("LICATLEAST", SCHEME, "Liver iron concentration is at least, dry weight, MR R2* derived");
    /// LIC at most this: the measured value lies below the measuring range.
    lic_at_most = ("LICATMOST", SCHEME, "Liver iron concentration is at most, dry weight, MR R2* derived");
    /// Why LIC is not reported.
    lic_status = ("LICSTATUS", SCHEME, "Liver iron concentration not reported, reason");
    /// Lower end of the interval for a second scan.
    repeat_low = ("LICREPLOW", SCHEME, "Lower end of prediction interval for a repeated scan");
    /// Upper end of the interval for a second scan.
    repeat_high = ("LICREPHIGH", SCHEME, "Upper end of prediction interval for a repeated scan");
    /// Lower end of an interval of a value.
    interval_low = ("INTLOW", SCHEME, "Lower end of 95 % interval");
    /// Upper end of an interval of a value.
    interval_high = ("INTHIGH", SCHEME, "Upper end of 95 % interval");
    /// Voxels of the region.
    voxel_count = ("NVOX", SCHEME, "Number of voxels in region");
    /// Voxels of the region with a fit.
    fitted_count = ("NVOXFIT", SCHEME, "Number of voxels with valid fit");
    /// Share of voxels with a fit.
    fitted_share = ("FITFRAC", SCHEME, "Fraction of region voxels with valid fit");
    /// Lower end of the measuring range.
    range_low = ("R2SRANGELOW", SCHEME, "Lower end of R2* measuring range");
    /// Upper end of the measuring range.
    range_high = ("R2SRANGEHIGH", SCHEME, "Upper end of R2* measuring range");
    /// Where the value lies in it.
    range_position = ("RANGEPOS", SCHEME, "Position in measuring range");
    /// The fit as a method.
    fit_method = ("M-R2SFIT", SCHEME, "Decay fit of multi-echo gradient-echo signal");
    /// The calibration as a method.
    calibration_method = ("M-CALIB", SCHEME, "Published calibration of R2* to LIC");
    /// A finding as a flag.
    quality_flag = ("QCFLAG", SCHEME, "Analysis quality flag");
    /// The edge of the organ.
    edge = ("X-EDGE", SCHEME, "Edge of liver");
    /// The dome.
    dome = ("X-DOME", SCHEME, "Liver dome near lung");
    /// Near gas.
    near_gas = ("X-GAS", SCHEME, "Liver near gas");
    /// Unusable samples.
    flawed = ("X-FLAWED", SCHEME, "Voxel with unusable samples");
    /// No fit.
    unfitted = ("X-UNFITTED", SCHEME, "Voxel without valid fit");
    /// Outlier.
    outlier = ("X-OUTLIER", SCHEME, "Voxel far from its surroundings");
}
