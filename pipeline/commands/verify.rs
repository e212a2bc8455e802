//! `siderolog verify`: measures the kept inputs once more and says whether every number is the same to the bit, and
//! whether every file still is what its result document says.

use super::analyse::UNUSABLE;
use super::kept::{Kept, Place};
use crate::report::{RESULT, ResultDocument};
use crate::study::Digest;
use anyhow::Context as _;
use serde_json::Value;
use std::fs;
use std::path::Path;
use std::process::{Command, ExitCode, Stdio};

/// Status when something differs.
const DIFFERS: u8 = 3;
/// Differences named before the rest is only counted.
const NAMED: usize = 20;

/// Recompute a result from its kept inputs and compare to the bit.
#[derive(clap::Args)]
pub struct Args {
    #[command(flatten)]
    place: Place,
}

/// Runs it.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let kept = match args.place.open() {
        Ok(kept) => kept,
        Err(message) => {
            eprintln!("{message}");
            return Ok(ExitCode::from(UNUSABLE));
        }
    };
    let Kept { folder, text, document, .. } = &kept;
    if document.roi.as_ref().is_some_and(|roi| roi.amended.is_some()) {
        eprintln!("a person's region decides here: `siderolog amend` measures the inputs with it again");
        return Ok(ExitCode::from(UNUSABLE));
    }
    if document.roi.as_ref().is_some_and(|roi| roi.segmenter.is_some()) && args.place.site.is_none() {
        eprintln!("the site's own segmenter drew the region here: name the site that has it with --site");
        return Ok(ExitCode::from(UNUSABLE));
    }
    let mut differences = changed_files(folder, document);
    let checked = document.file_digests.len();
    println!("{} of {checked} files are as the result says", checked - differences.len());
    let again = tempfile::tempdir().context("cannot make a folder for the comparison")?;
    recompute(args.place.site.as_deref(), &kept, again.path())?;
    let hex = document.input.digest.trim_start_matches("sha256:");
    let (then, now) = (serde_json::from_str::<Value>(text)?, read(&again.path().join(hex).join(RESULT)));
    match now {
        Some(now) => {
            let before = differences.len();
            compare("", &then, &now, &mut differences);
            if differences.len() == before {
                println!("every number is the same to the bit");
            }
        }
        None => differences.push("the inputs no longer hold this acquisition".to_owned()),
    }
    for difference in differences.iter().take(NAMED) {
        println!("differs: {difference}");
    }
    if differences.len() > NAMED {
        println!("and {} more", differences.len() - NAMED);
    }
    Ok(if differences.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(DIFFERS) })
}

/// Files that are missing or are not what the document says.
fn changed_files(folder: &Path, document: &ResultDocument) -> Vec<String> {
    let mut changed = Vec::new();
    for (name, digest) in &document.file_digests {
        // A name from a document is one file beside it, never a path.
        let plain = Path::new(name).file_name().is_some_and(|n| n == name.as_str());
        match plain.then(|| fs::read(folder.join(name))) {
            Some(Ok(bytes)) if Digest::of(&bytes).as_str() == digest => {}
            Some(Ok(_)) => changed.push(format!("{name} was changed")),
            Some(Err(error)) => changed.push(format!("{name}: {error}")),
            None => changed.push(format!("{name} is no file name")),
        }
    }
    changed
}

fn recompute(site: Option<&Path>, kept: &Kept, out: &Path) -> anyhow::Result<()> {
    let program = std::env::current_exe().context("cannot find this program")?;
    let mut command = Command::new(program);
    command.arg("analyse").args(&kept.inputs).arg("--out").arg(out).arg("--json").stdout(Stdio::null());
    if let Some(site) = site {
        command.arg("--site").arg(site);
    }
    if let Some(history) = &kept.history {
        command.arg("--history").arg(history);
    }
    if let Some(earlier) = &kept.earlier {
        command.arg("--earlier").arg(earlier);
    }
    // 3 and 4 say what the verdicts are, which the comparison sees for itself.
    let status = command.status().context("cannot run the analysis")?;
    anyhow::ensure!(matches!(status.code(), Some(0 | 3 | 4)), "the analysis ended with {status}");
    Ok(())
}

fn read(path: &Path) -> Option<Value> {
    serde_json::from_str(&fs::read_to_string(path).ok()?).ok()
}

/// Every place where two documents differ. Numbers are compared as they are written: the shortest text that gives
/// the same bits.
fn compare(place: &str, then: &Value, now: &Value, differences: &mut Vec<String>) {
    match (then, now) {
        (Value::Object(a), Value::Object(b)) => {
            for key in a.keys().chain(b.keys().filter(|k| !a.contains_key(*k))) {
                let none = Value::Null;
                compare(
                    &format!("{place}/{key}"),
                    a.get(key).unwrap_or(&none),
                    b.get(key).unwrap_or(&none),
                    differences,
                );
            }
        }
        (Value::Array(a), Value::Array(b)) if a.len() == b.len() => {
            for (i, (a, b)) in a.iter().zip(b).enumerate() {
                compare(&format!("{place}/{i}"), a, b, differences);
            }
        }
        (a, b) if a == b => {}
        (a, b) => differences.push(format!("{place}: {a} then, {b} now")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn differences_are_named_by_place() {
        let then = json!({"a": [1.0, 2.0], "b": {"c": null}, "d": 1});
        let now = json!({"a": [1.0, 2.0000000000000004], "b": {"c": 3}, "e": 2});
        let mut found = Vec::new();
        compare("", &then, &now, &mut found);
        assert_eq!(
            found,
            [
                "/a/1: 2.0 then, 2.0000000000000004 now",
                "/b/c: null then, 3 now",
                "/d: 1 then, null now",
                "/e: null then, 2 now"
            ]
        );
    }
}
