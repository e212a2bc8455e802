//! What the headers say, for the profile's rules and the report. Missing is `None`, never a guess.

use super::component::image_type;
use super::dataset::Node;
use super::number::{clock, date};
use super::vendor;
use super::view::View;
use crate::study::{
    Breathing, EchoKind, Header, ImagingRequest, Millimetres, Patient, Scanner, Seconds, Sequence, SeriesFacts,
    StudyFacts, Tesla,
};
use std::collections::BTreeMap;

/// The proton's gyromagnetic ratio over 2π, in MHz/T (CODATA 2018: 42.577478518).
const PROTON_MHZ_PER_T: f64 = 42.577_478_518;
/// Field strength from the attribute and from the imaging frequency may differ by this much: 123.25 MHz, which
/// is 2.89 T, is sold as 3 T.
const FIELD_TOLERANCE: f64 = 0.02;

/// One examination answers a few requests at most; a longer list is not of this world.
const MOST_REQUESTS: usize = 16;

/// The header as this frame sees it.
pub fn header(view: View<'_>) -> Header {
    let top = view.top;
    let tokens = image_type(view);
    Header {
        patient: patient(view),
        study: StudyFacts {
            uid: top.text(0x0020_000D).unwrap_or_default(),
            date: top.text(0x0008_0020).and_then(|t| date(&t)),
            time: top.text(0x0008_0030).and_then(|t| clock(&t)),
            accession: top.text(0x0008_0050),
            id: top.text(0x0020_0010),
            description: top.text(0x0008_1030),
            referring_physician: top.text(0x0008_0090),
            institution: top.text(0x0008_0080),
            requests: top.items(0x0040_0275).take(MOST_REQUESTS).map(request).collect(),
        },
        series: vec![SeriesFacts {
            uid: top.text(0x0020_000E).unwrap_or_default(),
            number: top.whole(0x0020_0011).ok().flatten(),
            description: top.text(0x0008_103E),
            time: [0x0008_0031, 0x0008_0032].iter().find_map(|&tag| top.text(tag).and_then(|t| clock(&t))),
        }],
        scanner: scanner(view),
        sequence: sequence(view),
        body_part: view.text(0x0018_0015).or_else(|| anatomy(view)),
        patient_position: top.text(0x0018_5100),
        intensity_normalised: normalised(view, &tokens),
        elements: elements(view),
    }
}

fn request(item: Node<'_>) -> ImagingRequest {
    ImagingRequest {
        accession: item.text(0x0008_0050),
        procedure_id: item.text(0x0040_1001),
        procedure: item.text(0x0032_1060),
        step_id: item.text(0x0040_0009),
        step: item.text(0x0040_0007),
    }
}

fn patient(view: View<'_>) -> Patient {
    let top = view.top;
    Patient {
        id: top.text(0x0010_0020),
        issuer: top.text(0x0010_0021),
        name: top.text(0x0010_0010),
        birth_date: top.text(0x0010_0030).and_then(|t| date(&t)),
        sex: top.text(0x0010_0040).filter(|s| matches!(s.as_str(), "M" | "F" | "O")),
        age_years: top.text(0x0010_1010).and_then(|t| age(&t)),
        weight_kg: top.lenient(0x0010_1030).filter(|w| (0.2..=500.0).contains(w)),
        height_m: top.lenient(0x0010_1020).filter(|h| (0.2..=3.0).contains(h)),
    }
}

/// `nnnY`, `nnnM`, `nnnW` or `nnnD` in years.
fn age(text: &str) -> Option<f64> {
    let (count, unit) = text.split_at_checked(3)?;
    let count: f64 = count.parse::<u16>().ok()?.into();
    match unit {
        "Y" => Some(count),
        "M" => Some(count / 12.0),
        "W" => Some(count * 7.0 / 365.25),
        "D" => Some(count / 365.25),
        _ => None,
    }
}

fn anatomy(view: View<'_>) -> Option<String> {
    let region = view.item(0x0020_9071)?.items(0x0008_2218).next()?;
    region.text(0x0008_0104)
}

fn scanner(view: View<'_>) -> Scanner {
    let top = view.top;
    let frequency =
        [0x0018_0084, 0x0018_9098].iter().find_map(|&tag| view.lenient(tag)).filter(|f| (1.0..=500.0).contains(f));
    let written = view.lenient(0x0018_0087);
    let nominal = written.and_then(tesla);
    let field_strength = match (nominal, frequency.map(|f| f / PROTON_MHZ_PER_T)) {
        (Some(nominal), Some(measured)) if (measured / nominal - 1.0).abs() > FIELD_TOLERANCE => Some(measured),
        (Some(nominal), _) => Some(nominal),
        (None, measured) => measured,
    };
    Scanner {
        manufacturer: top.text(0x0008_0070),
        model: top.text(0x0008_1090),
        serial: top.text(0x0018_1000),
        station: top.text(0x0008_1010),
        software: top.text(0x0018_1020),
        field_strength: field_strength.map(Tesla),
        nominal_field_strength: nominal.map(Tesla),
        imaging_frequency_mhz: frequency,
        receive_coil: view.text(0x0018_1250),
    }
}

/// A field strength in tesla. Old files give gauss; nothing between the two ranges is either.
fn tesla(written: f64) -> Option<f64> {
    match written {
        v if (0.02..=20.0).contains(&v) => Some(v),
        v if (2000.0..=100_000.0).contains(&v) => Some(v / 10_000.0),
        _ => None,
    }
}

/// Whether the attribute was written in gauss.
pub fn in_gauss(view: View<'_>) -> bool {
    view.lenient(0x0018_0087).is_some_and(|v| v >= 2000.0)
}

fn sequence(view: View<'_>) -> Sequence {
    let scanning = view.texts(0x0018_0020);
    let options = view.texts(0x0018_0022);
    let matrix = acquired_matrix(view);
    Sequence {
        name: view.text(0x0018_0024).or_else(|| view.text(0x0018_9005)),
        protocol_name: view.text(0x0018_1030),
        echo_kind: echo_kind(view, &scanning),
        variant: view.texts(0x0018_0021),
        dimensions: view.text(0x0018_0023).filter(|d| matches!(d.as_str(), "2D" | "3D")),
        repetition_time: view.lenient(0x0018_0080).filter(|&t| t > 0.0).map(Seconds::from_millis),
        flip_angle_deg: view.lenient(0x0018_1314),
        bandwidth_hz_per_pixel: view.lenient(0x0018_0095),
        averages: view.lenient(0x0018_0083),
        parallel_factor: parallel(view),
        fat_suppressed: fat_suppressed(view, &options),
        contrast_agent: view.text(0x0018_0010).or_else(|| view.item(0x0018_0012)?.text(0x0008_0104)),
        breathing: breathing(view, &options),
        echo_train_length: [0x0018_0091, 0x0018_9241]
            .iter()
            .find_map(|&tag| view.lenient(tag))
            .filter(|&n| (0.0..1e6).contains(&n))
            .map(|n| n as u32),
        phase_encoding_along_row: view.text(0x0018_1312).and_then(|t| match t.as_str() {
            "ROW" => Some(true),
            "COL" | "COLUMN" => Some(false),
            _ => None,
        }),
        acquired_matrix: matrix,
        slice_spacing: view.lenient(0x0018_0088).filter(|s| *s > 0.0).map(Millimetres),
        echo_time_span: None,
        scanning_sequence: scanning,
        options,
    }
}

/// Gradient or spin echo: Echo Pulse Sequence of enhanced objects, Scanning Sequence of classic ones.
fn echo_kind(view: View<'_>, scanning: &[String]) -> Option<EchoKind> {
    let planar = view.text(0x0018_9018).is_some_and(|t| t == "YES") || scanning.iter().any(|s| s == "EP");
    let kind = match view.text(0x0018_9008).as_deref() {
        Some("GRADIENT") => Some(EchoKind::GradientEcho),
        Some("SPIN") => Some(EchoKind::SpinEcho),
        Some("BOTH") => Some(EchoKind::Other),
        _ => None,
    };
    let has = |word: &str| scanning.iter().any(|s| s == word);
    let classic = || match () {
        () if has("IR") => Some(EchoKind::Other),
        () if has("SE") && !has("GR") => Some(EchoKind::SpinEcho),
        () if has("GR") && !has("SE") => Some(EchoKind::GradientEcho),
        () if scanning.is_empty() => None,
        () => Some(EchoKind::Other),
    };
    let kind = kind.or_else(classic);
    if planar && kind.is_some() { Some(EchoKind::Other) } else { kind }
}

fn parallel(view: View<'_>) -> Option<f64> {
    match view.text(0x0018_9077).as_deref() {
        Some("NO") => Some(1.0),
        _ => view.lenient(0x0018_9069),
    }
}

/// `FS` among the scan options or a suppression named in the modifier; `Some(false)` only where the header has
/// the attribute and does not name fat.
fn fat_suppressed(view: View<'_>, options: &[String]) -> Option<bool> {
    let named = [0x0018_9025, 0x0018_9026].iter().find_map(|&tag| view.text(tag));
    if let Some(what) = named {
        return Some(
            what.contains("FAT") || what == "WATER_EXCITATION" || (what == "WATER" && view.text(0x0018_9026).is_some()),
        );
    }
    let fat = options.iter().any(|o| matches!(o.as_str(), "FS" | "FAT_SAT" | "FATSAT" | "SPIR" | "SPAIR"));
    if options.is_empty() { None } else { Some(fat) }
}

fn breathing(view: View<'_>, options: &[String]) -> Option<Breathing> {
    match view.text(0x0018_9170).as_deref() {
        Some("BREATH_HOLD") => return Some(Breathing::BreathHold),
        Some("NONE") => return Some(Breathing::Free),
        Some(_) => return Some(Breathing::Gated),
        None => {}
    }
    let gated =
        options.iter().any(|o| matches!(o.as_str(), "RG" | "RESP_GATE" | "RESP_TRIG" | "NAV" | "RESPIRATORY_GATING"));
    gated.then_some(Breathing::Gated)
}

/// Frequency and phase points of Acquisition Matrix (frequency rows, frequency columns, phase rows, phase
/// columns, two of them zero) or of the enhanced geometry.
fn acquired_matrix(view: View<'_>) -> Option<[u32; 2]> {
    if let Some(m) = view.level(0x0018_1310).and_then(|level| level.decimals(0x0018_1310).ok().flatten()) {
        let [fr, fc, pr, pc] = m.as_slice() else { return None };
        return Some([fr.max(*fc) as u32, pr.max(*pc) as u32]);
    }
    let frequency = view.lenient(0x0018_9058)?;
    let phase = view.lenient(0x0018_9231)?;
    (frequency > 0.0 && phase > 0.0).then_some([frequency as u32, phase as u32])
}

/// Whether the scanner evened out the intensities across the image. Only one maker says so in words.
pub fn normalised(view: View<'_>, tokens: &[String]) -> Option<bool> {
    let private = vendor::siemens::image_type(view);
    let norm = |words: &[String]| words.iter().any(|w| w == "NORM");
    if norm(tokens) || norm(&private) {
        return Some(true);
    }
    vendor::siemens::made_by(view.top.text(0x0008_0070).as_deref()).then_some(false)
}

/// Public top-level elements as text.
fn elements(view: View<'_>) -> BTreeMap<(u16, u16), String> {
    let mut out = BTreeMap::new();
    for element in view.top.elements() {
        let (group, number) = ((element.tag >> 16) as u16, (element.tag & 0xFFFF) as u16);
        let long = element.range().len() > 1024;
        if long || !group.is_multiple_of(2) || group == 0x7FE0 || element.vr == *b"SQ" {
            continue;
        }
        let text = match &element.vr {
            b"OB" | b"OW" | b"OF" | b"OD" | b"OL" | b"OV" | b"UN" | b"AT" | b"SV" | b"UV" => None,
            b"FD" | b"FL" | b"US" | b"SS" | b"UL" | b"SL" => {
                let numbers = view.top.decimals(element.tag).ok().flatten();
                numbers.map(|n| n.iter().map(f64::to_string).collect::<Vec<_>>().join("\\"))
            }
            _ => view.top.text(element.tag),
        };
        if let Some(text) = text.filter(|t| !t.is_empty()) {
            out.insert((group, number), text);
        }
    }
    out
}
