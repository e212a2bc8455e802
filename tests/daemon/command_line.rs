//! `analyse`, `settings` and `demo` as another program calls them.

use super::service::{PROGRAM, Service, evidence, tiny, write};
use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::{Duration, Instant};

fn analyse(inputs: &[&Path], out: &Path, more: &[&str]) -> Output {
    Command::new(PROGRAM).arg("analyse").args(inputs).arg("--out").arg(out).args(more).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

fn account(out: &Path) -> Vec<Value> {
    let document: Value = serde_json::from_slice(&fs::read(out.join("intake.json")).unwrap()).unwrap();
    document["files"].as_array().unwrap().clone()
}

#[test]
fn each_acquisition_gets_a_folder_named_by_its_digest_and_every_file_is_accounted_for() {
    let bench = tempfile::tempdir().unwrap();
    let (input, out) = (bench.path().join("in"), bench.path().join("out"));
    write(&tiny(1), &input.join("one"));
    write(&tiny(2), &input.join("two"));
    fs::write(input.join("notes.txt"), b"not an image").unwrap();
    let output = analyse(&[&input], &out, &["--json"]);
    let last = text(&output.stdout).lines().last().unwrap().to_owned();
    let answer: Value = serde_json::from_str(&last).unwrap();
    let results: Vec<PathBuf> =
        answer["results"].as_array().unwrap().iter().map(|path| PathBuf::from(path.as_str().unwrap())).collect();
    assert_eq!(results.len(), 2, "{}", text(&output.stderr));
    for path in &results {
        assert!(path.is_absolute());
        let result: Value = serde_json::from_slice(&fs::read(path).unwrap()).unwrap();
        let digest = result["input"]["digest"].as_str().unwrap().trim_start_matches("sha256:");
        assert_eq!(path.parent().unwrap().file_name().unwrap(), digest);
        assert!(path.with_file_name("run.json").exists());
    }
    let files = account(&out);
    assert_eq!(files.len(), 9);
    assert!(files.iter().filter(|file| file["outcome"] == "used").count() == 8);
    // Again: the same results, replaced.
    let before: Vec<Vec<u8>> = results.iter().map(|path| fs::read(path).unwrap()).collect();
    let again = analyse(&[&input], &out, &["--json"]);
    assert_eq!(again.stdout, output.stdout);
    let after: Vec<Vec<u8>> = results.iter().map(|path| fs::read(path).unwrap()).collect();
    assert_eq!(before, after);
    let left: Vec<_> = fs::read_dir(&out).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(left.len(), 3, "{left:?}");
}

#[test]
fn what_cannot_be_used_ends_with_status_2_and_nothing_analysed() {
    let bench = tempfile::tempdir().unwrap();
    let (input, out) = (bench.path().join("in"), bench.path().join("out"));
    fs::create_dir(&input).unwrap();
    let site = bench.path().join("site.yaml");
    fs::write(&site, "folders: {dorp: [x]}\n").unwrap();
    let bad_site = analyse(&[&input], &out, &["--site", site.to_str().unwrap()]);
    assert_eq!(bad_site.status.code(), Some(2));
    assert!(text(&bad_site.stderr).starts_with(&format!("{}:1:11: unknown field `dorp`", site.display())));
    let absent = analyse(&[&bench.path().join("nowhere")], &out, &[]);
    assert_eq!(absent.status.code(), Some(2));
    fs::write(bench.path().join("history"), "{\"schema_version\": 99}\n").unwrap();
    let history = analyse(&[&input], &out, &["--history", bench.path().join("history").to_str().unwrap()]);
    assert_eq!(history.status.code(), Some(2));
    assert_eq!(Command::new(PROGRAM).args(["analyse", "--nonsense"]).output().unwrap().status.code(), Some(2));
    assert!(!out.exists());
}

#[test]
fn an_input_without_an_acquisition_ends_with_status_4_and_says_why() {
    let bench = tempfile::tempdir().unwrap();
    let (input, out) = (bench.path().join("in"), bench.path().join("out"));
    fs::create_dir(&input).unwrap();
    fs::write(input.join("letter.txt"), b"Dear colleague").unwrap();
    let output = analyse(&[&input], &out, &[]);
    assert_eq!(output.status.code(), Some(4), "{}", text(&output.stderr));
    assert_eq!(account(&out).len(), 1);
}

#[test]
fn settings_are_checked_with_everything_they_name() {
    let service = Service::new();
    let check = |file: &Path| Command::new(PROGRAM).arg("settings").arg(file).output().unwrap();
    let good = check(&service.path("site.yaml"));
    assert_eq!(good.status.code(), Some(0), "{}", text(&good.stderr));
    assert!(text(&good.stdout).ends_with("The settings can be used.\n"));
    let shipped = check(&Path::new(env!("CARGO_MANIFEST_DIR")).join("config/site.yaml"));
    assert_eq!(shipped.status.code(), Some(0), "{}", text(&shipped.stderr));
    fs::write(service.path("p.yaml"), "nmae: x\n").unwrap();
    fs::write(service.path("site.yaml"), "profiles: [p.yaml]\n").unwrap();
    let bad = check(&service.path("site.yaml"));
    assert_eq!(bad.status.code(), Some(2));
    assert!(text(&bad.stderr).starts_with("p.yaml:1:1"), "{}", text(&bad.stderr));
}

#[test]
fn the_demonstration_shows_a_week_and_where_it_lies() {
    let bench = tempfile::tempdir().unwrap();
    let began = Instant::now();
    let output = Command::new(PROGRAM).arg("demo").arg("--dir").arg(bench.path()).output().unwrap();
    println!("{}\n{:.1} s", text(&output.stdout), began.elapsed().as_secs_f64());
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    assert!(began.elapsed() < Duration::from_secs(60) || !evidence());
    let shown = text(&output.stdout);
    for name in ["stable-patient", "loaded-child", "late-first-echo", "missing-slice", "moving-patient"] {
        assert!(shown.contains(name), "{shown}");
    }
    let pictures: Vec<&str> = shown.lines().filter_map(|line| line.trim().strip_prefix("picture: ")).collect();
    assert!(pictures.len() >= 5 && pictures.iter().all(|path| Path::new(path).is_file()), "{shown}");
}

/// Malformed files beside a good series: it is reported, each bad file is named with a reason.
#[test]
fn malformed_files_beside_a_good_series_shared_data() {
    for folder in ["fuzz_pwnlab", "hostile"] {
        let bad = Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data").join(folder);
        if !bad.exists() {
            println!("SKIPPED: {} is not here", bad.display());
            return;
        }
        let bench = tempfile::tempdir().unwrap();
        let good = bench.path().join("good");
        write(&tiny(1), &good);
        let out = bench.path().join("out");
        let began = Instant::now();
        let output = analyse(&[&good, &bad], &out, &["--json"]);
        let errors = text(&output.stderr);
        assert!(!errors.contains("panicked"), "{errors}");
        let files = account(&out);
        let named = |file: &&Value| file["path"].as_str().unwrap().contains(folder);
        let unreadable = files.iter().filter(named).filter(|file| file["outcome"] == "unreadable").count();
        let reasons = files.iter().filter(named).filter(|file| file["outcome"] != "used");
        for file in reasons {
            assert!(file["reason"].as_str().is_some_and(|reason| !reason.is_empty()), "{file}");
        }
        let last = text(&output.stdout).lines().last().unwrap().to_owned();
        let answer: Value = serde_json::from_str(&last).unwrap();
        let results = answer["results"].as_array().unwrap();
        let read = |path: &Value| serde_json::from_slice::<Value>(&fs::read(path.as_str().unwrap()).unwrap()).unwrap();
        let ours = results.iter().map(read).filter(|r| r["input"]["patient"]["id"] == "P-1").count();
        println!(
            "{folder}: {} files, {unreadable} unreadable, {} acquisitions, {:.1} s, status {:?}",
            files.iter().filter(named).count(),
            results.len(),
            began.elapsed().as_secs_f64(),
            output.status.code()
        );
        assert_eq!(ours, 1, "{errors}");
    }
}

/// 25 slices, 12 echoes, 160 × 192: the time and the memory of parent and child together.
#[test]
fn a_study_of_three_hundred_images_takes_its_time_and_memory() {
    if !evidence() {
        println!("SKIPPED: a measurement for a quiet machine; SIDEROLOG_EVIDENCE=1 makes it");
        return;
    }
    let bench = tempfile::tempdir().unwrap();
    let recipe = siderolog::phantom::shipped("full-study").unwrap().unwrap();
    write(&recipe, &bench.path().join("in"));
    for run in 1..=3 {
        let began = Instant::now();
        let mut command = Command::new(PROGRAM);
        command.arg("analyse").arg(bench.path().join("in")).arg("--out").arg(bench.path().join(format!("out-{run}")));
        let mut running = command.stdout(std::process::Stdio::null()).spawn().unwrap();
        let mut peak_mb = 0;
        while running.try_wait().unwrap().is_none() {
            peak_mb = peak_mb.max(resident_mb(running.id()));
            std::thread::sleep(Duration::from_millis(5));
        }
        let took = began.elapsed().as_secs_f64();
        println!("run {run}: {took:.2} s, {peak_mb} MiB");
        assert!(took < 3.0 && peak_mb < 600, "{took:.2} s, {peak_mb} MiB");
    }
}

/// Resident memory of a process and its children, MiB.
fn resident_mb(pid: u32) -> u64 {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
    let own =
        status.lines().find_map(|line| line.strip_prefix("VmRSS:")?.split_whitespace().next()?.parse::<u64>().ok());
    let children = fs::read_to_string(format!("/proc/{pid}/task/{pid}/children")).unwrap_or_default();
    let of_children: u64 = children.split_whitespace().filter_map(|child| child.parse().ok()).map(resident_mb).sum();
    own.unwrap_or(0) / 1024 + of_children
}
