//! The stage itself: a fitted map and a region become a reading.

use super::calibration::{Calibration, Calibrations};
use super::correlation::correlated_voxels;
use super::course::{Course, Today, course};
use super::decay::{RegionDecay, region_decay};
use super::events::CourseEvents;
use super::follow_up::FollowUp;
use super::judge;
use super::lic::{self, Budget, Lic, Probability};
use super::past::{PAST_READING_VERSION, PastProfile, PastReading, PastScanner, PatientKey, Relation};
use super::range::{Criterion, DRAWS, Question, RangeCurve, measuring_range};
use super::signal::Signal;
use super::suitability;
use super::summary::{FatSummary, R2StarSummary, Ranks, fat_summary};
use crate::fit::{FittedMap, Model, ModelSettings};
use crate::roi::Region;
use crate::study::{Finding, Mask, ModelKind, Severity};
use serde::Serialize;

/// What a reading needs beside the map and the region.
#[derive(Clone, Copy)]
pub struct Context<'a> {
    /// The site's calibrations.
    pub calibrations: &'a Calibrations,
    /// The site's follow-up rules.
    pub follow_up: &'a FollowUp,
    /// Earlier readings of this patient.
    pub history: &'a [PastReading],
    /// Course events that came with the series or were entered.
    pub events: &'a [CourseEvents],
    /// Issuer of patient identifiers where a header names none.
    pub default_issuer: Option<&'a str>,
    /// Findings of earlier stages that neither map nor region carries, such as those of the image rules: a stop
    /// among them withholds LIC.
    pub earlier: &'a [Finding],
}

/// Where the region's R2* lies against the measuring range.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Position {
    /// Inside.
    Inside,
    /// Above: the LIC is a lower bound.
    Above,
    /// Below: the LIC is an upper bound.
    Below,
}

impl Position {
    /// Of a median against the limits of the range, all in /s.
    pub fn of(median: f64, limits: [f64; 2]) -> Self {
        if median > limits[1] {
            Self::Above
        } else if median < limits[0] {
            Self::Below
        } else {
            Self::Inside
        }
    }

    /// The word in the result.
    pub fn word(self) -> &'static str {
        match self {
            Self::Inside => "inside",
            Self::Above => "above",
            Self::Below => "below",
        }
    }
}

/// The measuring range of this acquisition with its own noise, echo times, model and region.
#[derive(Clone, Debug, PartialEq)]
pub struct MeasuringRange {
    /// Lowest and highest measurable R2* in /s.
    pub r2star: [f64; 2],
    /// The same as LIC in mg/g by the reading's calibration.
    pub lic: Option<[f64; 2]>,
    /// Where the reading lies.
    pub position: Position,
    /// S0 over σ it was computed with.
    pub snr: f64,
    /// The expected errors behind it.
    pub curve: RangeCurve,
}

/// A reading: the number, its intervals, its measuring range, its calibration, its course. Made only by [`read`].
#[derive(Debug)]
pub struct Reading {
    fitted: FittedMap,
    region: Region,
    r2star: Option<R2StarSummary>,
    fat: Option<FatSummary>,
    lic: Option<Lic>,
    range: Option<MeasuringRange>,
    budget: Option<Budget>,
    probabilities: Vec<Probability>,
    course: Course,
    decay: Option<RegionDecay>,
    calibration: Option<Calibration>,
    findings: Vec<Finding>,
    past: PastReading,
}

impl Reading {
    /// The map it was read from.
    pub fn fitted(&self) -> &FittedMap {
        &self.fitted
    }
    /// The region it was read in.
    pub fn region(&self) -> &Region {
        &self.region
    }
    /// R2* of the region; `None` without a region or where most voxels are beyond what the echoes can tell.
    pub fn r2star(&self) -> Option<&R2StarSummary> {
        self.r2star.as_ref()
    }
    /// Fat fraction of the region, of models with fat.
    pub fn fat_fraction(&self) -> Option<&FatSummary> {
        self.fat.as_ref()
    }
    /// LIC, or its bound; `None` where it is withheld.
    pub fn lic(&self) -> Option<&Lic> {
        self.lic.as_ref()
    }
    /// Measuring range; `None` without a region or where nothing is measurable.
    pub fn range(&self) -> Option<&MeasuringRange> {
        self.range.as_ref()
    }
    /// Uncertainty budget of a LIC inside the range.
    pub fn budget(&self) -> Option<&Budget> {
        self.budget.as_ref()
    }
    /// Probabilities that LIC lies above the thresholds; empty where LIC is withheld.
    pub fn probabilities(&self) -> &[Probability] {
        &self.probabilities
    }
    /// Earlier readings, change, rate, what is due.
    pub fn course(&self) -> &Course {
        &self.course
    }
    /// The region's decay; `None` without a region.
    pub fn decay(&self) -> Option<&RegionDecay> {
        self.decay.as_ref()
    }
    /// The calibration the profile names, if the site has it.
    pub fn calibration(&self) -> Option<&Calibration> {
        self.calibration.as_ref()
    }
    /// What this stage noticed.
    pub fn findings(&self) -> &[Finding] {
        &self.findings
    }
    /// What the ledger keeps of it.
    pub fn past(&self) -> &PastReading {
        &self.past
    }
}

/// Reads the region. Never fails: what is wrong is a finding, and a `stop` from here or before withholds LIC.
pub fn read(fitted: FittedMap, region: Region, context: &Context<'_>) -> Reading {
    let mut findings = Vec::new();
    let (calibration, measured) = {
        let calibration = judge::calibration(&fitted, context.calibrations, &mut findings).cloned();
        let measured = region.mask().map(|mask| measure(&fitted, &region, mask, calibration.as_ref(), &mut findings));
        (calibration, measured)
    };
    let checked = fitted.checked();
    let before = [
        checked.acquisition().findings(),
        checked.findings(),
        fitted.noise().findings.as_slice(),
        fitted.findings(),
        region.findings(),
        context.earlier,
    ];
    let position = measured.as_ref().and_then(|m| m.range.as_ref()).map(|r| r.position);
    let inside = measured.as_ref().is_some_and(Measured::lies_inside);
    let judged: Vec<Finding> = checked.by_range().iter().map(|rule| rule.judge(inside)).collect();
    judge::yield_to_echoes(&judged, &mut findings);
    findings.extend(judged);
    let stopped = before.into_iter().flatten().chain(&findings).any(|f| f.severity == Severity::Stop);
    let (lic, budget) = match (&measured, &calibration) {
        (Some(measured), Some(calibration)) if !stopped => {
            measured.lic(calibration, fitted.choice().kind, context.follow_up)
        }
        _ => (None, None),
    };
    if let (Some(lic), Some(calibration), Some(Position::Inside)) = (&lic, &calibration, position) {
        findings.extend(suitability::validation(calibration, lic.value));
        findings.extend(judge::unknown_error(calibration));
    }
    let past = past(&fitted, measured.as_ref(), lic.as_ref(), calibration.as_ref(), context);
    let today = Today { reading: &past, calibration: calibration.as_ref() };
    let (course, said) = course(&today, context.history, context.events, context.follow_up);
    findings.extend(said);
    let probabilities = match &lic {
        Some(lic) => {
            let thresholds = context.follow_up.thresholds_for(course.condition);
            lic::probabilities(lic, budget.as_ref().unwrap_or(&Budget::default()), thresholds)
        }
        None => Vec::new(),
    };
    let (r2star, fat, range, decay) = match measured {
        Some(m) => (m.summary, m.fat, m.range, Some(m.decay)),
        None => (None, None, None, None),
    };
    Reading {
        fitted,
        region,
        r2star,
        fat,
        lic,
        range,
        budget,
        probabilities,
        course,
        decay,
        calibration,
        findings,
        past,
    }
}

/// What was measured in the region.
struct Measured {
    summary: Option<R2StarSummary>,
    fat: Option<FatSummary>,
    range: Option<MeasuringRange>,
    decay: RegionDecay,
}

impl Measured {
    fn lies_inside(&self) -> bool {
        let (Some(summary), Some(range)) = (&self.summary, &self.range) else { return false };
        let [low, high] = range.r2star;
        range.position == Position::Inside && summary.low >= low && summary.high <= high
    }

    fn lic(&self, calibration: &Calibration, kind: ModelKind, rules: &FollowUp) -> (Option<Lic>, Option<Budget>) {
        let Some(range) = &self.range else { return (None, None) };
        match (range.position, &self.summary) {
            (Position::Above, _) => (Some(lic::bound(range.r2star[1], Relation::AtLeast, calibration)), None),
            (Position::Below, _) => (Some(lic::bound(range.r2star[0], Relation::AtMost, calibration)), None),
            (Position::Inside, Some(summary)) => {
                let (lic, budget) = lic::express(summary, calibration, kind, rules);
                (Some(lic), Some(budget))
            }
            (Position::Inside, None) => (None, None),
        }
    }
}

fn measure(
    fitted: &FittedMap,
    region: &Region,
    mask: &Mask,
    calibration: Option<&Calibration>,
    findings: &mut Vec<Finding>,
) -> Measured {
    let acquisition = fitted.acquisition();
    let (maps, noise, kind) = (fitted.maps(), fitted.noise(), fitted.choice().kind);
    let signal = Signal::of(fitted, region, mask);
    let ranks = Ranks::of(maps, mask, signal.body.is_some());
    let expected = |voxel: usize, time: f64| signal.expected(maps, kind, noise, voxel, time);
    let correlated = correlated_voxels(acquisition, maps, mask, &expected);
    let independent = (ranks.order.len() as f64 / correlated).max(1.0);
    let decay = region_decay(acquisition, maps, noise, mask, &expected);
    // The voxels that were asked for their fat share noise as the others do.
    let shared = fitted.shared_fat().map_or((0.0, 0.0), |s| (s.standard_error * correlated.sqrt(), s.r2star_slope));
    let fat = if fitted.fat_told() { fat_summary(maps, mask, independent, shared.0) } else { None };
    if let Some(calibration) = calibration {
        let bound = judge::fat(fitted, mask, fat.as_ref(), independent);
        findings.extend(suitability::model(calibration, kind, bound).1);
    }
    let Some(median) = judge::coverage(&ranks, signal.body.is_some(), findings) else {
        return Measured { summary: None, fat, range: None, decay };
    };
    let curve = model_for_range(fitted).map(|model| {
        measuring_range(&Question {
            model: &model,
            snr: signal.snr,
            coil_elements: noise.coil_elements,
            sigma_uncertainty: noise.relative_uncertainty,
            voxels: independent,
            criterion: Criterion::default(),
            draws: DRAWS,
        })
    });
    let noise_level = curve.as_ref().and_then(|c| c.at(median, |p| p.noise_level)).filter(|e| e.is_finite());
    let summary =
        ranks.summary(acquisition.grid(), independent, noise_level.unwrap_or(0.0), (shared.0 * shared.1).abs());
    let Some((curve, limits)) = curve.and_then(|c| c.limits.map(|l| (c, l))) else {
        findings.push(judge::nothing_measurable(signal.snr));
        return Measured { summary, fat, range: None, decay };
    };
    let dark = signal.darker_than(limits[1], acquisition, mask, noise);
    let position = if dark { Position::Above } else { Position::of(median, limits) };
    let lic = calibration.map(|c| limits.map(|r| c.equation.lic(r).max(0.0)));
    findings.extend(judge::position(position, median, limits, lic));
    if position == Position::Inside {
        findings.extend(summary.as_ref().and_then(judge::too_uncertain));
        findings.extend(summary.as_ref().and_then(|summary| judge::reaches_beyond(summary, limits)));
    }
    let range = MeasuringRange { r2star: limits, lic, position, snr: signal.snr, curve };
    Measured { summary, fat, range: Some(range), decay }
}

/// The model whose fit is simulated. The complex fit is not a fit to magnitudes; what the noise-corrected fit of the
/// same echoes can measure stands in for it, which is a little less at the dark end.
fn model_for_range(fitted: &FittedMap) -> Option<Model> {
    let kind = match fitted.choice().kind {
        ModelKind::Complex => ModelKind::NoiseCorrected,
        kind => kind,
    };
    let acquisition = fitted.acquisition();
    let field = acquisition.header().scanner.field_strength.map(|t| t.0);
    let fat_prior = fitted.shared_fat().map(|shared| shared.prior);
    let settings = ModelSettings { field_strength: field, fat_prior, ..ModelSettings::default() };
    Model::new(kind, &acquisition.echo_seconds(), &settings).ok()
}

fn past(
    fitted: &FittedMap,
    measured: Option<&Measured>,
    lic: Option<&Lic>,
    calibration: Option<&Calibration>,
    context: &Context<'_>,
) -> PastReading {
    let acquisition = fitted.acquisition();
    let header = acquisition.header();
    let (patient, scanner) = (&header.patient, &header.scanner);
    let summary = measured.and_then(|m| m.summary.as_ref());
    PastReading {
        schema_version: PAST_READING_VERSION,
        patient: PatientKey {
            issuer: patient.issuer.clone().or_else(|| context.default_issuer.map(str::to_owned)),
            id: patient.id.clone(),
            birth_date: patient.birth_date.clone(),
            sex: patient.sex.clone(),
        },
        date: header.study.date.clone(),
        study_uid: Some(header.study.uid.clone()).filter(|uid| !uid.is_empty()),
        acquisition: Some(acquisition.source().digest.clone()),
        scanner: PastScanner {
            manufacturer: scanner.manufacturer.clone(),
            model: scanner.model.clone(),
            serial: scanner.serial.clone(),
            software: scanner.software.clone(),
            field_strength_t: scanner.field_strength.map(|t| t.0),
        },
        profile: fitted.checked().profile().map(|p| PastProfile {
            name: p.name().to_owned(),
            revision: p.revision(),
            digest: Some(p.digest().as_str().to_owned()),
        }),
        model: Some(fitted.choice().kind),
        calibration: calibration.map(|c| c.name.clone()),
        r2star_per_s: summary.map(|s| s.median),
        r2star_se_per_s: summary.map(|s| s.standard_error),
        lic_mg_per_g: lic.map(|l| l.value),
        relation: lic.map_or(Relation::Equal, |l| l.relation),
        method: None,
    }
}
