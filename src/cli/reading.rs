//! `seatsong reading`: checks and readings of the tour.

use std::process::ExitCode;

use anyhow::bail;
use clap::{Args, Subcommand};
use serde_json::{Value, json};

use super::book::BookArg;
use super::tour_args::{self, WhenArgs};
use super::{Io, Usage};
use crate::book::{Book, CheckRow, NewCheck, PumpRow};
use crate::tour::cross::{Remark, Weight};
use crate::tour::reading::judge;
use crate::tour::{AskKind, Check, Outcome, Per, Sheet};

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
            let pump = pump_for(&book, check, args.pump.as_deref(), *module)?;
            let at = when.instant(&sheet)?;
            let mut read = Vec::new();
            let mut questions = Vec::new();
            for text in answers {
                let (name, value) = text.split_once('=').ok_or_else(|| {
                    Usage(format!("\"{text}\" lacks its name; write it like {}=...", check.asks[0].name))
                })?;
                let ask = check.asks.iter().find(|a| a.name == name.trim()).ok_or_else(|| {
                    let names: Vec<&str> = check.asks.iter().map(|a| a.name.as_str()).collect();
                    Usage(format!("check {} asks no \"{name}\"; it asks: {}", check.id, names.join(", ")))
                })?;
                if read.iter().any(|(n, _, _)| n == &ask.name) {
                    return Err(Usage(format!("{name} is given twice")).into());
                }
                let before: Vec<f64> = match &pump {
                    Some(p) => book.readings(p, *module, &check.id, &ask.name, at)?.into_iter().map(|r| r.1).collect(),
                    None => Vec::new(),
                };
                let judged = judge(&check.id, ask, value, &before)?;
                let asked = judged.question.is_some();
                questions.extend(judged.question);
                read.push((ask.name.clone(), judged.answer, asked));
            }
            if !questions.is_empty() && !yes {
                bail!("not entered: {}", questions.join("; "));
            }
            let new = NewCheck {
                check: &check.id,
                pump: pump.as_ref(),
                module: *module,
                at,
                by: &when.by,
                answers: read,
                skipped: None,
            };
            let number = book.add_check(&new)?;
            let said = remarks(&book, pump.as_ref(), &sheet, check, at)?;
            if *json {
                io.json(&json!({"schema": "seatsong.reading/1", "number": number, "check": check.id, "at": at, "remarks": said}))?;
            } else {
                writeln!(io.out, "Entered: {} at {}.", check.id, sheet.plan.date_time(at))?;
                let missing: Vec<&str> = check
                    .asks
                    .iter()
                    .filter(|a| !new.answers.iter().any(|(n, _, _)| *n == a.name) && a.kind != AskKind::Photo)
                    .map(|a| a.name.as_str())
                    .collect();
                if !missing.is_empty() {
                    writeln!(io.out, "Not given: {}.", missing.join(", "))?;
                }
                for line in limits(&new, check) {
                    writeln!(io.out, "{line}")?;
                }
                for r in &said {
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
            let pump = pump_for(&book, check, args.pump.as_deref(), *module)?;
            let at = when.instant(&sheet)?;
            if reason.trim().is_empty() {
                return Err(Usage("the reason is empty; write why the check is left out".into()).into());
            }
            let new = NewCheck {
                check: &check.id,
                pump: pump.as_ref(),
                module: *module,
                at,
                by: &when.by,
                answers: Vec::new(),
                skipped: Some(reason.trim()),
            };
            book.add_check(&new)?;
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
    sheet.checks.iter().find(|c| c.id == id).ok_or_else(|| {
        let all: Vec<&str> = sheet.checks.iter().map(|c| c.id.as_str()).collect();
        Usage(format!("\"{id}\" is not in the check sheet; it has: {}", all.join(", "))).into()
    })
}

fn pump_for(book: &Book, check: &Check, name: Option<&str>, module: Option<u32>) -> anyhow::Result<Option<PumpRow>> {
    let wrong = |text: String| Err(Usage(text).into());
    match (check.per, module) {
        (Per::Module, None) => return wrong(format!("check {} is made on each module; give --module", check.id)),
        (Per::Pump | Per::Rig, Some(_)) => {
            return wrong(format!("check {} is not made by module; leave --module out", check.id));
        }
        _ => {}
    }
    if check.per == Per::Rig {
        return Ok(None);
    }
    let pump = book.pump_or_only(name)?;
    if let Some(m) = module.filter(|m| !pump.data.order.contains(m)) {
        return wrong(format!("{} has no module {m}", pump.data.name));
    }
    Ok(Some(pump))
}

/// Remarks of the rules that this check feeds.
fn remarks(
    book: &Book,
    pump: Option<&PumpRow>,
    sheet: &Sheet,
    check: &Check,
    at: jiff::Timestamp,
) -> anyhow::Result<Vec<Remark>> {
    let rules: &[&str] = match check.id.as_str() {
        "gauges" => &["gauges", "circuit"],
        "oil-pressure" => &["oil-filter"],
        "relief-valve" | "liner-rating" => &["relief"],
        "precharge" => &["precharge"],
        "liner-wash" | "oil-level" => &["piston-liner", "seals"],
        _ => &[],
    };
    let Some(pump) = pump.filter(|_| !rules.is_empty()) else { return Ok(Vec::new()) };
    let tour = sheet.plan.tour_at(at)?;
    let mut all = book.remarks(pump, sheet, &tour, at, &[])?;
    all.retain(|r| rules.contains(&r.rule));
    Ok(all)
}

/// What the limits say of the readings just entered.
fn limits(new: &NewCheck<'_>, check: &Check) -> Vec<String> {
    let mut out = Vec::new();
    for ask in &check.asks {
        let AskKind::Reading { unit, limits, .. } = &ask.kind else { continue };
        let answer = new.answers.iter().find(|(n, _, _)| *n == ask.name).map(|(_, a, _)| a);
        let Some(crate::tour::reading::Answer::Reading { si, .. }) = answer else { continue };
        let outside = if limits.outside(*si) == Some(true) { "OUTSIDE: " } else { "" };
        out.push(format!("  {}: {outside}{}; {}", ask.name, unit.show(*si), limits.words(unit)));
    }
    out
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
