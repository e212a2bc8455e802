//! The parent's side of a site's own segmenter: whatever the program does, it ends with all that it started, and
//! nothing of it is felt outside its folder.

use super::service::{PROGRAM, Service, tiny, write};
use landlock::{ABI, Access as _, AccessFs, CompatLevel, Compatible as _, Ruleset, RulesetAttr as _};
use serde_json::Value;
use siderolog::daemon::segmenter::{Ran, Segmenter};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

struct Bench {
    root: tempfile::TempDir,
}

impl Bench {
    fn new() -> Self {
        let root = tempfile::tempdir().unwrap();
        fs::create_dir(root.path().join("folder")).unwrap();
        Self { root }
    }
    fn path(&self, name: &str) -> PathBuf {
        self.root.path().join(name)
    }
    fn folder(&self) -> PathBuf {
        self.path("folder")
    }
    /// Runs a shell script as the segmenter.
    fn run(&self, script: &str, limits: impl Fn(&mut Segmenter)) -> Ran {
        let command = ["/bin/sh", "-c", script, "sh"].map(str::to_owned).to_vec();
        let mut segmenter = Segmenter { command, ..Segmenter::default() };
        limits(&mut segmenter);
        segmenter.check(Path::new("/")).unwrap().run(Path::new(PROGRAM), &self.folder(), &|| false)
    }
    fn read(&self, name: &str) -> String {
        fs::read_to_string(self.folder().join(name)).unwrap()
    }
}

fn failure(ran: &Ran) -> (&str, &str) {
    let failure = ran.failure.as_ref().unwrap_or_else(|| panic!("{ran:?}"));
    (failure.code, failure.how.as_str())
}

fn landlock() -> bool {
    let whole = Ruleset::default().set_compatibility(CompatLevel::HardRequirement);
    whole.handle_access(AccessFs::from_all(ABI::V1)).and_then(|rules| rules.create()).is_ok()
}

/// Waits until a process is gone, or nothing but its entry in the table.
fn gone(pid: &str) -> bool {
    let state = || fs::read_to_string(format!("/proc/{}/stat", pid.trim())).unwrap_or_default();
    let began = Instant::now();
    while began.elapsed() < Duration::from_secs(20) {
        let state = state();
        let after = state.rsplit(") ").next().unwrap_or_default();
        if after.is_empty() || after.starts_with(['Z', 'X']) {
            return true;
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    false
}

#[test]
fn it_gets_its_folder_and_nothing_else() {
    let bench = Bench::new();
    let ran = bench.run(
        "tr '\\0' '\\n' < /proc/$$/environ > environment; echo \"$#:$1\" > told; pwd -P > where; cat > input; \
         ls /proc/self/fd > open; echo fine >/dev/null",
        |_| {},
    );
    assert_eq!(ran.failure, None, "{ran:?}");
    let folder = bench.folder().canonicalize().unwrap();
    let mut environment: Vec<String> = bench.read("environment").lines().map(str::to_owned).collect();
    environment.sort();
    let at = bench.folder().display().to_string();
    let expected = [
        format!("HOME={at}"),
        "LANG=C.UTF-8".into(),
        "PATH=/usr/local/bin:/usr/bin:/bin".into(),
        format!("TMPDIR={at}"),
    ];
    assert_eq!(environment, expected);
    assert_eq!(bench.read("told"), format!("1:{at}\n"));
    assert_eq!(bench.read("where"), format!("{}\n", folder.display()));
    assert_eq!(bench.read("input"), "");
    // What this very process was started with is all that anything it starts has.
    let mut plain = Command::new("/bin/sh");
    let plain = plain.args(["-c", "ls /proc/self/fd > \"$0\""]).arg(bench.path("plain")).stdin(Stdio::null()).status();
    assert!(plain.unwrap().success());
    let plain = fs::read_to_string(bench.path("plain")).unwrap();
    assert_eq!(bench.read("open"), plain, "it inherited an open file");
}

#[test]
fn its_own_end_is_told_and_the_last_that_it_printed_is_kept_safe_to_show() {
    let bench = Bench::new();
    let ran = bench.run(
        "i=0; while [ $i -lt 9999 ]; do echo line $i; i=$((i+1)); done; printf 'a\\033[31mb\\377' >&2; exit 7",
        |_| {},
    );
    assert_eq!(failure(&ran), ("broke-off", "broke off with status 7"));
    assert!(ran.said.ends_with("line 9998·a·[31mb\u{fffd}"), "{}", ran.said);
    assert!(ran.said.len() < 800 && !ran.said.contains("line 99·"), "{}", ran.said);
    assert_eq!(ran.account()["outcome"], "broke off with status 7");
    // The file that held it had no name.
    assert_eq!(fs::read_dir(bench.folder()).unwrap().count(), 0);
    assert_eq!(failure(&bench.run("kill -SEGV $$", |_| {})), ("broke-off", "crashed"));
}

#[test]
fn one_that_hangs_is_ended_with_all_that_it_started() {
    let bench = Bench::new();
    let hang = "(trap '' TERM HUP INT; sleep 600) & echo $! > left; trap '' TERM; sleep 600";
    let ran = bench.run(hang, |limits| limits.wall_s = 1.0);
    assert_eq!(failure(&ran), ("too-long", "did not end within 1 s"));
    assert!(gone(&bench.read("left")));
    // Also what it leaves behind when it ends well, and what tries to leave its group.
    let ran = bench
        .run("sleep 600 & echo $! > left; setsid true || echo no > apart; set -m; sleep 600 & echo $! > other", |_| {});
    assert_eq!(ran.failure, None, "{ran:?}");
    assert_eq!(bench.read("apart"), "no\n");
    assert!(gone(&bench.read("left")) && gone(&bench.read("other")));
}

#[test]
fn it_is_ended_when_the_service_stops() {
    let bench = Bench::new();
    let command = ["/bin/sh", "-c", "sleep 600"].map(str::to_owned).to_vec();
    let segmenter = Segmenter { command, ..Segmenter::default() };
    let ran = segmenter.run(Path::new(PROGRAM), &bench.folder(), &|| true);
    assert_eq!(failure(&ran).0, "cancelled");
}

#[test]
fn it_cannot_fill_the_disk() {
    let bench = Bench::new();
    let small = |limits: &mut Segmenter| (limits.folder_mb, limits.answer_mb) = (2, 1);
    let ran = bench.run("exec cat /dev/zero > endless", small);
    assert_eq!(failure(&ran), ("broke-off", "wrote a larger file than it may"));
    assert_eq!(fs::metadata(bench.folder().join("endless")).unwrap().len(), 2 << 20);
    let many = "i=0; while :; do head -c 300000 /dev/zero > f$i; i=$((i+1)); done";
    assert_eq!(failure(&Bench::new().run(many, small)), ("too-large", "wrote more than 2 MiB"));
    let small_ones = "mkdir d; i=0; while :; do : > d/f$i; i=$((i+1)); done";
    assert_eq!(failure(&Bench::new().run(small_ones, |_| {})), ("too-large", "made more than 4096 files"));
    // What lay there before is not held against it.
    let full = Bench::new();
    fs::write(full.folder().join("images"), vec![1; 3 << 20]).unwrap();
    assert_eq!(full.run("echo x > y", small).failure, None);
}

#[test]
fn it_cannot_have_more_memory_or_processor_time_than_it_may() {
    let bench = Bench::new();
    let much = "dd if=/dev/zero of=/dev/null bs=200M count=1";
    assert_eq!(bench.run(much, |_| {}).failure, None);
    let ran = bench.run(much, |limits| limits.memory_mb = 128);
    assert_eq!(failure(&ran).0, "broke-off");
    assert!(ran.said.contains("memory"), "{}", ran.said);
    let ran = bench.run("while :; do :; done", |limits| limits.cpu_s = 1);
    assert_eq!(failure(&ran), ("broke-off", "used up its processor time"));
}

#[test]
fn it_writes_nowhere_else() {
    if !landlock() {
        println!("SKIPPED: this kernel has no Landlock, which keeps a segmenter's writing in its folder");
        return;
    }
    let bench = Bench::new();
    fs::write(bench.path("precious"), "as it was").unwrap();
    fs::create_dir(bench.path("beside")).unwrap();
    std::os::unix::fs::symlink(bench.path("beside"), bench.folder().join("way-out")).unwrap();
    let root = bench.root.path().display();
    let script = format!(
        "echo changed > {root}/precious; rm -f {root}/precious; echo x > {root}/new; echo x > way-out/x; \
         mv {root}/precious .; ln {root}/precious linked; mkdir {root}/made; echo done > inside"
    );
    let ran = bench.run(&script, |_| {});
    assert_eq!(ran.failure, None, "{ran:?}");
    assert_eq!(bench.read("inside"), "done\n");
    assert_eq!(fs::read_to_string(bench.path("precious")).unwrap(), "as it was");
    assert_eq!(fs::read_dir(bench.path("beside")).unwrap().count(), 0);
    assert!(!bench.path("new").exists() && !bench.path("made").exists());
    assert!(!bench.folder().join("linked").exists() && !bench.folder().join("precious").exists());
}

#[test]
fn it_reaches_no_network_and_no_other_process() {
    let bench = Bench::new();
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    listener.set_nonblocking(true).unwrap();
    let port = listener.local_addr().unwrap().port();
    let script = format!("bash -c 'echo x > /dev/tcp/127.0.0.1/{port}' || echo refused > network");
    assert_eq!(bench.run(&script, |_| {}).failure, None);
    assert_eq!(bench.read("network"), "refused\n");
    assert!(listener.accept().is_err());
    if landlock() {
        let script = format!("kill -0 {} || echo refused > signal", std::process::id());
        bench.run(&script, |_| {});
        assert_eq!(bench.read("signal"), "refused\n");
    }
}

#[test]
fn what_cannot_be_started_says_so() {
    let bench = Bench::new();
    let no_program = Segmenter { command: vec!["/etc/passwd".to_owned()], ..Segmenter::default() };
    let start = |segmenter: &Segmenter, own: &str, folder: &Path| segmenter.run(Path::new(own), folder, &|| false);
    assert_eq!(failure(&start(&no_program, PROGRAM, &bench.folder())), ("not-started", "could not be started"));
    let shell = Segmenter { command: vec!["/bin/sh".to_owned()], ..Segmenter::default() };
    assert_eq!(failure(&start(&shell, "/nowhere/siderolog", &bench.folder())).0, "not-started");
    // A folder that leads elsewhere, or is none.
    std::os::unix::fs::symlink(bench.folder(), bench.path("link")).unwrap();
    for folder in ["link", "absent"] {
        assert_eq!(failure(&start(&shell, PROGRAM, &bench.path(folder))).0, "not-started", "{folder}");
    }
}

/// The service itself, killed while its segmenter hangs with a closed folder, then started again with one that answers.
#[test]
fn a_killed_service_leaves_no_segmenter_and_begins_again() {
    let settings = |script: &str| {
        format!(
            "settle: {{scan_s: 0.1, quiet_s: 0.4, incomplete_s: 2, recheck_s: 1}}\n\
             segmenter: {{command: [/bin/sh, -c, '{script}', sh]}}\n"
        )
    };
    let service = Service::with(&settings("echo $$ > pid; mkdir -m 000 closed; exec sleep 600"));
    write(&tiny(1), &service.path("drop").join("Invented^Name"));
    let running = service.start();
    let told = || {
        let spool = fs::read_dir(service.path("spool")).unwrap();
        let folders = spool.map(|entry| entry.unwrap().path().join("attempt-1/.segmenter"));
        folders.into_iter().find_map(|folder| fs::read_to_string(folder.join("pid")).ok().filter(|p| p.ends_with('\n')))
    };
    let began = Instant::now();
    let first = loop {
        if service.path("spool").exists()
            && let Some(first) = told()
        {
            break first;
        }
        assert!(began.elapsed() < Duration::from_secs(60), "no segmenter was started:\n{}", service.log());
        std::thread::sleep(Duration::from_millis(20));
    };
    running.kill();
    assert!(gone(&first), "the segmenter outlived the service");
    fs::write(service.path("site.yaml"), settings("echo a name >&2; mkdir -m 000 closed; exit 1")).unwrap();
    let _running = service.start();
    service.wait_for(1, Duration::from_secs(60));
    let [ticket] = &service.names("outbox")[..] else { panic!("{}", service.log()) };
    let published = service.path("outbox").join(ticket);
    let files = super::service::files_below(&published);
    let hidden = |path: &PathBuf| path.strip_prefix(&published).unwrap().to_string_lossy().contains(".segmenter");
    assert!(files.iter().all(|path| !hidden(path)), "{files:?}");
    let run: Value = serde_json::from_slice(&fs::read(published.join("run.json")).unwrap()).unwrap();
    assert_eq!(run["segmenter"][0]["outcome"], "broke off with status 1");
    assert_eq!(run["segmenter"][0]["printed"], "a name");
    let result = &service.results()[0];
    let codes: Vec<&str> = result["findings"].as_array().unwrap().iter().map(|f| f["code"].as_str().unwrap()).collect();
    assert!(codes.contains(&"segmenter-failed"), "{codes:?}");
    let log = service.log();
    assert!(log.contains("\"segmenter-failed\"") && log.contains("\"broke-off\""), "{log}");
    assert!(!log.contains("a name"), "what the segmenter printed is in the log");
}
