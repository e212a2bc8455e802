//! Broken profiles, each with its message: a physicist who reads only the message can mend the file.

use siderolog::protocol::parse_for;
use std::fmt::Write as _;
use std::time::Instant;

const GOOD: &str = "\
name: liver-2d-1.5t
revision: 3
approved:
  by: Ada Isenholt
  date: 2026-01-12
applies to:
  manufacturer: [Norrfell Instruments]
  field strength: 1.5 T
  acquisition type: 2D
model: automatic
calibration: hernando-2023-1.5t
region:
  min volume ml: 10
rules:
  - quantity: first echo
    at most: 1.0 ms
    severity: by range
    reason: a late first echo misses the signal
    advice: the first echo time to 1.0 ms or less
  - quantity: repetition time
    exactly: 100 ms
    within: 10 %
    severity: warn
    reason: as in the phantom series
";

/// A second, harmless rule put behind the others.
fn and(rule: &str) -> String {
    format!("{GOOD}{rule}")
}

/// The good profile with one change.
fn with(old: &str, new: &str) -> String {
    assert_eq!(GOOD.matches(old).count(), 1, "`{old}` must stand once in the good profile");
    GOOD.replace(old, new)
}

fn bomb() -> String {
    let mut text = String::from("a: &a [x, x, x, x, x, x, x, x, x]\n");
    for (this, last) in "bcdefghij".chars().zip("abcdefghi".chars()) {
        let _ =
            writeln!(text, "{this}: &{this} [*{last}, *{last}, *{last}, *{last}, *{last}, *{last}, *{last}, *{last}]");
    }
    text + GOOD
}

#[rustfmt::skip]
fn cases() -> Vec<(&'static str, String)> {
    vec![
        ("unknown key", with("calibration:", "calibraton:")),
        ("unknown key of a rule", with("at most:", "at_mots:")),
        ("unknown key of the region", with("min volume ml", "min volume l")),
        ("duplicate key", with("model: automatic", "model: automatic\nrevision: 4")),
        ("duplicate key of a rule", with("    within: 10 %", "    within: 10 %\n    within: 5 %")),
        ("no rules", GOOD.split("rules:").next().unwrap().to_owned()),
        ("no reason", with("    reason: as in the phantom series\n", "")),
        ("no severity", with("    severity: warn\n", "")),
        ("empty reason", with("reason: as in the phantom series", "reason: \"\"")),
        ("revision in words", with("revision: 3", "revision: three")),
        ("revision zero", with("revision: 3", "revision: 0")),
        ("rules as keys", GOOD.split("rules:").next().unwrap().to_owned() + "rules:\n  first echo: 1 ms\n"),
        ("a list where a value belongs", with("exactly: 100 ms", "exactly: [100 ms]")),
        ("a value where a list belongs", with("[Norrfell Instruments]", "Norrfell Instruments")),
        ("unit missing", with("at most: 1.0 ms", "at most: 1.0")),
        ("unit of another quantity", with("at most: 1.0 ms", "at most: 1.0 mm")),
        ("unit misspelt", with("field strength: 1.5 T", "field strength: 1.5 Tesla")),
        ("not a number", with("exactly: 100 ms", "exactly: a hundred ms")),
        ("decimal comma", with("at most: 1.0 ms", "at most: 1,0 ms")),
        ("unit on a count", and("  - quantity: number of echoes\n    at least: 6 echoes\n    severity: warn\n    reason: r\n")),
        ("quantity misspelt", with("quantity: repetition time", "quantity: repitition time")),
        ("quantity unknown", with("quantity: repetition time", "quantity: colour")),
        ("tag malformed", with("quantity: repetition time", "quantity: (18,80)")),
        ("severity unknown", with("severity: warn", "severity: error")),
        ("by range on a quantity that has none", with("severity: warn", "severity: by range")),
        ("no condition", with("    at most: 1.0 ms\n", "")),
        ("two conditions", with("    exactly: 100 ms", "    exactly: 100 ms\n    at most: 120 ms")),
        ("two ends as two conditions", with("    at most: 1.0 ms", "    at most: 1.0 ms\n    at least: 0.5 ms")),
        ("tolerance without a value", with("    exactly: 100 ms\n", "    at most: 100 ms\n")),
        ("tolerance below zero", with("within: 10 %", "within: -10 %")),
        ("between backwards", with("    exactly: 100 ms\n    within: 10 %", "    between: [120 ms, 80 ms]")),
        ("between three", with("    exactly: 100 ms\n    within: 10 %", "    between: [80 ms, 100 ms, 120 ms]")),
        ("impossible", with("at most: 1.0 ms", "at most: -1.0 ms")),
        ("never fires", and("  - quantity: flip angle\n    at most: 180 degrees\n    severity: warn\n    reason: r\n")),
        ("always present", with("    at most: 1.0 ms\n", "    must be: present\n")),
        ("unknown word", and("  - quantity: breathing\n    exactly: breathhold navigator\n    severity: warn\n    reason: r\n")),
        ("every word listed", and("  - quantity: fat suppression\n    one of: [\"yes\", \"no\"]\n    severity: warn\n    reason: r\n")),
        ("a number asked of a text", and("  - quantity: receive coil\n    at least: 8\n    severity: warn\n    reason: r\n")),
        ("contains asked of a number", and("  - quantity: flip angle\n    contains: 20\n    severity: warn\n    reason: r\n")),
        ("empty list", and("  - quantity: receive coil\n    one of: []\n    severity: warn\n    reason: r\n")),
        ("contradiction", and("  - name: long\n    quantity: repetition time\n    at least: 150 ms\n    severity: note\n    reason: r\n")),
        ("never decides", and("  - name: long\n    quantity: repetition time\n    at most: 200 ms\n    severity: note\n    reason: r\n")),
        ("two rules of one name", and("  - quantity: repetition time\n    at most: 105 ms\n    severity: note\n    reason: r\n")),
        ("against the scope", and("  - quantity: field strength\n    exactly: 3 T\n    severity: stop\n    reason: r\n")),
        ("settled by the scope", and("  - quantity: acquisition type\n    exactly: 2D\n    severity: stop\n    reason: r\n")),
        ("advice twice", with("    advice: the first echo time to 1.0 ms or less", "    advice: the first echo time to 1.0 ms or less\n    no repeat: it is what it is")),
        ("calibration unknown", with("hernando-2023-1.5t", "hernando-2032-1.5t")),
        ("calibration missing", with("calibration: hernando-2023-1.5t\n", "")),
        ("field strength missing", with("  field strength: 1.5 T\n", "")),
        ("base unknown", with("revision: 3", "revision: 3\nextends: breath-hold-2d-1.5")),
        ("builds on itself", with("revision: 3", "revision: 3\nextends: liver-2d-1.5t")),
        ("drops an unknown rule", with("revision: 3", "revision: 3\nextends: liver-gradient-echo\nwithout: [tilt]")),
        ("drops without a base", with("revision: 3", "revision: 3\nwithout: [tilt]")),
        ("date", with("date: 2026-01-12", "date: 12.01.2026")),
        ("name", with("name: liver-2d-1.5t", "name: Liver 2D")),
        ("model unknown", with("model: automatic", "model: monoexponentil")),
        ("region impossible", with("min volume ml: 10", "min volume ml: -10")),
        ("software list empty", with("model: automatic", "software:\n  approved: []\nmodel: automatic")),
        ("coil elements in words", with("model: automatic", "noise: {coil elements: eight}\nmodel: automatic")),
        ("two mistakes", with("at most: 1.0 ms", "at most: 1.0").replace("within: 10 %", "within: ten %")),
        ("quote not closed", with("by: Ada Isenholt", "by: \"Ada Isenholt")),
        ("tab", with("  by: Ada", "\tby: Ada")),
        ("colon in a sentence", with("reason: as in the phantom series", "reason: phantom: as in the series")),
        ("list not closed", with("[Norrfell Instruments]", "[Norrfell Instruments")),
        ("two documents", format!("{GOOD}---\n{GOOD}")),
        ("merge key", with("model: automatic", "<<: {model: automatic}")),
        ("alias without anchor", with("model: automatic", "model: *usual")),
        ("empty", String::new()),
        ("not a profile", "just a sentence\n".to_owned()),
        ("alias bomb", bomb()),
        ("deep nesting", with("model: automatic", &format!("model: {}", "[".repeat(100_000)))),
        ("too long", format!("{GOOD}# {}\n", "x".repeat(300_000))),
    ]
}

#[test]
fn every_mistake_is_named_with_its_place() {
    let calibrations = ["hernando-2023-1.5t", "hernando-2023-3t", "wood-2005-1.5t"].map(str::to_owned);
    let itself = |name: &str| (name == "liver-2d-1.5t").then(|| GOOD.to_owned());
    parse_for("good.yaml", GOOD, &itself, Some(&calibrations)).unwrap_or_else(|e| panic!("{e}"));
    let mut all = String::new();
    let start = Instant::now();
    let cases = cases();
    assert!(cases.len() >= 30);
    for (what, text) in &cases {
        let errors = parse_for("my.yaml", text, &itself, Some(&calibrations)).err();
        let errors = errors.unwrap_or_else(|| panic!("{what}: accepted"));
        for error in errors.all() {
            assert!(error.line >= 1 && error.column >= 1, "{what}: {error}");
            let shown = error.to_string();
            assert!(shown.starts_with(&format!("{}:{}:{}: ", error.file, error.line, error.column)), "{what}: {shown}");
            assert!(shown.len() < 1200, "{what}: {} characters", shown.len());
        }
        let _ = writeln!(all, "── {what}\n{errors}\n");
    }
    // Bombs and nesting are refused at once; all together take a fraction of a second.
    assert!(start.elapsed().as_secs_f64() < 3.0, "{:?}", start.elapsed());
    insta::assert_snapshot!("broken_profiles", all);
}
