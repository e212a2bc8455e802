//! Which profile applies: exactly one, never the first that fits.

use super::acquisition::draft;
use siderolog::protocol::{Profile, check, parse, same_revision_other_content, shipped};
use siderolog::study::{Severity, Tesla};

fn profile(name: &str, applies: &str, approved: bool) -> Profile {
    let approved = if approved { "approved: {by: x, date: 2026-01-01}\n" } else { "" };
    let text = format!("name: {name}\nrevision: 1\n{approved}applies to: {applies}\ncalibration: c\nrules: []\n");
    parse(&format!("{name}.yaml"), &text, &|_| None).unwrap_or_else(|e| panic!("{e}"))
}

fn codes(profiles: &[Profile]) -> Vec<String> {
    check(draft().assemble(), profiles).findings().iter().map(|f| f.code.to_string()).collect()
}

#[test]
fn none_and_several_are_refused_with_what_was_looked_for() {
    let any = "{field strength: 1.5 T}";
    assert_eq!(codes(&[profile("a", any, true)]), [] as [&str; 0]);
    assert_eq!(codes(&[profile("a", any, true), profile("b", any, true)]), ["profile-ambiguous"]);
    assert_eq!(codes(&[profile("a", any, false), profile("b", any, false)]), ["profile-ambiguous"]);
    // An approved profile goes before starting points that nobody approved.
    assert_eq!(codes(&[profile("a", any, false), profile("b", any, true)]), [] as [&str; 0]);
    assert_eq!(codes(&[profile("a", any, false)]), ["profile-not-approved"]);
    let others = [
        profile("three", "{field strength: 3 T}", true),
        profile("serial", "{field strength: 1.5 T, serial: [\"77\"]}", true),
        profile("volume", "{field strength: 1.5 T, acquisition type: 3D}", true),
        profile("several", "{field strength: 1.5 T, averages: several}", true),
        profile("words", "{field strength: 1.5 T, protocol or series: [cardiac, heart]}", true),
    ];
    let checked = check(draft().assemble(), &others);
    let [finding] = checked.findings() else { panic!("{:#?}", checked.findings()) };
    assert_eq!(finding.severity, Severity::Stop);
    assert!(checked.profile().is_none());
    insta::assert_snapshot!(format!("{}\n{}", finding.message, finding.advice.clone().unwrap_or_default()), @r"
    No profile applies to this scanner and sequence (Norrfell Instruments (invented), Lumen 15, serial number NI-1, 1.5 T, 2D, 1 averages).
    three: 3 T asked for, 1.5 T found; serial: serial number 77 asked for, NI-1 found; volume: 3D acquisition asked for, 2D found; several: several averages asked for, 1 found; words: `cardiac` or `heart` in protocol name or series description asked for. The MR physicist writes a profile, for example from a known good acquisition with `siderolog profile derive`.
    ");
}

#[test]
fn the_shipped_profiles_never_compete() {
    let profiles: Vec<Profile> = shipped()
        .map(|(name, text)| parse(&format!("{name}.yaml"), text, &|_| None).unwrap_or_else(|e| panic!("{e}")))
        .collect();
    for maker in ["Norrfell Instruments (invented)", "Another Maker"] {
        for (field, model) in [(1.5, "Lumen 15"), (2.89, "X"), (3.0, "Lumen 30")] {
            for dimensions in ["2D", "3D"] {
                for averages in [None, Some(1.0), Some(4.0)] {
                    if (field, averages, maker) == (2.89, Some(4.0), maker) || (field, dimensions) == (2.89, "3D") {
                        continue;
                    }
                    let mut d = draft();
                    d.header.scanner.manufacturer = Some(maker.into());
                    d.header.scanner.model = Some(model.into());
                    d.header.scanner.field_strength = Some(Tesla(field));
                    d.header.sequence.dimensions = Some(dimensions.into());
                    d.header.sequence.averages = averages;
                    let checked = check(d.assemble(), &profiles);
                    let found = checked.profile().unwrap_or_else(|| {
                        panic!("{maker} {field} {dimensions} {averages:?}: {:#?}", checked.findings())
                    });
                    assert_eq!(found.approved().is_some(), maker.starts_with("Norrfell") && field != 2.89);
                }
            }
        }
    }
}

#[test]
fn same_revision_with_other_content_is_a_finding() {
    let p = profile("a", "{field strength: 1.5 T}", true);
    let own = p.digest().as_str().to_owned();
    assert!(
        same_revision_other_content(&p, [("a", 1, own.as_str()), ("a", 2, "sha256:x"), ("b", 1, "sha256:x")]).is_none()
    );
    let finding = same_revision_other_content(&p, [("a", 1, own.as_str()), ("a", 1, "sha256:x")]).unwrap();
    assert_eq!((finding.code.as_ref(), finding.severity), ("profile-changed-without-revision", Severity::Warn));
}
