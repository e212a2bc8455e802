//! `siderolog fenced`: sets limits on itself, then becomes the site's own segmenter. Not for people.

use crate::daemon::fence::{self, UNFENCED};
use crate::daemon::segmenter::Segmenter;
use anyhow::Context as _;
use rustix::fs::{CWD, Mode, OFlags};
use std::os::unix::process::CommandExt as _;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitCode};

/// Status of a program that cannot be started, as shells have it.
const NOT_STARTED: u8 = 126;

/// Whose limits, and where.
#[derive(clap::Args)]
pub struct Args {
    /// The process it must not outlive.
    #[arg(long)]
    parent: i32,
    /// The folder it works in.
    #[arg(long)]
    folder: PathBuf,
    /// The segmenter with its limits, as JSON.
    #[arg(long)]
    limits: String,
}

/// Returns only where it could not become the segmenter.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    match prepare(&args) {
        Ok(mut program) => {
            let error = program.exec();
            eprintln!("siderolog: cannot start the segmenter: {error}");
            Ok(ExitCode::from(NOT_STARTED))
        }
        Err(error) => {
            eprintln!("siderolog: {error:#}");
            Ok(ExitCode::from(u8::try_from(UNFENCED)?))
        }
    }
}

fn prepare(args: &Args) -> anyhow::Result<Command> {
    let segmenter: Segmenter = serde_json::from_str(&args.limits).context("cannot understand the limits")?;
    // By descriptor from here on: its name could be made to lead elsewhere.
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::NOFOLLOW | OFlags::CLOEXEC;
    let folder = rustix::fs::openat(CWD, &args.folder, flags, Mode::empty()).context("cannot open the folder")?;
    rustix::process::fchdir(&folder).context("cannot enter the folder")?;
    // What the kernel lacks it lacks for the analysing child as well, whose parent tells the log.
    fence::enclose_segmenter(&segmenter, &folder, args.parent)?;
    let (program, arguments) = segmenter.command.split_first().context("no program is named")?;
    let mut command = Command::new(Path::new(program));
    command.args(arguments).arg(&args.folder);
    Ok(command)
}
