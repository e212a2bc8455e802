//! How sure a region is: measures, each with its limit and finding.

use super::lattice::Frame;
use super::region::{ExcludedCount, Exclusion, Region, RegionMeasures, SliceStatistics};
use super::search::median;
use super::sets::{count, dilate, erode};
use crate::protocol::RegionLimits;
use crate::study::text::plain;
use crate::study::{Acquisition, Finding, Mask, MaskOrigin, Severity, Stage};
use rayon::prelude::*;

/// A region to judge, everything in grid order.
pub(super) struct Subject<'a> {
    pub acq: &'a Acquisition,
    pub organ: Vec<bool>,
    pub excluded: Vec<u8>,
    pub r2star: &'a [f32],
    pub standard_error: &'a [f32],
    pub trunk: Option<Vec<bool>>,
    pub across: Option<Vec<f32>>,
    pub back: Option<Vec<f32>>,
    pub agreement: Option<f64>,
    pub doubts: Option<[f64; 3]>,
    pub origin: MaskOrigin,
}

impl Subject<'_> {
    fn measured(&self) -> Vec<bool> {
        self.organ.iter().zip(&self.excluded).map(|(&organ, &code)| organ && code == 0).collect()
    }

    fn rates(&self, set: &[bool]) -> Vec<f32> {
        rates_in(set, self.r2star)
    }

    fn median(&self, set: &[bool]) -> Option<f64> {
        median(&mut self.rates(set)).map(f64::from)
    }
}

/// The rates of a set.
fn rates_in(set: &[bool], r2star: &[f32]) -> Vec<f32> {
    set.iter().zip(r2star).filter(|&(&v, r)| v && r.is_finite() && *r > 0.0).map(|(_, &r)| r).collect()
}

/// Fewest voxels on each side of the midline for the two lobes to be compared.
const LOBE_VOXELS: usize = 60;

fn measure(subject: &Subject<'_>, frame: &Frame) -> RegionMeasures {
    let grid = subject.acq.grid();
    let measured = subject.measured();
    let voxels = count(&measured);
    let pixel = grid.row_spacing().0 * grid.column_spacing().0;
    let plane = grid.slice_voxels();
    let by_slice: Vec<SliceStatistics> = (0..grid.slices())
        .filter_map(|slice| {
            let range = slice * plane..(slice + 1) * plane;
            let voxels = count(&measured[range.clone()]);
            let mut rates = rates_in(&measured[range.clone()], &subject.r2star[range]);
            (voxels > 0).then(|| SliceStatistics {
                slice,
                voxels,
                area_mm2: voxels as f64 * pixel,
                median_r2star: median(&mut rates).map_or(f64::NAN, f64::from),
            })
        })
        .collect();
    let median_r2star = subject.median(&measured);
    let body_share = subject.trunk.as_ref().map(|trunk| {
        let mut sums = [0usize; 2];
        for (organ, trunk) in subject.organ.chunks(plane).zip(trunk.chunks(plane)) {
            if count(organ) > 0 {
                sums[0] += count(organ);
                sums[1] += count(trunk);
            }
        }
        sums[0] as f64 / sums[1].max(1) as f64
    });
    let centre = |values: &Option<Vec<f32>>| {
        let values = values.as_ref()?;
        let mut inside: Vec<f32> =
            measured.iter().zip(values).filter(|&(&v, x)| v && x.is_finite()).map(|(_, &x)| x).collect();
        median(&mut inside).map(f64::from)
    };
    let position = centre(&subject.across).zip(centre(&subject.back)).map(|(a, b)| [a, b]);
    let relative = |other: Option<f64>| Some((other? / median_r2star? - 1.0).abs());
    let pixel_reach = grid.row_spacing().0.max(grid.column_spacing().0);
    let lattice_set = frame.gather(&measured);
    let smaller = frame.scatter(&erode(&frame.lattice, &lattice_set, pixel_reach));
    let organ = frame.gather(&subject.organ);
    let excluded = frame.gather(&subject.excluded);
    let grown = dilate(&frame.lattice, &organ, pixel_reach);
    let larger: Vec<bool> = (0..grown.len()).map(|k| grown[k] && excluded[k] == 0).collect();
    let larger = frame.scatter(&larger);
    let instability = [&smaller, &larger]
        .into_iter()
        .filter(|set| count(set) >= LOBE_VOXELS)
        .filter_map(|set| relative(subject.median(set)))
        .reduce(f64::max);
    let lobe_difference = subject.across.as_ref().and_then(|across| {
        let side = |left: bool| -> Vec<bool> {
            measured.iter().zip(across).map(|(&v, &a)| v && (a > -0.05) == left).collect()
        };
        let (left, right) = (side(true), side(false));
        if count(&left) < LOBE_VOXELS || count(&right) < LOBE_VOXELS {
            return None;
        }
        Some(subject.median(&left)? / subject.median(&right)? - 1.0)
    });
    let logs: Vec<f64> = subject.rates(&measured).iter().map(|&r| libm::log(f64::from(r))).collect();
    let mut relative_errors: Vec<f32> = measured
        .iter()
        .zip(subject.r2star.iter().zip(subject.standard_error))
        .filter(|&(&v, (r, e))| v && *r > 0.0 && e.is_finite())
        .map(|(_, (r, e))| e / r)
        .collect();
    let noise = f64::from(median(&mut relative_errors).unwrap_or(0.0));
    RegionMeasures {
        voxels,
        organ_voxels: count(&subject.organ),
        slices: by_slice.len(),
        area_mm2: by_slice.iter().map(|s| s.area_mm2).fold(0.0, f64::max),
        volume_ml: grid.voxel_ml().map(|ml| ml * voxels as f64),
        body_share,
        position,
        median_r2star,
        heterogeneity: spread(&logs).map(|all| (all * all - noise * noise).max(0.0).sqrt()),
        bimodality: split(&logs),
        lobe_difference,
        instability,
        agreement: subject.agreement,
        left_out: subject.doubts.map(|d| d[0]),
        unlikely_place: subject.doubts.map(|d| d[1]),
        open_border: subject.doubts.map(|d| d[2]),
        excluded: Exclusion::REASONS
            .into_iter()
            .map(|reason| ExcludedCount {
                reason,
                voxels: subject.excluded.iter().filter(|&&code| code == reason as u8).count(),
            })
            .filter(|count| count.voxels > 0)
            .collect(),
        by_slice,
    }
}

/// Robust standard deviation (1.4826 times the median absolute deviation).
fn spread(values: &[f64]) -> Option<f64> {
    let at = values.len() / 2;
    let middle =
        |mut values: Vec<f64>| (at < values.len()).then(|| *values.select_nth_unstable_by(at, f64::total_cmp).1);
    let centre = middle(values.to_vec())?;
    Some(1.4826 * middle(values.iter().map(|v| (v - centre).abs()).collect())?)
}

/// Share of the variance that the best split into two classes explains (Otsu 1979), after cutting the outermost
/// hundredth on each side.
pub(super) fn split(values: &[f64]) -> Option<f64> {
    if values.len() < 20 {
        return None;
    }
    let mut sorted = values.to_vec();
    sorted.par_sort_unstable_by(f64::total_cmp);
    let trim = sorted.len() / 100;
    let kept = &sorted[trim..sorted.len() - trim];
    let n = kept.len() as f64;
    let mean = kept.iter().sum::<f64>() / n;
    let total = kept.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>();
    let (mut below, mut best) = (0.0, 0.0f64);
    for (k, value) in kept.iter().enumerate().take(kept.len() - 1) {
        below += value - mean;
        let low = (k + 1) as f64;
        best = best.max(below * below * n / (low * (n - low)));
    }
    (total > 0.0).then(|| best / total)
}

/// Measures the region, judges it, and builds it; no mask where it is too small or too uncertain.
pub(super) fn judge(subject: Subject<'_>, frame: &Frame, limits: &RegionLimits) -> Region {
    let measures = measure(&subject, frame);
    let findings = findings(&measures, limits);
    let stopped = findings.iter().any(|f| f.severity == Severity::Stop);
    let mask = if stopped {
        None
    } else {
        // The flags were laid on this grid, so the sizes agree.
        Mask::on(subject.acq.grid(), subject.measured(), subject.origin.clone()).ok()
    };
    Region { mask, excluded: subject.excluded, organ: subject.organ, measures, named: Vec::new(), findings }
}

fn findings(m: &RegionMeasures, limits: &RegionLimits) -> Vec<Finding> {
    let mut out = Vec::new();
    let mut add = |severity, code: &'static str, message: String, quantity: &str, expected: String, found: String| {
        out.push(
            Finding::new(Stage::Roi, severity, code, message)
                .attribute(quantity)
                .expected(expected)
                .found(found)
                .advice("Look at the outline on the QC image; amend the region by hand where it is wrong."),
        );
    };
    let percent = |share: f64| format!("{} %", plain(100.0 * share));
    let too_small = "The liver region is too small to give a number.";
    if m.voxels < limits.min_voxels {
        let (wanted, found) = (format!("at least {} voxels", limits.min_voxels), format!("{} voxels", m.voxels));
        add(Severity::Stop, "region-too-small", too_small.into(), "region size", wanted, found);
    } else if m.area_mm2 < limits.min_area_mm2 {
        let (wanted, found) =
            (format!("at least {} mm²", plain(limits.min_area_mm2)), format!("{} mm²", plain(m.area_mm2)));
        add(Severity::Stop, "region-too-small", too_small.into(), "region area", wanted, found);
    } else if let Some(ml) = m.volume_ml.filter(|&ml| ml < limits.min_volume_ml) {
        let (wanted, found) = (format!("at least {} ml", plain(limits.min_volume_ml)), format!("{} ml", plain(ml)));
        add(Severity::Stop, "region-too-small", too_small.into(), "region volume", wanted, found);
    }
    if m.slices < limits.min_slices {
        let message = format!("The liver region lies in {} slices only.", m.slices);
        let wanted = format!("at least {}", limits.min_slices);
        add(Severity::Warn, "region-few-slices", message, "slices of the region", wanted, m.slices.to_string());
    }
    if let Some(share) = m.body_share {
        let wanted = format!("{} to {}", percent(limits.min_body_share), percent(limits.max_body_share));
        let quantity = "share of the trunk's cross-section";
        if share < limits.min_body_share {
            let message = "The liver found is small for this body; part of it may be missing.";
            add(Severity::Warn, "region-small-for-body", message.into(), quantity, wanted, percent(share));
        } else if share > limits.max_body_share {
            let message = "The liver found is large for this body; a neighbouring organ may be part of it.";
            add(Severity::Warn, "region-large-for-body", message.into(), quantity, wanted, percent(share));
        }
    }
    if let Some([across, back]) = m.position {
        let usual = (-0.85..=0.15).contains(&across) && (-0.7..=0.5).contains(&back);
        if !usual {
            add(
                Severity::Warn,
                "region-position",
                "The liver region lies where a liver seldom is.".into(),
                "centre of the region",
                "on the patient's right: -0.85 to 0.15 of the half width, -0.7 to 0.5 of the half depth".into(),
                format!("{} of the half width, {} of the half depth", plain(across), plain(back)),
            );
        }
    }
    let mut above = |value: Option<f64>, limit: f64, code: &'static str, message: &str, quantity: &str| {
        if let Some(value) = value.filter(|v| v.abs() > limit) {
            let wanted = format!("at most {}", percent(limit));
            add(Severity::Warn, code, message.into(), quantity, wanted, percent(value));
        }
    };
    above(
        m.heterogeneity,
        limits.max_heterogeneity,
        "region-uneven",
        "R2* varies widely inside the liver region; it may hold more than one tissue.",
        "robust spread of R2* in the region",
    );
    above(
        m.bimodality,
        limits.max_bimodality,
        "region-two-tissues",
        "R2* inside the liver region falls into two classes; it may hold more than one tissue.",
        "share of the variance of ln R2* between two classes",
    );
    above(
        m.lobe_difference,
        limits.max_lobe_difference,
        "region-lobes-differ",
        "The left part of the liver region reads differently from the right.",
        "left over right median R2*, less one",
    );
    above(
        m.instability,
        limits.max_instability,
        "region-unstable",
        "The median changes when the region is made one voxel smaller or larger.",
        "change of the median R2*",
    );
    above(
        m.left_out,
        limits.max_left_out,
        "region-incomplete",
        "Tissue like the liver found lies beside it and was left out; part of the liver may be missing.",
        "tissue left out, as a share of the organ",
    );
    above(
        m.unlikely_place,
        limits.max_unlikely_place,
        "region-reaches-far",
        "Part of the liver found lies where a liver seldom does; a neighbouring organ may be part of it.",
        "share of the organ in unlikely places",
    );
    above(
        m.open_border,
        limits.max_open_border,
        "region-open-border",
        "Part of the liver's outline follows no edge in the images: neighbouring tissue looks the same.",
        "share of the outline without an edge",
    );
    if let Some(agreement) = m.agreement.filter(|&a| a < limits.min_agreement) {
        let stop = agreement < limits.stop_agreement;
        let severity = if stop { Severity::Stop } else { Severity::Warn };
        let message = if stop {
            "Two independent searches found different livers, so that there is no number."
        } else {
            "Two independent searches for the liver do not agree well."
        };
        let wanted = format!("at least {}", percent(limits.min_agreement));
        add(
            severity,
            "region-uncertain",
            message.into(),
            "agreement of two searches (Dice)",
            wanted,
            percent(agreement),
        );
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The variance explained by splitting a normal population at its mean is 2/π.
    #[test]
    fn one_normal_population_is_not_two() {
        let normal: Vec<f64> = (1..2000)
            .map(|k| {
                // Sum of twelve equidistributed uniforms (Weyl sequences): near normal.
                (1..=12).map(|j| (f64::from(k) * (f64::from(j) * 0.37 + 0.1).sqrt()).fract()).sum::<f64>()
            })
            .collect();
        let one = split(&normal).expect("enough values");
        assert!((one - 2.0 / std::f64::consts::PI).abs() < 0.04, "{one}");
        let two: Vec<f64> = normal.iter().enumerate().map(|(k, v)| v + if k % 2 == 0 { 8.0 } else { 0.0 }).collect();
        assert!(split(&two).expect("enough values") > 0.9);
    }
}
