//! Arguments in, one call for each command.

use clap::{Parser, Subcommand};
use siderolog::commands;
use std::process::ExitCode;

/// Measures liver iron on exported multi-echo MRI. For review by a qualified person; not a certified medical device.
#[derive(Parser)]
#[command(name = "siderolog", version)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    Profile(commands::profile::Args),
    Simulate(commands::simulate::Args),
    Watch(commands::watch::Args),
}

fn main() -> ExitCode {
    let outcome = match Arguments::parse().command {
        Command::Profile(args) => commands::profile::run(args),
        Command::Simulate(args) => commands::simulate::run(args),
        Command::Watch(args) => commands::watch::run(args),
    };
    outcome.unwrap_or_else(|error| {
        eprintln!("siderolog: {error:#}");
        ExitCode::FAILURE
    })
}
