//! `seatsong concern`: what stays in every note until somebody closes it.

use std::process::ExitCode;

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use super::Io;
use super::book::BookArg;
use super::tour_args::{self, WhenArgs};
use crate::book::concern_document;

/// Enter, close and list concerns: they stay in every handover note until somebody closes them
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong concern add 'relief line bracket loose' --pump MP-2
  seatsong concern close 3 'bracket welded' --by welder
  seatsong concern list")]
pub struct ConcernArgs {
    #[command(subcommand)]
    what: ConcernCommand,
    #[command(flatten)]
    place: BookArg,
}

#[derive(Debug, Clone, Subcommand)]
enum ConcernCommand {
    /// Enter one
    Add {
        /// What it is
        words: String,
        /// Its pump [default: the rig's]
        #[arg(long, value_name = "NAME")]
        pump: Option<String>,
        #[command(flatten)]
        when: WhenArgs,
    },
    /// Close one; it stays in the book with the reason
    Close {
        /// Its number
        number: i64,
        /// Why it is closed
        why: String,
        #[command(flatten)]
        when: WhenArgs,
    },
    /// List the open ones
    List {
        /// At this time [default: now]
        #[arg(long, value_name = "TIME")]
        at: Option<String>,
        /// Also closed ones
        #[arg(long)]
        all: bool,
        /// Print JSON instead of words
        #[arg(long)]
        json: bool,
    },
}

/// Runs the command.
///
/// # Errors
/// No book, no such concern, one that is closed already.
pub fn run(args: &ConcernArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let mut book = args.place.open()?;
    let (sheet, _) = book.sheet()?;
    match &args.what {
        ConcernCommand::Add { words, pump, when } => {
            let pump = pump.as_deref().map(|n| book.pump(n)).transpose()?;
            let number = book.add_concern(pump.as_ref(), words, when.instant(&sheet)?, &when.by)?;
            writeln!(io.out, "Concern {number}: {}", words.trim())?;
        }
        ConcernCommand::Close { number, why, when } => {
            book.close_concern(*number, when.instant(&sheet)?, &when.by, why)?;
            writeln!(io.out, "Concern {number} closed: {}", why.trim())?;
        }
        ConcernCommand::List { at, all, json } => {
            let mut rows = book.concerns(tour_args::at(at.as_deref(), &sheet)?)?;
            rows.retain(|c| *all || c.closed.is_none());
            if *json {
                let list: Vec<Value> = rows.iter().map(concern_document).collect();
                io.json(&json!({"schema": "seatsong.concerns/1", "concerns": list}))?;
            } else if rows.is_empty() {
                writeln!(io.out, "No open concerns.")?;
            }
            for c in rows.iter().filter(|_| !json) {
                let closed = c.closed.as_ref().map_or(String::new(), |(_, why)| format!("; closed: {why}"));
                writeln!(io.out, "{}: {} (since {}, {}){closed}", c.id, c.words, sheet.plan.day(c.since), c.by)?;
            }
        }
    }
    Ok(ExitCode::SUCCESS)
}
