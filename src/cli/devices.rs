//! `seatsong devices`: what can record.

use std::process::ExitCode;

use clap::Args;
use serde_json::json;

use super::Io;
use crate::capture::{self, InputConfig};

/// List the sound inputs of this computer
#[derive(Debug, Clone, Args)]
#[command(after_help = "Example:\n  seatsong devices")]
pub struct DevicesArgs {
    /// Print JSON instead of words
    #[arg(long)]
    json: bool,
}

/// Runs the command.
///
/// # Errors
/// If the system gives no list, or this build has no sound devices.
pub fn run(args: &DevicesArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let devices = capture::inputs()?;
    if args.json {
        io.json(&json!({"schema": "seatsong.devices/1", "inputs": devices}))?;
        return Ok(ExitCode::SUCCESS);
    }
    if devices.is_empty() {
        writeln!(
            io.out,
            "No sound input was found on this computer. Plug one in, or copy clips from a phone or recorder."
        )?;
    }
    for device in &devices {
        writeln!(io.out, "{}{}", device.name, if device.default { "  (default)" } else { "" })?;
        for config in &device.configs {
            writeln!(io.out, "    {}", words(config))?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn words(config: &InputConfig) -> String {
    let span = |from: u32, to: u32| if from == to { from.to_string() } else { format!("{from} to {to}") };
    let [fewest, most] = config.channels;
    let [low, high] = config.rate_hz;
    let s = if most == 1 { "" } else { "s" };
    let channels = span(fewest.into(), most.into());
    format!("{channels} channel{s}, {} Hz, {}", span(low, high), config.formats.join(" "))
}
