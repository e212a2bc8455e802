//! Every row of `fixtures/expected.yaml` through every stage: DICOM out of the phantom, files in, result out.

use super::shared_data::{analyse, read};
use crate::phantom::table::{Judged, Row, rows};
use dicom_core::value::Value;
use dicom_dictionary_std::tags;
use dicom_object::{DefaultDicomObject, InMemDicomObject};
use rayon::prelude::*;
use siderolog::phantom::{self, Scan};
use siderolog::report::result::{Position, RoleKind};
use siderolog::report::{Outputs, Report};
use siderolog::roi;
use siderolog::study::Grid;

/// A word as the documents spell it.
fn word(value: impl serde::Serialize) -> String {
    serde_json::to_value(value).unwrap().as_str().unwrap().to_owned()
}

fn sequence(object: &InMemDicomObject, tag: dicom_core::Tag) -> &[InMemDicomObject] {
    match object.element(tag).unwrap().value() {
        Value::Sequence(items) => items.items(),
        _ => panic!("{tag} is not a sequence"),
    }
}

/// The measured region of a SEG as one flag a voxel on this grid, matched by frame position.
fn region(seg: &[u8], grid: &Grid) -> Vec<bool> {
    let object: DefaultDicomObject = dicom_object::from_reader(seg).unwrap();
    let bytes = object.element(tags::PIXEL_DATA).unwrap().to_bytes().unwrap();
    let mut voxels = vec![false; grid.voxels()];
    for (frame, item) in sequence(&object, tags::PER_FRAME_FUNCTIONAL_GROUPS_SEQUENCE).iter().enumerate() {
        let plane = &sequence(item, tags::PLANE_POSITION_SEQUENCE)[0];
        let position = plane.element(tags::IMAGE_POSITION_PATIENT).unwrap().to_multi_float64().unwrap();
        let near = |p: &[f64; 3]| p.iter().zip(&position).all(|(a, b)| (a - b).abs() < 0.05);
        let slice = grid.positions().iter().position(near).expect("a frame lies on a slice of the grid");
        for pixel in 0..grid.slice_voxels() {
            let bit = frame * grid.slice_voxels() + pixel;
            voxels[slice * grid.slice_voxels() + pixel] = bytes[bit / 8] >> (bit % 8) & 1 == 1;
        }
    }
    voxels
}

/// What is wrong with the numbers of a report, given the truth.
fn wrong_numbers(report: &Report, scan: &Scan, row: &Row, grid: &Grid) -> Vec<String> {
    let mut wrong = Vec::new();
    let (result, truth) = (&report.result, scan.truth());
    let Some(range) = &result.measuring_range else { return vec!["no measuring range".to_owned()] };
    if range.position != Position::Inside {
        let bound = range.r2star_per_s[1];
        if range.position == Position::Above && bound > truth.median_r2star {
            wrong.push(format!("the bound {bound:.0} exceeds the truth {:.0}", truth.median_r2star));
        }
        return wrong;
    }
    let Some(median) = result.r2star_per_s.as_ref().and_then(|r| r.median) else { return vec!["no R2*".to_owned()] };
    let off = (median - truth.median_r2star).abs();
    if off > (0.03 * truth.median_r2star).max(3.0) {
        wrong.push(format!("R2* {:.1} /s where the truth is {:.1} /s", median, truth.median_r2star));
    }
    let voxels = region(&report.files["roi.dcm"], grid);
    let dice = roi::dice(&voxels, &truth.parenchyma);
    if dice < 0.8 {
        wrong.push(format!("Dice {dice:.3}"));
    }
    let size = voxels.iter().filter(|&&v| v).count();
    let outside = voxels.iter().zip(&truth.organ).filter(|(v, organ)| **v && !**organ).count();
    if outside as f64 > 0.03 * size as f64 {
        wrong.push(format!("{outside} of {size} voxels outside the liver"));
    }
    println!(
        "{:<18} {:<15} truth {:6.1} read {median:6.1} range {:.0} to {:.0} Dice {dice:.3} outside {:.1} %",
        row.recipe,
        result.fit.as_ref().map_or("", |f| f.model.as_str()),
        truth.median_r2star,
        range.r2star_per_s[0],
        range.r2star_per_s[1],
        100.0 * outside as f64 / size as f64
    );
    wrong
}

fn check(row: &Row) -> Vec<String> {
    let scan = phantom::scan(&row.study());
    let folder = tempfile::tempdir().unwrap();
    phantom::write(&scan, folder.path()).unwrap();
    let outputs = Outputs {
        quality_picture: false,
        page: false,
        pdf: false,
        encapsulated_pdf: false,
        capture: false,
        ..Outputs::default()
    };
    let analysed = analyse(read(folder.path().to_path_buf()), &outputs);
    let mut wrong = Vec::new();
    if analysed.len() != row.acquisitions {
        wrong.push(format!("{} acquisitions, not {}", analysed.len(), row.acquisitions));
    }
    let Some(primary) = analysed.iter().find(|a| a.report.result.role == RoleKind::Primary) else {
        wrong.push("nothing is primary".to_owned());
        return wrong;
    };
    let result = &primary.report.result;
    let mut one_of = |what: &str, found: Option<String>, right: &[String]| {
        if !right.is_empty() && !found.as_ref().is_some_and(|found| right.contains(found)) {
            let codes: Vec<_> = result.findings.iter().map(|f| format!("{}:{}", word(f.severity), f.code)).collect();
            wrong.push(format!("{what} {found:?}, not {right:?} ({})", codes.join(" ")));
        }
    };
    one_of("verdict", Some(result.verdict.word().to_owned()), &row.verdict);
    one_of("position", result.measuring_range.as_ref().map(|r| word(r.position)), &row.position);
    one_of("room", Some(word(result.scanner_room.answer)), &row.room);
    let judged = match row.judged {
        Judged::Full => true,
        Judged::IfClear => result.verdict.word() == "clear",
        Judged::None => false,
    };
    if judged {
        wrong.extend(wrong_numbers(&primary.report, &scan, row, &scan.parts().grid));
    }
    wrong
}

#[test]
fn every_recipe_comes_to_what_the_table_says() {
    let rows = rows();
    assert!(rows.len() >= 60, "the table has {} rows", rows.len());
    let only = std::env::var("SIDEROLOG_ROW").ok();
    let wrong: Vec<String> = rows
        .par_iter()
        .filter(|row| only.as_ref().is_none_or(|name| row.recipe == *name))
        .flat_map(|row| {
            let name = format!("{} at R2* {} SNR {:?}", row.recipe, row.r2star, row.snr);
            let wrong: Vec<String> = check(row).into_iter().map(|what| format!("{name}: {what}")).collect();
            match &row.known {
                None => wrong,
                Some(_) if wrong.is_empty() => vec![format!("{name}: comes out right now; take `known` away")],
                Some(why) => {
                    println!("KNOWN SHORTFALL: {} ({why})", wrong.join("; "));
                    Vec::new()
                }
            }
        })
        .collect();
    assert!(wrong.is_empty(), "{} deviations:\n{}", wrong.len(), wrong.join("\n"));
}
