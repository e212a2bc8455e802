//! One view becomes all files that the site wants.

use super::dicom::maker::Maker;
use super::dicom::{capture, document, map, report, segmentation};
use super::interop::{fhir, hl7, nifti, table};
use super::outputs::{Outputs, Qualification};
use super::page::{html, model, pdf};
use super::picture;
use super::result::ResultDocument;
use super::view::View;
use crate::study::Digest;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// The name of the result document.
pub const RESULT: &str = "result.json";

/// What a case became: the document, every file by name, and the digest that is signed.
#[derive(Clone, Debug)]
pub struct Report {
    /// The document.
    pub result: ResultDocument,
    /// Every file, `result.json` among them.
    pub files: BTreeMap<String, Vec<u8>>,
    /// Over names and bytes of all files.
    pub digest: Digest,
}

/// Composes from a view. Pure: the same view and outputs give the same bytes.
pub fn compose_view(mut view: View<'_>, wanted: &Outputs) -> Report {
    let run = run(&view, wanted);
    let mut files = Files::default();
    draw(&view, wanted, &run, &mut files);
    view.result.files = files.purposes;
    let digests = files.bytes.par_iter().map(|(name, bytes)| (name.clone(), Digest::of(bytes).to_string()));
    view.result.file_digests = digests.collect();
    let mut files = files.bytes;
    files.insert(RESULT.to_owned(), view.result.to_json().into_bytes());
    let digest = Digest::of_parts(files.iter().flat_map(|(name, bytes)| [name.as_bytes(), bytes.as_slice()]));
    Report { result: view.result, files, digest }
}

#[derive(Default)]
struct Files {
    purposes: BTreeMap<String, String>,
    bytes: BTreeMap<String, Vec<u8>>,
}

impl Files {
    fn add(&mut self, purpose: &str, name: &str, bytes: Option<Vec<u8>>) {
        if let Some(bytes) = bytes {
            self.purposes.insert(purpose.to_owned(), name.to_owned());
            self.bytes.insert(name.to_owned(), bytes);
        }
    }
}

/// Digest of everything that any file depends on: names the objects of this run.
fn run(view: &View<'_>, wanted: &Outputs) -> Digest {
    let result = view.result.to_json();
    let outputs = serde_json::to_string(wanted).unwrap_or_default();
    let map: Vec<u8> = view.r2star.iter().flat_map(|m| m.iter()).flat_map(|v| v.to_le_bytes()).collect();
    let region: Vec<u8> = view.region.iter().flat_map(|r| r.iter()).map(|&v| u8::from(v)).collect();
    let reviewer = view.reviewer.clone().unwrap_or_default();
    Digest::of_parts([result.as_bytes(), outputs.as_bytes(), &map, &region, view.excluded, reviewer.as_bytes()])
}

/// Everything is made side by side from the same view and put down in a fixed order.
fn draw(view: &View<'_>, wanted: &Outputs, run: &Digest, files: &mut Files) {
    let words = wanted.language.words();
    let maker = Maker {
        view,
        run,
        first_series: wanted.first_series_number,
        qualification: match wanted.qualification {
            Qualification::Research => "RESEARCH",
            Qualification::Product => "PRODUCT",
        },
    };
    let sheet = model::sheet(view, words);
    let (picture, volumes) = rayon::join(
        || wanted.quality_picture.then(|| picture::quality(view, words)),
        || rayon::join(|| objects(&maker, wanted), || if wanted.nifti { nifti_files(view) } else { Vec::new() }),
    );
    let (objects, nifti) = volumes;
    let page = || {
        let image = picture.as_ref().map(|p| picture::middle(p).png());
        html::write(&sheet, wanted.language, image.as_deref())
    };
    let paper = || {
        let strip = picture.as_ref().map(picture::images_only);
        pdf::write(&sheet, wanted.language, strip.as_ref())
    };
    let capture = || picture.as_ref().filter(|_| wanted.capture && maker.possible()).map(|p| capture::write(&maker, p));
    let ((png, page), (paper, capture)) = rayon::join(
        || rayon::join(|| picture.as_ref().map(picture::canvas::Pixels::png), || wanted.page.then(page)),
        || rayon::join(|| (wanted.pdf || wanted.encapsulated_pdf).then(paper).flatten(), capture),
    );
    files.add("qc_image", "qc.png", png);
    files.add("report", "report.html", page);
    files.add("report_pdf", "report.pdf", paper.clone().filter(|_| wanted.pdf));
    files.add("table_row", "row.csv", wanted.table_row.then(|| table::write(&view.result)));
    for (purpose, name, bytes) in nifti.into_iter().chain(objects) {
        files.add(purpose, name, bytes);
    }
    if !maker.possible() {
        return;
    }
    files.add("qc_capture", "qc.dcm", capture);
    let page = paper.filter(|_| wanted.encapsulated_pdf).map(|pdf| document::write(&maker, &pdf));
    files.add("report_document", "page.dcm", page);
    let beside = report::Beside {
        region: files.bytes.contains_key("roi.dcm"),
        map: files.bytes.contains_key("r2star.dcm"),
        capture: files.bytes.contains_key("qc.dcm"),
    };
    files.add("structured_report", "report.dcm", report::write(&maker, wanted.structured_report, beside));
    let written = files.bytes.contains_key("report.dcm");
    let reference = report::kind(wanted.structured_report).filter(|_| written).map(|kind| maker.reference(&kind).uid);
    if wanted.fhir {
        files.add("fhir", "fhir.json", Some(fhir::write(&maker, wanted, reference.as_deref())));
    }
    if wanted.hl7 {
        files.add("hl7", "oru.hl7", Some(hl7::write(&maker, wanted, reference.as_deref())));
    }
}

/// A file to be: purpose, name, bytes.
type Draft = (&'static str, &'static str, Option<Vec<u8>>);

/// The objects that need no picture.
fn objects(maker: &Maker<'_, '_>, wanted: &Outputs) -> Vec<Draft> {
    if !maker.possible() {
        return Vec::new();
    }
    let mut drafts = Vec::new();
    if wanted.segmentations {
        drafts.push(("roi", "roi.dcm", segmentation::region(maker)));
        drafts.push(("excluded", "excluded.dcm", segmentation::excluded(maker)));
    }
    if wanted.r2star_map {
        drafts.push(("r2star_map", "r2star.dcm", map::r2star(maker)));
    }
    if wanted.lic_map {
        drafts.push(("lic_map", "lic.dcm", map::lic(maker)));
    }
    drafts
}

fn nifti_files(view: &View<'_>) -> Vec<Draft> {
    let Some(grid) = view.grid else { return Vec::new() };
    let echoes = view.magnitude.as_ref().map(|m| nifti::floats(grid, m.nrows(), m.iter().copied()));
    let map = view.r2star.map(|map| nifti::floats(grid, 1, map.iter().copied()));
    let region = view.region.map(|region| nifti::region(grid, region));
    let residual = view.residual.map(|map| nifti::floats(grid, 1, map.iter().copied()));
    vec![
        ("nifti_echoes", "echoes.nii.gz", echoes),
        ("nifti_r2star", "r2star.nii.gz", map),
        ("nifti_residual", "residual.nii.gz", residual),
        ("nifti_roi", "roi.nii.gz", region),
    ]
}
