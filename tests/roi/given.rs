//! Regions from files: what fits the grid is taken as drawn, what does not is refused with the reason.

use super::adult;
use siderolog::fit;
use siderolog::phantom;
use siderolog::roi::{self, RegionFormat, SuppliedFile};
use siderolog::study::{Acquisition, Grid, MaskOrigin};

/// A NIfTI-1 file of 8-bit labels on the grid, first axis along image rows as most programs write it.
pub(super) fn nifti(grid: &Grid, shift_mm: f64, label: impl Fn(usize) -> u8) -> Vec<u8> {
    let mut bytes = vec![0u8; 352];
    let mut put = |at: usize, value: &[u8]| bytes[at..at + value.len()].copy_from_slice(value);
    put(0, &348i32.to_le_bytes());
    for (k, n) in [3, grid.columns(), grid.rows(), grid.slices(), 1, 1, 1, 1].into_iter().enumerate() {
        put(40 + 2 * k, &(n as i16).to_le_bytes());
    }
    put(70, &2i16.to_le_bytes());
    put(72, &8i16.to_le_bytes());
    put(108, &352f32.to_le_bytes());
    put(254, &1i16.to_le_bytes());
    put(344, b"n+1\0");
    let origin = grid.centre(0, 0, 0);
    let steps = [grid.centre(0, 0, 1), grid.centre(0, 1, 0), grid.centre(1, 0, 0)];
    for row in 0..3 {
        // DICOM's left and back are NIfTI's right and front with the other sign.
        let sign = if row < 2 { -1.0 } else { 1.0 };
        for (column, step) in steps.iter().enumerate() {
            put(280 + 16 * row + 4 * column, &((sign * (step[row] - origin[row])) as f32).to_le_bytes());
        }
        put(280 + 16 * row + 12, &((sign * origin[row] + shift_mm) as f32).to_le_bytes());
    }
    bytes.extend((0..grid.voxels()).map(label));
    bytes
}

fn setting() -> (Acquisition, fit::Survey) {
    let acquisition = Acquisition::assemble(phantom::scan(&adult()).parts()).unwrap();
    let noise = fit::estimate_noise(&acquisition, None);
    let survey = fit::survey(&acquisition, &noise);
    (acquisition, survey)
}

#[test]
fn a_label_image_on_the_grid_is_taken_as_drawn() {
    let (acquisition, survey) = setting();
    let grid = acquisition.grid();
    let inside = |index: usize| {
        let (_, row, column) = grid.place(index);
        (50..70).contains(&row) && (40..65).contains(&column)
    };
    let corner = |index: usize| {
        let (slice, row, column) = grid.place(index);
        slice == 1 && (72..78).contains(&row) && (40..46).contains(&column)
    };
    let bytes = nifti(grid, 0.0, |k| if inside(k) { 1 } else { u8::from(corner(k)) * 7 });
    let file = SuppliedFile { name: "drawn.nii", format: RegionFormat::Nifti, bytes: &bytes };
    let given =
        roi::amended(&acquisition, &survey, &Default::default(), &file, "Dr Example", "vessel left in").unwrap();
    let mask = given.mask().unwrap();
    assert_eq!(mask.count(), 3 * 20 * 25);
    assert!(mask.indices().all(inside));
    assert_eq!(mask.origin(), &MaskOrigin::Amended { by: "Dr Example".into(), why: "vessel left in".into() });
    let names: Vec<(&str, usize)> = given.named().iter().map(|r| (r.name.as_str(), r.voxels)).collect();
    assert_eq!(names, [("label 1", 1500), ("label 7", 36)]);
}

#[test]
fn a_label_image_on_another_grid_is_refused_with_the_reason() {
    let (acquisition, survey) = setting();
    let moved = nifti(acquisition.grid(), 1.1, |_| 1);
    let cut = nifti(acquisition.grid(), 0.0, |_| 1);
    let empty = nifti(acquisition.grid(), 0.0, |_| 0);
    let cases: [(&str, &[u8]); 4] =
        [("moved", &moved), ("cut", &cut[..5000]), ("empty", &empty), ("noise", b"not an image")];
    let messages: Vec<String> = cases
        .iter()
        .map(|(name, bytes)| {
            let file = SuppliedFile { name, format: RegionFormat::Nifti, bytes };
            roi::supplied(&acquisition, &survey, &Default::default(), &file).unwrap_err().message
        })
        .collect();
    insta::assert_snapshot!(messages.join("\n"), @r"
    The region in moved cannot be used: it lies on another grid.
    The region in cut cannot be used: the file ends inside its data.
    The region in empty cannot be used: no voxel is marked in it.
    The region in noise cannot be used: it does not begin as a NIfTI-1 header.
    ");
}

#[test]
fn bytes_that_are_no_segmentation_are_refused() {
    let (acquisition, survey) = setting();
    for bytes in [b"".as_slice(), b"DICM", &[0u8; 600]] {
        let file = SuppliedFile { name: "x.dcm", format: RegionFormat::Seg, bytes };
        let finding = roi::supplied(&acquisition, &survey, &Default::default(), &file).unwrap_err();
        assert_eq!(finding.code, "region-refused");
    }
}
