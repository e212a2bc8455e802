//! From the organ to its parenchyma: one reason for every voxel left out.

use super::features::Features;
use super::lattice::Lattice;
use super::outline::Fine;
use super::region::Exclusion;
use super::search::median;
use super::sets::{Reach, components, dilate, erode};
use super::tissue::Tissue;
use super::train::Train;

/// What the room knows of each voxel of the organ, in lattice order.
pub(super) struct Voxels<'a> {
    pub lattice: &'a Lattice,
    pub organ: &'a [bool],
    pub fine: &'a Fine,
    pub tissue: &'a Tissue,
    pub train: &'a Train,
    /// Features of single voxels and of their neighbourhoods.
    pub single: &'a Features,
    pub smooth: &'a Features,
    /// Distance in mm to the black places in the trunk outside the organ: lung, and gas in stomach and bowel.
    pub to_lung: &'a [f32],
    pub to_gas: &'a [f32],
    /// How many times noisier each voxel is than the features take it to be, where that is known.
    pub noisier: Option<&'a [f32]>,
    pub flawed: &'a [bool],
    pub unfitted: &'a [bool],
}

/// Beyond this many spreads a voxel is not the organ's tissue; and a neighbour of such a voxel beyond this many.
const FAR: f32 = 3.5;
const AWAY: f32 = 2.2;
/// At the rim the neighbour is as likely, so that less makes a voxel its own.
const DOUBTFUL: f32 = 1.6;
/// Least intrinsic spread of rate and ln S0 from voxel to voxel, more than from block to block. What is called foreign
/// too readily is a voxel that noise has made so, and a median without the slow ones is high.
const VOXEL_SPREAD: [f32; 2] = [0.10, 0.06];
/// How far the field of lung or gas reaches into the organ, mm.
const DOME_REACH: f32 = 22.0;
const GAS_REACH: f32 = 22.0;
/// A tube is at most this wide, mm; what is wider and round is a lesion or the gallbladder.
const TUBE: f64 = 7.0;

impl Voxels<'_> {
    /// Signed distance of one voxel's rate and ln S0 from the tissue's level, in spreads.
    fn away(&self, f: &Features, k: usize, least: [f32; 2]) -> [f32; 2] {
        let (value, error) = f.triple(k);
        let level = self.fine.level(k);
        if f.dark[k] {
            // Dark is no surprise where the signal of the organ's faster parts would be lost in the noise.
            let fast = level[0] + AWAY * self.tissue.spread[0].max(VOXEL_SPREAD[0]);
            let usual = self.tissue.black > 0.5 || self.train.loses(fast, level[1]);
            return if usual { [0.0; 2] } else { [10.0, -10.0] };
        }
        let noisier = self.noisier.map_or(1.0, |times| times[k]);
        std::array::from_fn(|part| {
            let spread = self.tissue.spread[part].max(VOXEL_SPREAD[part]);
            let error = noisier * error[part].max(least[part]);
            (value[part] - level[part]) / (spread * spread + error * error).sqrt()
        })
    }

    /// Errors of ln rate and ln S0 that the organ's own tissue has, of single voxels and of neighbourhoods: a voxel that
    /// noise makes seem slower seems better known as well.
    fn usual_errors(&self) -> [[f32; 2]; 2] {
        /// Samples that count in a neighbourhood weighted 1-2-1 both ways where all are alike: 16²/36.
        const TOGETHER: f32 = 7.1;
        let level = [0, 1].map(|part| {
            let mut values: Vec<f32> =
                (0..self.organ.len()).filter(|&k| self.organ[k]).map(|k| self.fine.level[part][k]).collect();
            median(&mut values).unwrap_or(0.0)
        });
        [1.0, TOGETHER].map(|samples| self.train.errors_at(level, samples))
    }

    /// An [`Exclusion`] code for each voxel.
    pub fn exclusions(&self) -> Vec<u8> {
        let mut code = vec![0u8; self.organ.len()];
        let errors = self.usual_errors();
        let inside: Vec<usize> = (0..self.organ.len()).filter(|&k| self.organ[k]).collect();
        let mut mark = |k: usize, reason: Exclusion| {
            if code[k] == 0 {
                code[k] = reason as u8;
            }
        };
        for &k in &inside {
            if self.flawed[k] {
                mark(k, Exclusion::Flawed);
            } else if self.unfitted[k] {
                mark(k, Exclusion::Unfitted);
            }
        }
        // Raised rates beside gas and under the lung.
        let raised = self.grown(&inside, errors, |[rate, _]| rate > 2.5, |[rate, _]| rate > 1.2);
        for &k in inside.iter().filter(|&&k| raised[k]) {
            if self.to_lung[k] <= DOME_REACH && self.to_lung[k] <= self.to_gas[k] {
                mark(k, Exclusion::Dome);
            } else if self.to_gas[k] <= GAS_REACH {
                mark(k, Exclusion::NearGas);
            }
        }
        // Fluid and blood: slower decay, or another signal at echo time zero.
        let off = |[rate, origin]: [f32; 2]| (rate.min(0.0).powi(2) + origin * origin).sqrt();
        let foreign = self.grown(&inside, errors, |z| off(z) > FAR, |z| off(z) > AWAY);
        self.name_foreign(&foreign, &mut mark);
        let rim = erode(self.lattice, self.organ, 1.01 * self.lattice.spacing[1].max(self.lattice.spacing[2]));
        for &k in &inside {
            let distance = |f: &Features, least| {
                let [rate, origin] = self.away(f, k, least);
                (rate * rate + origin * origin).sqrt()
            };
            let z = distance(self.single, errors[0]);
            if !rim[k] && (z > AWAY || distance(self.smooth, errors[1]) > DOUBTFUL) {
                mark(k, Exclusion::Edge);
            } else if z > FAR {
                mark(k, Exclusion::Outlier);
            }
        }
        code
    }

    /// Voxels that pass the strict test, by themselves or with their neighbourhood, and those joined to them
    /// that pass the lenient one.
    fn grown(
        &self,
        inside: &[usize],
        errors: [[f32; 2]; 2],
        strict: impl Fn([f32; 2]) -> bool,
        lenient: impl Fn([f32; 2]) -> bool,
    ) -> Vec<bool> {
        let mut out = vec![false; self.organ.len()];
        let mut candidate = vec![false; self.organ.len()];
        let mut stack = Vec::new();
        for &k in inside {
            let (single, smooth) = (self.away(self.single, k, errors[0]), self.away(self.smooth, k, errors[1]));
            candidate[k] = lenient(single) && lenient(smooth);
            if candidate[k] && (strict(single) || strict(smooth)) {
                out[k] = true;
                stack.push(k);
            }
        }
        while let Some(k) = stack.pop() {
            for other in self.lattice.neighbours_in_plane(k) {
                if candidate[other] && !out[other] {
                    out[other] = true;
                    stack.push(other);
                }
            }
        }
        out
    }

    /// Vessel, gallbladder or lesion: by width and by place.
    fn name_foreign(&self, foreign: &[bool], mark: &mut impl FnMut(usize, Exclusion)) {
        let (labels, sizes) = components(self.lattice, foreign, Reach::Plane);
        let mut wide = vec![false; sizes.len() + 1];
        let mut at_edge = vec![false; sizes.len() + 1];
        let core = erode(self.lattice, foreign, TUBE);
        let beyond: Vec<bool> = self.organ.iter().map(|&v| !v).collect();
        let shore = dilate(self.lattice, &beyond, 1.5 * self.lattice.spacing[2]);
        for (k, &label) in labels.iter().enumerate().filter(|&(_, &label)| label > 0) {
            let label = label as usize;
            wide[label] |= core[k];
            at_edge[label] |= shore[k];
        }
        for (k, &label) in labels.iter().enumerate().filter(|&(_, &label)| label > 0) {
            let label = label as usize;
            let reason = match (sizes[label - 1] < 3, wide[label], at_edge[label]) {
                (true, _, true) => Exclusion::Edge,
                (true, _, false) => Exclusion::Outlier,
                (_, false, _) => Exclusion::Vessel,
                (_, true, true) => Exclusion::BileOrGallbladder,
                (_, true, false) => Exclusion::Lesion,
            };
            mark(k, reason);
        }
    }
}
