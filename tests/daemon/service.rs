//! The real program as a service in a folder of its own, started, killed and started again.

use serde_json::Value;
use siderolog::phantom::{self, Recipe};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// The program under test.
pub const PROGRAM: &str = env!("CARGO_BIN_EXE_siderolog");

/// A service's folders and settings.
pub struct Service {
    pub root: tempfile::TempDir,
}

/// A running daemon; killed when it goes out of scope.
pub struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

impl Running {
    /// SIGKILL, as a power cut would.
    pub fn kill(mut self) {
        self.0.kill().unwrap();
        self.0.wait().unwrap();
    }
    /// SIGTERM; the exit status.
    pub fn stop(mut self) -> i32 {
        let pid = rustix::process::Pid::from_child(&self.0);
        rustix::process::kill_process(pid, rustix::process::Signal::TERM).unwrap();
        self.0.wait().unwrap().code().unwrap_or(-1)
    }
    /// Largest resident memory so far, MiB.
    pub fn peak_mb(&self) -> u64 {
        let status = fs::read_to_string(format!("/proc/{}/status", self.0.id())).unwrap();
        let line = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap();
        line.split_whitespace().nth(1).unwrap().parse::<u64>().unwrap() / 1024
    }
}

impl Service {
    /// With short quiet times.
    pub fn new() -> Self {
        Self::with("settle: {scan_s: 0.1, quiet_s: 0.4, incomplete_s: 2, recheck_s: 1}\n")
    }
    pub fn with(settings: &str) -> Self {
        let root = tempfile::tempdir().unwrap();
        fs::create_dir(root.path().join("drop")).unwrap();
        fs::write(root.path().join("site.yaml"), settings).unwrap();
        Self { root }
    }
    pub fn path(&self, name: &str) -> PathBuf {
        self.root.path().join(name)
    }
    pub fn start(&self) -> Running {
        let log = fs::File::options().create(true).append(true).open(self.path("log")).unwrap();
        let mut command = Command::new(PROGRAM);
        command.args(["watch", "--log-format", "json", "--site"]).arg(self.path("site.yaml"));
        Running(command.stdout(Stdio::null()).stderr(log).spawn().unwrap())
    }
    pub fn log(&self) -> String {
        fs::read_to_string(self.path("log")).unwrap()
    }
    pub fn names(&self, folder: &str) -> Vec<String> {
        let Ok(entries) = fs::read_dir(self.path(folder)) else { return Vec::new() };
        let mut names: Vec<String> = entries.map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
        names.retain(|name| !name.starts_with('.'));
        names.sort();
        names
    }
    /// Deliveries published or in quarantine.
    pub fn ended(&self) -> usize {
        self.names("outbox").len() + self.names("quarantine").len()
    }
    /// Waits until so many have ended.
    pub fn wait_for_ended(&self, ended: usize, longest: Duration) {
        let began = Instant::now();
        while self.ended() < ended {
            assert!(began.elapsed() < longest, "{} of {ended} ended in time; log:\n{}", self.ended(), self.log());
            std::thread::sleep(Duration::from_millis(200));
        }
    }
    /// Waits until so many have ended and the spool is empty again.
    pub fn wait_for(&self, ended: usize, longest: Duration) {
        let began = Instant::now();
        while self.ended() < ended || !self.names("spool").is_empty() {
            assert!(began.elapsed() < longest, "{} of {ended} ended in time; log:\n{}", self.ended(), self.log());
            std::thread::sleep(Duration::from_millis(50));
        }
    }
    pub fn ledger(&self) -> rusqlite::Connection {
        rusqlite::Connection::open(self.path("state/ledger.sqlite")).unwrap()
    }
    pub fn results(&self) -> Vec<Value> {
        let mut results = Vec::new();
        for ticket in self.names("outbox") {
            for entry in fs::read_dir(self.path("outbox").join(ticket)).unwrap() {
                if let Ok(text) = fs::read(entry.unwrap().path().join("result.json")) {
                    results.push(serde_json::from_slice(&text).unwrap());
                }
            }
        }
        results
    }
}

/// A study small enough for a thousand of them: one slice, four echoes. Each seed is another patient.
pub fn tiny(seed: u64) -> Recipe {
    let text = format!(
        "seed: {seed}\npatient: {{id: P-{seed}, name: 'Invented^{seed}'}}\nbody: {{seed: 7}}\n\
         grid: {{slices: 1, rows: 32, columns: 40, pixel_mm: [9.6, 9.6]}}\nsequence: {{echoes: 4}}\n"
    );
    Recipe::from_yaml("tiny", &text).unwrap()
}

/// Writes a study as a folder.
pub fn write(recipe: &Recipe, folder: &Path) {
    phantom::write(&phantom::scan(recipe), folder).unwrap();
}

/// Every file below a folder.
pub fn files_below(folder: &Path) -> Vec<PathBuf> {
    let paths = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    paths.flat_map(|path| if path.is_dir() { files_below(&path) } else { vec![path] }).collect()
}

/// Whether the large tables were asked for.
pub fn evidence() -> bool {
    std::env::var_os("SIDEROLOG_EVIDENCE").is_some()
}
