//! Regions from elsewhere: delivered with the series, drawn by the site's own segmenter, or amended by a person.

use super::confidence::{self, Subject};
use super::drawn::{Drawn, RegionFormat, SuppliedFile, refusal, whole};
use super::lattice::Frame;
use super::region::{Exclusion, Region};
use super::{nifti, seg};
use crate::fit::{State, Survey};
use crate::protocol::RegionLimits;
use crate::study::{Acquisition, Digest, Finding, MaskOrigin, flaw};
use serde::{Deserialize, Serialize};

/// Smallest region of interest that is reported, mm² (common practice, no source).
const SMALLEST_MM2: f64 = 100.0;

/// One of several regions a person drew, as measured by the survey.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct NamedRegion {
    /// Its name in the file.
    pub name: String,
    /// Voxels measured.
    pub voxels: usize,
    /// Area in its largest slice, mm².
    pub area_mm2: f64,
    /// Median R2* of the survey, 1/s.
    pub median_r2star: Option<f64>,
}

/// Reads every region of a file onto the acquisition's grid; refused with the reason where patient, frame of
/// reference or grid differ.
pub fn read_regions(acquisition: &Acquisition, file: &SuppliedFile<'_>) -> Result<Vec<Drawn>, Finding> {
    let grid = acquisition.grid();
    let drawn = match file.format {
        RegionFormat::Seg => seg::read(grid, acquisition.header().patient.id.as_deref(), file)?,
        RegionFormat::Nifti => nifti::read(grid, file)?,
    };
    let drawn: Vec<Drawn> = drawn.into_iter().filter(|d| d.voxels.iter().any(|&v| v)).collect();
    if drawn.is_empty() {
        return Err(refusal(file.name, "no voxel is marked in it.", "at least one region".into(), "none".into()));
    }
    Ok(drawn)
}

/// The region delivered with the series. Of several the whole liver decides; [`Region::named`] has them all.
pub fn supplied(
    acquisition: &Acquisition,
    survey: &Survey,
    limits: &RegionLimits,
    file: &SuppliedFile<'_>,
) -> Result<Region, Finding> {
    given(acquisition, survey, limits, file, MaskOrigin::Supplied { from: file.name.to_owned() })
}

/// The answer of the site's own segmenter, in the same way: its name and the digest of the answer are kept with it.
pub fn segmented(
    acquisition: &Acquisition,
    survey: &Survey,
    limits: &RegionLimits,
    file: &SuppliedFile<'_>,
    by: &str,
) -> Result<Region, Finding> {
    let digest = Digest::of(file.bytes);
    let origin = MaskOrigin::Segmented { by: by.to_owned(), from: file.name.to_owned(), digest };
    given(acquisition, survey, limits, file, origin)
}

/// The region as a person amended it, in the same way: who and why are kept with it.
pub fn amended(
    acquisition: &Acquisition,
    survey: &Survey,
    limits: &RegionLimits,
    file: &SuppliedFile<'_>,
    by: &str,
    why: &str,
) -> Result<Region, Finding> {
    given(acquisition, survey, limits, file, MaskOrigin::Amended { by: by.to_owned(), why: why.to_owned() })
}

fn given(
    acquisition: &Acquisition,
    survey: &Survey,
    limits: &RegionLimits,
    file: &SuppliedFile<'_>,
    origin: MaskOrigin,
) -> Result<Region, Finding> {
    let drawn = read_regions(acquisition, file)?;
    let Some(decides) = whole(&drawn) else {
        return Err(refusal(file.name, "no voxel is marked in it.", "at least one region".into(), "none".into()));
    };
    let frame = Frame::of(acquisition.grid());
    let judged = |organ: &[bool], limits: &RegionLimits| {
        // A person's outline is measured as drawn; only what has no usable sample is left out.
        let excluded = (0..organ.len())
            .map(|k| match (organ[k], acquisition.flaws()[k] != flaw::NONE, survey.state[k]) {
                (false, ..) => 0,
                (true, true, _) => Exclusion::Flawed as u8,
                (true, false, State::NotConverged | State::NotTried) => Exclusion::Unfitted as u8,
                (true, false, _) => 0,
            })
            .collect();
        let subject = Subject {
            acq: acquisition,
            organ: organ.to_vec(),
            excluded,
            r2star: &survey.r2star,
            standard_error: &survey.standard_error,
            trunk: None,
            across: None,
            back: None,
            agreement: None,
            doubts: None,
            origin: origin.clone(),
        };
        confidence::judge(subject, &frame, limits)
    };
    let named = drawn
        .iter()
        .map(|d| {
            let region = judged(&d.voxels, limits);
            let measures = region.measures();
            NamedRegion {
                name: d.name.clone(),
                voxels: measures.voxels,
                area_mm2: measures.area_mm2,
                median_r2star: measures.median_r2star,
            }
        })
        .filter(|named| named.area_mm2 >= SMALLEST_MM2)
        .collect();
    // The whole liver decides.
    Ok(Region { named, ..judged(&drawn[decides].voxels, limits) })
}
