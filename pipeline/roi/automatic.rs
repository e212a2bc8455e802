//! The automatic region: features on blocks, the trunk, the searches, the outline, the parenchyma.

use super::blocks::{Blocks, power};
use super::body::Body;
use super::confidence::{self, Subject};
use super::features::Features;
use super::lattice::Frame;
use super::outline::{Fine, outline};
use super::parenchyma::Voxels;
use super::region::{Region, RegionMeasures, dice};
use super::search::{Evidence, FAST, Ground, Organ};
use super::sets::{Reach, components, count, dilate, erode};
use super::smooth::distance;
use super::train::Train;
use crate::protocol::RegionLimits;
use crate::study::{Acquisition, Finding, MaskOrigin, Severity, Stage, flaw};

/// Size of the blocks on which the organ is searched, mm.
const BLOCK: f64 = 4.6;

/// An organ on the left that makes a better liver by this factor is taken for one: organs may be mirrored.
const MIRRORED: f64 = 1.25;

/// What the survey says of each voxel of the grid.
pub(super) struct Surveyed<'a> {
    /// R2*, 1/s; NaN where there is none.
    pub r2star: &'a [f32],
    /// Its standard error.
    pub standard_error: &'a [f32],
    /// Whether the solver gave an answer at all; beyond its bounds or without signal is an answer.
    pub answered: &'a [bool],
    /// σ of one real channel and the effective number of coil elements.
    pub noise: [f64; 2],
    /// σ of each voxel, where it is known place by place.
    pub local: Option<&'a [f32]>,
}

/// Finds the liver without help.
pub(super) fn find(acq: &Acquisition, survey: &Surveyed<'_>, limits: &RegionLimits) -> Region {
    let frame = Frame::of(acq.grid());
    let fine = frame.lattice;
    let [sigma, elements] = survey.noise;
    if !(sigma > 0.0 && sigma.is_finite()) {
        return missing(acq, "The noise level is not known, so that tissue cannot be told from air.");
    }
    let blocks = Blocks::of(&fine, BLOCK);
    let powers = power(acq, &frame, &blocks, sigma, elements);
    let Some(mut body) = Body::find(&blocks.lattice, &powers, elements) else {
        return missing(acq, "No trunk is seen in the images.");
    };
    let train = Train::of(acq, elements);
    let features = Features::of_blocks(&powers, &blocks.lattice, &train, &body.trunk);
    body.measure(&blocks.lattice, &features.adipose);
    let ground = Ground::new(&blocks.lattice, &features, &body);
    // The same search with the sides exchanged: an organ on the left that makes the better liver is not passed over.
    let (evidence, exchanged) = rayon::join(|| Evidence::new(&ground, false), || Evidence::new(&ground, true));
    let (own, rival) = rayon::join(|| search(&evidence), || exchanged.refine(exchanged.start_by_tissue()));
    let rivalry = exchanged.merits(&rival)[1] / own.merits[1].max(1e-6) * darker(&rival, &own.organ);
    // One liver in ten thousand lies on the left (common knowledge); one loaded until it hardly shows is no rarity, and
    // then the spleen makes the better picture.
    let loaded = usual_rate(&own.organ) > FAST && ground.fast(&evidence.heart) > ground.fast(&exchanged.heart);
    let (side_in_doubt, mirrored) = (rivalry > 1.0, rivalry > MIRRORED && !loaded);
    let (evidence, own) = if mirrored {
        let own = doubted(&exchanged, rival);
        (exchanged, own)
    } else {
        (evidence, own)
    };
    let Best { organ, agreement, .. } = own;
    if count(&organ.set) < 8 {
        return missing(acq, "No tissue that could be liver was found on the patient's right.");
    }
    let doubts = evidence.doubts(&organ);
    let (organ, code) = at_full_resolution(acq, &frame, &blocks, &evidence, &organ, survey);
    let subject = Subject {
        acq,
        organ: frame.scatter(&organ),
        excluded: frame.scatter(&code),
        r2star: survey.r2star,
        standard_error: survey.standard_error,
        trunk: Some(frame.scatter(&blocks.spread(&fine, &body.trunk))),
        across: Some(frame.scatter(&blocks.interpolate(&fine, &body.across))),
        back: Some(frame.scatter(&blocks.interpolate(&fine, &body.back))),
        agreement: Some(agreement),
        doubts: Some(doubts),
        origin: MaskOrigin::Automatic,
    };
    let region = confidence::judge(subject, &frame, limits);
    if side_in_doubt { region.with(other_side(mirrored)) } else { region }
}

/// The better of the organs that two starts came to.
struct Best {
    organ: Organ,
    /// As [`Evidence::merits`].
    merits: [f64; 2],
    /// Dice of the two.
    agreement: f64,
}

/// From a tissue wherever it lies, and from a place whatever lies there: where both come to the same, little else could
/// be found.
fn search(evidence: &Evidence<'_>) -> Best {
    let starts = rayon::join(|| evidence.start_by_tissue(), || evidence.start_by_place());
    let (first, second) = rayon::join(|| evidence.refine(starts.0), || evidence.refine(starts.1));
    better(evidence, first, second)
}

/// The same where the first is there already.
fn doubted(evidence: &Evidence<'_>, first: Organ) -> Best {
    let second = evidence.refine(evidence.start_by_place());
    better(evidence, first, second)
}

fn better(evidence: &Evidence<'_>, first: Organ, second: Organ) -> Best {
    let agreement = dice(&first.set, &second.set);
    let (one, other) = (evidence.merits(&first), evidence.merits(&second));
    let doubt = darker(&second, &first).min(1.0);
    let (organ, merits) =
        if doubt * other[0] > one[0] && doubt * other[1] > one[1] { (second, other) } else { (first, one) };
    Best { organ, merits, agreement }
}

/// How much more one organ looks like a liver than another because it decays faster: the liver stores iron before the
/// spleen does (common knowledge). The root of the ratio of their rates, no more than fourfold; the whole ratio against the
/// slower one, as a liver that is nearly black shows little of itself besides.
fn darker(one: &Organ, other: &Organ) -> f64 {
    // A black organ has no rate that could be told; nothing is darker. What is black elsewhere may be lung.
    let other = if other.tissue.black > 0.5 { BLACK } else { f64::from(usual_rate(other)) };
    let faster = f64::from(usual_rate(one)) - other;
    libm::exp(if faster < 0.0 { faster } else { (0.5 * faster).min(DARKER) })
}

/// Median of ln(R2* + what a shim adds) over an organ's tissue.
fn usual_rate(organ: &Organ) -> f32 {
    organ.usual(0).unwrap_or(0.0)
}

/// ln of a rate in 1/s beyond any that can be told.
const BLACK: f64 = 8.5;
/// ln 4.
const DARKER: f64 = 2.0 * std::f64::consts::LN_2;

/// The left holds what looks more like a liver.
fn other_side(measured: bool) -> Finding {
    let message = if measured {
        "The organ that looks most like a liver lies on the patient's left, and was measured there."
    } else {
        "An organ on the patient's left looks more like a liver than the one that was measured on the right."
    };
    Finding::new(Stage::Roi, Severity::Warn, "region-side", message)
    .expected("the liver on the patient's right")
    .attribute("liver region")
    .advice("Look at the picture: organs may be mirrored, or the spleen may be very large. Amend the region if it is wrong.")
}

/// The organ and the exclusions, in lattice order.
fn at_full_resolution(
    acq: &Acquisition,
    frame: &Frame,
    blocks: &Blocks,
    evidence: &Evidence<'_>,
    organ: &Organ,
    survey: &Surveyed<'_>,
) -> (Vec<bool>, Vec<u8>) {
    let (body, features) = (evidence.ground.body, evidence.ground.features);
    let lattice = &frame.lattice;
    let [sigma, elements] = survey.noise;
    let train = Train::of(acq, elements).expecting(organ.usual(2).unwrap_or(0.0), 0.12);
    let train = organ.usual(1).map_or_else(|| train.clone(), |origin| train.about(origin));
    let fine = Fine::of(lattice, blocks, organ, &evidence.prior);
    let band = Fine::band(blocks);
    let near: Vec<bool> = fine.inward.iter().map(|&d| d > -band - 3.0).collect();
    let smooth = Features::of_voxels(acq, frame, sigma, &train, true, &near);
    let trunk = blocks.spread(lattice, &body.trunk);
    let half = 0.5 * blocks.lattice.spacing[1].min(blocks.lattice.spacing[2]) as f32;
    let away = |voids: &[bool]| {
        let mm: Vec<f32> = distance(&blocks.lattice, voids, Reach::Space).iter().map(|d| d.min(1e3) - half).collect();
        blocks.interpolate(lattice, &mm)
    };
    // The cut is one thread's work; the rest goes on beside it.
    let (set, (single, [to_lung, to_gas])) = rayon::join(
        || outline(lattice, &fine, &organ.tissue, &smooth, band, &|k| trunk[k]),
        || {
            let single = Features::of_voxels(acq, frame, sigma, &train, false, &near);
            let (lung, gas) = voids(blocks, body, features, organ);
            (single, [away(&lung), away(&gas)])
        },
    );
    let local = survey.local.map(|local| {
        let mut times = frame.gather(local);
        times.iter_mut().for_each(|v| *v /= sigma as f32);
        times
    });
    let voxels = Voxels {
        lattice,
        organ: &set,
        fine: &fine,
        tissue: &organ.tissue,
        train: &train,
        single: &single,
        smooth: &smooth,
        to_lung: &to_lung,
        to_gas: &to_gas,
        flawed: &frame.gather(acq.flaws()).iter().map(|&f| f != flaw::NONE).collect::<Vec<_>>(),
        noisier: local.as_deref(),
        unfitted: &frame.gather(survey.answered).iter().map(|&f| !f).collect::<Vec<_>>(),
    };
    let code = voxels.exclusions();
    (set, code)
}

/// Black blocks in the trunk outside the organ: large ones in pairs are lung, the rest gas.
fn voids(blocks: &Blocks, body: &Body, features: &Features, organ: &Organ) -> (Vec<bool>, Vec<bool>) {
    let lattice = &blocks.lattice;
    let near_organ = dilate(lattice, &organ.set, 1.0);
    let dark: Vec<bool> = (0..body.trunk.len())
        .map(|k| body.trunk[k] && features.void[k] && body.depth[k] > 6.0 && !near_organ[k])
        .collect();
    // A void of one block may be a dark vessel.
    let dark = if organ.tissue.black > 0.5 { erode(lattice, &dark, lattice.spacing[1]) } else { dark };
    let (labels, sizes) = components(lattice, &dark, Reach::Plane);
    let cm2 = lattice.spacing[1] * lattice.spacing[2] / 100.0;
    let large = |label: u32| sizes[label as usize - 1] as f64 * cm2 > 25.0;
    let lung = labels.iter().map(|&label| label > 0 && large(label)).collect();
    let gas = labels.iter().map(|&label| label > 0 && !large(label)).collect();
    (lung, gas)
}

/// A region that is none, with the reason.
pub(super) fn missing(acq: &Acquisition, why: &str) -> Region {
    let voxels = acq.grid().voxels();
    let finding = Finding::new(
        Stage::Roi,
        Severity::Stop,
        "region-not-found",
        format!("No liver region was found: {why} There is no number without a region."),
    )
    .attribute("liver region")
    .advice("Look at the images; if the liver is in them, draw the region by hand and have the study read with it.");
    Region {
        mask: None,
        excluded: vec![0; voxels],
        organ: vec![false; voxels],
        measures: RegionMeasures::default(),
        named: Vec::new(),
        findings: vec![finding],
    }
}
