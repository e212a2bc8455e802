//! A FHIR R4 transaction: DiagnosticReport, one Observation a quantity, the device. Each is created only where its
//! identifier is not there yet, so that a bundle sent twice leaves one copy. A bound carries a comparator; a refused LIC
//! has no value but the reason it is absent.

use crate::report::dicom::codes;
use crate::report::dicom::element::Code;
use crate::report::dicom::maker::{self, Maker};
use crate::report::dicom::report::why_not;
use crate::report::outputs::Outputs;
use crate::report::result::{Lic, Relation};
use crate::study::Severity;
use crate::study::text::first_form;
use serde_json::{Value, json};

/// `fhir.json`; `report` is the structured report's SOP Instance UID, where one was written.
pub fn write(maker: &Maker<'_, '_>, wanted: &Outputs, report: Option<&str>) -> Vec<u8> {
    let bundle = Bundle { maker, wanted };
    let mut observations = Vec::new();
    observations.extend(bundle.rate());
    observations.push(bundle.concentration());
    observations.extend(bundle.fat());
    let urn = |role: &str| format!("urn:uuid:{}", maker.uuid(role));
    let entry = |role: &str, resource: Value| bundle.entry(urn(role), role, resource);
    let results: Vec<Value> = observations.iter().map(|(role, _)| json!({"reference": urn(role)})).collect();
    let mut entries = vec![entry("fhir/report", bundle.report(&results, report))];
    entries.extend(observations.into_iter().map(|(role, resource)| entry(role, resource)));
    entries.push(entry(DEVICE, bundle.device()));
    let whole = json!({"resourceType": "Bundle", "type": "transaction", "entry": entries});
    let mut text = serde_json::to_string_pretty(&whole).unwrap_or_default();
    text.push('\n');
    text.into_bytes()
}

/// System of identifiers that are URIs.
const URI: &str = "urn:ietf:rfc:3986";
/// Role of the device.
const DEVICE: &str = "fhir/device";

struct Bundle<'a, 'v> {
    maker: &'a Maker<'a, 'v>,
    wanted: &'a Outputs,
}

/// Puts a member in place if there is one: FHIR knows no null.
fn set(resource: &mut Value, name: &str, value: Option<Value>) {
    if let (Some(object), Some(value)) = (resource.as_object_mut(), value) {
        object.insert(name.to_owned(), value);
    }
}

fn coding(code: &Code) -> Value {
    let system = match code.scheme {
        "DCM" => "http://dicom.nema.org/resources/ontology/DCM".to_owned(),
        "SCT" => "http://snomed.info/sct".to_owned(),
        "LN" => "http://loinc.org".to_owned(),
        "UCUM" => "http://unitsofmeasure.org".to_owned(),
        scheme => format!("urn:oid:{}", maker::uid(&["coding-scheme", scheme])),
    };
    json!({"system": system, "code": code.value, "display": code.meaning})
}

fn concept(code: &Code) -> Value {
    json!({"coding": [coding(code)], "text": code.meaning})
}

fn quantity(value: f64, unit: &Code, comparator: Option<&str>) -> Value {
    let mut quantity = json!({"value": value});
    set(&mut quantity, "comparator", comparator.map(Value::from));
    set(&mut quantity, "unit", Some(Value::from(unit.meaning.as_str())));
    set(&mut quantity, "system", Some(Value::from("http://unitsofmeasure.org")));
    set(&mut quantity, "code", Some(Value::from(unit.value.as_str())));
    quantity
}

fn component(code: &Code, value: Option<f64>, unit: &Code) -> Option<Value> {
    value.map(|v| json!({"code": concept(code), "valueQuantity": quantity(v, unit, None)}))
}

impl Bundle<'_, '_> {
    /// The device is the same for every result of a version; everything else is of this run.
    fn entry(&self, url: String, role: &str, mut resource: Value) -> Value {
        let name = match role {
            DEVICE => format!("urn:oid:{}", maker::uid(&["device", &self.maker.view.result.software.version])),
            _ => url.clone(),
        };
        let identifier = json!({"system": URI, "value": name});
        match resource.get_mut("identifier").and_then(Value::as_array_mut) {
            Some(identifiers) => identifiers.push(identifier),
            None => set(&mut resource, "identifier", Some(json!([identifier]))),
        }
        let request = json!({"method": "POST", "url": resource["resourceType"], "ifNoneExist": format!("identifier={URI}|{name}")});
        json!({"fullUrl": url, "resource": resource, "request": request})
    }

    fn status(&self) -> &'static str {
        let result = &self.maker.view.result;
        match (&self.maker.view.reviewer, &result.predecessor) {
            (None, _) => "preliminary",
            (Some(_), None) => "final",
            (Some(_), Some(_)) => "corrected",
        }
    }

    fn study(&self) -> Value {
        let uid = format!("urn:oid:{}", self.maker.view.header.study.uid);
        json!({"type": "ImagingStudy", "identifier": {"system": "urn:dicom:uid", "value": uid}})
    }

    fn subject(&self) -> Value {
        let patient = &self.maker.view.header.patient;
        let system = self.wanted.patient_id_system.as_deref().unwrap_or("urn:siderolog:patient-id");
        let mut subject = json!({"type": "Patient"});
        let identifier = |id: &String| {
            let mut identifier = json!({"system": system, "value": id});
            let assigner = patient.issuer.as_ref().map(|issuer| json!({"display": issuer}));
            set(&mut identifier, "assigner", assigner);
            identifier
        };
        set(&mut subject, "identifier", patient.id.as_ref().map(identifier));
        set(
            &mut subject,
            "display",
            patient.name.as_deref().map(|n| Value::from(first_form(n).replace('^', " ").trim().to_owned())),
        );
        subject
    }

    fn date(&self) -> Option<Value> {
        self.maker.view.result.input.study_date.as_deref().map(Value::from)
    }

    fn report(&self, results: &[Value], report: Option<&str>) -> Value {
        let result = &self.maker.view.result;
        let mut resource = json!({"resourceType": "DiagnosticReport", "id": self.maker.uuid("fhir/report")});
        let identifiers = report.map(|uid| json!([{"system": "urn:dicom:uid", "value": format!("urn:oid:{uid}")}]));
        set(&mut resource, "identifier", identifiers);
        let accession = result.input.accession.as_ref().map(|accession| {
            let kind = json!({"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v2-0203", "code": "ACSN"}]});
            json!([{"type": "ServiceRequest", "identifier": {"type": kind, "value": accession}}])
        });
        set(&mut resource, "basedOn", accession);
        set(&mut resource, "status", Some(Value::from(self.status())));
        let radiology = json!([{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v2-0074", "code": "RAD", "display": "Radiology"}]}]);
        set(&mut resource, "category", Some(radiology));
        set(&mut resource, "code", Some(concept(&codes::code("18748-4", "LN", "Diagnostic imaging study"))));
        set(&mut resource, "subject", Some(self.subject()));
        set(&mut resource, "effectiveDateTime", self.date());
        set(&mut resource, "result", Some(Value::from(results.to_vec())));
        set(&mut resource, "imagingStudy", Some(json!([self.study()])));
        let heavy = result.findings.iter().filter(|f| f.severity >= Severity::Warn);
        let findings: Vec<&str> = heavy.map(|f| f.message.as_str()).collect();
        let words = crate::report::words::Language::English.words();
        let conclusion = format!("{}. {} {}", words.verdict(result.verdict), findings.join(" "), words.caution);
        set(&mut resource, "conclusion", Some(Value::from(conclusion)));
        resource
    }

    fn observation(&self, role: &'static str, code: Value, method: &Code) -> Value {
        let category = json!([{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "imaging", "display": "Imaging"}]}]);
        let mut resource = json!({
            "resourceType": "Observation",
            "id": self.maker.uuid(role),
            "status": self.status(),
            "category": category,
            "code": code,
            "subject": self.subject(),
        });
        set(&mut resource, "effectiveDateTime", self.date());
        set(&mut resource, "bodySite", Some(concept(&codes::liver())));
        set(&mut resource, "method", Some(concept(method)));
        let device = format!("urn:uuid:{}", self.maker.uuid(DEVICE));
        set(&mut resource, "device", Some(json!({"reference": device})));
        set(&mut resource, "derivedFrom", Some(json!([self.study()])));
        resource
    }

    fn rate(&self) -> Option<(&'static str, Value)> {
        let summary = self.maker.view.result.r2star_per_s.as_ref()?;
        let median = summary.median?;
        let unit = codes::per_second();
        let code = json!({"coding": [coding(&codes::r2star())], "text": "R2* of liver region, median"});
        let mut resource = self.observation("fhir/r2star", code, &codes::fit_method());
        set(&mut resource, "valueQuantity", Some(quantity(median, &unit, None)));
        let parts: Vec<Value> = [
            component(&codes::mean(), summary.mean, &unit),
            component(&codes::standard_deviation(), summary.sd, &unit),
            component(&codes::interval_low(), summary.low, &unit),
            component(&codes::interval_high(), summary.high, &unit),
        ]
        .into_iter()
        .flatten()
        .collect();
        set(&mut resource, "component", (!parts.is_empty()).then(|| Value::from(parts)));
        Some(("fhir/r2star", resource))
    }

    fn concentration(&self) -> (&'static str, Value) {
        let mut codings = vec![coding(&codes::lic())];
        codings.extend(self.wanted.lic_loinc.as_ref().map(|c| json!({"system": "http://loinc.org", "code": c})));
        let code = json!({"coding": codings, "text": codes::lic().meaning});
        let mut resource = self.observation("fhir/lic", code, &codes::calibration_method());
        match &self.maker.view.result.lic_mg_per_g {
            Some(lic) => self.value(&mut resource, lic),
            None => {
                let absent = json!({"system": "http://terminology.hl7.org/CodeSystem/data-absent-reason", "code": "error", "display": "Error"});
                let why = why_not(self.maker);
                let text = why.meaning.clone();
                set(&mut resource, "dataAbsentReason", Some(json!({"coding": [absent, coding(&why)], "text": text})));
            }
        }
        ("fhir/lic", resource)
    }

    fn value(&self, resource: &mut Value, lic: &Lic) {
        let unit = codes::mg_per_g();
        let comparator = match lic.relation {
            Relation::Equal => None,
            Relation::AtLeast => Some(">"),
            Relation::AtMost => Some("<"),
        };
        set(resource, "valueQuantity", Some(quantity(lic.value, &unit, comparator)));
        let note = format!("Calibration {}, {}.", lic.calibration, lic.source);
        set(resource, "note", Some(json!([{"text": note}])));
        if lic.relation != Relation::Equal {
            return;
        }
        let parts: Vec<Value> = [
            component(&codes::interval_low(), lic.low, &unit),
            component(&codes::interval_high(), lic.high, &unit),
            component(&codes::repeat_low(), lic.repeat_low, &unit),
            component(&codes::repeat_high(), lic.repeat_high, &unit),
        ]
        .into_iter()
        .flatten()
        .collect();
        set(resource, "component", (!parts.is_empty()).then(|| Value::from(parts)));
    }

    fn fat(&self) -> Option<(&'static str, Value)> {
        let median = self.maker.view.result.fat_fraction_percent.as_ref()?.median?;
        let code = json!({"coding": [coding(&codes::fat_fraction())], "text": "Fat fraction of liver region, median"});
        let mut resource = self.observation("fhir/fat", code, &codes::fit_method());
        set(&mut resource, "valueQuantity", Some(quantity(median, &codes::percent(), None)));
        Some(("fhir/fat", resource))
    }

    fn device(&self) -> Value {
        let software = &self.maker.view.result.software;
        json!({
            "resourceType": "Device",
            "id": self.maker.uuid(DEVICE),
            "manufacturer": maker::MANUFACTURER,
            "deviceName": [{"name": "siderolog", "type": "model-name"}],
            "version": [{"value": software.version}],
        })
    }
}
