//! Writes small DICOM files byte by byte, so that each test says in full what its file holds, and reads them.

use siderolog::intake::{Intake, Limits, Request, read};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Reads these inputs with the default limits.
pub fn intake(inputs: &[PathBuf]) -> Intake {
    intake_within(inputs, &Limits::default())
}

/// Reads these inputs within limits.
pub fn intake_within(inputs: &[PathBuf], limits: &Limits) -> Intake {
    let request = Request { inputs, limits, set_aside: &BTreeMap::new(), announce: &() };
    read(&request).expect("the inputs exist")
}

/// `../shared/data/NAME`, or `None` after saying that the test is skipped.
pub fn shared(name: &str) -> Option<PathBuf> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data").join(name);
    if path.exists() {
        return Some(path);
    }
    println!("SKIPPED: {} is not there", path.display());
    None
}
