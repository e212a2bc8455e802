//! From the organ to its parenchyma: one reason for every voxel left out.

use super::features::{Features, Train};
use super::lattice::Lattice;
use super::outline::Fine;
use super::region::Exclusion;
use super::sets::{Reach, components, dilate, erode};
use super::tissue::Tissue;

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
    pub flawed: &'a [bool],
    pub unfitted: &'a [bool],
}

/// Beyond this many spreads a voxel is not the organ's tissue; and a neighbour of such a voxel beyond this many.
const FAR: f32 = 3.5;
const AWAY: f32 = 2.2;
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
    fn away(&self, f: &Features, k: usize) -> [f32; 2] {
        let (value, error) = f.triple(k);
        let level = self.fine.level(k);
        if f.dark[k] {
            // Dark is no surprise where the organ's own signal would be lost in the noise.
            let usual = self.tissue.black > 0.5 || self.train.loses(level[0], level[1]);
            return if usual { [0.0; 2] } else { [10.0, -10.0] };
        }
        std::array::from_fn(|part| {
            let spread = self.tissue.spread[part].max(VOXEL_SPREAD[part]);
            (value[part] - level[part]) / (spread * spread + error[part] * error[part]).sqrt()
        })
    }

    /// An [`Exclusion`] code for each voxel.
    pub fn exclusions(&self) -> Vec<u8> {
        let mut code = vec![0u8; self.organ.len()];
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
        let raised = self.grown(&inside, |[rate, _]| rate > 2.5, |[rate, _]| rate > 1.2);
        for &k in inside.iter().filter(|&&k| raised[k]) {
            if self.to_lung[k] <= DOME_REACH && self.to_lung[k] <= self.to_gas[k] {
                mark(k, Exclusion::Dome);
            } else if self.to_gas[k] <= GAS_REACH {
                mark(k, Exclusion::NearGas);
            }
        }
        // Fluid and blood: slower decay, or another signal at echo time zero.
        let off = |[rate, origin]: [f32; 2]| (rate.min(0.0).powi(2) + origin * origin).sqrt();
        let foreign = self.grown(&inside, |z| off(z) > FAR, |z| off(z) > AWAY);
        self.name_foreign(&foreign, &mut mark);
        let rim = erode(self.lattice, self.organ, 0.5 * self.lattice.spacing[1].min(self.lattice.spacing[2]));
        for &k in &inside {
            let [rate, origin] = self.away(self.single, k);
            let z = (rate * rate + origin * origin).sqrt();
            if !rim[k] && z > AWAY {
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
        strict: impl Fn([f32; 2]) -> bool,
        lenient: impl Fn([f32; 2]) -> bool,
    ) -> Vec<bool> {
        let mut out = vec![false; self.organ.len()];
        let mut candidate = vec![false; self.organ.len()];
        let mut stack = Vec::new();
        for &k in inside {
            let (single, smooth) = (self.away(self.single, k), self.away(self.smooth, k));
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
