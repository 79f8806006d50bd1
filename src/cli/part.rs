//! `seatsong part`: parts of the fluid ends and their lives.

use std::process::ExitCode;

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use super::book::BookArg;
use super::tour_args::{self, WhenArgs};
use super::{Io, Usage};
use crate::book::{PartChange, part_document};
use crate::tour::parts::{PartKind, Place, Run, RunLog, Side, Why};
use crate::units::running_hours;

/// Enter changed parts and running hours, list what sits where, say how long parts last
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong part change 2 seat discharge                     the first one that is entered
  seatsong part change 2 seat discharge --why washed --condition 'cut at 4 o clock'
  seatsong part hours 10.5 --from '2031-05-04 06:00' --to '2031-05-04 18:00'
  seatsong part life")]
pub struct PartArgs {
    #[command(subcommand)]
    what: PartCommand,
    /// Pump [default: the only one]
    #[arg(long, value_name = "NAME", global = true)]
    pump: Option<String>,
    #[command(flatten)]
    place: BookArg,
}

#[derive(Debug, Clone, Subcommand)]
enum PartCommand {
    /// A part was changed: the old one's life ends, the new one's begins
    Change {
        /// Module
        module: u32,
        /// valve, seat, spring, guide, gasket, piston, liner or rod-clamp
        kind: String,
        /// suction or discharge, for parts that have a side
        side: Option<String>,
        /// Why the old one came out: washed, worn, broken, planned, resized or unknown; left out for the first one
        #[arg(long, value_name = "WHY")]
        why: Option<String>,
        /// How the old one looked
        #[arg(long, value_name = "TEXT", default_value = "")]
        condition: String,
        /// Photo of the old one
        #[arg(long, value_name = "FILE", default_value = "")]
        photo: String,
        /// The module sounds as before: its baseline goes on
        #[arg(long)]
        keep_baseline: bool,
        #[command(flatten)]
        when: WhenArgs,
    },
    /// Running hours of the pump over a span: what lives are counted in
    Hours {
        /// Hours run, such as 10.5
        #[arg(value_parser = running_hours)]
        hours: f64,
        /// From, on the rig's clock
        #[arg(long, value_name = "TIME")]
        from: String,
        /// To
        #[arg(long, value_name = "TIME")]
        to: String,
        /// Who: the crew position
        #[arg(long, value_name = "POSITION", default_value = "derrickman")]
        by: String,
    },
    /// List what sits where, since when, and what it has run
    List {
        /// Also what came out
        #[arg(long)]
        all: bool,
        /// At this time [default: now]
        #[arg(long, value_name = "TIME")]
        at: Option<String>,
        /// Print JSON instead of words
        #[arg(long)]
        json: bool,
    },
    /// Say how long parts last, by kind and place, and which wear out too soon
    Life {
        /// At this time [default: now]
        #[arg(long, value_name = "TIME")]
        at: Option<String>,
        /// Print JSON instead of words
        #[arg(long)]
        json: bool,
    },
}

/// Runs the command.
///
/// # Errors
/// No book, a part or time that can't be.
pub fn run(args: &PartArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let mut book = args.place.open()?;
    let (sheet, _) = book.sheet()?;
    let pump = book.pump_or_only(args.pump.as_deref())?;
    let usage = |e: crate::tour::parts::PartError| Usage(e.to_string());
    match &args.what {
        PartCommand::Change { module, kind, side, why, condition, photo, keep_baseline, when } => {
            let side = side.as_deref().map(Side::parse).transpose().map_err(usage)?;
            let place =
                Place::new(&pump.data.name, *module, PartKind::parse(kind).map_err(usage)?, side).map_err(usage)?;
            let words = place.words();
            let why = why.as_deref().map(Why::parse).transpose().map_err(usage)?;
            let at = when.instant(&sheet)?;
            let old = book.change_part(
                &pump,
                &PartChange { place, at, by: &when.by, why, condition, photo, restarts: !keep_baseline },
            )?;
            let when = sheet.plan.date_time(at);
            if let Some((_, why)) = old.zip(why) {
                writeln!(io.out, "{words}: changed at {when}, the old one {}.", why.as_str())?;
                if !keep_baseline {
                    writeln!(
                        io.out,
                        "The baseline of module {module} starts anew from then: accept three good rounds (`seatsong baseline accept`)."
                    )?;
                }
            } else {
                writeln!(io.out, "{words}: fitted at {when}.")?;
            }
        }
        PartCommand::Hours { hours, from, to, by } => {
            let (from, to) = (tour_args::at(Some(from), &sheet)?, tour_args::at(Some(to), &sheet)?);
            book.add_run(&pump, RunLog { from, to, hours: *hours }, by)?;
            writeln!(
                io.out,
                "{}: {hours} h from {} to {}.",
                pump.data.name,
                sheet.plan.date_time(from),
                sheet.plan.date_time(to)
            )?;
        }
        PartCommand::List { all, at, json } => {
            let at = tour_args::at(at.as_deref(), &sheet)?;
            let rows = book.part_runs(&pump, at)?;
            let shown: Vec<_> = rows.iter().filter(|(r, _)| *all || r.part.out.is_none()).collect();
            if *json {
                let parts: Vec<Value> = shown.iter().map(|(r, run)| part_document(r, run)).collect();
                io.json(&json!({"schema": "seatsong.parts/1", "pump": pump.data.name, "parts": parts}))?;
            } else {
                if shown.is_empty() {
                    writeln!(io.out, "No parts of {} are entered yet: seatsong part change", pump.data.name)?;
                }
                for (r, run) in shown {
                    let out = r
                        .part
                        .out
                        .map_or(String::new(), |(t, why)| format!(", out {}: {}", sheet.plan.day(t), why.as_str()));
                    writeln!(
                        io.out,
                        "{}: since {}{out}, {}",
                        r.part.place.words(),
                        sheet.plan.date_time(r.part.fitted),
                        ran(run)
                    )?;
                }
            }
        }
        PartCommand::Life { at, json } => {
            let at = tour_args::at(at.as_deref(), &sheet)?;
            let lines = book.lives(&pump, at)?;
            if *json {
                let documents: Vec<&Value> = lines.iter().map(|l| &l.document).collect();
                io.json(&json!({"schema": "seatsong.lives/1", "pump": pump.data.name, "groups": documents}))?;
            } else if lines.is_empty() {
                writeln!(io.out, "No parts of {} are entered yet: seatsong part change", pump.data.name)?;
            }
            for line in lines.iter().filter(|_| !json) {
                writeln!(io.out, "{}", line.words)?;
            }
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn ran(run: &Run) -> String {
    let least = if run.covered < 0.999 { "at least " } else { "" };
    let strokes =
        run.strokes.map_or_else(|| ", strokes not known".to_owned(), |n| format!(", {:.2} million strokes", n / 1e6));
    format!("{least}{:.0} h{strokes}", run.hours)
}
