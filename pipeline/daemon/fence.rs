//! The limits a child process sets on itself before it reads a byte. Each is clamped to what it inherited,
//! and a kernel that lacks a fence leaves the others standing.

use super::job::Job;
use landlock::{
    ABI, Access as _, AccessFs, AccessNet, PathBeneath, PathFd, Ruleset, RulesetAttr as _, RulesetCreatedAttr as _,
    RulesetStatus, Scope,
};
use rustix::process::{Resource, Rlimit, Signal, getppid, getrlimit, set_parent_process_death_signal, setrlimit};
use seccompiler::{BpfProgram, SeccompAction, SeccompFilter};
use std::collections::BTreeMap;
use std::io;
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

const MIB: u64 = 1 << 20;

/// Sets every limit of the job on this process. Call before any thread is started.
pub fn enclose(job: &Job) -> Result<Fenced, FenceError> {
    set_parent_process_death_signal(Some(Signal::KILL))
        .map_err(|error| FenceError::Limit { what: "lifetime", source: error.into() })?;
    // The parent may have died between the fork and the line above.
    if getppid().map(|pid| pid.as_raw_nonzero().get()) != Some(job.parent) {
        return Err(FenceError::Orphan);
    }
    let limits = &job.limits;
    limit("memory", Resource::As, limits.memory_mb.saturating_mul(MIB))?;
    limit("processor time", Resource::Cpu, limits.cpu_s)?;
    limit("file size", Resource::Fsize, limits.output_mb.saturating_mul(MIB))?;
    limit("core file", Resource::Core, 0)?;
    let landlock = confine(job.below.iter().map(|place| place.path()), job.out.path()).unwrap_or(false);
    Ok(Fenced { landlock, seccomp: filter().is_ok() })
}

/// Never raises what was inherited.
fn limit(what: &'static str, resource: Resource, wanted: u64) -> Result<(), FenceError> {
    let inherited = getrlimit(resource);
    let clamp = |bound: Option<u64>| Some(bound.map_or(wanted, |bound| bound.min(wanted)));
    let new = Rlimit { current: clamp(inherited.current), maximum: clamp(inherited.maximum) };
    setrlimit(resource, new).map_err(|error| FenceError::Limit { what, source: error.into() })
}

/// Reads only below the places named, writes only below `out`, no network, no signals to others.
fn confine<'a>(
    places: impl Iterator<Item = &'a Path>,
    out: &Path,
) -> Result<bool, Box<dyn std::error::Error + Send + Sync>> {
    let abi = ABI::V6;
    let mut rules = Ruleset::default()
        .handle_access(AccessFs::from_all(abi))?
        .handle_access(AccessNet::from_all(abi))?
        .scope(Scope::from_all(abi))?
        .create()?
        .add_rule(PathBeneath::new(PathFd::new(out)?, AccessFs::from_all(abi)))?;
    for place in places {
        // An input that vanished meanwhile is reported by whoever opens it.
        if let Ok(fd) = PathFd::new(place) {
            let access = if place.is_dir() { AccessFs::from_read(abi) } else { AccessFs::ReadFile.into() };
            rules = rules.add_rule(PathBeneath::new(fd, access))?;
        }
    }
    Ok(rules.restrict_self()?.ruleset != RulesetStatus::NotEnforced)
}

/// System calls that reading and measuring never need: programs, sockets, other processes, the kernel.
const REFUSED: &[libc::c_long] = &[
    libc::SYS_execve,
    libc::SYS_execveat,
    libc::SYS_socket,
    libc::SYS_socketpair,
    libc::SYS_connect,
    libc::SYS_bind,
    libc::SYS_listen,
    libc::SYS_ptrace,
    libc::SYS_process_vm_readv,
    libc::SYS_process_vm_writev,
    libc::SYS_kill,
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

fn filter() -> Result<(), Box<dyn std::error::Error + Send + Sync>> {
    let rules: BTreeMap<i64, Vec<seccompiler::SeccompRule>> = REFUSED.iter().map(|&call| (call, Vec::new())).collect();
    let refuse = SeccompAction::Errno(libc::EPERM.unsigned_abs());
    let filter = SeccompFilter::new(rules, SeccompAction::Allow, refuse, std::env::consts::ARCH.try_into()?)?;
    seccompiler::apply_filter(&BpfProgram::try_from(filter)?)?;
    Ok(())
}
