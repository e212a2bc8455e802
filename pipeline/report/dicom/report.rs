//! The structured report: TID 1500 with one measurement group (TID 1411) for the region. A refused result has no LIC
//! number, only the coded reason; a bound is an item of its own, never a LIC.

use super::codes::{self, code, own};
use super::content::{self, Relation as As, coded, number, text};
use super::element::{Code, Set};
use super::maker::{Kind, MANUFACTURER, Maker, Reference, reference_item, uid};
use super::{capture, map, segmentation};
use crate::report::outputs::StructuredReport;
use crate::report::result::{Position, Relation};
use crate::study::{Grid, Severity, Verdict, is_uid};
use dicom_core::VR;
use dicom_dictionary_std::{tags, uids};
use std::collections::BTreeMap;

const COMPREHENSIVE: Kind = Kind {
    role: "sr",
    class: uids::COMPREHENSIVE3_DSR_STORAGE,
    modality: "SR",
    series: 3,
    description: "Liver iron: measurements",
};

const ENHANCED: Kind = Kind { role: "esr", class: uids::ENHANCED_SR_STORAGE, ..COMPREHENSIVE };

/// Which other objects of the run exist, so that the report may refer to them.
#[derive(Clone, Copy, Debug, Default)]
pub struct Beside {
    /// `roi.dcm`.
    pub region: bool,
    /// `r2star.dcm`.
    pub map: bool,
    /// `qc.dcm`.
    pub capture: bool,
}

/// The kind of object this form of report is.
pub fn kind(form: StructuredReport) -> Option<Kind> {
    match form {
        StructuredReport::Comprehensive3d => Some(COMPREHENSIVE),
        StructuredReport::Enhanced => Some(ENHANCED),
        StructuredReport::None => None,
    }
}

/// `report.dcm`.
pub fn write(maker: &Maker<'_, '_>, form: StructuredReport, beside: Beside) -> Option<Vec<u8>> {
    let kind = kind(form)?;
    let refused = maker.view.result.verdict == Verdict::Refused;
    let children = vec![
        coded(
            As::ConceptModifier,
            &code("121049", "DCM", "Language of Content Item and Descendants"),
            &code("en-US", "RFC5646", "English (United States)"),
        ),
        coded(As::ObservationContext, &code("121005", "DCM", "Observer Type"), &code("121007", "DCM", "Device")),
        content::uid(
            As::ObservationContext,
            &code("121012", "DCM", "Device Observer UID"),
            &uid(&["device", &maker.view.result.software.version]),
        ),
        text(As::ObservationContext, &code("121013", "DCM", "Device Observer Name"), "siderolog"),
        text(As::ObservationContext, &code("121014", "DCM", "Device Observer Manufacturer"), MANUFACTURER),
        text(As::ObservationContext, &code("121015", "DCM", "Device Observer Model Name"), "siderolog"),
        text(
            As::ObservationContext,
            &code("121016", "DCM", "Device Observer Serial Number"),
            &maker.view.result.software.commit,
        ),
        coded(
            As::ConceptModifier,
            &code("121058", "DCM", "Procedure reported"),
            &code("25056-3", "LN", "MRI unspecified body region"),
        ),
        image_library(maker),
        content::container(
            As::Contains,
            &code("126010", "DCM", "Imaging Measurements"),
            None,
            vec![group(maker, beside)],
        ),
    ];
    let mut set = maker.start(&kind);
    set.text(tags::COMPLETION_FLAG, VR::CS, if refused { "PARTIAL" } else { "COMPLETE" })
        .text(tags::VERIFICATION_FLAG, VR::CS, "UNVERIFIED")
        .text(tags::PRELIMINARY_FLAG, VR::CS, "PRELIMINARY")
        .sequence(tags::REFERENCED_PERFORMED_PROCEDURE_STEP_SEQUENCE, Vec::new())
        .sequence(tags::PERFORMED_PROCEDURE_CODE_SEQUENCE, Vec::new())
        .sequence(tags::CURRENT_REQUESTED_PROCEDURE_EVIDENCE_SEQUENCE, vec![evidence(maker, beside)]);
    if refused {
        set.text(tags::COMPLETION_FLAG_DESCRIPTION, VR::LO, "LIC not reported, see quality flags");
    }
    predecessor(maker, &mut set);
    requests(maker, &mut set);
    let root = code("126000", "DCM", "Imaging Measurement Report");
    set.text(tags::VALUE_TYPE, VR::CS, "CONTAINER").code(tags::CONCEPT_NAME_CODE_SEQUENCE, &root);
    content::hold(&mut set, Some("1500"), children);
    Some(maker.finish(set, &kind))
}

/// The Referenced Request Sequence: which requests the report answers.
fn requests(maker: &Maker<'_, '_>, set: &mut Set) {
    let study = &maker.view.header.study;
    let items: Vec<Set> = study
        .requests
        .iter()
        .map(|request| {
            let accession = request.accession.as_deref().or(study.accession.as_deref());
            let mut item = Set::new();
            item.text_or_empty(tags::ACCESSION_NUMBER, VR::SH, accession)
                .sequence(tags::REFERENCED_STUDY_SEQUENCE, Vec::new())
                .text(tags::STUDY_INSTANCE_UID, VR::UI, &study.uid)
                .text_or_empty(tags::REQUESTED_PROCEDURE_DESCRIPTION, VR::LO, request.procedure.as_deref())
                .sequence(tags::REQUESTED_PROCEDURE_CODE_SEQUENCE, Vec::new())
                .text_or_empty(tags::REQUESTED_PROCEDURE_ID, VR::SH, request.procedure_id.as_deref())
                .text_or_empty(tags::PLACER_ORDER_NUMBER_IMAGING_SERVICE_REQUEST, VR::LO, None)
                .text_or_empty(tags::FILLER_ORDER_NUMBER_IMAGING_SERVICE_REQUEST, VR::LO, None);
            item
        })
        .collect();
    if !items.is_empty() {
        set.sequence(tags::REFERENCED_REQUEST_SEQUENCE, items);
    }
}

fn predecessor(maker: &Maker<'_, '_>, set: &mut Set) {
    let Some(old) = maker.view.result.predecessor.as_ref().and_then(|p| p.structured_report.as_ref()) else { return };
    if ![&old.class_uid, &old.uid, &old.series_uid].into_iter().all(|u| is_uid(u)) {
        return;
    }
    let mut series = Set::new();
    series
        .text(tags::SERIES_INSTANCE_UID, VR::UI, &old.series_uid)
        .sequence(tags::REFERENCED_SOP_SEQUENCE, vec![reference_item(&old.class_uid, &old.uid)]);
    let mut study = Set::new();
    study
        .text(tags::STUDY_INSTANCE_UID, VR::UI, &maker.view.header.study.uid)
        .sequence(tags::REFERENCED_SERIES_SEQUENCE, vec![series]);
    set.sequence(tags::PREDECESSOR_DOCUMENTS_SEQUENCE, vec![study]);
}

/// Every instance that the report refers to, by series.
fn evidence(maker: &Maker<'_, '_>, beside: Beside) -> Set {
    let mut by_series: BTreeMap<String, Vec<Set>> = BTreeMap::new();
    for (series, instances) in maker.sources() {
        let items = instances.into_iter().map(|i| reference_item(&i.class_uid, &i.uid));
        by_series.entry(series.to_owned()).or_default().extend(items);
    }
    for reference in ours(maker, beside) {
        by_series.entry(reference.series).or_default().push(reference_item(&reference.class, &reference.uid));
    }
    let series = by_series.into_iter().map(|(uid, items)| {
        let mut item = Set::new();
        item.text(tags::SERIES_INSTANCE_UID, VR::UI, &uid).sequence(tags::REFERENCED_SOP_SEQUENCE, items);
        item
    });
    let mut study = Set::new();
    let series = series.collect();
    study
        .text(tags::STUDY_INSTANCE_UID, VR::UI, &maker.view.header.study.uid)
        .sequence(tags::REFERENCED_SERIES_SEQUENCE, series);
    study
}

fn ours(maker: &Maker<'_, '_>, beside: Beside) -> Vec<Reference> {
    [(beside.region, &segmentation::REGION), (beside.map, &map::R2STAR), (beside.capture, &capture::CAPTURE)]
        .into_iter()
        .filter(|(exists, _)| *exists)
        .map(|(_, kind)| maker.reference(kind))
        .collect()
}

/// TID 1600: what all images share once, each with its own position.
fn image_library(maker: &Maker<'_, '_>) -> Set {
    let mut items = Vec::new();
    let as_context = As::AcquisitionContext;
    items.push(coded(as_context, &code("121139", "DCM", "Modality"), &code("MR", "DCM", "Magnetic Resonance")));
    if let Some(grid) = maker.view.grid {
        shared_geometry(grid, &mut items);
    }
    let first_slice: BTreeMap<usize, usize> =
        maker.view.source.frames.iter().rev().map(|frame| (frame.instance, frame.slice)).collect();
    for (index, instance) in maker.view.source.instances.iter().enumerate() {
        if !is_uid(&instance.uid) || !is_uid(&instance.class_uid) {
            continue;
        }
        let position = maker.view.grid.zip(first_slice.get(&index)).and_then(|(g, s)| g.positions().get(*s));
        let children = position.map_or_else(Vec::new, |p| {
            let axes = [("110901", "X"), ("110902", "Y"), ("110903", "Z")];
            axes.iter()
                .zip(p)
                .map(|((value, axis), &v)| {
                    let name = code(value, "DCM", &format!("Image Position (Patient) {axis}"));
                    number(as_context, &name, v, &codes::millimetre(), Vec::new())
                })
                .collect()
        });
        let source = code("121112", "DCM", "Source of Measurement");
        items.push(content::image(As::Contains, &source, &instance.class_uid, &instance.uid, None, children));
    }
    let group = content::container(As::Contains, &code("126200", "DCM", "Image Library Group"), None, items);
    content::container(As::Contains, &code("111028", "DCM", "Image Library"), None, vec![group])
}

fn shared_geometry(grid: &Grid, items: &mut Vec<Set>) {
    let context = As::AcquisitionContext;
    if let Some(frame) = grid.frame_of_reference().filter(|f| is_uid(f)) {
        items.push(content::uid(context, &code("112227", "DCM", "Frame of Reference UID"), frame));
    }
    let mut add = |value: &str, meaning: &str, v: f64, unit: Code| {
        items.push(number(context, &code(value, "DCM", meaning), v, &unit, Vec::new()));
    };
    add("110910", "Pixel Data Rows", grid.rows() as f64, codes::pixels());
    add("110911", "Pixel Data Columns", grid.columns() as f64, codes::pixels());
    add("111026", "Horizontal Pixel Spacing", grid.column_spacing().0, codes::millimetre());
    add("111066", "Vertical Pixel Spacing", grid.row_spacing().0, codes::millimetre());
    if let Some(thickness) = grid.slice_thickness() {
        add("112225", "Slice Thickness", thickness.0, codes::millimetre());
    }
    let names = ["Row X", "Row Y", "Row Z", "Column X", "Column Y", "Column Z"];
    let cosines = grid.along_row().into_iter().chain(grid.along_column());
    for (i, (name, v)) in names.iter().zip(cosines).enumerate() {
        let value = (110_904 + i).to_string();
        add(&value, &format!("Image Orientation (Patient) {name}"), v, codes::cosine());
    }
    if let (Some(step), true) = (grid.slice_step(), grid.slices() > 1) {
        add("112226", "Spacing between slices", step.0, codes::millimetre());
    }
}

/// TID 1411: the region and everything measured in it.
fn group(maker: &Maker<'_, '_>, beside: Beside) -> Set {
    let (tracking, name) = maker.tracking();
    let mut items = vec![
        text(As::ObservationContext, &code("112039", "DCM", "Tracking Identifier"), name),
        content::uid(As::ObservationContext, &code("112040", "DCM", "Tracking Unique Identifier"), &tracking),
        coded(As::Contains, &code("276214006", "SCT", "Finding category"), &codes::anatomical_structure()),
        coded(As::Contains, &code("121071", "DCM", "Finding"), &codes::organ()),
        coded(As::ConceptModifier, &code("363698007", "SCT", "Finding Site"), &codes::liver()),
    ];
    if beside.region {
        let segment = maker.reference(&segmentation::REGION);
        items.push(content::own_image(As::Contains, &code("121191", "DCM", "Referenced Segment"), &segment, Some(1)));
        let source = code("121233", "DCM", "Source image for segmentation");
        for instance in maker.sources().into_values().flatten() {
            items.push(content::image(As::Contains, &source, &instance.class_uid, &instance.uid, None, Vec::new()));
        }
    }
    if beside.capture {
        let picture = maker.reference(&capture::CAPTURE);
        items.push(content::own_image(As::Contains, &code("121200", "DCM", "Illustration of ROI"), &picture, None));
    }
    rates(maker, beside, &mut items);
    region(maker, &mut items);
    concentration(maker, &mut items);
    quality(maker, &mut items);
    content::container(As::Contains, &code("125007", "DCM", "Measurement Group"), Some("1411"), items)
}

fn algorithm(name: &str, version: &str, parameters: &[String]) -> Vec<Set> {
    let mut items = vec![
        text(As::ConceptModifier, &code("111001", "DCM", "Algorithm Name"), name),
        text(As::ConceptModifier, &code("111003", "DCM", "Algorithm Version"), version),
    ];
    let parameter = code("111002", "DCM", "Algorithm Parameters");
    items.extend(parameters.iter().map(|p| text(As::ConceptModifier, &parameter, p)));
    items
}

fn derived(statistic: &Code) -> Set {
    coded(As::ConceptModifier, &codes::derivation(), statistic)
}

/// TID 310: uncertainty as distances from the value, in its unit.
fn uncertainty(value: f64, low: Option<f64>, high: Option<f64>, unit: &Code) -> Vec<Set> {
    let (Some(low), Some(high)) = (low, high) else { return Vec::new() };
    let upper = code("371886008", "SCT", "+, range of upper measurement uncertainty");
    let lower = code("371885007", "SCT", "-, range of lower measurement uncertainty");
    vec![
        number(As::Properties, &upper, high - value, unit, Vec::new()),
        number(As::Properties, &lower, value - low, unit, Vec::new()),
    ]
}

fn rates(maker: &Maker<'_, '_>, beside: Beside, items: &mut Vec<Set>) {
    let result = &maker.view.result;
    let Some(summary) = &result.r2star_per_s else { return };
    let mut parameters = Vec::new();
    if let Some(fit) = &result.fit {
        parameters.push(format!("model={}", fit.model));
    }
    let times: Vec<String> = result.acquisition.echo_times_ms.iter().map(|t| super::element::decimal(*t)).collect();
    parameters.push(format!("te_ms={}", times.join(",")));
    if let Some(noise) = &result.noise {
        parameters.push(format!("noise={}", noise.method));
        parameters.extend(noise.sigma.map(|s| format!("sigma={}", super::element::decimal(s))));
    }
    if let Some(profile) = &result.profile {
        parameters.push(format!("profile={} revision {} {}", profile.name, profile.revision, profile.digest));
    }
    let statistics = [
        (codes::mean(), summary.mean, false),
        (codes::median(), summary.median, true),
        (codes::standard_deviation(), summary.sd, false),
    ];
    for (statistic, value, with_interval) in statistics {
        let Some(value) = value else { continue };
        let mut children =
            vec![coded(As::ConceptModifier, &codes::measurement_method(), &codes::fit_method()), derived(&statistic)];
        if with_interval {
            children.extend(uncertainty(value, summary.low, summary.high, &codes::per_second()));
        }
        if beside.map {
            let source = code("121112", "DCM", "Source of Measurement");
            children.push(content::own_image(As::InferredFrom, &source, &maker.reference(&map::R2STAR), None));
        }
        children.extend(algorithm("siderolog R2* fit", &result.software.version, &parameters));
        items.push(number(As::Contains, &codes::r2star(), value, &codes::per_second(), children));
    }
}

fn region(maker: &Maker<'_, '_>, items: &mut Vec<Set>) {
    let result = &maker.view.result;
    let mut add = |name: Code, value: f64, unit: Code, children: Vec<Set>| {
        items.push(number(As::Contains, &name, value, &unit, children));
    };
    if let Some(roi) = &result.roi {
        if let Some(volume) = roi.volume_ml {
            add(codes::volume(), volume, codes::cubic_centimetre(), Vec::new());
        }
        add(codes::voxel_count(), roi.voxels as f64, codes::voxels(), Vec::new());
        if let Some(fit) = result.fit.as_ref().filter(|_| roi.voxels > 0) {
            let fitted = roi.voxels.saturating_sub(fit.failed);
            add(codes::fitted_count(), fitted as f64, codes::voxels(), Vec::new());
            add(codes::fitted_share(), 100.0 * fitted as f64 / roi.voxels as f64, codes::percent(), Vec::new());
        }
    }
    if let Some(median) = result.fat_fraction_percent.as_ref().and_then(|f| f.median) {
        add(codes::fat_fraction(), median, codes::percent(), vec![derived(&codes::median())]);
    }
    if let Some(range) = &result.measuring_range {
        add(codes::range_low(), range.r2star_per_s[0], codes::per_second(), Vec::new());
        add(codes::range_high(), range.r2star_per_s[1], codes::per_second(), Vec::new());
        let position = match range.position {
            Position::Inside => own("INSIDE", "Inside measuring range"),
            Position::Above => own("ABOVE", "Above measuring range"),
            Position::Below => own("BELOW", "Below measuring range"),
        };
        items.push(coded(As::Contains, &codes::range_position(), &position));
    }
}

fn concentration(maker: &Maker<'_, '_>, items: &mut Vec<Set>) {
    let result = &maker.view.result;
    let Some(lic) = &result.lic_mg_per_g else {
        items.push(coded(As::Contains, &codes::lic_status(), &why_not(maker)));
        return;
    };
    let name = match lic.relation {
        Relation::Equal => codes::lic(),
        Relation::AtLeast => codes::lic_at_least(),
        Relation::AtMost => codes::lic_at_most(),
    };
    let unit = codes::mg_per_g();
    let mut children = vec![
        coded(As::ConceptModifier, &codes::measurement_method(), &codes::calibration_method()),
        derived(&codes::median()),
    ];
    if lic.relation == Relation::Equal {
        children.extend(uncertainty(lic.value, lic.low, lic.high, &unit));
    }
    let mut parameters = vec![format!("calibration={}", lic.calibration), format!("citation={}", lic.source)];
    let calibration = &maker.view.calibration_parameters;
    parameters.extend(calibration.iter().map(|(name, value)| format!("{name}={}", super::element::decimal(*value))));
    parameters.extend(result.field_strength().map(|b| format!("field_T={b}")));
    children.extend(algorithm("siderolog calibration", &result.software.version, &parameters));
    children.push(text(
        As::ConceptModifier,
        &code("121050", "DCM", "Equivalent Meaning of Concept Name"),
        "Liver iron concentration (LIC), mg Fe per g dry liver",
    ));
    if let Some(median) = result.r2star_per_s.as_ref().and_then(|s| s.median) {
        let median =
            number(As::InferredFrom, &codes::r2star(), median, &codes::per_second(), vec![derived(&codes::median())]);
        children.push(median);
    }
    if let Some(equation) = &maker.view.equation {
        children.push(text(As::InferredFrom, &code("121420", "DCM", "Equation"), equation));
    }
    items.push(number(As::Contains, &name, lic.value, &unit, children));
    if lic.relation == Relation::Equal {
        for (name, end) in [(codes::repeat_low(), lic.repeat_low), (codes::repeat_high(), lic.repeat_high)] {
            items.extend(end.map(|v| number(As::Contains, &name, v, &unit, Vec::new())));
        }
    } else {
        items.push(coded(As::Contains, &codes::lic_status(), &code("114009", "DCM", "Value out of range")));
    }
}

/// CID 42: why there is no LIC.
pub fn why_not(maker: &Maker<'_, '_>) -> Code {
    let result = &maker.view.result;
    let outside = result.measuring_range.as_ref().is_some_and(|r| r.position != Position::Inside);
    if result.r2star_per_s.is_none() {
        code("114006", "DCM", "Measurement failure")
    } else if outside {
        code("114009", "DCM", "Value out of range")
    } else {
        code("114007", "DCM", "Measurement not attempted")
    }
}

/// Overall quality (CID 7036) and one flag for each finding that weighs.
fn quality(maker: &Maker<'_, '_>, items: &mut Vec<Set>) {
    let result = &maker.view.result;
    let grade = match result.verdict {
        Verdict::Clear => code("RID12", "RADLEX", "Diagnostic quality"),
        Verdict::Review => code("RID13", "RADLEX", "Limited quality"),
        Verdict::Refused => code("RID14", "RADLEX", "Non-diagnostic quality"),
    };
    items.push(coded(As::Contains, &code("111050", "DCM", "Quality Assessment"), &grade));
    let heavy = result.findings.iter().filter(|f| f.severity >= Severity::Warn);
    let before = items.len();
    items.extend(heavy.map(|f| coded(As::Contains, &codes::quality_flag(), &own(&flag(&f.code), &f.message))));
    if items.len() == before {
        items.push(coded(As::Contains, &codes::quality_flag(), &own("Q-NONE", "No quality flag raised")));
    }
}

/// A finding's code as a Code Value: `Q-` and its first letters; two long codes that begin alike are told apart by
/// a digest of the whole.
fn flag(code: &str) -> String {
    let upper = code.to_uppercase();
    if upper.len() <= 14 && upper.is_ascii() {
        return format!("Q-{upper}");
    }
    let head: String = upper.chars().filter(char::is_ascii).take(9).collect();
    let digest = crate::study::Digest::of(code.as_bytes());
    format!("Q-{head}-{}", digest.short().get(..4).unwrap_or_default())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn flags_fit_a_code_value_and_differ() {
        assert_eq!(flag("motion"), "Q-MOTION");
        let (a, b) = (flag("repetition-time-off"), flag("repetition-time-missing"));
        assert_ne!(a, b);
        assert!(a.len() <= 16 && b.len() <= 16, "{a} {b}");
    }
}
