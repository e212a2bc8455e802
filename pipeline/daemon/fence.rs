//! The limits a process sets on itself: the child before it reads a byte, and what becomes a site's own segmenter
//! before it does. Each is clamped to what it inherited, and a kernel that lacks a fence leaves the others standing.

use super::job::Job;
use super::segmenter::Segmenter;
use landlock::{
    ABI, Access as _, AccessFs, AccessNet, PathBeneath, PathFd, Ruleset, RulesetAttr as _, RulesetCreated,
    RulesetCreatedAttr as _, RulesetStatus, Scope,
};
use rustix::process::{Resource, Rlimit, Signal, getppid, getrlimit, set_parent_process_death_signal, setrlimit};
use seccompiler::{
    BpfProgram, SeccompAction, SeccompCmpArgLen, SeccompCmpOp, SeccompCondition, SeccompFilter, SeccompRule,
};
use std::collections::BTreeMap;
use std::io;
use std::os::fd::OwnedFd;
use std::path::Path;

/// Which of the kernel's fences hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fenced {
    /// Landlock confines file access and the network.
    pub landlock: bool,
    /// System calls that no analysis needs are refused.
    pub seccomp: bool,
}

/// Why the process must not go on.
#[derive(Debug, thiserror::Error)]
pub enum FenceError {
    /// A resource limit could not be set.
    #[error("cannot limit the {what} of the analysing process: {source}")]
    Limit {
        /// Which.
        what: &'static str,
        /// The system's answer.
        source: io::Error,
    },
    /// The parent is already gone.
    #[error("the parent process is gone")]
    Orphan,
}

/// Status of a process that could not set its limits, where it says so by its status alone.
pub const UNFENCED: i32 = 125;

type Fault = Box<dyn std::error::Error + Send + Sync>;

const MIB: u64 = 1 << 20;
/// The newest of the kernel's rules that are known here; an older kernel holds those it has.
const RULES: ABI = ABI::V6;

/// What a process may use.
struct Bounds {
    /// Address space in MiB.
    memory_mb: u64,
    /// Processor seconds.
    cpu_s: u64,
    /// Largest file it may write, in MiB.
    file_mb: u64,
}

/// Sets every limit of the job on this process. Call before any thread is started.
pub fn enclose(job: &Job) -> Result<Fenced, FenceError> {
    let limits = &job.limits;
    bind(job.parent, &Bounds { memory_mb: limits.memory_mb, cpu_s: limits.cpu_s, file_mb: limits.output_mb })?;
    let landlock = confine(job.below.iter().map(|place| place.path()), job.out.path()).unwrap_or(false);
    let refused = COMMON.iter().chain(OF_READING).map(|&call| (call, Vec::new()));
    Ok(Fenced { landlock, seccomp: filter(refused.collect()).is_ok() })
}

/// Sets the limits of a site's segmenter on this process, which is about to become it. What it starts inherits them.
/// It may read what its user may, and write only below `folder`.
pub fn enclose_segmenter(limits: &Segmenter, folder: &OwnedFd, parent: i32) -> Result<Fenced, FenceError> {
    bind(parent, &Bounds { memory_mb: limits.memory_mb, cpu_s: limits.cpu_s, file_mb: limits.folder_mb })?;
    let landlock = confine_writes(folder).unwrap_or(false);
    Ok(Fenced { landlock, seccomp: keep_together().is_ok() })
}

/// Dies with its parent, and has no more than its bounds.
fn bind(parent: i32, bounds: &Bounds) -> Result<(), FenceError> {
    set_parent_process_death_signal(Some(Signal::KILL))
        .map_err(|error| FenceError::Limit { what: "lifetime", source: error.into() })?;
    // The parent may have died between the fork and the line above.
    if getppid().map(|pid| pid.as_raw_nonzero().get()) != Some(parent) {
        return Err(FenceError::Orphan);
    }
    let bytes = |mib: u64| mib.saturating_mul(MIB);
    limit("memory", Resource::As, [bytes(bounds.memory_mb); 2])?;
    // The first signal says what it is for, a moment later comes the one that cannot be caught.
    limit("processor time", Resource::Cpu, [bounds.cpu_s, bounds.cpu_s.saturating_add(1)])?;
    limit("file size", Resource::Fsize, [bytes(bounds.file_mb); 2])?;
    limit("core file", Resource::Core, [0; 2])
}

/// The bound that is felt and the one that is final. Never raises what was inherited.
fn limit(what: &'static str, resource: Resource, [felt, last]: [u64; 2]) -> Result<(), FenceError> {
    let inherited = getrlimit(resource);
    let clamp = |bound: Option<u64>, wanted: u64| Some(bound.map_or(wanted, |bound| bound.min(wanted)));
    let new = Rlimit { current: clamp(inherited.current, felt), maximum: clamp(inherited.maximum, last) };
    setrlimit(resource, new).map_err(|error| FenceError::Limit { what, source: error.into() })
}

/// Reads only below the places named, writes only below `out`, no network, no signals to others.
fn confine<'a>(places: impl Iterator<Item = &'a Path>, out: &Path) -> Result<bool, Fault> {
    let everything = AccessFs::from_all(RULES);
    let mut rules = apart(everything)?.add_rule(PathBeneath::new(PathFd::new(out)?, everything))?;
    for place in places {
        // An input that vanished meanwhile is reported by whoever opens it.
        if let Ok(fd) = PathFd::new(place) {
            let access = if place.is_dir() { AccessFs::from_read(RULES) } else { AccessFs::ReadFile.into() };
            rules = rules.add_rule(PathBeneath::new(fd, access))?;
        }
    }
    enforce(rules)
}

/// Writes only below the folder, by its descriptor and so whatever becomes of its name; no network, no signals to
/// others. A program needs its interpreter and libraries, so that reading stays as it is.
fn confine_writes(folder: &OwnedFd) -> Result<bool, Fault> {
    let writing = AccessFs::from_write(RULES);
    let mut rules = apart(writing)?.add_rule(PathBeneath::new(folder, writing))?;
    // Where programs put what nobody shall read.
    if let Ok(nowhere) = PathFd::new("/dev/null") {
        rules = rules.add_rule(PathBeneath::new(nowhere, writing & AccessFs::from_file(RULES)))?;
    }
    enforce(rules)
}

fn apart(access: landlock::BitFlags<AccessFs>) -> Result<RulesetCreated, Fault> {
    let rules = Ruleset::default().handle_access(access)?.handle_access(AccessNet::from_all(RULES))?;
    Ok(rules.scope(Scope::from_all(RULES))?.create()?)
}

fn enforce(rules: RulesetCreated) -> Result<bool, Fault> {
    Ok(rules.restrict_self()?.ruleset != RulesetStatus::NotEnforced)
}

/// System calls that nobody here needs: other processes, the kernel.
const COMMON: &[libc::c_long] = &[
    libc::SYS_ptrace,
    libc::SYS_process_vm_readv,
    libc::SYS_process_vm_writev,
    libc::SYS_mount,
    libc::SYS_umount2,
    libc::SYS_pivot_root,
    libc::SYS_chroot,
    libc::SYS_unshare,
    libc::SYS_setns,
    libc::SYS_bpf,
    libc::SYS_perf_event_open,
    libc::SYS_io_uring_setup,
    libc::SYS_userfaultfd,
    libc::SYS_keyctl,
    libc::SYS_add_key,
    libc::SYS_request_key,
    libc::SYS_init_module,
    libc::SYS_finit_module,
    libc::SYS_delete_module,
    libc::SYS_kexec_load,
    libc::SYS_reboot,
    libc::SYS_swapon,
    libc::SYS_swapoff,
];

/// Calls that reading and measuring never need besides: programs, sockets, signals.
const OF_READING: &[libc::c_long] = &[
    libc::SYS_execve,
    libc::SYS_execveat,
    libc::SYS_socket,
    libc::SYS_socketpair,
    libc::SYS_connect,
    libc::SYS_bind,
    libc::SYS_listen,
    libc::SYS_kill,
];

/// What a segmenter starts stays in its process group, so that it can be ended with it, and no socket leads off the
/// machine.
fn keep_together() -> Result<(), Fault> {
    let leaving = [libc::SYS_setsid, libc::SYS_setpgid];
    let mut refused: Refused = COMMON.iter().chain(&leaving).map(|&call| (call, Vec::new())).collect();
    let local = u64::from(libc::AF_UNIX.unsigned_abs());
    let other = SeccompCondition::new(0, SeccompCmpArgLen::Dword, SeccompCmpOp::Ne, local)?;
    refused.insert(libc::SYS_socket, vec![SeccompRule::new(vec![other])?]);
    filter(refused)
}

/// Calls that are refused, each always or where one of its rules matches.
type Refused = BTreeMap<i64, Vec<SeccompRule>>;

fn filter(refused: Refused) -> Result<(), Fault> {
    let refuse = SeccompAction::Errno(libc::EPERM.unsigned_abs());
    let filter = SeccompFilter::new(refused, SeccompAction::Allow, refuse, std::env::consts::ARCH.try_into()?)?;
    seccompiler::apply_filter(&BpfProgram::try_from(filter)?)?;
    Ok(())
}
