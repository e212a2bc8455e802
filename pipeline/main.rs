//! Arguments in, one call for each command.

use clap::{Parser, Subcommand};
use std::process::ExitCode;

/// Measures liver iron on exported multi-echo MRI. For review by a qualified person; not a certified medical device.
#[derive(Parser)]
#[command(name = "siderolog", version)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    match arguments.command {}
}
