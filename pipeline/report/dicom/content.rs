//! Content items of a structured report.

use super::element::{Code, Set, code_item, decimal};
use super::maker::{Reference, reference_item};
use dicom_core::VR;
use dicom_dictionary_std::tags;

/// How an item stands to its parent.
#[derive(Clone, Copy, Debug)]
pub enum Relation {
    /// CONTAINS.
    Contains,
    /// HAS OBS CONTEXT.
    ObservationContext,
    /// HAS ACQ CONTEXT.
    AcquisitionContext,
    /// HAS CONCEPT MOD.
    ConceptModifier,
    /// HAS PROPERTIES.
    Properties,
    /// INFERRED FROM.
    InferredFrom,
}

impl Relation {
    fn word(self) -> &'static str {
        match self {
            Self::Contains => "CONTAINS",
            Self::ObservationContext => "HAS OBS CONTEXT",
            Self::AcquisitionContext => "HAS ACQ CONTEXT",
            Self::ConceptModifier => "HAS CONCEPT MOD",
            Self::Properties => "HAS PROPERTIES",
            Self::InferredFrom => "INFERRED FROM",
        }
    }
}

fn item(relation: Relation, kind: &str, name: &Code) -> Set {
    let mut set = Set::new();
    set.text(tags::RELATIONSHIP_TYPE, VR::CS, relation.word())
        .text(tags::VALUE_TYPE, VR::CS, kind)
        .code(tags::CONCEPT_NAME_CODE_SEQUENCE, name);
    set
}

fn with(mut set: Set, children: Vec<Set>) -> Set {
    if !children.is_empty() {
        set.sequence(tags::CONTENT_SEQUENCE, children);
    }
    set
}

/// A code.
pub fn coded(relation: Relation, name: &Code, value: &Code) -> Set {
    let mut set = item(relation, "CODE", name);
    set.code(tags::CONCEPT_CODE_SEQUENCE, value);
    set
}

/// A text.
pub fn text(relation: Relation, name: &Code, value: &str) -> Set {
    let mut set = item(relation, "TEXT", name);
    set.text(tags::TEXT_VALUE, VR::UT, value);
    set
}

/// A UID.
pub fn uid(relation: Relation, name: &Code, value: &str) -> Set {
    let mut set = item(relation, "UIDREF", name);
    set.text(tags::UID, VR::UI, value);
    set
}

/// A number with its unit. The exact value stands beside the decimal string where that had to be cut.
pub fn number(relation: Relation, name: &Code, value: f64, unit: &Code, children: Vec<Set>) -> Set {
    let written = decimal(value);
    let mut measured = Set::new();
    measured.sequence(tags::MEASUREMENT_UNITS_CODE_SEQUENCE, vec![code_item(unit)]).text(
        tags::NUMERIC_VALUE,
        VR::DS,
        &written,
    );
    if written.parse() != Ok(value) {
        measured.put(tags::FLOATING_POINT_VALUE, VR::FD, dicom_core::PrimitiveValue::from(value));
    }
    let mut set = item(relation, "NUM", name);
    set.sequence(tags::MEASURED_VALUE_SEQUENCE, vec![measured]);
    with(set, children)
}

/// An image; `segment` where one segment of a segmentation is meant.
pub fn image(relation: Relation, name: &Code, class: &str, uid: &str, segment: Option<u16>, children: Vec<Set>) -> Set {
    let mut reference = reference_item(class, uid);
    if let Some(segment) = segment {
        reference.short(tags::REFERENCED_SEGMENT_NUMBER, segment);
    }
    let mut set = item(relation, "IMAGE", name);
    set.sequence(tags::REFERENCED_SOP_SEQUENCE, vec![reference]);
    with(set, children)
}

/// An image of ours.
pub fn own_image(relation: Relation, name: &Code, reference: &Reference, segment: Option<u16>) -> Set {
    image(relation, name, &reference.class, &reference.uid, segment, Vec::new())
}

/// A container; `template` is its number in PS3.16 where it has one.
pub fn container(relation: Relation, name: &Code, template: Option<&str>, children: Vec<Set>) -> Set {
    let mut set = item(relation, "CONTAINER", name);
    hold(&mut set, template, children);
    set
}

/// What makes a set a container: continuity, template, children.
pub fn hold(set: &mut Set, template: Option<&str>, children: Vec<Set>) {
    set.text(tags::CONTINUITY_OF_CONTENT, VR::CS, "CONTINUOUS");
    if let Some(number) = template {
        let mut of = Set::new();
        of.text(tags::MAPPING_RESOURCE, VR::CS, "DCMR").text(tags::TEMPLATE_IDENTIFIER, VR::CS, number);
        set.sequence(tags::CONTENT_TEMPLATE_SEQUENCE, vec![of]);
    }
    set.sequence(tags::CONTENT_SEQUENCE, children);
}
