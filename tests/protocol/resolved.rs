//! Profiles built on others.

use siderolog::protocol::{ModelChoice, parse, parse_together, shipped};

const BASE: &str = "\
name: base
revision: 7
approved: {by: x, date: 2026-01-01}
applies to: {field strength: 1.5 T, manufacturer: [A]}
calibration: c
model: noise-corrected
rules:
  - {quantity: first echo, at most: 1 ms, severity: stop, reason: base}
  - {quantity: flip angle, at most: 30 degrees, severity: warn, reason: base}
  - {name: long, quantity: repetition time, at most: 300 ms, severity: warn, reason: base}
";

const CHILD: &str = "\
name: child
revision: 1
extends: base
applies to: {manufacturer: [B]}
without: [long]
rules:
  - {quantity: flip angle, at most: 40 degrees, severity: note, reason: child}
  - {quantity: slices, at least: 3, severity: warn, reason: child}
";

fn base(name: &str) -> Option<String> {
    (name == "base").then(|| BASE.to_owned())
}

#[test]
fn a_child_replaces_adds_and_drops_but_inherits_no_approval() {
    let child = parse("child.yaml", CHILD, &base).unwrap_or_else(|e| panic!("{e}"));
    let names: Vec<&str> = child.rules().iter().map(|r| r.name()).collect();
    assert_eq!(names, ["first echo", "flip angle", "slices"]);
    assert_eq!(child.approved(), None);
    assert_eq!(child.calibration(), "c");
    assert_eq!(child.field_strength(), Some(1.5));
    assert_eq!(child.model().word(), "noise-corrected");
    assert_ne!(child.model(), ModelChoice::Auto);
    assert_eq!(child.bases(), ["base"]);
    insta::assert_snapshot!("child", child.resolved());
}

#[test]
fn the_profiles_of_a_site_find_one_another_by_name() {
    let files = [("one.yaml", CHILD), ("other.yaml", BASE)];
    let profiles = parse_together(&files, &|_, _| None, None).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(profiles.iter().map(|p| p.name()).collect::<Vec<_>>(), ["child", "base"]);
    assert_eq!(profiles[0].rules().len(), 3);
    // What lies beside a profile goes before what the site names elsewhere.
    let beside =
        |place, name: &str| (place == 0 && name == "base").then(|| BASE.replace("at most: 1 ms", "at most: 2 ms"));
    let beside = parse_together(&files, &beside, None).unwrap_or_else(|e| panic!("{e}"));
    assert_ne!(beside[0].digest(), profiles[0].digest());
    let broken = [("one.yaml", CHILD), ("broken.yaml", "name: a")];
    let errors = parse_together(&broken, &|_, _| None, None).unwrap_err().to_string();
    assert!(
        errors.contains("broken.yaml:1:1: `revision` is missing")
            && errors.contains("one.yaml:3:10: `base` is not a known profile"),
        "{errors}"
    );
}

#[test]
fn the_digest_follows_the_base() {
    let digest = |base_text: String| {
        parse("child.yaml", CHILD, &|_| Some(base_text.clone())).unwrap_or_else(|e| panic!("{e}")).digest().clone()
    };
    assert_eq!(digest(BASE.to_owned()), digest(BASE.to_owned()));
    assert_ne!(digest(BASE.to_owned()), digest(BASE.replace("at most: 1 ms", "at most: 1.1 ms")));
}

#[test]
fn a_resolved_profile_reads_back_as_the_same_rules() {
    for (name, text) in shipped() {
        let profile = parse(&format!("{name}.yaml"), text, &|_| None).unwrap_or_else(|e| panic!("{e}"));
        let printed = profile.resolved();
        let again = parse("resolved.yaml", &printed, &|_| None).unwrap_or_else(|e| panic!("{printed}\n{e}"));
        assert_eq!(
            again.resolved().lines().filter(|l| !l.contains('#')).collect::<Vec<_>>(),
            printed.lines().filter(|l| !l.contains('#')).collect::<Vec<_>>(),
            "{name}"
        );
        assert_eq!(again.rules().len(), profile.rules().len());
        assert_eq!(again.calibration(), profile.calibration());
        assert_eq!(again.region(), profile.region());
    }
}
