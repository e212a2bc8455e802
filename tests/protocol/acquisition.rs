//! A small acquisition that conforms to [`PROFILE`], to be changed in one thing.

use ndarray::Array2;
use siderolog::protocol::{Profile, parse};
use siderolog::study::*;

/// A profile with one rule on every header quantity.
pub const PROFILE: &str = include_str!("every_quantity.yaml");

pub fn profile() -> Profile {
    parse("every_quantity.yaml", PROFILE, &|_| None).unwrap_or_else(|e| panic!("{e}"))
}

/// The parts of an acquisition, easy to change before they are put together.
#[derive(Clone)]
pub struct Draft {
    pub header: Header,
    pub echo_ms: Vec<f64>,
    pub grid: GridParts,
    pub complex: bool,
}

pub fn draft() -> Draft {
    let scanner = Scanner {
        manufacturer: Some("Norrfell Instruments (invented)".into()),
        model: Some("Lumen 15".into()),
        serial: Some("NI-1".into()),
        station: None,
        software: Some("4.2.1".into()),
        field_strength: Some(Tesla(1.5)),
        nominal_field_strength: Some(Tesla(1.5)),
        imaging_frequency_mhz: Some(63.87),
        receive_coil: Some("Body 8".into()),
    };
    let mut header = Header { scanner, ..Header::default() };
    header.sequence = Sequence {
        name: Some("me_gre".into()),
        protocol_name: Some("liver r2star".into()),
        echo_kind: Some(EchoKind::GradientEcho),
        scanning_sequence: vec!["GR".into()],
        variant: vec!["SP".into()],
        options: vec!["PFP".into()],
        dimensions: Some("2D".into()),
        repetition_time: Some(Seconds::from_millis(100.0)),
        flip_angle_deg: Some(20.0),
        bandwidth_hz_per_pixel: Some(1950.0),
        averages: Some(1.0),
        parallel_factor: Some(2.0),
        fat_suppressed: Some(false),
        contrast_agent: None,
        breathing: Some(Breathing::BreathHold),
        echo_train_length: Some(12),
        phase_encoding_along_row: Some(false),
        acquired_matrix: Some([128, 96]),
        slice_spacing: Some(Millimetres(10.0)),
        echo_time_span: Some(Seconds(0.0)),
    };
    header.series = vec![SeriesFacts { description: Some("me-gre liver".into()), ..SeriesFacts::default() }];
    header.body_part = Some("ABDOMEN".into());
    header.patient_position = Some("HFS".into());
    header.intensity_normalised = Some(false);
    header.elements.insert((0x0018, 0x0087), "1.5".into());
    header.elements.insert((0x0018, 0x1030), "liver r2star".into());
    header.elements.insert((0x0019, 0x1001), "on".into());
    let grid = GridParts {
        rows: 96,
        columns: 128,
        positions: (0..6).map(|k| [0.0, 0.0, 10.0 * f64::from(k)]).collect(),
        row_spacing: 2.5,
        column_spacing: 2.5,
        slice_thickness: Some(8.0),
        along_row: [1.0, 0.0, 0.0],
        along_column: [0.0, 1.0, 0.0],
        frame_of_reference: None,
    };
    Draft { header, echo_ms: (0..12).map(|k| 0.9 + 0.9 * f64::from(k)).collect(), grid, complex: false }
}

impl Draft {
    pub fn assemble(self) -> Acquisition {
        let grid = Grid::new(self.grid).unwrap();
        let shape = (self.echo_ms.len(), grid.voxels());
        let complex =
            self.complex.then(|| ComplexImages { real: Array2::zeros(shape), imaginary: Array2::zeros(shape) });
        let voxels = grid.voxels();
        Acquisition::assemble(AcquisitionParts {
            grid,
            echo_times: self.echo_ms.iter().map(|&ms| Seconds::from_millis(ms)).collect(),
            magnitude: Array2::from_elem(shape, 100.0),
            complex,
            flaws: vec![0; voxels],
            header: self.header,
            source: Source { digest: Digest::of(b"test"), instances: Vec::new(), frames: Vec::new() },
            scaling: "stored".into(),
            findings: Vec::new(),
        })
        .unwrap()
    }
}
