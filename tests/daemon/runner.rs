//! The parent of a child process, against children that misbehave in every way. Each is a shell script that
//! speaks the child's language.

use siderolog::daemon::job::{Job, PatientKey, Said, Task};
use siderolog::daemon::runner::{Desk, Ended, RunError, Runner};
use siderolog::daemon::segmenter::{Ran, Segmenter};
use siderolog::daemon::settings::{ChildLimits, Documents};
use std::io;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicBool, Ordering};

struct Bench {
    root: tempfile::TempDir,
    cancelled: AtomicBool,
    patients: Vec<PatientKey>,
    heard: Vec<Said>,
    segmented: Vec<Ran>,
}

impl Desk for Bench {
    fn attempt(&mut self, number: usize) -> io::Result<PathBuf> {
        let path = self.root.path().join(format!("attempt-{number}"));
        std::fs::create_dir(&path)?;
        Ok(path)
    }
    fn history(&mut self, patients: &[PatientKey], path: &Path) -> io::Result<()> {
        self.patients.extend_from_slice(patients);
        std::fs::write(path, "{}\n")
    }
    fn heard(&mut self, said: &Said) {
        self.heard.push(said.clone());
    }
    fn segmented(&mut self, ran: &Ran) {
        self.segmented.push(ran.clone());
    }
    fn cancelled(&self) -> bool {
        self.cancelled.load(Ordering::Relaxed)
    }
}

fn bench() -> Bench {
    Bench {
        root: tempfile::tempdir().unwrap(),
        cancelled: AtomicBool::new(false),
        patients: Vec::new(),
        heard: Vec::new(),
        segmented: Vec::new(),
    }
}

/// `$job` holds the job; `open F`, `done F`, `finish` speak.
const WORDS: &str = r#"
read -r job
open() { echo "{\"say\":\"opening\",\"path\":\"$1\"}"; }
done_() { echo "{\"say\":\"done\",\"path\":\"$1\"}"; }
finish() { echo '{"say":"finished","acquisitions":1}'; exit 0; }
aside() { case "$job" in *"{\"path\":\"$1\""*) return 0;; esac; return 1; }
single() { case "$job" in *'"threads":1,'*) return 0;; esac; return 1; }
"#;

fn run(bench: &mut Bench, task: Task, script: &str) -> Result<Ended, RunError> {
    let job = job(task, None);
    Runner::of(PathBuf::from("/bin/sh"), vec!["-c".to_owned(), format!("{WORDS}{script}")]).run(job, bench)
}

fn job(task: Task, segmenter: Option<Segmenter>) -> Job {
    let limits = ChildLimits { wall_s: 1.0, file_s: 0.4, threads: 2, ..ChildLimits::default() };
    Job {
        task,
        inputs: Vec::new(),
        below: Vec::new(),
        out: Path::new("/").into(),
        set_aside: Vec::new(),
        limits,
        documents: Documents::default(),
        earlier: Vec::new(),
        intake: Default::default(),
        outputs: Default::default(),
        default_issuer: None,
        parent: 0,
        amended: None,
        segmenter,
    }
}

/// The same program is the child and what puts the segmenter behind its fence. The child asks for a region and hands
/// the parent's answer back as a failure of its own, double quotes turned into single ones.
const ASKS: &str = r#"#!/bin/sh
[ "$1" = fenced ] && exec PROGRAM "$@"
read -r job
out=$(echo "$job" | sed 's/.*"out":"\([^"]*\)".*/\1/')
PREPARE
echo '{"say":"segment"}'
read -r line
echo "{\"say\":\"failed\",\"message\":\"$(echo "$line" | tr '"' "'")\"}"
exit 1
"#;

fn segment(bench: &mut Bench, segmenter: Option<Segmenter>, prepare: &str) -> String {
    let (text, own) = (bench.root.path().join("text"), bench.root.path().join("own"));
    std::fs::write(&text, ASKS.replace("PROGRAM", env!("CARGO_BIN_EXE_siderolog")).replace("PREPARE", prepare))
        .unwrap();
    // Written by another process: a file that is open for writing here cannot be run.
    assert!(Command::new("install").args(["-m", "755"]).args([&text, &own]).status().unwrap().success());
    match Runner::of(own, vec!["child".to_owned()]).run(job(Task::Measure, segmenter), bench) {
        Err(error) => error.to_string(),
        Ok(ended) => format!("{ended:?}"),
    }
}

fn shell(script: &str) -> Option<Segmenter> {
    let command = ["/bin/sh", "-c", script, "sh"].map(str::to_owned).to_vec();
    Some(Segmenter { command, ..Segmenter::default() })
}

#[test]
fn a_segmenter_is_run_on_the_childs_folder_and_its_time_is_not_the_childs() {
    let mut bench = bench();
    // The child itself may take one second.
    let answer = segment(&mut bench, shell("sleep 2; echo done > answer; echo printed"), "mkdir $out/.segmenter");
    assert_eq!(answer, "{'segmenter':'ended'}");
    let [ran] = &bench.segmented[..] else { panic!("{:?}", bench.segmented) };
    assert_eq!((&ran.failure, ran.said.as_str()), (&None, "printed"));
    assert!(bench.root.path().join("attempt-1/.segmenter/answer").exists());
}

#[test]
fn a_child_gets_no_program_run_elsewhere_and_none_that_is_not_set() {
    let mut there = bench();
    let answer = segment(&mut there, None, "mkdir $out/.segmenter");
    assert_eq!(answer, "{'segmenter':'failed','how':'is not set'}");
    assert_eq!(there.segmented[0].failure.as_ref().unwrap().code, "not-run");
    for prepare in ["true", "mkdir $out/../elsewhere; ln -s ../elsewhere $out/.segmenter", "touch $out/.segmenter"] {
        let mut bench = bench();
        let answer = segment(&mut bench, shell("echo x > x"), prepare);
        assert!(answer.starts_with("{'segmenter':'failed','how':'could not be started"), "{prepare}: {answer}");
        assert!(!bench.root.path().join("elsewhere/x").exists());
    }
}

#[test]
fn a_segmenter_whose_answer_brings_the_analysis_down_is_not_asked_again() {
    let mut bench = bench();
    // The first attempt dies over the answer.
    let dies = "mkdir $out/.segmenter; case $out in *attempt-1) echo '{\"say\":\"segment\"}'; read -r line; kill -ABRT $$;; esac";
    let answer = segment(&mut bench, shell("echo hostile > answer"), dies);
    let why = "was not asked again: the analysis ran out of memory or broke off after it had answered";
    assert_eq!(answer, format!("{{'segmenter':'failed','how':'{why}'}}"));
    let outcomes: Vec<bool> = bench.segmented.iter().map(|ran| ran.failure.is_none()).collect();
    assert_eq!(outcomes, [true, false]);
    assert!(!bench.root.path().join("attempt-2/.segmenter/answer").exists());
}

#[test]
fn a_child_that_asks_for_ever_is_not_served_for_ever() {
    let mut bench = bench();
    let prepare = "n=0; while [ $n -lt 256 ]; do echo '{\"say\":\"segment\"}'; read -r line; n=$((n+1)); done";
    // No folder, so that every run ends at once.
    let answer = segment(&mut bench, shell("true"), prepare);
    assert_eq!(answer, "{'segmenter':'failed','how':'was asked more than 256 times'}");
}

#[test]
fn a_job_that_is_cancelled_while_its_segmenter_works_ends() {
    let mut bench = bench();
    bench.cancelled.store(true, Ordering::Relaxed);
    let answer = segment(&mut bench, shell("sleep 600"), "mkdir $out/.segmenter");
    assert_eq!(answer, "Cancelled");
}

fn aside(ended: &Ended) -> Vec<String> {
    match ended {
        Ended::Finished { set_aside, .. } | Ended::GivenUp { set_aside, .. } => {
            set_aside.iter().map(|a| format!("{}: {}", a.path.path().display(), a.reason)).collect()
        }
        _ => Vec::new(),
    }
}

#[test]
fn a_file_that_brings_the_process_down_is_set_aside_and_the_rest_is_reported() {
    let script =
        "open a; done_ a; aside b || { open b; kill -SEGV $$; }; aside c || { open c; kill -ABRT $$; }; finish";
    let ended = run(&mut bench(), Task::Measure, script).unwrap();
    assert!(matches!(ended, Ended::Finished { attempts: 3, acquisitions: 1, .. }), "{ended:?}");
    let expected = ["b: the process reading it crashed", "c: the process reading it ran out of memory or broke off"];
    assert_eq!(aside(&ended), expected);
}

#[test]
fn one_thread_pins_the_culprit_among_several_files_in_flight() {
    let script = "aside y && finish; if single; then open x; done_ x; open y; kill -SEGV $$; \
                  else open x; open y; open z; kill -SEGV $$; fi";
    let ended = run(&mut bench(), Task::Measure, script).unwrap();
    assert!(matches!(ended, Ended::Finished { attempts: 3, .. }), "{ended:?}");
    assert_eq!(aside(&ended), ["y: the process reading it crashed"]);
}

#[test]
fn a_hang_over_one_file_costs_that_file() {
    let script = "open good; done_ good; aside slow || { open slow; exec sleep 60; }; finish";
    let ended = run(&mut bench(), Task::Measure, script).unwrap();
    assert_eq!(aside(&ended), ["slow: the process reading it took more than 0.4 s over one file"]);
}

#[test]
fn a_delivery_is_given_up_after_eight_files() {
    let script = "for f in 1 2 3 4 5 6 7 8 9 10; do aside $f || { open $f; kill -SEGV $$; }; done; finish";
    let ended = run(&mut bench(), Task::Measure, script).unwrap();
    let Ended::GivenUp { reason, set_aside } = &ended else { panic!("{ended:?}") };
    assert_eq!(set_aside.len(), 8);
    assert_eq!(reason, "the analysis crashed again after 8 files had been set aside");
    let eight = "for f in 1 2 3 4 5 6 7 8; do aside $f || { open $f; kill -SEGV $$; }; done; finish";
    assert!(matches!(run(&mut bench(), Task::Measure, eight).unwrap(), Ended::Finished { attempts: 9, .. }));
}

#[test]
fn a_crash_that_no_file_explains_ends_the_delivery_with_a_reason() {
    for (script, expected) in [
        ("open a; done_ a; kill -SEGV $$", "the analysis crashed after every file had been read"),
        ("exec sleep 60", "the analysis did not end within 1 s after every file had been read"),
        ("echo garbage; exec sleep 60", "the analysis was ended by signal 9 after every file had been read"),
        (
            "finish_nothing_and_exit 2>/dev/null; exit 0",
            "the analysis broke off with status 0 after every file had been read",
        ),
    ] {
        let ended = run(&mut bench(), Task::Measure, script).unwrap();
        assert!(matches!(&ended, Ended::GivenUp { reason, .. } if reason == expected), "{script}: {ended:?}");
    }
}

#[test]
fn earlier_readings_are_written_before_the_child_goes_on() {
    let mut bench = bench();
    let script = r#"echo '{"say":"patients","patients":[{"issuer":null,"id":"X-1"}]}'; read -r line; [ "$line" = history ] && finish"#;
    let ended = run(&mut bench, Task::Measure, script).unwrap();
    assert!(matches!(ended, Ended::Finished { attempts: 1, .. }), "{ended:?}");
    assert_eq!(bench.patients, [PatientKey { issuer: None, id: "X-1".to_owned() }]);
    assert!(bench.root.path().join("attempt-1/history.jsonl").exists());
}

#[test]
fn a_failure_of_ours_is_not_blamed_on_the_files() {
    let script = r#"open a; echo '{"say":"failed","message":"no space left on the disk"}'; exit 1"#;
    let error = run(&mut bench(), Task::Measure, script).unwrap_err();
    assert_eq!(error.to_string(), "no space left on the disk");
}

#[test]
fn a_cancelled_job_leaves_no_process() {
    let mut bench = bench();
    bench.cancelled.store(true, Ordering::Relaxed);
    assert_eq!(run(&mut bench, Task::Measure, "open a; exec sleep 60").unwrap(), Ended::Cancelled);
}

#[test]
fn a_survey_is_tried_once() {
    let mut bench = bench();
    let ended = run(&mut bench, Task::Survey, "open a; kill -SEGV $$").unwrap();
    assert!(matches!(&ended, Ended::GivenUp { reason, .. } if reason == "the survey crashed"), "{ended:?}");
    let script = r#"echo '{"say":"surveyed","acquisitions":1,"missing":["slice 3"]}'"#;
    let answer = run(&mut super::runner::bench(), Task::Survey, script).unwrap();
    assert_eq!(answer, Ended::Surveyed { acquisitions: 1, missing: vec!["slice 3".to_owned()] });
}
