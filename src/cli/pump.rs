//! `seatsong pump`: the pumps of a rig and their figures.

use std::process::ExitCode;

use clap::{Args, Subcommand};

use super::{Io, figures};

/// Figures of a pump
#[derive(Debug, Clone, Args)]
#[command(after_help = "Example:\n  seatsong pump figures --liner 6in --stroke 12in --spm 100")]
pub struct PumpArgs {
    #[command(subcommand)]
    command: PumpCommand,
}

#[derive(Debug, Clone, Subcommand)]
enum PumpCommand {
    Figures(figures::FiguresArgs),
}

/// Runs the command.
///
/// # Errors
/// As the command below it.
pub fn run(args: &PumpArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    match &args.command {
        PumpCommand::Figures(args) => figures::run(args, io),
    }
}
