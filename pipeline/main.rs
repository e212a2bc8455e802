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
    Calibrate(commands::calibrate::Args),
    Calibrations(commands::calibrations::Args),
    Course(commands::course::Args),
    Profile(commands::profile::Args),
    Simulate(commands::simulate::Args),
    Analyse(commands::analyse::Args),
    Watch(commands::watch::Args),
    Send(commands::send::Args),
    Demo(commands::demo::Args),
    Settings(commands::settings::Args),
    Verify(commands::verify::Args),
    Amend(commands::amend::Args),
    #[command(hide = true)]
    Child(commands::child::Args),
    #[command(hide = true)]
    Fenced(commands::fenced::Args),
}

fn main() -> ExitCode {
    let outcome = match Arguments::parse().command {
        Command::Calibrate(args) => commands::calibrate::run(args),
        Command::Calibrations(args) => commands::calibrations::run(args),
        Command::Course(args) => commands::course::run(args),
        Command::Profile(args) => commands::profile::run(args),
        Command::Simulate(args) => commands::simulate::run(args),
        Command::Analyse(args) => commands::analyse::run(args),
        Command::Watch(args) => commands::watch::run(args),
        Command::Send(args) => commands::send::run(args),
        Command::Demo(args) => commands::demo::run(args),
        Command::Settings(args) => commands::settings::run(args),
        Command::Verify(args) => commands::verify::run(args),
        Command::Amend(args) => commands::amend::run(args),
        Command::Child(args) => commands::child::run(args),
        Command::Fenced(args) => commands::fenced::run(args),
    };
    outcome.unwrap_or_else(|error| {
        eprintln!("siderolog: {error:#}");
        ExitCode::FAILURE
    })
}
