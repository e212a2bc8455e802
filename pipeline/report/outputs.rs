//! Which files a site wants, and how.

use super::words::Language;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The structured report's form.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum StructuredReport {
    /// Comprehensive 3D SR.
    #[default]
    #[serde(rename = "comprehensive-3d")]
    Comprehensive3d,
    /// Enhanced SR with the same tree, for archives that do not take the other.
    Enhanced,
    /// None.
    None,
}

/// What the content of images may be used for (Content Qualification).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Qualification {
    /// `RESEARCH`.
    #[default]
    Research,
    /// `PRODUCT`; the site answers for it.
    Product,
}

/// Which files are composed beside `result.json`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields, rename_all = "kebab-case")]
pub struct Outputs {
    /// Language of pictures and pages.
    pub language: Language,
    /// `qc.png`.
    pub quality_picture: bool,
    /// `roi.dcm` and `excluded.dcm`.
    pub segmentations: bool,
    /// `r2star.dcm`.
    pub r2star_map: bool,
    /// `lic.dcm`: the map scaled to LIC. Off unless asked for, because a voxel is not a reading.
    pub lic_map: bool,
    /// `report.dcm`.
    pub structured_report: StructuredReport,
    /// `qc.dcm`: the quality picture for the archive.
    pub capture: bool,
    /// `report.html`.
    pub page: bool,
    /// `report.pdf`.
    pub pdf: bool,
    /// `page.dcm`: the PDF for the archive.
    pub encapsulated_pdf: bool,
    /// `fhir.json`.
    pub fhir: bool,
    /// `oru.hl7`.
    pub hl7: bool,
    /// `echoes.nii.gz`, `r2star.nii.gz`, `roi.nii.gz`.
    pub nifti: bool,
    /// `row.csv`: the line for the site's table.
    pub table_row: bool,
    /// First Series Number of our series.
    pub first_series_number: i64,
    /// Content Qualification of maps.
    pub qualification: Qualification,
    /// FHIR system of patient identifiers; `urn:siderolog:patient-id` where the site names none.
    pub patient_id_system: Option<String>,
    /// Sending facility, receiving application and receiving facility of HL7 messages.
    pub hl7_names: [String; 3],
    /// A LOINC code for LIC, where the site has decided on one; none by default, because the known codes mean
    /// chemistry on a specimen.
    pub lic_loinc: Option<String>,
}

impl Default for Outputs {
    fn default() -> Self {
        Self {
            language: Language::English,
            quality_picture: true,
            segmentations: true,
            r2star_map: true,
            lic_map: false,
            structured_report: StructuredReport::Comprehensive3d,
            capture: true,
            page: true,
            pdf: true,
            encapsulated_pdf: true,
            fhir: true,
            hl7: true,
            nifti: false,
            table_row: true,
            first_series_number: 9001,
            qualification: Qualification::Research,
            patient_id_system: None,
            hl7_names: ["SIDEROLOG".to_owned(), "RIS".to_owned(), "HOSPITAL".to_owned()],
            lic_loinc: None,
        }
    }
}
