//! `siderolog profile` on the command line.

use assert_cmd::Command;
use std::fs;
use std::path::Path;

fn siderolog(args: &[&str]) -> std::process::Output {
    Command::cargo_bin("siderolog")
        .unwrap()
        .current_dir(env!("CARGO_MANIFEST_DIR"))
        .arg("profile")
        .args(args)
        .output()
        .unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

#[test]
fn check_says_where_and_ends_with_status_two() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("mine.yaml");
    fs::write(&file, "name: mine\nrevision: 1\nextends: breath-hold-2d-1.5t\nrules:\n  - quantity: first ehco\n    at most: 1 ms\n    severity: warn\n    reason: r\n").unwrap();
    let shown = file.display().to_string();
    let output = siderolog(&["check", &shown]);
    assert_eq!(output.status.code(), Some(2));
    assert!(
        text(&output.stderr)
            .starts_with(&format!("{shown}:5:15: `first ehco` is not a known quantity; did you mean `first echo`?")),
        "{}",
        text(&output.stderr)
    );
    let missing = siderolog(&["check", "no-such-file.yaml"]);
    assert_eq!(missing.status.code(), Some(2));
    assert!(text(&missing.stderr).starts_with("no-such-file.yaml:1:1: "), "{}", text(&missing.stderr));
}

#[test]
fn check_takes_the_shipped_profiles_and_lists_the_quantities() {
    let profiles: Vec<String> =
        siderolog::protocol::shipped().map(|(name, _)| format!("config/profiles/{name}.yaml")).collect();
    let mut args = vec!["check"];
    args.extend(profiles.iter().map(String::as_str));
    let output = siderolog(&args);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    assert_eq!(text(&output.stdout).lines().count(), profiles.len());
    assert!(text(&siderolog(&["check", "--quantities"]).stdout).contains("repetition time"));
}

#[test]
fn a_base_beside_the_file_goes_before_the_shipped_one() {
    let folder = tempfile::tempdir().unwrap();
    let base = "name: liver-gradient-echo\nrevision: 9\nrules:\n  - {quantity: slices, at least: 2, severity: note, reason: r}\n";
    fs::create_dir(folder.path().join("bases")).unwrap();
    fs::write(folder.path().join("bases/liver-gradient-echo.yaml"), base).unwrap();
    let file = folder.path().join("mine.yaml");
    fs::write(&file, "name: mine\nrevision: 1\nextends: liver-gradient-echo\napplies to: {field strength: 1.5 T}\ncalibration: wood-2005-1.5t\nrules: []\n").unwrap();
    let output = siderolog(&["check", file.to_str().unwrap()]);
    assert!(
        text(&output.stdout).contains("mine revision 1, 1 rules, not approved"),
        "{}{}",
        text(&output.stdout),
        text(&output.stderr)
    );
}

#[test]
fn derive_then_test_goes_round() {
    let folder = tempfile::tempdir().unwrap();
    let recipe = siderolog::phantom::Recipe::from_yaml(
        "r",
        "seed: 5\ngrid: {slices: 3, rows: 96, columns: 112, pixel_mm: [3.4, 3.4]}",
    )
    .unwrap();
    let study = folder.path().join("study");
    fs::create_dir(&study).unwrap();
    siderolog::phantom::write(&siderolog::phantom::scan(&recipe), &study).unwrap();
    let out = folder.path().join("derived.yaml");
    let (study, out) = (study.to_str().unwrap(), out.to_str().unwrap());
    let derived = siderolog(&["derive", study, "--out", out]);
    assert_eq!(derived.status.code(), Some(0), "{}", text(&derived.stderr));
    let again = siderolog(&["derive", study, "--out", out]);
    assert_eq!(again.status.code(), Some(2), "an existing file stays untouched");
    assert_eq!(siderolog(&["check", out]).status.code(), Some(0));
    let tested = siderolog(&["test", out, study]);
    let shown = text(&tested.stdout);
    assert!(
        shown.contains("holds        first echo: found 0.9 ms, asked for at most 0.9 ms"),
        "{shown}{}",
        text(&tested.stderr)
    );
    let strict = fs::read_to_string(out)
        .unwrap()
        .replace("at most: 0.9 ms\n    severity: by range", "at most: 0.5 ms\n    severity: stop");
    fs::write(Path::new(out), strict).unwrap();
    let tested = siderolog(&["test", out, study]);
    assert_eq!(tested.status.code(), Some(4));
    assert!(text(&tested.stdout).contains("stop         first echo: found 0.9 ms, asked for at most 0.5 ms"));
}

#[test]
fn range_prints_a_table_and_draws_a_picture() {
    let folder = tempfile::tempdir().unwrap();
    let png = folder.path().join("range.png");
    let output = siderolog(&[
        "range",
        "config/profiles/breath-hold-2d-1.5t.yaml",
        "--draws",
        "200",
        "--png",
        png.to_str().unwrap(),
    ]);
    let shown = text(&output.stdout);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    for part in [
        "6 echoes from 1 ms every 1 ms, fat-corrected model",
        "R2* /s",
        "an earlier first echo, 0.8 ms",
        "hernando-2023-1.5t",
    ] {
        assert!(shown.contains(part), "{part}: {shown}");
    }
    let picture = image::load_from_memory(&fs::read(png).unwrap()).unwrap();
    assert_eq!((picture.width(), picture.height()), (1000, 620));
    assert_eq!(
        siderolog(&["range", "config/profiles/breath-hold-2d-1.5t.yaml", "--echoes", "1"]).status.code(),
        Some(2)
    );
}
