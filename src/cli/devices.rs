//! `seatsong devices`: what can record and play.

use std::process::ExitCode;

use clap::Args;
use serde_json::json;

use super::Io;
use crate::capture::{self, SoundDevice};

/// List the sound inputs and outputs of this computer
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
    let (inputs, outputs) = (capture::inputs()?, capture::outputs()?);
    if args.json {
        io.json(&json!({"schema": "seatsong.devices/1", "inputs": inputs, "outputs": outputs}))?;
        return Ok(ExitCode::SUCCESS);
    }
    if inputs.is_empty() {
        writeln!(io.out, "{NO_INPUT}")?;
    } else {
        writeln!(io.out, "To record from (--device takes a part of the name):")?;
        list(&inputs, io)?;
    }
    if outputs.is_empty() {
        writeln!(io.out, "No sound output was found: `hear` and `page` still work, nothing can be played here.")?;
    } else {
        writeln!(io.out, "To listen with:")?;
        list(&outputs, io)?;
    }
    Ok(ExitCode::SUCCESS)
}

const NO_INPUT: &str = "\
No sound input was found on this computer. Plug the sensor's interface in and run this again; if it stays away, try another USB socket \
and cable, and on Linux see that your user is in the group audio. Until then: record with a phone or recorder and bring the clips in with \
`seatsong import`.";

fn list(devices: &[SoundDevice], io: &mut Io<'_>) -> anyhow::Result<()> {
    for device in devices {
        writeln!(io.out, "  {}  [{}]{}", device.name, device.id, if device.default { "  (default)" } else { "" })?;
        if device.configs.is_empty() {
            writeln!(io.out, "      does not say what it offers: in use by another program, or nothing is plugged in")?;
        }
        for config in &device.configs {
            writeln!(io.out, "      {config}")?;
        }
    }
    Ok(())
}
