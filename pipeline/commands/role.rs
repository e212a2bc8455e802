//! Which acquisition of a study is primary and alone enters the patient's course.

use crate::report::{Role, RoleKind};
use crate::study::{Finding, Header, Severity, Stage, Verdict};

/// What decides about one acquisition.
pub struct Standing<'a> {
    /// Its headers.
    pub header: &'a Header,
    /// Everything found about it.
    pub findings: &'a [Finding],
    /// Number of magnitude images.
    pub images: usize,
    /// Whether a region was read.
    pub measured: bool,
}

/// Why one acquisition goes before another; the first criterion that tells them apart is the reason.
const CRITERIA: [&str; 7] = [
    "it was measured",
    "it conforms to the protocol",
    "its intensities are not normalised",
    "the patient lay still",
    "it is the most complete",
    "its verdict is the best",
    "it came first",
];

impl Standing<'_> {
    /// Smaller is better, in the order of [`CRITERIA`]; the last is settled by position.
    fn rank(&self) -> [usize; 6] {
        let protocol = self.findings.iter().filter(|f| f.stage == Stage::Protocol && f.severity != Severity::Note);
        let worst = protocol.map(|f| f.severity).max();
        let moved = self.findings.iter().any(|f| f.code.contains("motion") || f.code.contains("shift"));
        [
            usize::from(!self.measured),
            worst.map_or(0, |severity| severity as usize),
            usize::from(self.header.intensity_normalised == Some(true)),
            usize::from(moved),
            usize::MAX - self.images,
            Verdict::of(self.findings) as usize,
        ]
    }

    fn study(&self) -> (Option<&str>, Option<&str>, &str) {
        let patient = &self.header.patient;
        (patient.issuer.as_deref(), patient.id.as_deref(), &self.header.study.uid)
    }
}

/// The role of each acquisition, with its reason. Acquisitions come in the order of series number.
pub fn roles(standings: &[Standing<'_>]) -> Vec<Role> {
    let primary_of = |one: &Standing<'_>| -> usize {
        let same = standings.iter().enumerate().filter(|(_, other)| other.study() == one.study());
        same.min_by_key(|(index, other)| (other.rank(), *index)).map_or(0, |(index, _)| index)
    };
    standings
        .iter()
        .enumerate()
        .map(|(index, one)| {
            let primary = primary_of(one);
            let others: Vec<usize> = (0..standings.len())
                .filter(|&other| other != primary && standings[other].study() == one.study())
                .collect();
            if primary != index {
                let reason = reason(&standings[primary], one);
                return Role {
                    kind: RoleKind::Supporting,
                    reason: format!("Another acquisition of this study is primary: {reason}."),
                };
            }
            // The closest rival shows what decided.
            let rival = others.into_iter().min_by_key(|&other| (standings[other].rank(), other));
            let reason = rival.map_or_else(
                || "It is the only acquisition of its study.".to_owned(),
                |rival| format!("Of the acquisitions of this study, {}.", reason(one, &standings[rival])),
            );
            Role { kind: RoleKind::Primary, reason }
        })
        .collect()
}

/// The first criterion by which `better` goes before `other`.
fn reason(better: &Standing<'_>, other: &Standing<'_>) -> &'static str {
    let differs = better.rank().into_iter().zip(other.rank()).position(|(a, b)| a != b);
    CRITERIA[differs.unwrap_or(CRITERIA.len() - 1)]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn header(study: &str, normalised: bool) -> Header {
        let mut header = Header { intensity_normalised: Some(normalised), ..Header::default() };
        header.study.uid = study.to_owned();
        header
    }

    #[test]
    fn the_unnormalised_copy_is_primary_and_says_why() {
        let (copy, plain) = (header("1.2", true), header("1.2", false));
        let of = |header| Standing { header, findings: &[], images: 24, measured: true };
        let roles = roles(&[of(&copy), of(&plain)]);
        assert!(roles[0].kind == RoleKind::Supporting && roles[1].kind == RoleKind::Primary);
        assert_eq!(roles[1].reason, "Of the acquisitions of this study, its intensities are not normalised.");
    }

    #[test]
    fn conforming_goes_before_complete_and_studies_do_not_compete() {
        let (a, b, c) = (header("1.2", false), header("1.2", false), header("1.3", false));
        let off = [Finding::new(Stage::Protocol, Severity::Warn, "first-echo-off", "x")];
        let roles = roles(&[
            Standing { header: &a, findings: &off, images: 99, measured: true },
            Standing { header: &b, findings: &[], images: 24, measured: true },
            Standing { header: &c, findings: &off, images: 4, measured: false },
        ]);
        assert_eq!(roles.iter().map(|r| r.kind == RoleKind::Primary).collect::<Vec<_>>(), [false, true, true]);
        assert_eq!(roles[2].reason, "It is the only acquisition of its study.");
    }
}
