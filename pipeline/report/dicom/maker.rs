//! What all objects share: identifiers, patient and study, equipment, references to the images they were made from.
//!
//! Identifiers are `2.25.` and a name-based UUID of the object's role and its run, so that the same run gives the
//! same object and any other run another one. Dates are the study's: the composer has no clock.

use super::codes;
use super::element::{Set, code_item};
use crate::report::view::View;
use crate::study::{Digest, ImagingRequest, SourceInstance, is_uid};
use dicom_core::{PrimitiveValue, Tag, VR};
use dicom_dictionary_std::{tags, uids};
use dicom_object::FileMetaTableBuilder;
use std::collections::BTreeMap;
use uuid::Uuid;

/// Namespace of our identifiers; never changes.
const NAMESPACE: Uuid = Uuid::from_u128(0x5b7c_31de_90a4_5f0e_8c1d_7e42_b61a_d093);
/// Who makes the objects.
pub const MANUFACTURER: &str = "Siderolog project";
const MODEL: &str = "siderolog";
/// Used where a study has no date: the attribute must hold one, and no other value could be mistaken less.
const NO_DATE: &str = "19000101";

/// A UID from the parts of a name.
pub fn uid(parts: &[&str]) -> String {
    format!("2.25.{}", Uuid::new_v5(&NAMESPACE, parts.join("\u{1f}").as_bytes()).as_u128())
}

/// An object that others refer to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reference {
    /// SOP Class UID.
    pub class: String,
    /// SOP Instance UID.
    pub uid: String,
    /// Series Instance UID.
    pub series: String,
}

/// One kind of object.
#[derive(Clone, Copy, Debug)]
pub struct Kind {
    /// Role in identifiers.
    pub role: &'static str,
    /// SOP Class UID.
    pub class: &'static str,
    /// Modality.
    pub modality: &'static str,
    /// Added to the first series number of the site.
    pub series: i64,
    /// Series Description; a constant, it must hold nothing of the patient.
    pub description: &'static str,
}

/// Makes the objects of one run.
pub struct Maker<'a, 'v> {
    /// What is told.
    pub view: &'a View<'v>,
    /// Digest of everything the objects depend on.
    pub run: &'a Digest,
    /// First series number of ours.
    pub first_series: i64,
    /// Content Qualification: `RESEARCH` or `PRODUCT`.
    pub qualification: &'static str,
}

impl Maker<'_, '_> {
    /// Whether objects can be made at all: they need the study they belong to.
    pub fn possible(&self) -> bool {
        is_uid(&self.view.header.study.uid) && !self.view.source.instances.is_empty()
    }

    /// A UID of this run.
    pub fn uid(&self, role: &str) -> String {
        uid(&[role, self.run.as_str()])
    }

    /// A UUID of this run.
    pub fn uuid(&self, role: &str) -> String {
        Uuid::new_v5(&NAMESPACE, [role, self.run.as_str()].join("\u{1f}").as_bytes()).to_string()
    }

    /// Tracking UID of the region: the same in every run over this study.
    pub fn tracking(&self) -> (String, &'static str) {
        (uid(&["tracking", &self.view.header.study.uid]), "Liver region")
    }

    /// How others refer to this kind.
    pub fn reference(&self, kind: &Kind) -> Reference {
        Reference {
            class: kind.class.to_owned(),
            uid: self.uid(&format!("out/{}", kind.role)),
            series: self.uid(&format!("out-series/{}", kind.role)),
        }
    }

    /// A data set with the modules every object has.
    pub fn start(&self, kind: &Kind) -> Set {
        let reference = self.reference(kind);
        let (date, time) = self.moment();
        let version = self.view.result.software.version.as_str();
        let mut set = Set::new();
        set.text(tags::SPECIFIC_CHARACTER_SET, VR::CS, "ISO_IR 192")
            .text(tags::INSTANCE_CREATION_DATE, VR::DA, &date)
            .text(tags::INSTANCE_CREATION_TIME, VR::TM, &time)
            .text(tags::INSTANCE_CREATOR_UID, VR::UI, &implementation())
            .text(tags::SOP_CLASS_UID, VR::UI, kind.class)
            .text(tags::SOP_INSTANCE_UID, VR::UI, &reference.uid)
            .text(tags::SERIES_DATE, VR::DA, &date)
            .text(tags::SERIES_TIME, VR::TM, &time)
            .text(tags::CONTENT_DATE, VR::DA, &date)
            .text(tags::CONTENT_TIME, VR::TM, &time)
            .text(tags::MODALITY, VR::CS, kind.modality)
            .text(tags::MANUFACTURER, VR::LO, MANUFACTURER)
            .text(tags::MANUFACTURER_MODEL_NAME, VR::LO, MODEL)
            .text(tags::DEVICE_SERIAL_NUMBER, VR::LO, &self.view.result.software.commit)
            .text(tags::SOFTWARE_VERSIONS, VR::LO, version)
            .text(tags::SERIES_DESCRIPTION, VR::LO, kind.description)
            .text(tags::SERIES_INSTANCE_UID, VR::UI, &reference.series)
            .integer(tags::SERIES_NUMBER, self.first_series + kind.series)
            .integer(tags::INSTANCE_NUMBER, 1);
        self.patient_and_study(&mut set);
        // A report's series has no such attribute; it refers to the requests in its document.
        if kind.modality != "SR" {
            let requests: Vec<Set> = self.view.header.study.requests.iter().map(request_item).collect();
            if !requests.is_empty() {
                set.sequence(tags::REQUEST_ATTRIBUTES_SEQUENCE, requests);
            }
        }
        self.acquisition_equipment(&mut set);
        set
    }

    /// The file's bytes.
    pub fn finish(&self, mut set: Set, kind: &Kind) -> Vec<u8> {
        if set.uses_scheme(codes::SCHEME) {
            let mut scheme = Set::new();
            scheme
                .text(tags::CODING_SCHEME_DESIGNATOR, VR::SH, codes::SCHEME)
                .text(tags::CODING_SCHEME_VERSION, VR::SH, "1")
                .text(tags::CODING_SCHEME_UID, VR::UI, &uid(&["coding-scheme", codes::SCHEME]))
                .text(tags::CODING_SCHEME_NAME, VR::ST, "Siderolog codes")
                .text(tags::CODING_SCHEME_RESPONSIBLE_ORGANIZATION, VR::ST, MANUFACTURER);
            set.sequence(tags::CODING_SCHEME_IDENTIFICATION_SEQUENCE, vec![scheme]);
        }
        let meta = FileMetaTableBuilder::new()
            .transfer_syntax(uids::EXPLICIT_VR_LITTLE_ENDIAN)
            .media_storage_sop_class_uid(kind.class)
            .media_storage_sop_instance_uid(self.reference(kind).uid)
            .implementation_class_uid(implementation())
            .implementation_version_name("SIDEROLOG_1");
        let mut bytes = Vec::new();
        // Every element was made by us with a representation it can hold; memory cannot refuse a write.
        if let Ok(object) = set.into_object().with_meta(meta) {
            let _ = object.write_all(&mut bytes);
        }
        bytes
    }

    /// Date and time of the study's first series, as DICOM writes them.
    pub fn moment(&self) -> (String, String) {
        let digits = |text: &str| text.chars().filter(char::is_ascii_digit).collect::<String>();
        let header = self.view.header;
        let date = header.study.date.as_deref().map(digits).filter(|d| d.len() == 8);
        let series = header.series.iter().find_map(|s| s.time.as_deref());
        let time = series.or(header.study.time.as_deref()).map(digits).filter(|t| t.len() >= 6);
        (date.unwrap_or_else(|| NO_DATE.to_owned()), time.map_or_else(|| "000000".to_owned(), |t| t[..6].to_owned()))
    }

    fn patient_and_study(&self, set: &mut Set) {
        let header = self.view.header;
        let digits =
            |text: &Option<String>| text.as_ref().map(|t| t.chars().filter(char::is_ascii_digit).collect::<String>());
        let (patient, study) = (&header.patient, &header.study);
        set.text_or_empty(tags::PATIENT_NAME, VR::PN, patient.name.as_deref())
            .text_or_empty(tags::PATIENT_ID, VR::LO, patient.id.as_deref())
            .text_if(tags::ISSUER_OF_PATIENT_ID, VR::LO, patient.issuer.as_deref())
            .text_or_empty(tags::PATIENT_BIRTH_DATE, VR::DA, digits(&patient.birth_date).as_deref())
            .text_or_empty(tags::PATIENT_SEX, VR::CS, patient.sex.as_deref())
            .text(tags::STUDY_INSTANCE_UID, VR::UI, &study.uid)
            .text_or_empty(tags::STUDY_DATE, VR::DA, digits(&study.date).as_deref())
            .text_or_empty(tags::STUDY_TIME, VR::TM, digits(&study.time).as_deref())
            .text_or_empty(tags::STUDY_ID, VR::SH, study.id.as_deref())
            .text_or_empty(tags::ACCESSION_NUMBER, VR::SH, study.accession.as_deref())
            .text_if(tags::STUDY_DESCRIPTION, VR::LO, study.description.as_deref())
            .text_or_empty(tags::REFERRING_PHYSICIAN_NAME, VR::PN, study.referring_physician.as_deref());
        // Copied as they came, when they came.
        for (tag, vr) in [
            (tags::PATIENT_AGE, VR::AS),
            (tags::PATIENT_SIZE, VR::DS),
            (tags::PATIENT_WEIGHT, VR::DS),
            (tags::PATIENT_IDENTITY_REMOVED, VR::CS),
            (tags::DEIDENTIFICATION_METHOD, VR::LO),
            (tags::LONGITUDINAL_TEMPORAL_INFORMATION_MODIFIED, VR::CS),
            (tags::TIMEZONE_OFFSET_FROM_UTC, VR::SH),
        ] {
            set.text_if(tag, vr, self.element(tag));
        }
    }

    /// A public element of the first source image as text.
    pub fn element(&self, tag: Tag) -> Option<&str> {
        self.view.header.elements.get(&(tag.0, tag.1)).map(|v| v.trim()).filter(|v| !v.is_empty())
    }

    fn acquisition_equipment(&self, set: &mut Set) {
        let scanner = &self.view.header.scanner;
        let Some(manufacturer) = scanner.manufacturer.as_deref().filter(|m| !m.is_empty()) else { return };
        let software = scanner.software.as_deref().map(|s| s.replace('\\', " "));
        let mut item = Set::new();
        item.code(tags::PURPOSE_OF_REFERENCE_CODE_SEQUENCE, &codes::acquisition_equipment())
            .text(tags::MANUFACTURER, VR::LO, manufacturer)
            .text_if(tags::INSTITUTION_NAME, VR::LO, self.view.header.study.institution.as_deref())
            .text_if(tags::STATION_NAME, VR::SH, scanner.station.as_deref())
            .text_if(tags::MANUFACTURER_MODEL_NAME, VR::LO, scanner.model.as_deref())
            .text_if(tags::DEVICE_SERIAL_NUMBER, VR::LO, scanner.serial.as_deref())
            .text_if(tags::SOFTWARE_VERSIONS, VR::LO, software.as_deref())
            .text(tags::CONTRIBUTION_DESCRIPTION, VR::ST, "Acquisition equipment of the source images");
        set.sequence(tags::CONTRIBUTING_EQUIPMENT_SEQUENCE, vec![item]);
    }

    /// The frame of reference all images share.
    pub fn frame_of_reference(&self, set: &mut Set) {
        let grid = self.view.grid.and_then(|g| g.frame_of_reference()).filter(|f| is_uid(f)).map(str::to_owned);
        // Images without one get one of the study's, so that region and map still lie on each other.
        let uid = grid.unwrap_or_else(|| uid(&["frame-of-reference", &self.view.header.study.uid]));
        set.text(tags::FRAME_OF_REFERENCE_UID, VR::UI, &uid).text_or_empty(
            tags::POSITION_REFERENCE_INDICATOR,
            VR::LO,
            self.element(tags::POSITION_REFERENCE_INDICATOR),
        );
    }

    /// Every source instance by series, each with a well-formed UID.
    pub fn sources(&self) -> BTreeMap<&str, Vec<&SourceInstance>> {
        let mut by_series: BTreeMap<&str, Vec<&SourceInstance>> = BTreeMap::new();
        for instance in &self.view.source.instances {
            if is_uid(&instance.uid) && is_uid(&instance.class_uid) && is_uid(&instance.series_uid) {
                by_series.entry(&instance.series_uid).or_default().push(instance);
            }
        }
        by_series
    }

    /// The Common Instance Reference module.
    pub fn referenced_series(&self, set: &mut Set) {
        let series = self.sources().into_iter().map(|(uid, instances)| {
            let mut item = Set::new();
            let references = instances.into_iter().map(|i| reference_item(&i.class_uid, &i.uid)).collect();
            item.text(tags::SERIES_INSTANCE_UID, VR::UI, uid).sequence(tags::REFERENCED_INSTANCE_SEQUENCE, references);
            item
        });
        let series = series.collect();
        set.sequence(tags::REFERENCED_SERIES_SEQUENCE, series);
    }

    /// References to the images of one slice (or of all), with frame numbers where an instance has several.
    pub fn source_images(&self, slice: Option<usize>) -> Vec<Set> {
        let mut frames: BTreeMap<usize, Vec<i64>> = BTreeMap::new();
        for frame in &self.view.source.frames {
            if slice.is_none_or(|s| s == frame.slice) {
                let numbers = frames.entry(frame.instance).or_default();
                numbers.extend(frame.frame.map(i64::from));
            }
        }
        let item = |(index, mut numbers): (usize, Vec<i64>)| {
            let instance = self.view.source.instances.get(index)?;
            let mut item = reference_item(&instance.class_uid, &instance.uid);
            numbers.sort_unstable();
            if !numbers.is_empty() {
                let numbers = numbers.iter().map(ToString::to_string).collect();
                item.put(tags::REFERENCED_FRAME_NUMBER, VR::IS, PrimitiveValue::Strs(numbers));
            }
            Some(item)
        };
        frames.into_iter().filter_map(item).collect()
    }

    /// The Derivation Image macro of one slice.
    pub fn derivation(&self, slice: usize, how: &super::element::Code) -> Set {
        let images = self.source_images(Some(slice)).into_iter().map(|mut item| {
            item.text(tags::SPATIAL_LOCATIONS_PRESERVED, VR::CS, "YES")
                .sequence(tags::PURPOSE_OF_REFERENCE_CODE_SEQUENCE, vec![code_item(&codes::source_image())]);
            item
        });
        let mut item = Set::new();
        let images = images.collect();
        item.code(tags::DERIVATION_CODE_SEQUENCE, how).sequence(tags::SOURCE_IMAGE_SEQUENCE, images);
        item
    }
}

fn request_item(request: &ImagingRequest) -> Set {
    let mut item = Set::new();
    item.text_if(tags::ACCESSION_NUMBER, VR::SH, request.accession.as_deref())
        .text_if(tags::REQUESTED_PROCEDURE_DESCRIPTION, VR::LO, request.procedure.as_deref())
        .text_if(tags::SCHEDULED_PROCEDURE_STEP_DESCRIPTION, VR::LO, request.step.as_deref())
        .text_if(tags::SCHEDULED_PROCEDURE_STEP_ID, VR::SH, request.step_id.as_deref())
        .text_if(tags::REQUESTED_PROCEDURE_ID, VR::SH, request.procedure_id.as_deref());
    item
}

/// Implementation Class UID: constant.
pub fn implementation() -> String {
    uid(&["implementation-class"])
}

/// A reference to an instance.
pub fn reference_item(class: &str, uid: &str) -> Set {
    let mut item = Set::new();
    item.text(tags::REFERENCED_SOP_CLASS_UID, VR::UI, class).text(tags::REFERENCED_SOP_INSTANCE_UID, VR::UI, uid);
    item
}
