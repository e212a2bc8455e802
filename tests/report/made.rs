//! A made-up study: plain arrays and words, so that pictures, pages and objects are looked at without the stages.

use ndarray::Array2;
use siderolog::report::result::*;
use siderolog::report::view::{BudgetLine, Decay, Exclusion, Threshold, View};
use siderolog::study::{
    Digest, EchoKind, Finding, Grid, GridParts, Header, ImagingRequest, Millimetres, Seconds, SeriesFacts, Severity,
    Source, SourceFrame, SourceInstance, Stage, Tesla, Verdict,
};

/// Owns what a view borrows.
pub struct Made {
    pub header: Header,
    pub source: Source,
    pub grid: Grid,
    pub times_ms: Vec<f64>,
    pub magnitude: Array2<f32>,
    pub region: Vec<bool>,
    pub excluded: Vec<u8>,
    pub r2star: Vec<f32>,
    pub rate: f64,
}

/// Deterministic noise in −1 … 1.
fn noise(index: usize) -> f64 {
    let mut x = (index as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x1234_5678;
    x ^= x >> 31;
    x = x.wrapping_mul(0xbf58_476d_1ce4_e5b9);
    x ^= x >> 29;
    (x % 20_001) as f64 / 10_000.0 - 1.0
}

fn ellipse(row: f64, column: f64, centre: [f64; 2], half: [f64; 2]) -> bool {
    let (a, b) = ((row - centre[0]) / half[0], (column - centre[1]) / half[1]);
    a * a + b * b <= 1.0
}

impl Made {
    pub fn new(slices: usize, rows: usize, columns: usize, echoes: usize, rate: f64) -> Self {
        let spacing = 400.0 / columns as f64;
        let grid = Grid::new(GridParts {
            rows,
            columns,
            positions: (0..slices).map(|s| [-200.0, -150.0, s as f64 * 10.0 - 40.0]).collect(),
            row_spacing: spacing,
            column_spacing: spacing,
            slice_thickness: Some(8.0),
            along_row: [1.0, 0.0, 0.0],
            along_column: [0.0, 1.0, 0.0],
            frame_of_reference: Some("2.25.77".to_owned()),
        })
        .unwrap();
        let times_ms: Vec<f64> = (0..echoes).map(|e| 0.95 + 1.1 * e as f64).collect();
        let voxels = grid.voxels();
        let (mut region, mut excluded, mut r2star) = (vec![false; voxels], vec![0u8; voxels], vec![f32::NAN; voxels]);
        let mut magnitude = Array2::<f32>::zeros((echoes, voxels));
        let (height, width) = (rows as f64, columns as f64);
        for index in 0..voxels {
            let (slice, row, column) = grid.place(index);
            let (y, x) = (row as f64 / height, column as f64 / width);
            let size = 1.0 - 0.08 * (slice as f64 - slices as f64 / 2.0).abs() / slices as f64 * 4.0;
            let body = ellipse(y, x, [0.5, 0.5], [0.4, 0.45]);
            let inner = ellipse(y, x, [0.5, 0.5], [0.36, 0.41]);
            let liver = inner && ellipse(y, x, [0.45, 0.3], [0.24 * size, 0.2 * size]);
            let core = inner && ellipse(y, x, [0.45, 0.3], [0.20 * size, 0.16 * size]);
            let vessel = ellipse(y, x, [0.42, 0.33], [0.03, 0.02]) || ellipse(y, x, [0.5, 0.24], [0.02, 0.03]);
            let gas = ellipse(y, x, [0.36, 0.68], [0.07, 0.09]);
            let spine = ellipse(y, x, [0.72, 0.5], [0.07, 0.06]);
            let (s0, r) = match () {
                () if !body || gas => (0.0, 0.0),
                () if !inner => (1500.0, 60.0),
                () if vessel && liver => (950.0, 30.0),
                () if liver => (1000.0, rate),
                () if spine => (700.0, 90.0),
                () => (800.0, 35.0),
            };
            for echo in 0..echoes {
                let clean = s0 * (-r * times_ms[echo] / 1000.0).exp();
                let (a, b) = (clean + 14.0 * noise(index * 31 + echo * 2), 14.0 * noise(index * 31 + echo * 2 + 1));
                magnitude[[echo, index]] = (a * a + b * b).sqrt() as f32;
            }
            if liver {
                r2star[index] = (r * (1.0 + 0.09 * (noise(index) + noise(index + 7) + noise(index + 99)))) as f32;
            }
            if vessel && liver {
                excluded[index] = 1;
            } else if liver && !core {
                excluded[index] = if x > 0.42 { 6 } else { 4 };
            } else if core {
                region[index] = true;
            }
        }
        let header = header();
        let source = source(slices, echoes);
        Self { header, source, grid, times_ms, magnitude, region, excluded, r2star, rate }
    }

    fn decay(&self) -> Decay {
        let fitted = |t: f64| (1000.0 * (-self.rate * t / 1000.0).exp()).hypot(12.0);
        let measured: Vec<f64> =
            self.times_ms.iter().enumerate().map(|(i, &t)| fitted(t) * (1.0 + 0.01 * noise(i))).collect();
        Decay {
            q25: measured.iter().map(|m| m * 0.94).collect(),
            q75: measured.iter().map(|m| m * 1.06).collect(),
            curve: (0..=100).map(|i| f64::from(i) * 0.135).map(|t| (t, fitted(t))).collect(),
            fitted: self.times_ms.iter().map(|&t| fitted(t)).collect(),
            median: measured,
            times_ms: self.times_ms.clone(),
            floor: Some(17.5),
        }
    }

    /// A view with these findings; `lic` as the reading gave it.
    pub fn view(&self, findings: Vec<Finding>, lic: Option<Lic>) -> View<'_> {
        let verdict = Verdict::of(&findings);
        let count = |code: u8| self.excluded.iter().filter(|&&e| e == code).count();
        let exclusions: Vec<Exclusion> = [(1, "vessel"), (4, "edge"), (6, "near-gas")]
            .map(|(code, word)| Exclusion { code, word: word.to_owned(), voxels: count(code) })
            .to_vec();
        let voxels = self.region.iter().filter(|&&v| v).count();
        let position = match lic.as_ref().map(|l| l.relation) {
            Some(Relation::AtLeast) => Position::Above,
            Some(Relation::AtMost) => Position::Below,
            _ => Position::Inside,
        };
        let result = ResultDocument {
            schema_version: SCHEMA_VERSION,
            software: Software {
                name: "siderolog".to_owned(),
                version: "0.1.0".to_owned(),
                commit: "abc1234".to_owned(),
            },
            verdict,
            findings,
            scanner_room: ScannerRoomNote {
                answer: RoomAnswer::MayLeave,
                message: "The patient may leave.".to_owned(),
            },
            role: RoleKind::Primary,
            role_reason: "the only acquisition of its study".to_owned(),
            input: Input {
                digest: self.source.digest.to_string(),
                instances: self.source.instances.len(),
                study_uid: Some(self.header.study.uid.clone()),
                series_uids: self.header.series.iter().map(|s| s.uid.clone()).collect(),
                series: self
                    .header
                    .series
                    .iter()
                    .map(|s| SeriesLine { number: s.number, description: s.description.clone(), time: s.time.clone() })
                    .collect(),
                patient: PatientFacts {
                    id: self.header.patient.id.clone(),
                    name: self.header.patient.name.clone(),
                    birth_date: self.header.patient.birth_date.clone(),
                    sex: self.header.patient.sex.clone(),
                },
                study_date: self.header.study.date.clone(),
                accession: self.header.study.accession.clone(),
                scanner: ScannerFacts {
                    manufacturer: self.header.scanner.manufacturer.clone(),
                    model: self.header.scanner.model.clone(),
                    serial: self.header.scanner.serial.clone(),
                    station: self.header.scanner.station.clone(),
                    software: self.header.scanner.software.clone(),
                    field_strength_t: Some(1.5),
                },
            },
            acquisition: AcquisitionFacts {
                echo_times_ms: self.times_ms.clone(),
                slices: Some(self.grid.slices()),
                rows: Some(self.grid.rows()),
                columns: Some(self.grid.columns()),
                pixel_spacing_mm: Some([self.grid.row_spacing().0, self.grid.column_spacing().0]),
                slice_thickness_mm: Some(8.0),
                repetition_time_ms: Some(120.0),
                flip_angle_deg: Some(20.0),
                has_phase: false,
            },
            profile: Some(ProfileFacts {
                name: "liver-1.5t".to_owned(),
                revision: 3,
                digest: Digest::of(b"p").to_string(),
            }),
            noise: Some(NoiseFacts {
                sigma: Some(14.0),
                coil_elements: Some(1.0),
                method: "background".to_owned(),
                snr_first_echo: Some(61.0),
            }),
            fit: Some(FitFacts {
                model: "noise-corrected".to_owned(),
                reason: "the profile leaves the choice and the last echoes reach the noise".to_owned(),
                voxels,
                failed: 12,
                median_relative_residual: Some(0.021),
            }),
            roi: Some(RoiFacts {
                method: "automatic".to_owned(),
                voxels,
                slices: self.grid.slices(),
                volume_ml: Some(voxels as f64 * 0.05),
                digest: Digest::of(b"r").to_string(),
                excluded: exclusions.iter().map(|e| (e.word.clone(), e.voxels)).collect(),
                amended: None,
                segmenter: None,
                regions: Vec::new(),
                by_slice: Vec::new(),
                histogram: None,
            }),
            r2star_per_s: Some(R2Star {
                median: Some(self.rate),
                mean: Some(self.rate * 1.008),
                sd: Some(self.rate * 0.1),
                q25: Some(self.rate * 0.94),
                q75: Some(self.rate * 1.06),
                low: Some(self.rate * 0.98),
                high: Some(self.rate * 1.02),
                level: Some(0.95),
            }),
            fat_fraction_percent: Some(FatFraction {
                median: Some(4.1),
                low: Some(3.0),
                high: Some(5.4),
                level: Some(0.95),
            }),
            measuring_range: Some(MeasuringRange {
                r2star_per_s: [15.0, 1100.0],
                lic_mg_per_g: Some([0.23, 28.5]),
                position,
            }),
            lic_mg_per_g: lic,
            course: course(),
            predecessor: None,
            files: Default::default(),
            file_digests: Default::default(),
        };
        View {
            result,
            header: &self.header,
            source: &self.source,
            grid: Some(&self.grid),
            magnitude: Some(self.magnitude.view()),
            region: Some(&self.region),
            excluded: &self.excluded,
            exclusions,
            r2star: Some(&self.r2star),
            residual: None,
            lic_map: Some(self.r2star.iter().map(|r| 0.02603 * r - 0.16).collect()),
            decay: Some(self.decay()),
            thresholds: thresholds(),
            budget: budget(),
            equation: Some("LIC = 0.02603 · R2* − 0.16 (mg/g, R2* in 1/s)".to_owned()),
            calibration_parameters: vec![("slope".to_owned(), 0.02603), ("intercept".to_owned(), -0.16)],
            reviewer: None,
        }
    }
}

/// An ordinary LIC.
pub fn lic(value: f64) -> Lic {
    Lic {
        value,
        relation: Relation::Equal,
        low: Some(value * 0.78),
        high: Some(value * 1.24),
        repeat_low: Some(value * 0.87),
        repeat_high: Some(value * 1.15),
        level: Some(0.95),
        umol_per_g: value * 1000.0 / 55.845,
        calibration: "linear-1.5t".to_owned(),
        source: "doi:10.1148/radiol.213256".to_owned(),
        total_body_iron_mg_per_kg: Some(10.6 * value),
    }
}

/// Above the measuring range.
pub fn bound(value: f64) -> Lic {
    Lic { relation: Relation::AtLeast, low: Some(value), high: None, repeat_low: None, repeat_high: None, ..lic(value) }
}

pub fn warning() -> Finding {
    Finding::new(
        Stage::Protocol,
        Severity::Warn,
        "repetition-time-off",
        "Repetition time is 120 ms; the profile asks for 100 ms within 10 %.",
    )
    .expected("90 to 110 ms")
    .found("120 ms")
    .attribute("(0018,0080) Repetition Time")
    .advice("Set the repetition time of the protocol back to 100 ms.")
}

pub fn note() -> Finding {
    Finding::new(
        Stage::Intake,
        Severity::Note,
        "spacing-from-positions",
        "Spacing between slices was taken from the image positions, because the attribute disagrees with them by 0.4 mm.",
    )
}

pub fn stop() -> Finding {
    Finding::new(
        Stage::Protocol,
        Severity::Stop,
        "first-echo-late",
        "First echo time is 4.6 ms; above 1.5 ms a heavily loaded liver has lost its signal before the first image.",
    )
    .expected("1.5 ms or less")
    .found("4.6 ms")
    .attribute("(0018,0081) Echo Time")
    .advice("Choose the protocol with the short first echo.")
    .room_can_change("the first echo time to 1.5 ms or less")
}

fn course() -> CourseFacts {
    let earlier = |date: &str, lic: f64, why: Option<&str>| EarlierReading {
        study_date: Some(date.to_owned()),
        r2star_per_s: Some((lic + 0.16) / 0.02603),
        lic_mg_per_g: Some(lic),
        relation: Some(Relation::Equal),
        repeat_low: Some(lic * 0.87),
        repeat_high: Some(lic * 1.15),
        field_strength_t: Some(1.5),
        scanner: Some("Fictional Magnets Aurora 1.5".to_owned()),
        calibration: Some("linear-1.5t".to_owned()),
        reported_lic_mg_per_g: None,
        differs: Vec::new(),
        not_comparable: why.map(str::to_owned),
    };
    CourseFacts {
        previous: vec![
            earlier("2023-02-20", 11.2, Some("liver biopsy, another laboratory")),
            earlier("2024-03-02", 9.1, None),
            earlier("2025-03-09", 7.3, None),
        ],
        change: Some(Change {
            since: "2025-03-09".to_owned(),
            since_event: None,
            lic_mg_per_g: Some(-1.9),
            low: Some(-3.0),
            high: Some(-0.8),
            reference_change_value: Some(1.1),
            reference_change_unit: "mg/g".to_owned(),
            real: true,
            widened_by: Vec::new(),
            text: "Down by 1.9 mg/g since 2025-03-09: more than repeatability explains (1.1 mg/g).".to_owned(),
        }),
        change_since_event: None,
        rate: Some(Rate {
            per_year_mg_per_g: Some(-1.8),
            low: Some(-2.6),
            high: Some(-1.0),
            points: 3,
            text: "Falling by 1.8 mg/g a year (1.0 to 2.6) over three readings.".to_owned(),
        }),
        next_scan: Some(NextScan {
            due: Some("2027-03-14".to_owned()),
            rule: "yearly".to_owned(),
            text: "yearly on regular transfusion (the site's rule); the clinician decides".to_owned(),
            source: "Wood JC, ASH Education 2014".to_owned(),
        }),
    }
}

fn thresholds() -> Vec<Threshold> {
    [
        (1.8, "upper end of normal", 0.999),
        (3.2, "lower end of the range aimed at", 0.97),
        (7.0, "more risk of complications", 0.06),
        (15.0, "risk of heart disease and early death", 0.0),
    ]
    .map(|(lic_mg_per_g, meaning, above)| Threshold {
        lic_mg_per_g,
        condition: "transfusion-dependent".to_owned(),
        meaning: meaning.to_owned(),
        source: "Olivieri and Brittenham, Blood 1997;89:739".to_owned(),
        above: Some(above),
    })
    .to_vec()
}

fn budget() -> Vec<BudgetLine> {
    let line = |what: &str, rate: Option<f64>, lic: f64, source: &str| BudgetLine {
        what: what.to_owned(),
        r2star_per_s: rate,
        lic_mg_per_g: Some(lic),
        source: source.to_owned(),
    };
    vec![
        line("fit of noisy voxels", Some(1.1), 0.029, "this scan"),
        line("noise level", Some(0.6), 0.016, "this scan"),
        line("choice of region", Some(2.0), 0.052, "this scan"),
        line(
            "between scans, beyond the above",
            Some(9.8),
            0.255,
            "remainder to 4.6 % scan-rescan variation: Kirk P et al., JMRI 2010",
        ),
        line("calibration's prediction error", None, 0.62, "Hernando D et al., Radiology 2023;306:e213256"),
    ]
}

fn header() -> Header {
    let mut header = Header::default();
    header.patient.id = Some("MU-0042".to_owned());
    header.patient.issuer = Some("INVENTED".to_owned());
    header.patient.name = Some("Müller^Änne^^Dr.".to_owned());
    header.patient.birth_date = Some("2015-03-02".to_owned());
    header.patient.sex = Some("F".to_owned());
    header.study.uid = "2.25.1001".to_owned();
    header.study.date = Some("2026-03-14".to_owned());
    header.study.time = Some("10:15:00".to_owned());
    header.study.accession = Some("ACC77".to_owned());
    header.study.id = Some("1".to_owned());
    header.study.description = Some("MR Leber".to_owned());
    header.study.institution = Some("Klinikum Erfundenstadt".to_owned());
    header.study.referring_physician = Some("Nowak^Ärztin".to_owned());
    header.study.requests = vec![ImagingRequest {
        accession: Some("ACC77".to_owned()),
        procedure_id: Some("RP-9".to_owned()),
        procedure: Some("MR Leber mit Eisenbestimmung".to_owned()),
        step_id: Some("SPS-3".to_owned()),
        step: None,
    }];
    header.series = vec![SeriesFacts {
        uid: "2.25.1002".to_owned(),
        number: Some(5),
        description: Some("ME GRE liver".to_owned()),
        time: Some("10:21:07".to_owned()),
    }];
    header.scanner.manufacturer = Some("Fictional Magnets".to_owned());
    header.scanner.model = Some("Aurora 1.5".to_owned());
    header.scanner.serial = Some("0815".to_owned());
    header.scanner.station = Some("MR1".to_owned());
    header.scanner.software = Some("V3".to_owned());
    header.scanner.field_strength = Some(Tesla(1.5));
    header.sequence.echo_kind = Some(EchoKind::GradientEcho);
    header.sequence.repetition_time = Some(Seconds(0.12));
    header.sequence.flip_angle_deg = Some(20.0);
    header.sequence.slice_spacing = Some(Millimetres(10.0));
    header.patient_position = Some("HFS".to_owned());
    header
}

fn source(slices: usize, echoes: usize) -> Source {
    let mut source = Source { digest: Digest::of(b"made"), instances: Vec::new(), frames: Vec::new() };
    for slice in 0..slices {
        for echo in 0..echoes {
            source.frames.push(SourceFrame { slice, echo, instance: source.instances.len(), frame: None });
            source.instances.push(SourceInstance {
                class_uid: "1.2.840.10008.5.1.4.1.1.4".to_owned(),
                uid: format!("2.25.5{slice:03}{echo:03}"),
                series_uid: "2.25.1002".to_owned(),
                digest: Digest::of(&[slice as u8, echo as u8]),
            });
        }
    }
    source
}
