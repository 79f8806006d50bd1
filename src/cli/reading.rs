//! `seatsong reading`: checks and readings of the tour.

use std::process::ExitCode;

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use super::book::BookArg;
use super::tour_args::{self, WhenArgs};
use super::{Io, Usage};
use crate::book::{Book, CheckRow, CheckWish, EntryError, PumpRow, check_named};
use crate::tour::cross::Weight;
use crate::tour::{AskKind, Check, Outcome, Sheet};

/// Enter, list and follow checks and readings
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong reading add gauges pump='212 bar' console='210 bar' standpipe='210 bar'
  seatsong reading add liner-wash gauge=2bar returns='attention mud in the returns of module 2'
  seatsong reading skip suction-screen 'no connection in this tour'
  seatsong reading list
  seatsong reading trend gauges pump

Checks and what they ask stand in the check sheet (seatsong due --all).")]
pub struct ReadingArgs {
    #[command(subcommand)]
    what: ReadingCommand,
    /// Pump [default: the only one]
    #[arg(long, value_name = "NAME", global = true)]
    pump: Option<String>,
    #[command(flatten)]
    place: BookArg,
}

#[derive(Debug, Clone, Subcommand)]
enum ReadingCommand {
    /// Enter a check with its readings
    Add {
        /// The check
        check: String,
        /// What was read, as NAME=VALUE: pump='212 bar', look=ok, returns='attention mud'
        #[arg(required = true, value_name = "NAME=VALUE")]
        answers: Vec<String>,
        /// Module, for a check of each module
        #[arg(long, value_name = "N")]
        module: Option<u32>,
        /// Enter a reading that was asked about: it is meant
        #[arg(long)]
        yes: bool,
        #[command(flatten)]
        when: WhenArgs,
        /// Print JSON instead of words
        #[arg(long)]
        json: bool,
    },
    /// Leave a check out, with the reason
    Skip {
        /// The check
        check: String,
        /// Why
        reason: String,
        /// Module, for a check of each module
        #[arg(long, value_name = "N")]
        module: Option<u32>,
        #[command(flatten)]
        when: WhenArgs,
    },
    /// List the entries of a tour
    List {
        /// now, last, or a time in the tour
        #[arg(long, value_name = "TOUR", default_value = "now")]
        tour: String,
        /// Look at it from this time [default: now]
        #[arg(long, value_name = "TIME")]
        at: Option<String>,
        /// Print JSON instead of words
        #[arg(long)]
        json: bool,
    },
    /// Show one reading over time
    Trend {
        /// The check
        check: String,
        /// What of it
        name: String,
        /// Module, for a check of each module
        #[arg(long, value_name = "N")]
        module: Option<u32>,
        /// Print JSON instead of words
        #[arg(long)]
        json: bool,
    },
}

/// Runs the command.
///
/// # Errors
/// No book, a check that is not in the sheet, a reading that can't be; an unlikely one without `--yes` is status 1.
pub fn run(args: &ReadingArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let mut book = args.place.open()?;
    let (sheet, _) = book.sheet()?;
    match &args.what {
        ReadingCommand::Add { check, answers, module, yes, when, json } => {
            let check = known(&sheet, check)?;
            let at = when.instant(&sheet)?;
            let mut typed = Vec::new();
            for text in answers {
                let (name, value) = text.split_once('=').ok_or_else(|| {
                    Usage(format!("\"{text}\" lacks its name; write it like {}=...", check.asks[0].name))
                })?;
                typed.push((name.to_owned(), value.to_owned()));
            }
            let wish = CheckWish { check: &check.id, pump: args.pump.as_deref(), module: *module, at, by: &when.by };
            let entered = book.enter_check(&sheet, &wish, &typed, *yes).map_err(usage)?;
            if *json {
                io.json(&json!({
                    "schema": "seatsong.reading/1", "number": entered.number, "check": check.id, "at": at,
                    "remarks": entered.remarks,
                }))?;
            } else {
                writeln!(io.out, "Entered: {} at {}.", check.id, sheet.plan.date_time(at))?;
                if !entered.missing.is_empty() {
                    writeln!(io.out, "Not given: {}.", entered.missing.join(", "))?;
                }
                for (name, said, outside) in &entered.limits {
                    let outside = if *outside == Some(true) { "OUTSIDE: " } else { "" };
                    writeln!(io.out, "  {name}: {outside}{said}")?;
                }
                for r in &entered.remarks {
                    let word = match r.weight {
                        Weight::Tell => "TELL THE SUPERVISOR: ",
                        Weight::Look => "LOOK: ",
                        Weight::Fine | Weight::Missing => "",
                    };
                    writeln!(io.out, "{word}{}", r.words())?;
                }
            }
        }
        ReadingCommand::Skip { check, reason, module, when } => {
            let check = known(&sheet, check)?;
            let at = when.instant(&sheet)?;
            let wish = CheckWish { check: &check.id, pump: args.pump.as_deref(), module: *module, at, by: &when.by };
            book.skip_check(&sheet, &wish, reason).map_err(usage)?;
            writeln!(io.out, "Left out: {} at {}: {}", check.id, sheet.plan.date_time(at), reason.trim())?;
        }
        ReadingCommand::List { tour, at, json } => {
            let at = tour_args::at(at.as_deref(), &sheet)?;
            let (tour, _) = tour_args::tour(tour, at, &sheet)?;
            let pump = args.pump.as_deref().map(|n| book.pump(n)).transpose()?;
            list(&book, pump.as_ref(), &sheet, &book.checks(pump.as_ref(), tour.start, tour.end)?, *json, io)?;
        }
        ReadingCommand::Trend { check, name, module, json } => {
            let check = known(&sheet, check)?;
            let ask = check.asks.iter().find(|a| a.name == *name);
            let Some(AskKind::Reading { unit, limits, .. }) = ask.map(|a| &a.kind) else {
                return Err(Usage(format!("check {} has no reading named {name}", check.id)).into());
            };
            let pump = book.pump_or_only(args.pump.as_deref())?;
            let end = jiff::Timestamp::MAX;
            let all = book.readings(&pump, *module, &check.id, name, end)?;
            if *json {
                let points: Vec<Value> =
                    all.iter().map(|(t, si)| json!({"at": t, "si": si, "shown": unit.show(*si)})).collect();
                io.json(
                    &json!({"schema": "seatsong.reading-trend/1", "check": check.id, "name": name, "points": points}),
                )?;
            } else {
                writeln!(io.out, "{}, {} of {}: {}", check.id, name, pump.data.name, limits.words(unit))?;
                for (t, si) in all {
                    let outside = if limits.outside(si) == Some(true) { "  OUTSIDE" } else { "" };
                    writeln!(io.out, "  {}  {}{outside}", sheet.plan.date_time(t), unit.show(si))?;
                }
            }
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn known<'a>(sheet: &'a Sheet, id: &str) -> anyhow::Result<&'a Check> {
    check_named(sheet, id).map_err(usage)
}

/// What makes no sense as typed is wrong usage; all else is work that failed.
fn usage(err: EntryError) -> anyhow::Error {
    match err {
        EntryError::Wrong(text) => Usage(text).into(),
        other => other.into(),
    }
}

fn list(
    book: &Book,
    pump: Option<&PumpRow>,
    sheet: &Sheet,
    rows: &[CheckRow],
    json: bool,
    io: &mut Io<'_>,
) -> anyhow::Result<()> {
    let pumps = book.pumps()?;
    let name =
        |id: Option<i64>| id.and_then(|id| pumps.iter().find(|p| p.id == id)).map_or("rig", |p| p.data.name.as_str());
    if json {
        let all: Vec<Value> = rows
            .iter()
            .map(|r| {
                let answers: Vec<Value> =
                    r.answers.iter().map(|a| json!({"name": a.ask, "kind": a.kind, "words": a.words, "si": a.si})).collect();
                let (outcome, reason) = outcome(&r.outcome);
                json!({"number": r.id, "check": r.check, "pump": name(r.pump_id), "module": r.module, "at": r.at, "by": r.by,
                    "outcome": outcome, "reason": reason, "answers": answers})
            })
            .collect();
        return io.json(&json!({"schema": "seatsong.readings/1", "entries": all}));
    }
    if rows.is_empty() {
        let of = pump.map_or(String::new(), |p| format!(" of {}", p.data.name));
        writeln!(io.out, "No entries{of} in this tour.")?;
    }
    for r in rows {
        let check = sheet.checks.iter().find(|c| c.id == r.check);
        let mut parts = Vec::new();
        for a in &r.answers {
            let ask = check.and_then(|c| c.asks.iter().find(|x| x.name == a.ask)).map(|x| &x.kind);
            parts.push(match (a.kind.as_str(), a.si, ask) {
                ("reading", Some(si), Some(AskKind::Reading { unit, .. })) => format!("{} {}", a.ask, unit.show(si)),
                ("reading", Some(si), _) => format!("{} {si} (SI)", a.ask),
                ("ok", ..) => format!("{} ok", a.ask),
                (kind, ..) => format!("{} {kind}: {}", a.ask, a.words),
            });
        }
        let (_, reason) = outcome(&r.outcome);
        if let Some(reason) = reason {
            parts.push(format!("left out: {reason}"));
        }
        let module = r.module.map_or(String::new(), |m| format!(" module {m}"));
        let (clock, pump) = (sheet.plan.clock(r.at), name(r.pump_id));
        writeln!(io.out, "{clock} {pump}{module} {}: {} ({})", r.check, parts.join(", "), r.by)?;
    }
    Ok(())
}

fn outcome(outcome: &Outcome) -> (&'static str, Option<&str>) {
    match outcome {
        Outcome::Fine => ("fine", None),
        Outcome::Attention => ("attention", None),
        Outcome::Skipped { reason } => ("skipped", Some(reason)),
    }
}
