//! A case as the stages leave it, and the one place where it becomes a view.

use super::compose::{Report, compose_view};
use super::outputs::Outputs;
use super::result::{
    AcquisitionFacts, Amended, Change, CourseFacts, EarlierReading, FatFraction, FitFacts, Input, Lic, MeasuringRange,
    NamedRegion, NextScan, NoiseFacts, PatientFacts, Position, Predecessor, ProfileFacts, R2Star, Relation,
    ResultDocument, RoiFacts, RoleKind, SCHEMA_VERSION, ScannerFacts, SegmenterFacts, SeriesLine, Software, measured,
};
use super::room;
use super::statistics;
use super::view::{BudgetLine, Decay, Exclusion, Threshold, View};
use crate::fit::{FittedMap, Noise, Survey};
use crate::protocol::{ImageMeasures, Profile};
use crate::reading::{self, Equation, Reading};
use crate::roi::{self, Region};
use crate::study::{Acquisition, Finding, Grid, Header, MaskOrigin, PerSecond, Seconds, Source, Verdict};

/// Whether an acquisition stands for its study, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Role {
    /// Which.
    pub kind: RoleKind,
    /// Why, in a few words.
    pub reason: String,
}

/// Everything known of one acquisition, however far it got.
#[derive(Clone, Debug)]
pub struct Case<'a> {
    /// What the headers say.
    pub header: &'a Header,
    /// Where it came from.
    pub source: &'a Source,
    /// Its grid, where the headers give one.
    pub grid: Option<&'a Grid>,
    /// Echo times as far as known.
    pub echo_times: &'a [Seconds],
    /// Its images, where they could be read.
    pub acquisition: Option<&'a Acquisition>,
    /// The profile it was checked against.
    pub profile: Option<&'a Profile>,
    /// Its noise.
    pub noise: Option<&'a Noise>,
    /// The survey of the whole image; stands in for the map where no model was fitted.
    pub survey: Option<&'a Survey>,
    /// The fitted map, where there is no reading that holds it.
    pub fitted: Option<&'a FittedMap>,
    /// The region, where there is no reading that holds it.
    pub region: Option<&'a Region>,
    /// Image quality in numbers.
    pub measures: Option<&'a ImageMeasures>,
    /// The reading.
    pub reading: Option<&'a Reading>,
    /// Every finding, in stage order.
    pub findings: &'a [Finding],
    /// Primary or supporting.
    pub role: Role,
    /// The report this one corrects.
    pub predecessor: Option<Predecessor>,
    /// What makes the report.
    pub software: Software,
    /// Who reviewed it, if anybody has.
    pub reviewer: Option<String>,
}

/// Composes the report of a case. Pure: the same case and outputs give the same bytes.
pub fn compose(case: &Case<'_>, wanted: &Outputs) -> Report {
    compose_view(view(case, wanted), wanted)
}

impl<'a> Case<'a> {
    fn map(&self) -> Option<&'a FittedMap> {
        self.reading.map(Reading::fitted).or(self.fitted)
    }

    fn found_region(&self) -> Option<&'a Region> {
        self.reading.map(Reading::region).or(self.region)
    }

    fn known_noise(&self) -> Option<&'a Noise> {
        self.map().map(FittedMap::noise).or(self.noise)
    }
}

fn view<'a>(case: &Case<'a>, wanted: &Outputs) -> View<'a> {
    let region = case.found_region();
    let mask = region.and_then(Region::mask);
    let calibration = case.reading.and_then(Reading::calibration);
    let survey = case.map().map(FittedMap::survey).or(case.survey);
    let r2star = case.map().map(|m| m.maps().r2star.as_slice()).or(survey.map(|s| s.r2star.as_slice()));
    let lic_map = calibration.filter(|_| wanted.lic_map).zip(r2star).map(|(c, map)| {
        let lic = |&r: &f32| if r.is_finite() { c.lic(PerSecond(f64::from(r))).0.max(0.0) as f32 } else { f32::NAN };
        map.iter().map(lic).collect()
    });
    View {
        result: document(case),
        header: case.header,
        source: case.source,
        grid: case.acquisition.map(Acquisition::grid).or(case.grid),
        magnitude: case.acquisition.map(Acquisition::magnitude),
        region: mask.map(crate::study::Mask::voxels),
        excluded: region.map_or(&[], Region::excluded),
        exclusions: region.map_or_else(Vec::new, exclusions),
        r2star,
        residual: case.map().map(|m| m.maps().residual.as_slice()),
        lic_map,
        decay: case.reading.and_then(Reading::decay).map(decay),
        thresholds: case.reading.map_or_else(Vec::new, thresholds),
        budget: case.reading.and_then(Reading::budget).map_or_else(Vec::new, budget),
        equation: calibration.map(|c| c.equation.words()),
        calibration_parameters: calibration.map_or_else(Vec::new, |c| parameters(c.equation)),
        reviewer: case.reviewer.clone(),
    }
}

fn exclusions(region: &Region) -> Vec<Exclusion> {
    let mut counts = [0usize; 256];
    region.excluded().iter().for_each(|&code| counts[usize::from(code)] += 1);
    let reason = |r: roi::Exclusion| Exclusion {
        code: r as u8,
        word: r.word().to_owned(),
        voxels: counts[usize::from(r as u8)],
    };
    roi::Exclusion::REASONS.into_iter().map(reason).filter(|e| e.voxels > 0).collect()
}

fn decay(from: &reading::RegionDecay) -> Decay {
    let ms = |times: &[Seconds]| times.iter().map(|t| t.as_millis()).collect::<Vec<_>>();
    Decay {
        times_ms: ms(&from.echo_times),
        median: from.median.clone(),
        q25: from.q25.clone(),
        q75: from.q75.clone(),
        curve: ms(&from.curve_times).into_iter().zip(from.curve.iter().copied()).collect(),
        fitted: from.fitted.clone(),
        floor: measured(from.noise_floor).filter(|f| *f > 0.0),
    }
}

fn thresholds(reading: &Reading) -> Vec<Threshold> {
    let mut list: Vec<Threshold> = reading
        .probabilities()
        .iter()
        .map(|p| Threshold {
            lic_mg_per_g: p.threshold.lic_mg_per_g,
            condition: p.threshold.condition.words().to_owned(),
            meaning: p.threshold.meaning.clone(),
            source: p.threshold.source.clone(),
            above: p.above.and_then(measured),
        })
        .collect();
    list.sort_by(|a, b| a.lic_mg_per_g.total_cmp(&b.lic_mg_per_g));
    list
}

fn budget(from: &reading::Budget) -> Vec<BudgetLine> {
    let line = |c: &reading::Component| BudgetLine {
        what: c.name.clone(),
        r2star_per_s: c.r2star_per_s.and_then(measured),
        lic_mg_per_g: c.lic_mg_per_g.and_then(measured),
        source: c.from.clone(),
    };
    from.components.iter().map(line).collect()
}

fn parameters(equation: Equation) -> Vec<(String, f64)> {
    let named = |name: &str, value| (name.to_owned(), value);
    match equation {
        Equation::Linear { slope, intercept } => vec![named("slope", slope), named("intercept", intercept)],
        Equation::PowerOfT2starMs { factor, exponent } => vec![named("factor", factor), named("exponent", exponent)],
    }
}

fn document(case: &Case<'_>) -> ResultDocument {
    let reading = case.reading;
    ResultDocument {
        schema_version: SCHEMA_VERSION,
        software: case.software.clone(),
        verdict: Verdict::of(case.findings),
        findings: case.findings.to_vec(),
        scanner_room: room::answer(case.findings),
        role: case.role.kind,
        role_reason: case.role.reason.clone(),
        input: input(case),
        acquisition: acquisition(case),
        profile: case.profile.map(|p| ProfileFacts {
            name: p.name().to_owned(),
            revision: p.revision(),
            digest: p.digest().to_string(),
        }),
        noise: case.known_noise().map(|n| noise(case, n)),
        fit: case.map().and_then(|map| fit(case, map)),
        roi: case.found_region().and_then(|region| roi_facts(case, region)),
        r2star_per_s: reading.and_then(Reading::r2star).map(r2star),
        fat_fraction_percent: reading.and_then(Reading::fat_fraction).map(|f| FatFraction {
            median: measured(f.median),
            low: measured(f.low),
            high: measured(f.high),
            level: measured(f.level),
        }),
        lic_mg_per_g: reading.and_then(Reading::lic).map(lic),
        measuring_range: reading.and_then(Reading::range).map(|r| MeasuringRange {
            r2star_per_s: r.r2star,
            lic_mg_per_g: r.lic,
            position: match r.position {
                reading::Position::Inside => Position::Inside,
                reading::Position::Above => Position::Above,
                reading::Position::Below => Position::Below,
            },
        }),
        course: reading.map_or_else(CourseFacts::default, |r| course(r.course())),
        predecessor: case.predecessor.clone(),
        files: Default::default(),
        file_digests: Default::default(),
    }
}

fn input(case: &Case<'_>) -> Input {
    let header = case.header;
    let (patient, study, scanner) = (&header.patient, &header.study, &header.scanner);
    Input {
        digest: case.source.digest.to_string(),
        instances: case.source.instances.len(),
        study_uid: Some(study.uid.clone()).filter(|u| !u.is_empty()),
        series_uids: header.series.iter().map(|s| s.uid.clone()).collect(),
        series: header
            .series
            .iter()
            .map(|s| SeriesLine { number: s.number, description: s.description.clone(), time: s.time.clone() })
            .collect(),
        patient: PatientFacts {
            id: patient.id.clone(),
            name: patient.name.clone(),
            birth_date: patient.birth_date.clone(),
            sex: patient.sex.clone(),
        },
        study_date: study.date.clone(),
        accession: study.accession.clone(),
        scanner: ScannerFacts {
            manufacturer: scanner.manufacturer.clone(),
            model: scanner.model.clone(),
            serial: scanner.serial.clone(),
            station: scanner.station.clone(),
            software: scanner.software.clone(),
            field_strength_t: scanner.field_strength.and_then(|t| measured(t.0)),
        },
    }
}

fn acquisition(case: &Case<'_>) -> AcquisitionFacts {
    let grid = case.acquisition.map(Acquisition::grid).or(case.grid);
    let times = case.acquisition.map_or(case.echo_times, Acquisition::echo_times);
    let sequence = &case.header.sequence;
    AcquisitionFacts {
        echo_times_ms: times.iter().map(|t| t.as_millis()).filter(|t| t.is_finite()).collect(),
        slices: grid.map(Grid::slices),
        rows: grid.map(Grid::rows),
        columns: grid.map(Grid::columns),
        pixel_spacing_mm: grid.map(|g| [g.row_spacing().0, g.column_spacing().0]),
        slice_thickness_mm: grid.and_then(Grid::slice_thickness).and_then(|t| measured(t.0)),
        repetition_time_ms: sequence.repetition_time.map(Seconds::as_millis).and_then(measured),
        flip_angle_deg: sequence.flip_angle_deg.and_then(measured),
        has_phase: case.acquisition.is_some_and(|a| a.complex().is_some()),
    }
}

fn noise(case: &Case<'_>, noise: &Noise) -> NoiseFacts {
    let sigma = measured(noise.sigma).filter(|s| *s > 0.0);
    let first = case.reading.and_then(Reading::decay).and_then(|d| d.median.first().copied());
    let snr = case.measures.and_then(|m| m.signal_to_noise).or(first.zip(sigma).map(|(f, s)| f / s));
    NoiseFacts {
        sigma,
        coil_elements: measured(noise.coil_elements),
        method: noise.method.word().to_owned(),
        snr_first_echo: snr.and_then(measured),
    }
}

/// Over the measured region; `None` without one, when there is nothing to count.
fn fit(case: &Case<'_>, map: &FittedMap) -> Option<FitFacts> {
    let mask = case.found_region()?.mask()?;
    let maps = map.maps();
    let fitted = mask.indices().filter(|&v| maps.r2star.get(v).is_some_and(|r| r.is_finite())).count();
    let mut residuals: Vec<f32> =
        mask.indices().filter_map(|v| maps.residual.get(v).copied()).filter(|r| r.is_finite()).collect();
    residuals.sort_by(f32::total_cmp);
    Some(FitFacts {
        model: map.choice().kind.word().to_owned(),
        reason: map.choice().why.clone(),
        voxels: mask.count(),
        failed: mask.count() - fitted,
        median_relative_residual: residuals.get(residuals.len() / 2).map(|&r| f64::from(r)),
    })
}

fn roi_facts(case: &Case<'_>, region: &Region) -> Option<RoiFacts> {
    let mask = region.mask()?;
    let map = case.map().map_or(&[][..], |map| map.maps().r2star.as_slice());
    let grid = case.acquisition.map(Acquisition::grid).or(case.grid);
    Some(RoiFacts {
        amended: match mask.origin() {
            MaskOrigin::Amended { by, why } => Some(Amended { by: by.clone(), why: why.clone() }),
            _ => None,
        },
        segmenter: match mask.origin() {
            MaskOrigin::Segmented { by, from, digest } => {
                Some(SegmenterFacts { name: by.clone(), file: from.clone(), digest: digest.to_string() })
            }
            _ => None,
        },
        regions: region
            .named()
            .iter()
            .map(|r| NamedRegion {
                name: r.name.clone(),
                voxels: r.voxels,
                area_mm2: r.area_mm2,
                median_r2star_per_s: r.median_r2star.and_then(measured),
            })
            .collect(),
        by_slice: grid.map_or_else(Vec::new, |grid| statistics::by_slice(grid, mask.voxels(), map)),
        histogram: statistics::histogram(mask.voxels(), map),
        method: mask.origin().word().to_owned(),
        voxels: mask.count(),
        slices: mask.slices(),
        volume_ml: region.measures().volume_ml.and_then(measured),
        digest: mask.digest().to_string(),
        excluded: exclusions(region).into_iter().map(|e| (e.word, e.voxels)).collect(),
    })
}

fn r2star(s: &reading::R2StarSummary) -> R2Star {
    R2Star {
        median: measured(s.median),
        mean: measured(s.mean),
        sd: measured(s.sd),
        q25: measured(s.q25),
        q75: measured(s.q75),
        low: measured(s.low),
        high: measured(s.high),
        level: measured(s.level),
    }
}

fn relation(of: reading::Relation) -> Relation {
    match of {
        reading::Relation::Equal => Relation::Equal,
        reading::Relation::AtLeast => Relation::AtLeast,
        reading::Relation::AtMost => Relation::AtMost,
    }
}

fn lic(l: &reading::Lic) -> Lic {
    Lic {
        value: l.value,
        relation: relation(l.relation),
        low: l.low.and_then(measured),
        high: l.high.and_then(measured),
        repeat_low: l.repeat_low.and_then(measured),
        repeat_high: l.repeat_high.and_then(measured),
        level: measured(l.level),
        umol_per_g: l.umol_per_g,
        calibration: l.calibration.clone(),
        source: l.source.clone(),
        total_body_iron_mg_per_kg: measured(l.total_body_iron_mg_per_kg),
    }
}

fn course(course: &reading::Course) -> CourseFacts {
    let earlier = |p: &reading::CoursePoint| EarlierReading {
        study_date: Some(p.date.clone()),
        r2star_per_s: p.r2star_per_s.and_then(measured),
        lic_mg_per_g: measured(p.lic_mg_per_g),
        relation: Some(relation(p.relation)),
        repeat_low: p.low.and_then(measured),
        repeat_high: p.high.and_then(measured),
        field_strength_t: p.field_strength_t.and_then(measured),
        scanner: Some(p.scanner.clone()).filter(|s| !s.is_empty()),
        calibration: p.calibration.clone(),
        reported_lic_mg_per_g: p.reported_lic_mg_per_g.and_then(measured),
        differs: p.differs.clone(),
        not_comparable: match &p.method {
            Some(method) => Some(method.clone()),
            None if !p.is_tested() => Some("a bound, not a value".to_owned()),
            None => None,
        },
    };
    CourseFacts {
        previous: course.previous.iter().map(earlier).collect(),
        change: course.change.as_ref().map(change),
        change_since_event: course.change_since_event.as_ref().map(change),
        rate: course.rate.as_ref().map(|r| super::result::Rate {
            per_year_mg_per_g: measured(r.per_year),
            low: measured(r.low),
            high: measured(r.high),
            points: r.points,
            text: r.text.clone(),
        }),
        next_scan: course.next_scan.as_ref().map(|d| NextScan {
            due: Some(d.by.clone()),
            rule: d.rule.clone(),
            text: d.text.clone(),
            source: d.source.clone(),
        }),
    }
}

fn change(c: &reading::Change) -> Change {
    Change {
        since: c.since.clone(),
        since_event: c.since_event.clone(),
        lic_mg_per_g: measured(c.difference_mg_per_g),
        low: measured(c.low),
        high: measured(c.high),
        reference_change_value: measured(c.reference_change_value),
        reference_change_unit: c.reference_change_unit.clone(),
        real: c.changed,
        widened_by: c.widened_by.clone(),
        text: c.text.clone(),
    }
}
