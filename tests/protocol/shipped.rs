//! The profiles that come with the program.

use siderolog::protocol::{parse_for, shipped};
use std::collections::BTreeSet;
use std::fs;

/// Names of the calibrations in `config/calibrations.yaml` that the shipped profiles may use.
const CALIBRATIONS: [&str; 3] = ["hernando-2023-1.5t", "hernando-2023-2.89t", "hernando-2023-3t"];

#[test]
fn every_shipped_profile_is_valid_and_named_like_its_file() {
    let calibrations = CALIBRATIONS.map(str::to_owned);
    for (name, text) in shipped() {
        let profile = parse_for(&format!("{name}.yaml"), text, &|_| None, Some(&calibrations))
            .unwrap_or_else(|errors| panic!("{errors}"));
        assert_eq!(profile.name(), name);
        assert!(profile.rules().len() > 15, "{name}");
        assert!(text.starts_with("# yaml-language-server: $schema=../schema/profile.json\n"), "{name}");
    }
}

#[test]
fn the_program_carries_every_profile_of_the_folder() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/config/profiles");
    let files: BTreeSet<String> = fs::read_dir(folder)
        .unwrap()
        .filter_map(|entry| {
            entry.unwrap().file_name().to_str().and_then(|n| n.strip_suffix(".yaml")).map(str::to_owned)
        })
        .collect();
    assert_eq!(files, shipped().map(|(name, _)| name.to_owned()).collect());
}
