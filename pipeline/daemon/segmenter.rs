//! A site's own segmenter: the settings, and the parent's side of running it on the folder that a child has filled.
//!
//! The child may start no program, so its parent does, through `siderolog fenced`, which sets the limits on itself and
//! then becomes the segmenter. Nothing is expected of it: whatever it does, it ends with all that it started, and what
//! it leaves in the folder is for the child to judge.

use super::fence::UNFENCED;
use super::runner::{how, own_pid};
use crate::study::text::safe;
use rustix::process::{Pid, Signal, WaitId, WaitIdOptions, kill_process_group, waitid};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use std::fs::{self, File};
use std::io::{self, Read as _, Seek as _, SeekFrom};
use std::os::unix::fs::MetadataExt as _;
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// How often a running segmenter is looked at.
const LOOK: Duration = Duration::from_millis(20);
/// How many looks pass between two counts of what its folder holds.
const COUNT_EVERY: u32 = 10;
/// Most files and folders it may make.
const ENTRIES: usize = 4096;
/// How much of what it printed last is kept, bytes.
const TAIL: u64 = 600;

/// A site's own segmenter, as the site file has it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Segmenter {
    /// The program and its arguments; the folder is added as the last. No shell is between.
    pub command: Vec<String>,
    /// What results call it; without it the program's file name.
    pub name: String,
    /// Seconds by the clock.
    pub wall_s: f64,
    /// Processor seconds of each of its processes.
    pub cpu_s: u64,
    /// Address space of each of its processes in MiB.
    pub memory_mb: u64,
    /// What it may add to its folder, also in a single file, in MiB.
    pub folder_mb: u64,
    /// Largest answer in MiB.
    pub answer_mb: u64,
}

impl Default for Segmenter {
    fn default() -> Self {
        Self {
            command: Vec::new(),
            name: String::new(),
            wall_s: 60.0,
            cpu_s: 120,
            memory_mb: 4096,
            folder_mb: 1024,
            answer_mb: 64,
        }
    }
}

impl Segmenter {
    /// The same with the program's whole path, or every fault: a key and what is wrong with it.
    pub fn check(mut self, base: &Path) -> Result<Self, Vec<(&'static str, String)>> {
        let mut faults = Vec::new();
        if !(self.wall_s > 0.0 && self.wall_s <= 3600.0) {
            faults
                .push(("segmenter.wall_s", format!("is {}; it must be above 0 and at most 3600 seconds", self.wall_s)));
        }
        for (key, value, least, most) in [
            ("segmenter.cpu_s", self.cpu_s, 1, 86_400),
            ("segmenter.memory_mb", self.memory_mb, 64, 1 << 20),
            ("segmenter.folder_mb", self.folder_mb, 1, 1 << 16),
            ("segmenter.answer_mb", self.answer_mb, 1, self.folder_mb.min(1024)),
        ] {
            if !(least..=most).contains(&value) {
                faults.push((key, format!("is {value}; it must be {least} to {most}")));
            }
        }
        match self.command.first().map(|program| (base.join(program), program)) {
            None => faults.push(("segmenter.command", "must begin with a program".to_owned())),
            Some((path, program)) => match (runnable(&path), path.to_str()) {
                (Ok(()), Some(whole)) => {
                    if self.name.is_empty() {
                        self.name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
                    }
                    self.command[0] = whole.to_owned();
                }
                (Ok(()), None) => faults.push(("segmenter.command", format!("`{program}` lies at no plain path"))),
                (Err(why), _) => faults.push(("segmenter.command", format!("names `{}`, which {why}", path.display()))),
            },
        }
        // The name goes into DICOM text of at most 64 characters, where a backslash divides values (PS3.5 6.2).
        let plain = |c: char| !c.is_control() && c != '\\';
        if self.name.chars().count() > 64 || !self.name.chars().all(plain) {
            faults.push(("segmenter.name", "must be at most 64 characters without a backslash".to_owned()));
        }
        if faults.is_empty() { Ok(self) } else { Err(faults) }
    }

    /// Runs it on the folder to its end. `own` is this program, which sets the limits.
    pub fn run(&self, own: &Path, folder: &Path, cancelled: &dyn Fn() -> bool) -> Ran {
        let began = Instant::now();
        let before = held(folder).0;
        let (failure, said) = match self.start(own, folder) {
            Ok((mut child, said)) => {
                let deadline = began + Duration::from_secs_f64(self.wall_s);
                let broken_off = self.watch(&child, folder, before, deadline, cancelled);
                let own_end = end(&mut child);
                let failure = broken_off.or(own_end).or_else(|| self.too_much(folder, before));
                (failure, tail(said).unwrap_or_default())
            }
            Err(error) => {
                let how = format!("could not be started: {}", error.kind());
                (Some(Failure::new("not-started", how)), String::new())
            }
        };
        Ran { failure, said, took: began.elapsed() }
    }

    /// With nothing of ours: no input, no environment, and its output in a file without a name.
    fn start(&self, own: &Path, folder: &Path) -> io::Result<(Child, File)> {
        if !fs::symlink_metadata(folder)?.is_dir() {
            return Err(io::ErrorKind::NotADirectory.into());
        }
        let said = tempfile::tempfile_in(folder)?;
        let mut command = Command::new(own);
        command.arg("fenced").arg("--parent").arg(own_pid().to_string()).arg("--folder").arg(folder);
        command.arg("--limits").arg(serde_json::to_string(self)?);
        command.env_clear().env("PATH", "/usr/local/bin:/usr/bin:/bin").env("LANG", "C.UTF-8");
        command.env("HOME", folder).env("TMPDIR", folder);
        command.current_dir(folder).process_group(0);
        command.stdin(Stdio::null()).stdout(said.try_clone()?).stderr(said.try_clone()?);
        Ok((command.spawn()?, said))
    }

    /// Waits for its end, or says why there is no waiting any longer.
    fn watch(
        &self,
        child: &Child,
        folder: &Path,
        before: u64,
        deadline: Instant,
        cancelled: &dyn Fn() -> bool,
    ) -> Option<Failure> {
        let mut looks = 0_u32;
        while is_running(child) {
            if cancelled() {
                return Some(Failure::new("cancelled", "was ended with the service".to_owned()));
            }
            if Instant::now() > deadline {
                return Some(Failure::new("too-long", format!("did not end within {} s", self.wall_s)));
            }
            looks = looks.wrapping_add(1);
            if looks.is_multiple_of(COUNT_EVERY)
                && let Some(failure) = self.too_much(folder, before)
            {
                return Some(failure);
            }
            std::thread::sleep(LOOK);
        }
        None
    }

    fn too_much(&self, folder: &Path, before: u64) -> Option<Failure> {
        let (bytes, entries) = held(folder);
        if bytes.saturating_sub(before) > self.folder_mb << 20 {
            return Some(Failure::new("too-large", format!("wrote more than {} MiB", self.folder_mb)));
        }
        (entries > ENTRIES).then(|| Failure::new("too-large", format!("made more than {ENTRIES} files")))
    }
}

/// Why it did not end well.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failure {
    /// A stable word for the log.
    pub code: &'static str,
    /// What happened, as the rest of a sentence about it.
    pub how: String,
}

impl Failure {
    /// With its word and sentence.
    pub fn new(code: &'static str, how: String) -> Self {
        Self { code, how }
    }
}

/// What became of one run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ran {
    /// Why it did not end well; `None` where it did.
    pub failure: Option<Failure>,
    /// What it printed last, made safe to show. It may hold names: it belongs beside a result, never in a log.
    pub said: String,
    /// How long it took.
    pub took: Duration,
}

impl Ran {
    /// It was not run at all.
    pub fn not(why: String) -> Self {
        Self { failure: Some(Failure::new("not-run", why)), said: String::new(), took: Duration::ZERO }
    }
    /// For `run.json`, which lies beside the result.
    pub fn account(&self) -> Value {
        json!({
            "outcome": self.failure.as_ref().map_or("ended", |failure| failure.how.as_str()),
            "took_s": (self.took.as_secs_f64() * 1000.0).round() / 1000.0,
            "printed": self.said,
        })
    }
}

/// Looks without taking note of its end, so that its number stays its own until the group has been ended.
fn is_running(child: &Child) -> bool {
    let look = WaitIdOptions::EXITED | WaitIdOptions::NOHANG | WaitIdOptions::NOWAIT;
    matches!(waitid(WaitId::Pid(Pid::from_child(child)), look), Ok(None))
}

/// Ends all that is left of it, and says what was wrong with its own end. Its group is called after its first process;
/// all that it starts inherits the group and cannot leave it.
fn end(child: &mut Child) -> Option<Failure> {
    let _ = kill_process_group(Pid::from_child(child), Signal::KILL);
    match child.wait() {
        Ok(status) if status.success() => None,
        Ok(status) => Some(match status.code() {
            Some(UNFENCED) => Failure::new("unfenced", "could not be given its limits".to_owned()),
            Some(126 | 127) => Failure::new("not-started", "could not be started".to_owned()),
            _ => Failure::new("broke-off", how(status)),
        }),
        Err(error) => Some(Failure::new("lost", format!("could not be waited for: {}", error.kind()))),
    }
}

/// Whether it can be run by whoever we are; else what is wrong with it.
fn runnable(path: &Path) -> Result<(), String> {
    let about = fs::metadata(path).map_err(|error| format!("cannot be run: {error}"))?;
    if !about.is_file() {
        return Err("is not a file".to_owned());
    }
    rustix::fs::access(path, rustix::fs::Access::EXEC_OK).map_err(|_| "must not be run by this user".to_owned())
}

/// Bytes on disk and entries below a folder. Links are not followed, and what vanishes meanwhile does not count.
fn held(folder: &Path) -> (u64, usize) {
    let mut waiting: Vec<PathBuf> = vec![folder.to_path_buf()];
    let (mut bytes, mut entries) = (0_u64, 0);
    while let Some(folder) = waiting.pop() {
        for entry in fs::read_dir(&folder).into_iter().flatten().flatten() {
            entries += 1;
            if entries > ENTRIES {
                return (bytes, entries);
            }
            let Ok(about) = entry.metadata() else { continue };
            bytes = bytes.saturating_add(about.blocks().saturating_mul(512));
            if about.is_dir() {
                waiting.push(entry.path());
            }
        }
    }
    (bytes, entries)
}

fn tail(mut said: File) -> io::Result<String> {
    let length = said.metadata()?.len();
    said.seek(SeekFrom::Start(length.saturating_sub(TAIL)))?;
    let mut bytes = Vec::new();
    said.take(TAIL).read_to_end(&mut bytes)?;
    Ok(safe(String::from_utf8_lossy(&bytes).trim(), TAIL as usize))
}
