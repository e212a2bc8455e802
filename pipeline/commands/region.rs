//! Which region an acquisition is measured in: a person's, one delivered beside it where it fits, the answer of the
//! site's own segmenter where there is one, else the one found.

use crate::daemon::job::Amendment;
use crate::fit::{Noise, Survey};
use crate::intake::{RegionFile, RegionFileKind};
use crate::protocol::RegionLimits;
use crate::report::result::Predecessor;
use crate::roi::{self, Region, RegionFormat, SuppliedFile};
use crate::study::{Acquisition, Finding, Source};
use anyhow::Context as _;
use std::fs;

/// A person's region for an acquisition that was read before.
pub struct Amended {
    /// Digest of the acquisition.
    acquisition: String,
    name: String,
    format: RegionFormat,
    bytes: Vec<u8>,
    by: String,
    why: String,
    /// The report that the new one corrects.
    predecessor: Predecessor,
}

impl Amended {
    /// Reads the region's file.
    pub fn read(wanted: &Amendment) -> anyhow::Result<Self> {
        let path = wanted.region.path();
        let bytes = fs::read(path).context("cannot read the region's file")?;
        // A DICOM file has its mark after 128 bytes; what is neither is refused by who reads it.
        let format = if bytes.get(128..132) == Some(b"DICM") { RegionFormat::Seg } else { RegionFormat::Nifti };
        Ok(Self {
            acquisition: wanted.acquisition.clone(),
            name: path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default(),
            format,
            bytes,
            by: wanted.by.clone(),
            why: wanted.why.clone(),
            predecessor: wanted.predecessor.clone(),
        })
    }

    /// Whether it was drawn for this acquisition.
    fn concerns(&self, source: &Source) -> bool {
        self.acquisition == source.digest.as_str()
    }

    /// The report that the one of this acquisition corrects.
    pub fn corrects(&self, source: &Source) -> Option<Predecessor> {
        self.concerns(source).then(|| self.predecessor.clone())
    }
}

/// What came from outside.
#[derive(Clone, Copy)]
pub struct Given<'a> {
    /// Regions delivered with the series.
    pub files: &'a [RegionFile],
    /// A person's region.
    pub amended: Option<&'a Amended>,
    /// The site's own segmenter.
    pub segmenter: Option<&'a dyn Segment>,
}

/// Draws a region when asked for one.
pub trait Segment {
    /// The region, or why there is none.
    fn region(&self, acquisition: &Acquisition, survey: &Survey, limits: &RegionLimits) -> Result<Region, Finding>;
}

/// The region, and why others were not used. A person's region for this acquisition goes before all; else the first
/// delivered region that lies on its grid; else the answer of the site's own segmenter; where none serves, the liver is
/// searched for and every refusal is a finding.
pub fn of_acquisition(
    acquisition: &Acquisition,
    survey: &Survey,
    noise: &Noise,
    limits: &RegionLimits,
    given: Given<'_>,
) -> (Region, Vec<Finding>) {
    let mut refused = Vec::new();
    let amended = given.amended.filter(|amended| amended.concerns(acquisition.source()));
    if let Some(amended) = amended {
        let file = SuppliedFile { name: &amended.name, format: amended.format, bytes: &amended.bytes };
        match roi::amended(acquisition, survey, limits, &file, &amended.by, &amended.why) {
            Ok(region) => return (region, Vec::new()),
            Err(finding) => refused.push(finding),
        }
    }
    for file in given.files {
        let name = file.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let format = match file.kind {
            RegionFileKind::Seg => RegionFormat::Seg,
            RegionFileKind::Nifti => RegionFormat::Nifti,
        };
        let supplied = SuppliedFile { name: &name, format, bytes: &file.bytes };
        match roi::supplied(acquisition, survey, limits, &supplied) {
            Ok(region) => return (region, Vec::new()),
            Err(finding) => refused.push(finding),
        }
    }
    // Where a person drew a region that cannot be used, no other is of use to them.
    if let Some(segmenter) = given.segmenter.filter(|_| amended.is_none()) {
        match segmenter.region(acquisition, survey, limits) {
            Ok(region) => return (region, refused),
            Err(finding) => refused.push(finding),
        }
    }
    (roi::find(acquisition, survey, noise, limits), refused)
}
