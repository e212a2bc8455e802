//! The reading side of the matrix of formats and transfer syntaxes, whose files `tests/outside/intake_matrix.py`
//! writes. It reads every folder of the folder named by `SIDEROLOG_MATRIX` and leaves beside the files what was
//! read: `read.json` and the magnitude as little-endian f32, echo-major.

use super::files::intake;
use serde_json::json;
use siderolog::intake::Found;
use std::path::Path;

#[test]
fn read_what_others_wrote() {
    let Some(root) = std::env::var_os("SIDEROLOG_MATRIX") else {
        println!("SKIPPED: run by tests/outside/intake_matrix.py, which writes the files");
        return;
    };
    for entry in std::fs::read_dir(root).expect("the folder exists").flatten() {
        record(&entry.path());
    }
}

fn record(folder: &Path) {
    let found = intake(&[folder.to_path_buf()]);
    let read = match found.found.as_slice() {
        [Found::Acquisition(a)] => {
            let grid = a.grid();
            let bytes: Vec<u8> = a.magnitude().iter().flat_map(|v| v.to_le_bytes()).collect();
            std::fs::write(folder.join("magnitude.f32"), bytes).expect("writable");
            json!({
                "echo_times_ms": a.echo_times().iter().map(|t| t.as_millis()).collect::<Vec<_>>(),
                "positions": grid.positions(),
                "along_row": grid.along_row(),
                "along_column": grid.along_column(),
                "spacing": [grid.row_spacing().0, grid.column_spacing().0],
                "name": a.header().patient.name,
                "scaling": a.scaling(),
            })
        }
        [Found::Unreadable(u)] => {
            json!({ "refused": u.findings.iter().map(|f| f.message.as_str()).collect::<Vec<_>>().join(" ") })
        }
        other => {
            let reason = found.files.iter().find_map(|f| f.reason.clone());
            json!({ "refused": format!("{} acquisitions; {reason:?}", other.len()) })
        }
    };
    std::fs::write(folder.join("read.json"), read.to_string()).expect("writable");
}
