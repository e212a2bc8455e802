//! The list of quantities, each with where it is read. A catalogue: a new quantity is a new entry here.

use super::contrast;
use super::quantity::{Kind, Quantity, Seen, Source};
use super::unit::Unit;
use crate::study::{Acquisition, Breathing, EchoKind, dot};

const fn number(unit: Unit, lowest: f64, highest: f64) -> Kind {
    Kind::Number { unit, lowest, highest }
}

const YES_NO: Kind = Kind::Word(&["yes", "no"]);
const MEASURED: &str = "measured on the images";

macro_rules! header {
    ($name:literal, $kind:expr, $attribute:literal, $always:literal, $meaning:literal, $read:expr) => {
        Quantity {
            name: $name,
            kind: $kind,
            attribute: $attribute,
            always: $always,
            meaning: $meaning,
            source: Source::Header($read),
        }
    };
}

macro_rules! image {
    ($name:literal, $unit:expr, $highest:expr, $meaning:literal, $field:ident) => {
        Quantity {
            name: $name,
            kind: number($unit, 0.0, $highest),
            attribute: MEASURED,
            always: false,
            meaning: $meaning,
            source: Source::Image(|measures| measures.$field),
        }
    };
}

/// Every quantity.
pub(super) static QUANTITIES: &[Quantity] = &[
    // the echo train
    header!(
        "first echo",
        number(Unit::Milliseconds, 0.0, 200.0),
        "(0018,0081) Echo Time",
        true,
        "shortest echo time",
        |a| first(a).into()
    ),
    header!(
        "last echo",
        number(Unit::Milliseconds, 0.0, 2000.0),
        "(0018,0081) Echo Time",
        true,
        "longest echo time",
        |a| a.echo_times().last().map(|t| t.as_millis()).into()
    ),
    header!(
        "echo spacing",
        number(Unit::Milliseconds, 0.0, 1000.0),
        "(0018,0081) Echo Time",
        true,
        "median time from an echo to the next",
        |a| Some(median(&gaps(a))).into()
    ),
    header!(
        "echo spacing unevenness",
        number(Unit::Percent, 0.0, 1e6),
        "(0018,0081) Echo Time",
        true,
        "largest deviation of a time between echoes from the median one, percent of the median",
        |a| Some(unevenness(&gaps(a))).into()
    ),
    header!(
        "number of echoes",
        number(Unit::None, 2.0, 1000.0),
        "(0018,0081) Echo Time",
        true,
        "echo times found",
        |a| Seen::Number(a.echo_times().len() as f64)
    ),
    // timing
    header!(
        "repetition time",
        number(Unit::Milliseconds, 0.0, 1e5),
        "(0018,0080) Repetition Time",
        false,
        "repetition time",
        |a| a.header().sequence.repetition_time.map(|t| t.as_millis()).into()
    ),
    header!(
        "flip angle",
        number(Unit::Degrees, 0.0, 180.0),
        "(0018,1314) Flip Angle",
        false,
        "excitation flip angle",
        |a| a.header().sequence.flip_angle_deg.into()
    ),
    header!(
        "bandwidth",
        number(Unit::HertzPerPixel, 0.0, 1e5),
        "(0018,0095) Pixel Bandwidth",
        false,
        "receiver bandwidth",
        |a| a.header().sequence.bandwidth_hz_per_pixel.into()
    ),
    header!(
        "averages",
        number(Unit::None, 0.0, 1000.0),
        "(0018,0083) Number of Averages",
        false,
        "number of averages",
        |a| a.header().sequence.averages.into()
    ),
    header!(
        "parallel factor",
        number(Unit::None, 0.0, 100.0),
        "(0018,9069) Parallel Reduction Factor In-plane",
        false,
        "parallel imaging factor in plane, 1 where none",
        |a| a.header().sequence.parallel_factor.into()
    ),
    header!(
        "time between echoes",
        number(Unit::Seconds, 0.0, 1e5),
        "(0008,0032) Acquisition Time",
        false,
        "longest difference between the acquisition times of two echoes; more than a breath-hold means that echoes were acquired separately",
        |a| a.header().sequence.echo_time_span.map(|t| t.0).into()
    ),
    // geometry
    header!(
        "slices",
        number(Unit::None, 1.0, 1e5),
        "(0020,0032) Image Position (Patient)",
        true,
        "slice positions found",
        |a| Seen::Number(a.grid().slices() as f64)
    ),
    header!(
        "slice thickness",
        number(Unit::Millimetres, 0.0, 500.0),
        "(0018,0050) Slice Thickness",
        false,
        "slice thickness",
        |a| a.grid().slice_thickness().map(|t| t.0).into()
    ),
    header!(
        "slice step",
        number(Unit::Millimetres, 0.0, 500.0),
        "(0020,0032) Image Position (Patient)",
        false,
        "median distance from a slice to the next, centre to centre",
        |a| (a.grid().slices() > 1).then(|| a.grid().slice_step().map(|s| s.0)).flatten().into()
    ),
    header!(
        "slice gap",
        number(Unit::Millimetres, -500.0, 500.0),
        "(0018,0088) Spacing Between Slices",
        false,
        "slice step less slice thickness; negative where slices overlap",
        |a| gap(a).into()
    ),
    header!(
        "slice step unevenness",
        number(Unit::Percent, 0.0, 1e6),
        "(0020,0032) Image Position (Patient)",
        false,
        "largest deviation of a distance between slices from the median one; 100 % means a slice is missing",
        |a| slice_steps(a).map(|steps| unevenness(&steps)).into()
    ),
    header!(
        "pixel size",
        number(Unit::Millimetres, 0.0, 100.0),
        "(0028,0030) Pixel Spacing",
        true,
        "larger of row and column spacing",
        |a| Seen::Number(a.grid().row_spacing().0.max(a.grid().column_spacing().0))
    ),
    header!(
        "field of view",
        number(Unit::Millimetres, 0.0, 2000.0),
        "(0028,0030) Pixel Spacing",
        true,
        "smaller side of the image",
        |a| {
            let grid = a.grid();
            Seen::Number(
                (grid.rows() as f64 * grid.row_spacing().0).min(grid.columns() as f64 * grid.column_spacing().0),
            )
        }
    ),
    header!(
        "coverage",
        number(Unit::Millimetres, 0.0, 5000.0),
        "(0020,0032) Image Position (Patient)",
        false,
        "slices times slice step",
        |a| a.grid().slice_step().map(|s| s.0 * a.grid().slices() as f64).into()
    ),
    header!(
        "tilt from axial",
        number(Unit::Degrees, 0.0, 90.0),
        "(0020,0037) Image Orientation (Patient)",
        true,
        "angle between the slices and the patient's axial plane",
        |a| Seen::Number(tilt(a))
    ),
    header!(
        "acquired matrix",
        number(Unit::None, 0.0, 1e5),
        "(0018,1310) Acquisition Matrix",
        false,
        "smaller of the acquired points along frequency and phase encoding",
        |a| a.header().sequence.acquired_matrix.map(|m| f64::from(m[0].min(m[1]))).into()
    ),
    header!(
        "phase encoding",
        Kind::Word(&["along rows", "along columns"]),
        "(0018,1312) In-plane Phase Encoding Direction",
        false,
        "direction of phase encoding in the image",
        |a| words(a.header().sequence.phase_encoding_along_row, "along rows", "along columns")
    ),
    header!(
        "acquisition type",
        Kind::Word(&["2D", "3D"]),
        "(0018,0023) MR Acquisition Type",
        false,
        "slice by slice or as a volume",
        |a| a.header().sequence.dimensions.clone().into()
    ),
    header!(
        "kind of echo",
        Kind::Word(&["gradient echo", "spin echo", "other"]),
        "(0018,0020) Scanning Sequence",
        false,
        "gradient echo decays with R2*, spin echo with R2",
        echo_kind
    ),
    header!(
        "patient position",
        Kind::Text,
        "(0018,5100) Patient Position",
        false,
        "how the patient lies, such as HFS",
        |a| a.header().patient_position.clone().into()
    ),
    // contrast, suppression, breathing
    header!(
        "contrast agent",
        Kind::Word(&["none", "iron oxide", "other"]),
        "(0018,0010) Contrast/Bolus Agent",
        true,
        "agent named in the header, by its class",
        |a| contrast::class(a.header().sequence.contrast_agent.as_deref())
    ),
    header!("fat suppression", YES_NO, "(0018,0022) Scan Options", false, "whether fat was suppressed", |a| words(
        a.header().sequence.fat_suppressed,
        "yes",
        "no"
    )),
    header!(
        "breathing",
        Kind::Word(&["breath-hold", "free", "gated"]),
        "(0018,9170) Respiratory Motion Compensation Technique",
        false,
        "what was done about breathing",
        breathing
    ),
    header!(
        "intensity normalisation",
        YES_NO,
        "(0008,0008) Image Type",
        false,
        "whether the scanner evened out the intensities, which moves the noise floor",
        |a| words(a.header().intensity_normalised, "yes", "no")
    ),
    header!(
        "phase images",
        YES_NO,
        "(0008,0008) Image Type",
        true,
        "whether phase or complex images came with the magnitude",
        |a| words(Some(a.complex().is_some()), "yes", "no")
    ),
    // scanner
    header!(
        "field strength",
        number(Unit::Tesla, 0.0, 20.0),
        "(0018,0087) Magnetic Field Strength",
        false,
        "field strength, from the imaging frequency where the two disagree",
        |a| a.header().scanner.field_strength.map(|t| t.0).into()
    ),
    header!("receive coil", Kind::Text, "(0018,1250) Receive Coil Name", false, "receive coil", |a| a
        .header()
        .scanner
        .receive_coil
        .clone()
        .into()),
    header!("software version", Kind::Text, "(0018,1020) Software Versions", false, "scanner software version", |a| a
        .header()
        .scanner
        .software
        .clone()
        .into()),
    header!("sequence name", Kind::Text, "(0018,0024) Sequence Name", false, "pulse sequence name", |a| a
        .header()
        .sequence
        .name
        .clone()
        .into()),
    header!("protocol name", Kind::Text, "(0018,1030) Protocol Name", false, "name of the scan protocol", |a| a
        .header()
        .sequence
        .protocol_name
        .clone()
        .into()),
    header!(
        "series description",
        Kind::Text,
        "(0008,103E) Series Description",
        false,
        "descriptions of the series",
        |a| list(a.header().series.iter().filter_map(|s| s.description.clone()).collect())
    ),
    header!("scan options", Kind::Text, "(0018,0022) Scan Options", false, "scan options", |a| list(
        a.header().sequence.options.clone()
    )),
    header!("sequence variant", Kind::Text, "(0018,0021) Sequence Variant", false, "sequence variants", |a| list(
        a.header().sequence.variant.clone()
    )),
    header!(
        "body part",
        Kind::Text,
        "(0018,0015) Body Part Examined",
        false,
        "body part as typed at the scanner; often wrong",
        |a| a.header().body_part.clone().into()
    ),
    // image quality
    image!(
        "signal to noise",
        Unit::None,
        1e6,
        "median signal of the region at the first echo over the noise of one real channel",
        signal_to_noise
    ),
    image!(
        "ghosting",
        Unit::Percent,
        1e4,
        "percent signal ghosting: background along phase against background along frequency encoding",
        ghosting_percent
    ),
    image!(
        "echo shift",
        Unit::Millimetres,
        1e3,
        "largest displacement of an echo against the one before",
        echo_shift_mm
    ),
    image!("slice shift", Unit::Millimetres, 1e3, "largest displacement between neighbouring slices", slice_shift_mm),
    image!(
        "slice disagreement",
        Unit::Percent,
        1e4,
        "largest difference of a slice's median R2* from its neighbours'",
        slice_disagreement_percent
    ),
    image!("wrap-around", Unit::Percent, 1e4, "signal at the edge of the image against the body's", wrap_percent),
    image!("saturation", Unit::Percent, 100.0, "region voxels at the top of the stored range", saturation_percent),
    image!("signal voids", Unit::Percent, 100.0, "body voxels without signal at the first echo", void_percent),
    image!(
        "odd-even alternation",
        Unit::Percent,
        1e4,
        "alternation of odd and even echoes against the decay",
        alternation_percent
    ),
    image!("motion", Unit::None, 1e6, "motion index from ghosts and blur; still acquisitions stay below 1", motion),
];

fn first(a: &Acquisition) -> Option<f64> {
    a.echo_times().first().map(|t| t.as_millis())
}

fn gaps(a: &Acquisition) -> Vec<f64> {
    a.echo_times().windows(2).map(|w| ((w[1].0 - w[0].0) * 1e9).round() / 1e6).collect()
}

/// Upper median of a non-empty list; 0 for an empty one.
fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(0.0)
}

/// Largest deviation from the median, percent of the median, to a thousandth.
fn unevenness(values: &[f64]) -> f64 {
    let middle = median(values);
    let worst = values.iter().map(|v| (v - middle).abs()).fold(0.0, f64::max);
    if middle > 0.0 { (worst / middle * 1e5).round() / 1e3 } else { 0.0 }
}

fn slice_steps(a: &Acquisition) -> Option<Vec<f64>> {
    let normal = a.grid().normal();
    let along: Vec<f64> = a.grid().positions().iter().map(|&p| dot(p, normal)).collect();
    (along.len() > 2).then(|| along.windows(2).map(|w| w[1] - w[0]).collect())
}

fn gap(a: &Acquisition) -> Option<f64> {
    let grid = a.grid();
    if grid.slices() < 2 {
        return None;
    }
    let gap = grid.slice_step()?.0 - grid.slice_thickness()?.0;
    Some((gap * 1e6).round() / 1e6)
}

fn tilt(a: &Acquisition) -> f64 {
    let cosine = a.grid().normal()[2].abs().min(1.0);
    (libm::acos(cosine).to_degrees() * 1e3).round() / 1e3
}

fn words(value: Option<bool>, yes: &str, no: &str) -> Seen {
    value.map(|v| if v { yes } else { no }.to_owned()).into()
}

fn list(texts: Vec<String>) -> Seen {
    if texts.is_empty() { Seen::Missing } else { Seen::Texts(texts) }
}

fn echo_kind(a: &Acquisition) -> Seen {
    let word = a.header().sequence.echo_kind.map(|kind| match kind {
        EchoKind::GradientEcho => "gradient echo",
        EchoKind::SpinEcho => "spin echo",
        EchoKind::Other => "other",
    });
    word.map(str::to_owned).into()
}

fn breathing(a: &Acquisition) -> Seen {
    let word = a.header().sequence.breathing.map(|breathing| match breathing {
        Breathing::BreathHold => "breath-hold",
        Breathing::Free => "free",
        Breathing::Gated => "gated",
    });
    word.map(str::to_owned).into()
}
