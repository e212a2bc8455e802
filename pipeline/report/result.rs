//! The result document: what every other program reads. Names are the contract's; fields may be added, never renamed.

use crate::study::{Finding, Verdict};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The version written into `schema_version`.
pub const SCHEMA_VERSION: u32 = 1;

/// `result.json`. Every top-level key is present; null where its stage did not run or measured nothing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ResultDocument {
    /// Version of this document's form.
    pub schema_version: u32,
    /// What wrote it.
    pub software: Software,
    /// The worst severity among the findings.
    pub verdict: Verdict,
    /// Every finding, in stage order.
    pub findings: Vec<Finding>,
    /// What the scanner room is told.
    pub scanner_room: ScannerRoomNote,
    /// Whether this acquisition stands for its study.
    pub role: RoleKind,
    /// Why it is primary or supporting.
    pub role_reason: String,
    /// What was delivered.
    pub input: Input,
    /// How it was acquired, as far as the headers tell.
    pub acquisition: AcquisitionFacts,
    /// The profile it was checked against.
    pub profile: Option<ProfileFacts>,
    /// Noise of the images.
    pub noise: Option<NoiseFacts>,
    /// The decay fit in the region.
    pub fit: Option<FitFacts>,
    /// The measured region.
    pub roi: Option<RoiFacts>,
    /// R2* over the region, in 1/s; the interval covers this scan only.
    pub r2star_per_s: Option<R2Star>,
    /// Proton density fat fraction over the region, in percent.
    pub fat_fraction_percent: Option<FatFraction>,
    /// Liver iron concentration, mg iron per g dry tissue. Null when refused.
    pub lic_mg_per_g: Option<Lic>,
    /// What this acquisition could measure.
    pub measuring_range: Option<MeasuringRange>,
    /// Earlier readings of the patient, the change, the next scan.
    pub course: CourseFacts,
    /// The report this one corrects.
    pub predecessor: Option<Predecessor>,
    /// Files beside this one by purpose, relative to its folder.
    pub files: BTreeMap<String, String>,
    /// Digest of each of those files by name.
    #[serde(default)]
    pub file_digests: BTreeMap<String, String>,
}

/// What wrote the document.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Software {
    /// `siderolog`.
    pub name: String,
    /// Version of the package.
    pub version: String,
    /// Commit it was built from, or `unknown`.
    pub commit: String,
}

/// The four answers to the scanner room.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum RoomAnswer {
    /// The patient may leave.
    MayLeave,
    /// Repeat now, changing what the message says.
    RepeatNow,
    /// A repeat would give the same; the message says why.
    DoNotRepeat,
    /// Files are still missing.
    Waiting,
}

/// What the scanner room is told.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ScannerRoomNote {
    /// The answer.
    pub answer: RoomAnswer,
    /// One plain sentence.
    pub message: String,
}

/// Whether an acquisition stands for its study.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum RoleKind {
    /// The one that enters the course.
    Primary,
    /// Another of the same study.
    Supporting,
}

/// What was delivered.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Input {
    /// Digest over the instances: names the acquisition.
    pub digest: String,
    /// Number of SOP instances used.
    pub instances: usize,
    /// Study Instance UID.
    pub study_uid: Option<String>,
    /// Series Instance UIDs.
    pub series_uids: Vec<String>,
    /// Number, description and clock time of each series.
    pub series: Vec<SeriesLine>,
    /// Who.
    pub patient: PatientFacts,
    /// `YYYY-MM-DD`.
    pub study_date: Option<String>,
    /// Accession Number.
    pub accession: Option<String>,
    /// On which scanner.
    pub scanner: ScannerFacts,
}

/// One series, as a person in the scanner room knows it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct SeriesLine {
    /// Series Number.
    pub number: Option<i64>,
    /// Series Description.
    pub description: Option<String>,
    /// Clock time, `HH:MM:SS`.
    pub time: Option<String>,
}

/// The patient, as the headers name them.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PatientFacts {
    /// Patient ID.
    pub id: Option<String>,
    /// Patient's Name in DICOM form.
    pub name: Option<String>,
    /// `YYYY-MM-DD`.
    pub birth_date: Option<String>,
    /// `M`, `F` or `O`.
    pub sex: Option<String>,
}

/// The scanner.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct ScannerFacts {
    /// Manufacturer.
    pub manufacturer: Option<String>,
    /// Model.
    pub model: Option<String>,
    /// Serial number.
    pub serial: Option<String>,
    /// Station name.
    pub station: Option<String>,
    /// Software versions.
    pub software: Option<String>,
    /// Field strength in tesla.
    pub field_strength_t: Option<f64>,
}

/// How it was acquired.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct AcquisitionFacts {
    /// Echo times in ms, ascending; empty where no header tells one.
    pub echo_times_ms: Vec<f64>,
    /// Slice positions found.
    pub slices: Option<usize>,
    /// Rows of an image.
    pub rows: Option<usize>,
    /// Columns of an image.
    pub columns: Option<usize>,
    /// Distance between rows, between columns, mm.
    pub pixel_spacing_mm: Option<[f64; 2]>,
    /// Slice thickness, mm.
    pub slice_thickness_mm: Option<f64>,
    /// Repetition time, ms.
    pub repetition_time_ms: Option<f64>,
    /// Flip angle, degrees.
    pub flip_angle_deg: Option<f64>,
    /// Whether complex images came with it.
    pub has_phase: bool,
}

/// The profile.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct ProfileFacts {
    /// Name.
    pub name: String,
    /// Revision.
    pub revision: u32,
    /// Digest of its text.
    pub digest: String,
}

/// Noise of the images.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct NoiseFacts {
    /// Standard deviation of one real channel, in scaled units.
    pub sigma: Option<f64>,
    /// Effective number of coil elements.
    pub coil_elements: Option<f64>,
    /// How it was found.
    pub method: String,
    /// Median signal of the region's first echo over sigma.
    pub snr_first_echo: Option<f64>,
}

/// The decay fit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FitFacts {
    /// Name of the signal model.
    pub model: String,
    /// Why this model.
    pub reason: String,
    /// Voxels of the region.
    pub voxels: usize,
    /// Of them without a value.
    pub failed: usize,
    /// Median over the region's voxels of the residual relative to the first echo.
    pub median_relative_residual: Option<f64>,
}

/// The measured region.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct RoiFacts {
    /// `automatic`, `supplied` or `amended`.
    pub method: String,
    /// Voxels.
    pub voxels: usize,
    /// Slices with at least one voxel.
    pub slices: usize,
    /// Volume in ml.
    pub volume_ml: Option<f64>,
    /// Digest of the region.
    pub digest: String,
    /// Voxels of the organ left out, by reason.
    pub excluded: BTreeMap<String, usize>,
    /// Who amended it and why.
    pub amended: Option<Amended>,
    /// The site's own segmenter, where the region is its answer; absent otherwise.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub segmenter: Option<SegmenterFacts>,
    /// Every region of the file it was read from, where it was not found by the service.
    #[serde(default)]
    pub regions: Vec<NamedRegion>,
    /// R2* slice by slice.
    #[serde(default)]
    pub by_slice: Vec<SliceFacts>,
    /// Voxels by R2*.
    pub histogram: Option<HistogramFacts>,
}

/// A person's hand in the region.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Amended {
    /// Who.
    pub by: String,
    /// Why.
    pub why: String,
}

/// The answer of a site's own segmenter.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct SegmenterFacts {
    /// What the site calls it.
    pub name: String,
    /// The file it answered with.
    pub file: String,
    /// Digest of that file.
    pub digest: String,
}

/// One of several regions of a file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct NamedRegion {
    /// Its name in the file.
    pub name: String,
    /// Voxels measured.
    pub voxels: usize,
    /// Area in its largest slice, mm².
    pub area_mm2: f64,
    /// Median R2* of the survey, 1/s.
    pub median_r2star_per_s: Option<f64>,
}

/// R2* in one slice of the region, 1/s, over voxels with a value.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SliceFacts {
    /// Index of the slice, from 0 along the normal.
    pub slice: usize,
    /// Voxels of the region.
    pub voxels: usize,
    /// Median.
    pub median: Option<f64>,
    /// First quartile.
    pub q25: Option<f64>,
    /// Third quartile.
    pub q75: Option<f64>,
}

/// Voxels of the region by R2*.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HistogramFacts {
    /// Where the first bin begins, 1/s.
    pub first_per_s: f64,
    /// Width of a bin, 1/s.
    pub width_per_s: f64,
    /// Voxels below the first bin.
    pub below: usize,
    /// Voxels in each bin.
    pub counts: Vec<usize>,
    /// Voxels above the last bin.
    pub above: usize,
}

/// R2* over the region.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct R2Star {
    /// Median.
    pub median: Option<f64>,
    /// Mean.
    pub mean: Option<f64>,
    /// Standard deviation over voxels.
    pub sd: Option<f64>,
    /// First quartile over voxels.
    pub q25: Option<f64>,
    /// Third quartile over voxels.
    pub q75: Option<f64>,
    /// Lower end of the interval of the median.
    pub low: Option<f64>,
    /// Upper end of the interval of the median.
    pub high: Option<f64>,
    /// Coverage of the interval.
    pub level: Option<f64>,
}

/// Fat fraction over the region.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct FatFraction {
    /// Median, percent.
    pub median: Option<f64>,
    /// Lower end.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
    /// Coverage.
    pub level: Option<f64>,
}

/// Whether a value is the value or a bound.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Relation {
    /// The value.
    Equal,
    /// Above the measuring range: at least the value.
    AtLeast,
    /// Below the measuring range: at most the value.
    AtMost,
}

impl Relation {
    /// What stands before the number: nothing, `≥ ` or `≤ `.
    pub fn sign(self) -> &'static str {
        match self {
            Self::Equal => "",
            Self::AtLeast => "≥ ",
            Self::AtMost => "≤ ",
        }
    }
}

/// Liver iron concentration.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Lic {
    /// mg iron per g dry tissue.
    pub value: f64,
    /// Whether it is the value or a bound.
    pub relation: Relation,
    /// Lower bound of the tissue's chemical concentration, calibration error included.
    pub low: Option<f64>,
    /// Upper bound.
    pub high: Option<f64>,
    /// Lower end of what a second scan today would give.
    pub repeat_low: Option<f64>,
    /// Upper end.
    pub repeat_high: Option<f64>,
    /// Coverage of both intervals.
    pub level: Option<f64>,
    /// The value in µmol/g.
    pub umol_per_g: f64,
    /// Name of the calibration.
    pub calibration: String,
    /// Its source.
    pub source: String,
    /// Derived: total body iron in mg per kg body weight, with the same relation.
    pub total_body_iron_mg_per_kg: Option<f64>,
}

/// Where the measured value lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Position {
    /// Inside the measuring range.
    Inside,
    /// Above it.
    Above,
    /// Below it.
    Below,
}

/// What the acquisition could measure.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MeasuringRange {
    /// Lower and upper R2*, 1/s.
    pub r2star_per_s: [f64; 2],
    /// The same in LIC, mg/g.
    pub lic_mg_per_g: Option<[f64; 2]>,
    /// Where the measured value lies.
    pub position: Position,
}

/// Earlier readings, change and next scan.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct CourseFacts {
    /// Earlier readings of the patient, oldest first, in today's calibration where that is possible.
    pub previous: Vec<EarlierReading>,
    /// Change since the last comparable one.
    pub change: Option<Change>,
    /// Change since the last one before treatment changed, where that is another one.
    pub change_since_event: Option<Change>,
    /// The trend over three or more.
    pub rate: Option<Rate>,
    /// When the next scan is due.
    pub next_scan: Option<NextScan>,
}

/// One earlier reading.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct EarlierReading {
    /// `YYYY-MM-DD`.
    pub study_date: Option<String>,
    /// Median R2*, 1/s.
    pub r2star_per_s: Option<f64>,
    /// LIC, mg/g.
    pub lic_mg_per_g: Option<f64>,
    /// Whether that is the value or a bound.
    pub relation: Option<Relation>,
    /// Lower end of its repeat interval.
    pub repeat_low: Option<f64>,
    /// Upper end of its repeat interval.
    pub repeat_high: Option<f64>,
    /// Field strength, T.
    pub field_strength_t: Option<f64>,
    /// Maker and model.
    pub scanner: Option<String>,
    /// Calibration the LIC is expressed in.
    pub calibration: Option<String>,
    /// The LIC as it was reported then, where today's calibration says otherwise.
    pub reported_lic_mg_per_g: Option<f64>,
    /// What differs from today's scan and widens the comparison.
    pub differs: Vec<String>,
    /// Why it cannot be compared with today's, if so.
    pub not_comparable: Option<String>,
}

/// Change since an earlier reading.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Change {
    /// Study date of the reading compared with.
    pub since: String,
    /// The treatment change it is measured from, if any.
    pub since_event: Option<String>,
    /// Today minus then, mg/g.
    pub lic_mg_per_g: Option<f64>,
    /// Lower end of its 95 % interval.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
    /// An unchanged patient differs by less in 95 of 100 pairs.
    pub reference_change_value: Option<f64>,
    /// `mg/g` or `percent`.
    pub reference_change_unit: String,
    /// Whether the difference exceeds that.
    pub real: bool,
    /// What differs between the two scans and widens the comparison.
    pub widened_by: Vec<String>,
    /// In a sentence.
    pub text: String,
}

/// The trend.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Rate {
    /// mg/g per year.
    pub per_year_mg_per_g: Option<f64>,
    /// Lower end of its 95 % interval.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
    /// Readings used, today's included.
    pub points: usize,
    /// In a sentence.
    pub text: String,
}

/// When the next scan is due.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct NextScan {
    /// Not later than this, `YYYY-MM-DD`.
    pub due: Option<String>,
    /// Name of the site's rule.
    pub rule: String,
    /// In a sentence.
    pub text: String,
    /// The rule's source.
    pub source: String,
}

/// The report that this one corrects.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Predecessor {
    /// Digest of the corrected report.
    pub digest: String,
    /// Its structured report, where one was written.
    pub structured_report: Option<PredecessorObject>,
}

/// The DICOM object of the corrected report.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct PredecessorObject {
    /// SOP Class UID.
    pub class_uid: String,
    /// SOP Instance UID.
    pub uid: String,
    /// Series Instance UID.
    pub series_uid: String,
}

impl ResultDocument {
    /// The document as it is written: two-space JSON with a final newline. Not-finite numbers cannot occur in it.
    pub fn to_json(&self) -> String {
        // Only maps with non-text keys can fail here, and there are none.
        let mut text = serde_json::to_string_pretty(self).unwrap_or_default();
        text.push('\n');
        text
    }

    /// Field strength in tesla.
    pub fn field_strength(&self) -> Option<f64> {
        self.input.scanner.field_strength_t
    }
}

/// The JSON schema of [`ResultDocument`], as `config/schema/result.json` holds it.
pub fn schema() -> String {
    let schema = schemars::schema_for!(ResultDocument);
    let mut text = serde_json::to_string_pretty(&schema).unwrap_or_default();
    text.push('\n');
    text
}

/// `Some` only for a finite number: what was not measured is null, never NaN.
pub fn measured(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}
