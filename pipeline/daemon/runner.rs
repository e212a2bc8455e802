//! The parent's side of the child process: start it, listen, end it when it hangs, set the file that
//! brought it down aside and start again.

use super::job::{HISTORY_READY, Job, PatientKey, SEGMENTER_FOLDER, Said, Segmented, SetAside, Task};
use super::segmenter::{Failure, Ran};
use std::collections::BTreeMap;
use std::io::{self, BufRead as _, BufReader, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, ExitStatus, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::time::{Duration, Instant};

/// How often files may be set aside before a delivery is given up.
pub const SET_ASIDE_LIMIT: usize = 8;

/// Most runs of a site's own segmenter for one attempt: a child that was taken over must not ask for ever.
const SEGMENTER_LIMIT: usize = 256;

/// Longest line a child may say; a path is at most 4,096 bytes, three characters each.
const LINE_LIMIT: u64 = 1 << 16;

/// What the parent does for a child while it works. Kept apart so that the command line and the daemon
/// answer in their own way.
pub trait Desk {
    /// A new empty folder for this attempt, from 1.
    fn attempt(&mut self, number: usize) -> io::Result<PathBuf>;
    /// Writes the earlier readings of these patients to `path`, one JSON object a line.
    fn history(&mut self, patients: &[PatientKey], path: &Path) -> io::Result<()>;
    /// Something was said that a person or a log may want to know.
    fn heard(&mut self, said: &Said);
    /// The site's own segmenter has been run.
    fn segmented(&mut self, ran: &Ran);
    /// Whether to stop now.
    fn cancelled(&self) -> bool;
}

/// How a job ended.
#[derive(Clone, Debug, PartialEq)]
pub enum Ended {
    /// Everything is written in `out`.
    Finished {
        /// The attempt's folder.
        out: PathBuf,
        /// Acquisitions written.
        acquisitions: usize,
        /// Files that brought an earlier attempt down.
        set_aside: Vec<SetAside>,
        /// Attempts made.
        attempts: usize,
    },
    /// A survey's answer.
    Surveyed {
        /// Acquisitions found.
        acquisitions: usize,
        /// What is missing, in plain words.
        missing: Vec<String>,
    },
    /// It cannot be done with this input.
    GivenUp {
        /// Why, for a person.
        reason: String,
        /// Files that brought an attempt down.
        set_aside: Vec<SetAside>,
    },
    /// The parent asked to stop.
    Cancelled,
}

/// A failure that is not the input's.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// The child could not be started or heard.
    #[error("cannot run the analysing process: {0}")]
    Process(#[source] io::Error),
    /// The desk could not do its part.
    #[error("cannot prepare an attempt: {0}")]
    Desk(#[source] io::Error),
    /// The child says why.
    #[error("{0}")]
    Child(String),
}

/// Starts children of one program, which is also what puts a site's own segmenter behind its fence.
#[derive(Clone, Debug)]
pub struct Runner {
    program: PathBuf,
    arguments: Vec<String>,
}

/// The site's own segmenter as one job goes on.
#[derive(Default)]
struct Segmenting {
    /// How often it was run in this attempt.
    runs: usize,
    /// Why it is not run again: an answer may have brought an attempt down.
    barred: Option<String>,
}

/// One attempt while it is followed.
struct Following<'a> {
    program: &'a Path,
    job: &'a Job,
    segmenting: &'a mut Segmenting,
    desk: &'a mut dyn Desk,
}

/// How one attempt ended.
enum Attempt {
    Finished(usize),
    Surveyed(usize, Vec<String>),
    /// What happened, and the files it may be due to. `sure` where the first is known to be the cause.
    Died {
        how: String,
        in_flight: Vec<PathBuf>,
        sure: bool,
    },
    Failed(String),
    Cancelled,
}

impl Runner {
    /// Of this very program.
    pub fn own() -> Result<Self, RunError> {
        let program = std::env::current_exe().map_err(RunError::Process)?;
        Ok(Self::of(program, vec!["child".to_owned()]))
    }

    /// Of another program that speaks the same language.
    pub fn of(program: PathBuf, arguments: Vec<String>) -> Self {
        Self { program, arguments }
    }

    /// Runs the job to its end. `job.out` and `job.set_aside` are filled in for each attempt.
    /// Call on a thread that lives as long as the job: the child dies with the thread that started it.
    pub fn run(&self, mut job: Job, desk: &mut dyn Desk) -> Result<Ended, RunError> {
        let mut attempts = 0;
        let mut pinning = false;
        let mut segmenting = Segmenting::default();
        loop {
            attempts += 1;
            let out = desk.attempt(attempts).map_err(RunError::Desk)?;
            job.out = out.as_path().into();
            segmenting.runs = 0;
            let (how, mut in_flight, sure) = match self.attempt(&job, &mut segmenting, desk)? {
                Attempt::Finished(acquisitions) => {
                    return Ok(Ended::Finished { out, acquisitions, set_aside: job.set_aside, attempts });
                }
                Attempt::Surveyed(acquisitions, missing) => return Ok(Ended::Surveyed { acquisitions, missing }),
                Attempt::Failed(message) => return Err(RunError::Child(message)),
                Attempt::Cancelled => return Ok(Ended::Cancelled),
                Attempt::Died { how, in_flight, sure } => (how, in_flight, sure),
            };
            let given_up = |reason: String, set_aside| Ok(Ended::GivenUp { reason, set_aside });
            if job.task == Task::Survey {
                return given_up(format!("the survey {how}"), job.set_aside);
            }
            if in_flight.is_empty() && segmenting.runs > 0 && segmenting.barred.is_none() {
                segmenting.barred = Some(format!("was not asked again: the analysis {how} after it had answered"));
                continue;
            }
            // With several files open, or none, one thread tells which file it is, or that it is none.
            if (in_flight.len() != 1 && !sure) && !pinning {
                pinning = true;
                job.limits.threads = 1;
                continue;
            }
            if in_flight.is_empty() {
                return given_up(format!("the analysis {how} after every file had been read"), job.set_aside);
            }
            if job.set_aside.len() == SET_ASIDE_LIMIT {
                return given_up(
                    format!("the analysis {how} again after {SET_ASIDE_LIMIT} files had been set aside"),
                    job.set_aside,
                );
            }
            let path = in_flight.swap_remove(0);
            let reason = format!("the process reading it {how}");
            job.set_aside.push(SetAside { path: path.as_path().into(), reason });
        }
    }

    fn attempt(&self, job: &Job, segmenting: &mut Segmenting, desk: &mut dyn Desk) -> Result<Attempt, RunError> {
        let mut command = Command::new(&self.program);
        command.args(&self.arguments).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::null());
        let mut child = command.spawn().map_err(RunError::Process)?;
        let outcome = Following { program: &self.program, job, segmenting, desk }.converse(&mut child);
        // Whatever happened, no child is left behind.
        let _ = child.kill();
        let _ = child.wait();
        outcome
    }
}

impl Following<'_> {
    fn converse(mut self, child: &mut Child) -> Result<Attempt, RunError> {
        let broken = || RunError::Process(io::Error::other("no pipe to the analysing process"));
        let mut stdin = child.stdin.take().ok_or_else(broken)?;
        let stdout = child.stdout.take().ok_or_else(broken)?;
        let (sender, heard) = sync_channel(1024);
        let listener = std::thread::Builder::new()
            .name("listener".to_owned())
            .spawn(move || listen(stdout, &sender))
            .map_err(RunError::Process)?;
        // A child that died already is found below; its pipe may be closed.
        let _ = send(&mut stdin, &serde_json::to_string(self.job).map_err(|e| RunError::Process(e.into()))?);
        let outcome = self.follow(child, stdin, &heard);
        let _ = child.kill();
        drop(heard);
        let _ = listener.join();
        outcome
    }

    /// Runs the site's own segmenter on what the child has written.
    fn segment(&mut self) -> Segmented {
        self.segmenting.runs += 1;
        let why_not = match &self.segmenting.barred {
            None if self.segmenting.runs > SEGMENTER_LIMIT => {
                Some(format!("was asked more than {SEGMENTER_LIMIT} times"))
            }
            barred => barred.clone(),
        };
        let ran = match (&self.job.segmenter, why_not) {
            (Some(own), None) => {
                own.run(self.program, &self.job.out.path().join(SEGMENTER_FOLDER), &|| self.desk.cancelled())
            }
            (_, why) => Ran::not(why.unwrap_or_else(|| "is not set".to_owned())),
        };
        self.desk.segmented(&ran);
        match ran.failure {
            None => Segmented::Ended,
            Some(Failure { how, .. }) => Segmented::Failed { how },
        }
    }

    fn follow(
        &mut self,
        child: &mut Child,
        mut stdin: ChildStdin,
        heard: &Receiver<Said>,
    ) -> Result<Attempt, RunError> {
        let started = Instant::now();
        // The child waits while the parent looks up earlier readings or runs a segmenter; that is not its time.
        let mut waited = Duration::ZERO;
        let wall = Duration::from_secs_f64(self.job.limits.wall_s);
        let per_file = Duration::from_secs_f64(self.job.limits.file_s);
        let mut in_flight: BTreeMap<PathBuf, Instant> = BTreeMap::new();
        let mut answer = None;
        loop {
            match heard.recv_timeout(Duration::from_millis(50)) {
                Ok(said) => {
                    self.desk.heard(&said);
                    match said {
                        Said::Opening { path } => drop(in_flight.insert(path.0, Instant::now())),
                        Said::Done { path } => drop(in_flight.remove(path.path())),
                        Said::Patients { patients } => {
                            let file = self.job.out.path().join(super::job::HISTORY_FILE);
                            let asked = Instant::now();
                            self.desk.history(&patients, &file).map_err(RunError::Desk)?;
                            waited += asked.elapsed();
                            let _ = send(&mut stdin, HISTORY_READY);
                        }
                        Said::Segment => {
                            let asked = Instant::now();
                            let answer = self.segment();
                            waited += asked.elapsed();
                            let line = serde_json::to_string(&answer).map_err(|e| RunError::Process(e.into()))?;
                            let _ = send(&mut stdin, &line);
                        }
                        Said::Surveyed { acquisitions, missing } => {
                            answer = Some(Attempt::Surveyed(acquisitions, missing));
                        }
                        Said::Finished { acquisitions } => answer = Some(Attempt::Finished(acquisitions)),
                        Said::Failed { message } => answer = Some(Attempt::Failed(message)),
                        Said::Fenced { .. } | Said::Stage { .. } | Said::Panicked { .. } => {}
                    }
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => {
                    // It closed its end: it has ended or is about to.
                    let status = end(child).map_err(RunError::Process)?;
                    return Ok(match answer {
                        Some(answer) if status.success() => answer,
                        Some(failed @ Attempt::Failed(_)) => failed,
                        _ => {
                            Attempt::Died { how: how(status), in_flight: in_flight.into_keys().collect(), sure: false }
                        }
                    });
                }
            }
            if self.desk.cancelled() {
                return Ok(Attempt::Cancelled);
            }
            if let Some((path, _)) = in_flight.iter().find(|(_, since)| since.elapsed() > per_file) {
                let how = format!("took more than {} s over one file", self.job.limits.file_s);
                return Ok(Attempt::Died { how, in_flight: vec![path.clone()], sure: true });
            }
            if started.elapsed().saturating_sub(waited) > wall {
                let how = format!("did not end within {} s", self.job.limits.wall_s);
                return Ok(Attempt::Died { how, in_flight: in_flight.into_keys().collect(), sure: false });
            }
        }
    }
}

fn send(stdin: &mut ChildStdin, line: &str) -> io::Result<()> {
    stdin.write_all(line.as_bytes())?;
    stdin.write_all(b"\n")?;
    stdin.flush()
}

/// Passes on what the child says. A line that is too long or not ours ends the listening: a child that
/// was taken over gets no further.
fn listen(stdout: ChildStdout, sender: &SyncSender<Said>) {
    let mut reader = BufReader::new(stdout);
    let mut line = Vec::new();
    loop {
        line.clear();
        match reader.by_ref().take(LINE_LIMIT).read_until(b'\n', &mut line) {
            Ok(read) if read > 0 && line.ends_with(b"\n") => {}
            _ => return,
        }
        let Ok(said) = serde_json::from_slice::<Said>(&line) else { return };
        if sender.send(said).is_err() {
            return;
        }
    }
}

/// Waits a moment for a child that has closed its pipe, then ends it.
fn end(child: &mut Child) -> io::Result<ExitStatus> {
    for _ in 0..100 {
        if let Some(status) = child.try_wait()? {
            return Ok(status);
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    child.kill()?;
    child.wait()
}

/// What a person should know about how a process ended.
pub(super) fn how(status: ExitStatus) -> String {
    use std::os::unix::process::ExitStatusExt as _;
    match (status.signal(), status.code()) {
        (Some(libc::SIGXCPU), _) => "used up its processor time".to_owned(),
        (Some(libc::SIGXFSZ), _) => "wrote a larger file than it may".to_owned(),
        (Some(libc::SIGSYS), _) => "made a system call that is forbidden here".to_owned(),
        (Some(libc::SIGABRT), _) => "ran out of memory or broke off".to_owned(),
        (Some(libc::SIGSEGV | libc::SIGBUS | libc::SIGILL), _) => "crashed".to_owned(),
        (Some(signal), _) => format!("was ended by signal {signal}"),
        (None, Some(code)) => format!("broke off with status {code}"),
        (None, None) => "ended without a reason".to_owned(),
    }
}

/// The process id that a child is told, so that it can see whether its parent is still there.
pub fn own_pid() -> i32 {
    rustix::process::getpid().as_raw_nonzero().get()
}
