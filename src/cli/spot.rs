//! `seatsong spot`: where the sensor is held.

use std::process::ExitCode;

use clap::{Args, Subcommand};
use serde_json::json;

use super::Io;
use super::book::BookArg;

/// Enter and list the painted marks at which clips are taken
#[derive(Debug, Clone, Args)]
#[command(after_help = "Example:\n  seatsong spot add --pump MP-1 --module 2 --note 'white dot under the suction cap'")]
pub struct SpotArgs {
    #[command(subcommand)]
    what: SpotCommand,
    /// Pump [default: the only one]
    #[arg(long, value_name = "NAME", global = true)]
    pump: Option<String>,
    #[command(flatten)]
    place: BookArg,
}

#[derive(Debug, Clone, Subcommand)]
enum SpotCommand {
    /// Enter a spot of a module, or say where the mark is
    Add {
        /// Module
        #[arg(long, value_name = "N")]
        module: u32,
        /// Name of the spot [default: main, which every module has]
        #[arg(long, value_name = "NAME")]
        name: Option<String>,
        /// Where the paint mark is
        #[arg(long, value_name = "TEXT", default_value = "")]
        note: String,
    },
    /// List the spots
    List {
        /// Print JSON instead of words
        #[arg(long)]
        json: bool,
    },
}

/// Runs the command.
///
/// # Errors
/// No book, a pump or module that is not in it.
pub fn run(args: &SpotArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let mut book = args.place.open()?;
    let pump = book.pump_or_only(args.pump.as_deref())?;
    match &args.what {
        SpotCommand::Add { module, name, note } => {
            let spot = book.add_spot(&pump, *module, name.as_deref(), note)?;
            writeln!(io.out, "{} module {}, spot {}: {}", pump.data.name, spot.module, spot.name, spot.note)?;
        }
        SpotCommand::List { json } => {
            let spots = book.spots(&pump)?;
            if *json {
                io.json(&json!({"schema": "seatsong.spots/1", "pump": pump.data.name, "spots": spots}))?;
            } else {
                for s in spots {
                    let note = if s.note.is_empty() { "no note where the mark is" } else { &s.note };
                    writeln!(io.out, "{} module {}, spot {}: {note}", pump.data.name, s.module, s.name)?;
                }
            }
        }
    }
    Ok(ExitCode::SUCCESS)
}
