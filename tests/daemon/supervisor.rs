//! The daemon around a child that measures nothing: arrivals, notes, outcomes, repeats, late files.

use serde_json::Value;
use siderolog::daemon::runner::Runner;
use siderolog::daemon::settings::{ChildLimits, SenderFiles, Settle, Site};
use siderolog::daemon::supervisor::{Until, watch};
use std::fs;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// A child for the tests below: surveys count the files and miss one unless there are three or more;
/// measurements write one result for each delivery, and none where a file is called or holds `nothing`.
const CHILD: &str = r#"
read -r job
out=$(echo "$job" | sed 's/.*"out":"\([^"]*\)".*/\1/')
below=$(echo "$job" | sed 's/.*"below":\["\([^"]*\)".*/\1/')
case "$job" in
*'"task":"survey"'*)
  n=$(find "$below" -type f | wc -l)
  if [ "$n" -ge 3 ]; then missing='[]'; else missing='["slice 3, echo 1"]'; fi
  echo "{\"say\":\"surveyed\",\"acquisitions\":1,\"missing\":$missing}" ;;
*)
  if grep -rqs nothing "$below"; then echo '{"say":"finished","acquisitions":0}'; exit 0; fi
  mkdir "$out/abc"
  echo '{"schema_version":1,"software":{"name":"siderolog","version":"0","commit":"0"},"verdict":"clear","findings":[],
    "scanner_room":{"answer":"may-leave","message":"The patient may leave: the images can be used."},
    "role":"primary","role_reason":"the only one","course":{"previous":[]},"files":{},
    "input":{"digest":"sha256:0","instances":3,"series_uids":[],"patient":{},"scanner":{},
      "series":[{"number":5,"description":"T2* liver","time":"14:21:07"}]},
    "acquisition":{"echo_times_ms":[],"has_phase":false}}' > "$out/abc/result.json"
  first=$(ls "$below" | head -1)
  echo "{\"files\":[{\"path\":\"$below/$first\",\"outcome\":\"used\"}]}" > "$out/intake.json"
  echo '{"say":"finished","acquisitions":1}' ;;
esac
"#;

struct Bench {
    root: tempfile::TempDir,
}

impl Bench {
    fn new() -> Self {
        let root = tempfile::tempdir().unwrap();
        fs::create_dir(root.path().join("drop")).unwrap();
        Self { root }
    }
    fn path(&self, name: &str) -> PathBuf {
        self.root.path().join(name)
    }
    fn site(&self) -> Site {
        let mut site = Site::shipped(self.root.path());
        site.settle = Settle { scan_s: 0.1, quiet_s: 0.4, incomplete_s: 1.2, recheck_s: 0.3 };
        site.child = ChildLimits { at_once: 2, ..ChildLimits::default() };
        site
    }
    /// Runs the daemon until there are so many outcomes.
    fn run(&self, site: Site, outcomes: u64) {
        let runner = Runner::of(PathBuf::from("/bin/sh"), vec!["-c".to_owned(), CHILD.to_owned()]);
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
        let began = Instant::now();
        runtime.block_on(watch(site, runner, Until::Outcomes(outcomes, Duration::from_secs(20)))).unwrap();
        assert!(began.elapsed() < Duration::from_secs(20), "no {outcomes} outcomes in time");
    }
    fn deliver(&self, name: &str, files: &[&str]) {
        fs::create_dir_all(self.path("drop").join(name)).unwrap();
        for file in files {
            fs::write(self.path("drop").join(name).join(file), format!("{name} {file}")).unwrap();
        }
    }
    fn note(&self, name: &str) -> String {
        fs::read_to_string(self.path(&format!("drop/{name}.siderolog.txt"))).unwrap()
    }
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.retain(|name| !name.starts_with('.'));
    names.sort();
    names
}

/// The clock time and the reference differ from run to run.
fn timeless(note: &str) -> String {
    let lines = note.lines().map(|line| match line.split_once("; ") {
        Some((start, rest)) if start.starts_with("Siderolog, ") => format!("Siderolog, WHEN; {rest}"),
        _ if line.starts_with("Reference ") => "Reference TICKET".to_owned(),
        _ => line.to_owned(),
    });
    lines.collect::<Vec<_>>().join("\n")
}

#[test]
fn a_delivery_becomes_a_published_result_a_note_and_an_archive() {
    let bench = Bench::new();
    bench.deliver("Doe^Jane", &["a", "b", "c"]);
    bench.run(bench.site(), 1);
    let [ticket] = &names(&bench.path("outbox"))[..] else { panic!("not one result") };
    let published = bench.path("outbox").join(ticket);
    assert_eq!(names(&published), ["abc", "intake.json", "run.json"]);
    assert_eq!(names(&published.join("abc")), ["result.json", "run.json"]);
    let intake: Value = serde_json::from_slice(&fs::read(published.join("intake.json")).unwrap()).unwrap();
    assert_eq!(intake["files"][0]["path"], "Doe^Jane/a");
    let run: Value = serde_json::from_slice(&fs::read(published.join("run.json")).unwrap()).unwrap();
    assert_eq!((&run["complete"], &run["attempts"]), (&Value::Bool(true), &Value::from(1)));
    assert_eq!(names(&bench.path("archive").join(ticket).join("input")), ["000001", "000002", "000003"]);
    assert_eq!(names(&bench.path("spool")), [] as [&str; 0]);
    assert_eq!(names(&bench.path("drop/Doe^Jane")), ["a", "b", "c"]);
    insta::assert_snapshot!(timeless(&bench.note("Doe^Jane")));
    let health: Value = serde_json::from_slice(&fs::read(bench.path("state/health.json")).unwrap()).unwrap();
    assert_eq!(health["schema_version"], 1);
    assert!(!ticket.contains("Doe"));
}

#[test]
fn an_incomplete_delivery_is_told_what_is_missing_and_taken_after_the_longer_wait() {
    let bench = Bench::new();
    bench.deliver("short", &["a", "b"]);
    let began = Instant::now();
    let told = std::thread::scope(|scope| {
        let running = scope.spawn(|| bench.run(bench.site(), 1));
        while !bench.path("drop/short.siderolog.txt").exists() {
            std::thread::sleep(Duration::from_millis(20));
        }
        let told = bench.note("short");
        running.join().unwrap();
        told
    });
    assert!(began.elapsed() >= Duration::from_millis(1200));
    insta::assert_snapshot!(timeless(&told));
    assert!(bench.note("short").contains("may leave"));
}

#[test]
fn the_same_files_again_are_one_result_and_late_files_make_a_new_run_that_names_the_old() {
    let bench = Bench::new();
    bench.deliver("first", &["a", "b", "c"]);
    bench.run(bench.site(), 1);
    let first = names(&bench.path("outbox"));
    // The same bytes under other names, and a late file for the first folder.
    fs::create_dir(bench.path("drop/second")).unwrap();
    for (from, to) in [("a", "x"), ("b", "y"), ("c", "z")] {
        fs::copy(bench.path("drop/first").join(from), bench.path("drop/second").join(to)).unwrap();
    }
    fs::write(bench.path("drop/first/d"), b"late").unwrap();
    bench.run(bench.site(), 2);
    let both = names(&bench.path("outbox"));
    assert_eq!(both.len(), 2);
    assert!(both.contains(&first[0]));
    let late = both.iter().find(|ticket| **ticket != first[0]).unwrap();
    let run: Value =
        serde_json::from_slice(&fs::read(bench.path("outbox").join(late).join("run.json")).unwrap()).unwrap();
    assert_eq!(run["predecessor"], Value::from(first[0].as_str()));
}

#[test]
fn what_holds_nothing_to_measure_goes_to_quarantine_with_its_reason() {
    let bench = Bench::new();
    bench.deliver("papers", &["a", "b", "nothing"]);
    bench.run(bench.site(), 1);
    let [ticket] = &names(&bench.path("quarantine"))[..] else { panic!("not one") };
    let place = bench.path("quarantine").join(ticket);
    assert_eq!(names(&place), ["delivery.json", "input", "reason.json"]);
    insta::assert_snapshot!(timeless(&bench.note("papers")));
    assert_eq!(names(&bench.path("outbox")), [] as [&str; 0]);
}

#[test]
fn sender_files_are_moved_where_the_site_says_so() {
    let bench = Bench::new();
    bench.deliver("export", &["a", "b", "c"]);
    let mut site = bench.site();
    site.sender_files = SenderFiles::Move;
    site.folders.taken = Some(bench.path("taken"));
    bench.run(site, 1);
    assert_eq!(names(&bench.path("drop")), ["export.siderolog.txt"]);
    let [ticket] = &names(&bench.path("taken"))[..] else { panic!("not one") };
    assert_eq!(names(&bench.path("taken").join(ticket).join("export")), ["a", "b", "c"]);
}

#[test]
fn two_daemons_never_share_a_spool() {
    let bench = Bench::new();
    let _held = siderolog::daemon::spool::Spool::open(bench.site().folders).unwrap();
    let error = siderolog::daemon::spool::Spool::open(bench.site().folders).err().unwrap().to_string();
    assert!(error.starts_with("another siderolog is at work in "), "{error}");
}

#[test]
fn links_pipes_and_hostile_names_do_no_harm() {
    let bench = Bench::new();
    bench.deliver("odd", &["a", "b", "c\n\u{1b}[31m<script>", "-rf", "%41"]);
    std::os::unix::fs::symlink("/etc/passwd", bench.path("drop/odd/link")).unwrap();
    std::os::unix::fs::symlink("/", bench.path("drop/everything")).unwrap();
    let mode = rustix::fs::Mode::RUSR | rustix::fs::Mode::WUSR;
    for name in ["drop/fifo", "drop/odd/fifo"] {
        rustix::fs::mknodat(rustix::fs::CWD, bench.path(name), rustix::fs::FileType::Fifo, mode, 0).unwrap();
    }
    bench.run(bench.site(), 1);
    let [ticket] = &names(&bench.path("archive"))[..] else { panic!("not one") };
    assert_eq!(names(&bench.path("archive").join(ticket).join("input")).len(), 5);
}
