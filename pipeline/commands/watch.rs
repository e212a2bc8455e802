//! `siderolog watch`: the daemon.

use crate::daemon::runner::Runner;
use crate::daemon::settings::Site;
use crate::daemon::supervisor::{self, Until, WatchError};
use anyhow::Context as _;
use std::io::IsTerminal as _;
use std::path::PathBuf;
use std::process::ExitCode;

/// How the log is written.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum LogFormat {
    /// One line for a person.
    #[default]
    Text,
    /// One JSON object a line.
    Json,
}

/// Watch the drop folders and answer every delivery.
#[derive(clap::Args)]
pub struct Args {
    /// The site file.
    #[arg(long, env = "SIDEROLOG_SITE")]
    site: PathBuf,
    /// How the log on standard error is written.
    #[arg(long, value_enum, default_value_t, env = "SIDEROLOG_LOG_FORMAT")]
    log_format: LogFormat,
}

/// Runs it until it is told to stop.
pub fn run(args: Args) -> anyhow::Result<ExitCode> {
    let site = match Site::load(&args.site) {
        Ok(site) => site,
        Err(error) => {
            eprintln!("{error}");
            return Ok(ExitCode::from(2));
        }
    };
    start_log(args.log_format);
    match block_on(supervisor::watch(site, Runner::own()?, Until::Stopped))? {
        Ok(()) => Ok(ExitCode::SUCCESS),
        Err(WatchError::Settings(error)) => {
            eprintln!("{error}");
            Ok(ExitCode::from(2))
        }
        Err(error) => Err(error.into()),
    }
}

/// Starts the log on standard error. `SIDEROLOG_LOG` filters it, `info` by default.
pub(super) fn start_log(format: LogFormat) {
    let filter = tracing_subscriber::EnvFilter::try_from_env("SIDEROLOG_LOG")
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("info"));
    let log = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_ansi(std::io::stderr().is_terminal())
        .with_target(false);
    // A log that is there already, in a test, is good enough.
    let _ = match format {
        LogFormat::Text => log.try_init(),
        LogFormat::Json => log.json().flatten_event(true).try_init(),
    };
}

/// Runs a future on a runtime of its own.
pub(super) fn block_on<F: Future>(future: F) -> anyhow::Result<F::Output> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .context("cannot start the runtime")?;
    Ok(runtime.block_on(future))
}
