//! Scanner-made files through every stage. Skips, saying so, where `../shared/data` is absent.

use ndarray::ArrayView2;
use siderolog::commands::chain::{self, Analysed, Rules, Setting};
use siderolog::commands::confirmed;
use siderolog::daemon::settings::{Document, Documents};
use siderolog::fit;
use siderolog::intake::{self, Found, Intake, Limits, Request};
use siderolog::report::Outputs;
use siderolog::study::{Acquisition, Verdict};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// The shared folder, or `None` with a visible word.
fn shared(name: &str) -> Option<PathBuf> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data").join(name);
    if path.exists() {
        return Some(path);
    }
    println!("SKIPPED: {} is not here", path.display());
    None
}

pub(super) fn read(input: PathBuf) -> Intake {
    let inputs = [input];
    let request = Request { inputs: &inputs, limits: &Limits::default(), set_aside: &BTreeMap::new(), announce: &() };
    intake::read(&request).unwrap()
}

pub(super) fn analyse(intake: Intake, outputs: &Outputs) -> Vec<Analysed> {
    let calibrations = Document::of("confirmed.yaml", confirmed::calibrations());
    let rules = Rules::of(&Documents { calibrations: Some(calibrations), ..Documents::default() }).unwrap();
    let setting = Setting {
        rules: &rules,
        outputs,
        history: &[],
        default_issuer: None,
        earlier: &[],
        amended: None,
        segmenter: None,
    };
    chain::analyse(intake, &setting, &|_, _| {})
}

fn only_acquisition(intake: &Intake) -> &Acquisition {
    let [Found::Acquisition(acquisition)] = intake.found.as_slice() else {
        panic!("one acquisition expected, found {}", intake.found.len())
    };
    acquisition
}

fn bits(values: ArrayView2<'_, f32>) -> Vec<u32> {
    values.iter().map(|v| v.to_bits()).collect()
}

#[test]
fn classic_and_enhanced_export_give_the_same_map_shared_data() {
    let Some(folder) = shared("philips_classic_vs_enhanced") else { return };
    let (classic, enhanced) = (read(folder.join("classic")), read(folder.join("enhanced")));
    let (a, b) = (only_acquisition(&classic), only_acquisition(&enhanced));
    let corner = |a: &Acquisition| a.grid().positions().to_vec();
    for (p, q) in corner(a).iter().flatten().zip(corner(b).iter().flatten()) {
        assert!((p - q).abs() < 1e-9, "{p} and {q} mm");
    }
    assert_eq!(bits(a.magnitude()), bits(b.magnitude()));
    let survey = |a: &Acquisition| {
        let noise = fit::estimate_noise(a, None);
        fit::survey(a, &noise).r2star.iter().map(|v| v.to_bits()).collect::<Vec<_>>()
    };
    let map = survey(a);
    assert!(map.iter().any(|&v| f32::from_bits(v).is_finite()), "the map is empty");
    assert_eq!(map, survey(b));
}

#[test]
fn spin_echo_is_refused_shared_data() {
    let Some(folder) = shared("dcmstack_se_16echo") else { return };
    let analysed = analyse(read(folder), &Outputs::default());
    assert_eq!(analysed.len(), 1);
    let result = &analysed[0].report.result;
    assert_eq!(result.verdict, Verdict::Refused);
    assert!(result.lic_mg_per_g.is_none() && result.r2star_per_s.is_none());
    let said = result.findings.iter().any(|f| f.message.to_lowercase().contains("spin echo"));
    assert!(said, "the reason names the spin echo: {:?}", result.findings);
}
