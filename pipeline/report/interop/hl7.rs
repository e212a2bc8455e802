//! An HL7 v2.5.1 ORU^R01. A bound is a structured numeric (`>^28.5`); a refused LIC has no value and status X.

use crate::report::dicom::codes;
use crate::report::dicom::element::{Code, decimal};
use crate::report::dicom::maker::Maker;
use crate::report::outputs::Outputs;
use crate::report::result::Relation;
use crate::study::text::first_form;
use crate::study::{Severity, Verdict};

/// `oru.hl7`; `report` is the structured report's SOP Instance UID, where one was written. Segments end in CR.
pub fn write(maker: &Maker<'_, '_>, wanted: &Outputs, report: Option<&str>) -> Vec<u8> {
    let (date, time) = maker.moment();
    let mut message = Message { maker, stamp: format!("{date}{time}"), segments: Vec::new(), observations: 0 };
    message.head(wanted);
    message.observations(wanted, report);
    let mut text = message.segments.join("\r");
    text.push('\r');
    text.into_bytes()
}

struct Message<'a, 'v> {
    maker: &'a Maker<'a, 'v>,
    stamp: String,
    segments: Vec<String>,
    observations: usize,
}

/// Text inside a field: the separators are escaped, line ends become blanks.
fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '|' => out.push_str("\\F\\"),
            '^' => out.push_str("\\S\\"),
            '~' => out.push_str("\\R\\"),
            '\\' => out.push_str("\\E\\"),
            '&' => out.push_str("\\T\\"),
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

/// A DICOM name keeps its components, which are HL7's too: family, given, middle; prefix and suffix change places.
fn name(dicom: &str) -> String {
    let parts: Vec<String> = first_form(dicom).split('^').map(|p| escape(p.trim())).collect();
    let part = |i: usize| parts.get(i).cloned().unwrap_or_default();
    let whole = [part(0), part(1), part(2), part(4), part(3)].join("^");
    whole.trim_end_matches('^').to_owned()
}

fn element(code: &Code) -> String {
    format!("{}^{}^{}", escape(&code.value), escape(&code.meaning), code.scheme)
}

/// What an observation holds.
struct Observation<'t> {
    kind: &'static str,
    code: &'t Code,
    part: &'t str,
    value: String,
    unit: Option<&'t Code>,
    method: Option<&'t Code>,
    status: &'static str,
}

impl Message<'_, '_> {
    fn status(&self) -> &'static str {
        match (&self.maker.view.reviewer, &self.maker.view.result.predecessor) {
            (None, _) => "P",
            (Some(_), None) => "F",
            (Some(_), Some(_)) => "C",
        }
    }

    fn head(&mut self, wanted: &Outputs) {
        let header = self.maker.view.header;
        let digits = |text: &str| text.chars().filter(char::is_ascii_digit).collect::<String>();
        let [facility, application, hospital] = &wanted.hl7_names;
        let identifier = self.maker.uid("hl7/message");
        let control = identifier.get(identifier.len().saturating_sub(20)..).unwrap_or_default();
        self.segments.push(format!(
            "MSH|^~\\&|SIDEROLOG|{}|{}|{}|{}||ORU^R01^ORU_R01|{control}|P|2.5.1|||||||UNICODE UTF-8",
            escape(facility),
            escape(application),
            escape(hospital),
            self.stamp
        ));
        let patient = &header.patient;
        let id = patient.id.as_deref().map_or(String::new(), |id| {
            format!("{}^^^{}^MR", escape(id), escape(patient.issuer.as_deref().unwrap_or_default()))
        });
        let sex = patient.sex.as_deref().map_or(String::new(), escape);
        let born = patient.birth_date.as_deref().map_or(String::new(), digits);
        let name = patient.name.as_deref().map_or(String::new(), name);
        self.segments.push(format!("PID|1||{id}||{name}||{born}|{sex}"));
        let accession = header.study.accession.as_deref().map_or(String::new(), escape);
        self.segments.push(format!("ORC|RE||{accession}"));
        let status = self.status();
        let stamp = &self.stamp;
        let service = "18748-4^Diagnostic imaging study^LN";
        self.segments.push(format!("OBR|1||{accession}|{service}|||{stamp}|||||||||||||||{stamp}||RAD|{status}"));
    }

    fn push(&mut self, o: Observation<'_>) {
        self.observations += 1;
        let software = &self.maker.view.result.software;
        let unit = o.unit.map_or(String::new(), element);
        let method = o.method.map_or(String::new(), element);
        self.segments.push(format!(
            "OBX|{}|{}|{}|{}|{}|{unit}|||||{}|||{}|||{method}|{} {}",
            self.observations,
            o.kind,
            element(o.code),
            escape(o.part),
            o.value,
            o.status,
            self.stamp,
            escape(&software.name),
            escape(&software.version)
        ));
    }

    fn number(&mut self, code: &Code, part: &str, value: Option<f64>, unit: &Code, method: Option<&Code>) {
        if let Some(value) = value {
            let value = decimal(value);
            let status = self.status();
            self.push(Observation { kind: "NM", code, part, value, unit: Some(unit), method, status });
        }
    }

    fn observations(&mut self, wanted: &Outputs, report: Option<&str>) {
        let result = &self.maker.view.result;
        let status = self.status();
        let study = codes::code("110180", "DCM", "Study Instance UID");
        let sr = codes::own("SR-UID", "SR SOP Instance UID");
        for (code, value) in [(study, Some(self.maker.view.header.study.uid.as_str())), (sr, report)] {
            if let Some(value) = value.map(escape) {
                self.push(Observation { kind: "ST", code: &code, part: "1", value, unit: None, method: None, status });
            }
        }
        let (rate, fit) = (codes::per_second(), codes::fit_method());
        if let Some(s) = &result.r2star_per_s {
            for (part, value) in [("Mean", s.mean), ("Median", s.median), ("Standard Deviation", s.sd)] {
                self.number(&codes::r2star(), part, value, &rate, Some(&fit));
            }
            self.number(&codes::interval_low(), "R2*", s.low, &rate, Some(&fit));
            self.number(&codes::interval_high(), "R2*", s.high, &rate, Some(&fit));
        }
        if let Some(roi) = &result.roi {
            self.number(&codes::volume(), "1", roi.volume_ml, &codes::cubic_centimetre(), None);
            self.number(&codes::voxel_count(), "1", Some(roi.voxels as f64), &codes::voxels(), None);
        }
        let fat = result.fat_fraction_percent.as_ref().and_then(|f| f.median);
        self.number(&codes::fat_fraction(), "Median", fat, &codes::percent(), Some(&fit));
        self.concentration(wanted);
        self.quality();
    }

    fn concentration(&mut self, wanted: &Outputs) {
        let result = &self.maker.view.result;
        let mut code = codes::lic();
        if let Some(loinc) = &wanted.lic_loinc {
            code = codes::code(loinc, "LN", &code.meaning);
        }
        let (unit, method) = (codes::mg_per_g(), codes::calibration_method());
        let status = self.status();
        let of = |kind, value, status| Observation {
            kind,
            code: &code,
            part: "Median",
            value,
            unit: Some(&unit),
            method: Some(&method),
            status,
        };
        let Some(lic) = &result.lic_mg_per_g else {
            self.push(of("NM", String::new(), "X"));
            return;
        };
        let bound = |sign: &str| format!("{sign}^{}", decimal(lic.value));
        match lic.relation {
            Relation::Equal => self.push(of("NM", decimal(lic.value), status)),
            Relation::AtLeast => self.push(of("SN", bound(">"), status)),
            Relation::AtMost => self.push(of("SN", bound("<"), status)),
        }
        if lic.relation == Relation::Equal {
            for (code, value) in [
                (codes::interval_low(), lic.low),
                (codes::interval_high(), lic.high),
                (codes::repeat_low(), lic.repeat_low),
                (codes::repeat_high(), lic.repeat_high),
            ] {
                self.number(&code, "LIC", value, &unit, Some(&method));
            }
        }
    }

    fn quality(&mut self) {
        let result = &self.maker.view.result;
        let status = self.status();
        let grade = match result.verdict {
            Verdict::Clear => codes::code("RID12", "RADLEX", "Diagnostic quality"),
            Verdict::Review => codes::code("RID13", "RADLEX", "Limited quality"),
            Verdict::Refused => codes::code("RID14", "RADLEX", "Non-diagnostic quality"),
        };
        let code = codes::code("111050", "DCM", "Quality Assessment");
        let value = element(&grade);
        self.push(Observation { kind: "CWE", code: &code, part: "1", value, unit: None, method: None, status });
        let heavy: Vec<&str> =
            result.findings.iter().filter(|f| f.severity >= Severity::Warn).map(|f| f.message.as_str()).collect();
        for (i, message) in heavy.into_iter().enumerate() {
            let (code, part, value) = (codes::quality_flag(), (i + 1).to_string(), escape(message));
            self.push(Observation { kind: "ST", code: &code, part: &part, value, unit: None, method: None, status });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn foreign_text_stays_inside_its_field() {
        assert_eq!(escape("a|b^c~d\\e&f\rg"), "a\\F\\b\\S\\c\\R\\d\\E\\e\\T\\f g");
        assert_eq!(name("Müller^Änne^^Dr."), "Müller^Änne^^^Dr.");
        assert_eq!(name("O|Brien^Pat"), "O\\F\\Brien^Pat");
        assert_eq!(name("=山田^太郎"), "山田^太郎");
    }
}
