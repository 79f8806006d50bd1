//! `seatsong round`: one walk past all spots of one pump.

use std::process::ExitCode;
use std::str::FromStr as _;

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use super::Io;
use super::book::BookArg;
use super::options::console_spm;
use crate::book::{Book, NewRound, PumpRow, RoundChange, RoundLine, RoundRow, Stamp};
use crate::units::{Dimension, KgPerM3, Pascal, UnitSystem};

/// Start, close, list, show rounds: one walk past all spots of one pump
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong round start --pump MP-1 --spm 72 --pressure 2600psi --mud 10.2ppg --crew derrickman
  seatsong round close 12 --remarks 'screen cleaned'
  seatsong round list")]
pub struct RoundArgs {
    #[command(subcommand)]
    what: RoundCommand,
    /// Pump [default: the only one; for list: all]
    #[arg(long, value_name = "NAME", global = true)]
    pump: Option<String>,
    #[command(flatten)]
    place: BookArg,
}

#[derive(Debug, Clone, Subcommand)]
enum RoundCommand {
    /// Start a round
    Start {
        /// When, such as 2026-11-25T06:30+01:00 [default: now]
        #[arg(long, value_name = "TIME", value_parser = Stamp::from_str)]
        at: Option<Stamp>,
        #[command(flatten)]
        point: PointArgs,
        /// Print JSON instead of words
        #[arg(long)]
        json: bool,
    },
    /// Close a round; what was not said before can be said now
    Close {
        /// Number of the round [default: the open one]
        round: Option<i64>,
        #[command(flatten)]
        point: PointArgs,
        /// Print JSON instead of words
        #[arg(long)]
        json: bool,
    },
    /// List the newest rounds
    List {
        /// How many
        #[arg(long, value_name = "N", default_value_t = 20)]
        most: usize,
        /// Print JSON instead of words
        #[arg(long)]
        json: bool,
    },
    /// Show a round with its clips
    Show {
        /// Number of the round, or last
        #[arg(default_value = "last")]
        round: String,
        /// Print JSON instead of words
        #[arg(long)]
        json: bool,
    },
}

/// The operating point and who walked
#[derive(Debug, Clone, Default, Args)]
pub(super) struct PointArgs {
    /// Strokes a minute on the console
    #[arg(long, value_name = "N", value_parser = console_spm)]
    pub spm: Option<f64>,
    /// Discharge pressure with its unit, such as 2600psi or 179bar
    #[arg(long, value_name = "P", value_parser = Pascal::from_str)]
    pub pressure: Option<Pascal>,
    /// Mud weight with its unit, such as 10.2ppg or 1.22sg
    #[arg(long, value_name = "W", value_parser = KgPerM3::from_str)]
    pub mud: Option<KgPerM3>,
    /// Who walked: the crew position, no name needed
    #[arg(long, value_name = "POSITION")]
    pub crew: Option<String>,
    /// What was noticed
    #[arg(long, value_name = "TEXT")]
    pub remarks: Option<String>,
}

impl PointArgs {
    /// As the book takes it.
    pub(super) fn change(&self) -> RoundChange {
        RoundChange {
            spm: self.spm,
            pressure_pa: self.pressure.map(|p| p.0),
            mud_kg_m3: self.mud.map(|m| m.0),
            crew: self.crew.clone(),
            remarks: self.remarks.clone(),
        }
    }
}

/// Runs the command.
///
/// # Errors
/// No book, a pump or round that is not in it.
pub fn run(args: &RoundArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let mut book = args.place.open()?;
    let named = args.pump.as_deref();
    match &args.what {
        RoundCommand::Start { at, point, json } => {
            let pump = book.pump_or_only(named)?;
            let round = book.start_round(&pump, &NewRound { at: at.clone(), point: point.change() })?;
            show(&book, &round, *json, io)?;
        }
        RoundCommand::Close { round, point, json } => {
            let id = match round {
                Some(id) => *id,
                None => {
                    let pump = book.pump_or_only(named)?;
                    let open = book.open_round(&pump)?;
                    open.ok_or_else(|| anyhow::anyhow!("pump {} has no open round", pump.data.name))?.id
                }
            };
            let round = book.change_round(id, &point.change(), true)?;
            show(&book, &round, *json, io)?;
        }
        RoundCommand::List { most, json } => {
            let pump = named.map(|n| book.pump(n)).transpose()?;
            let lines = book.round_lines(pump.as_ref(), *most)?;
            if *json {
                io.json(&json!({"schema": "seatsong.rounds/1", "rounds": lines}))?;
            } else {
                list(&book, &lines, io)?;
            }
        }
        RoundCommand::Show { round, json } => {
            let pump = named.map(|n| book.pump(n)).transpose()?;
            let round = book.round_named(round, pump.as_ref())?;
            show(&book, &round, *json, io)?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// The operating point in words.
fn point_words(round: &RoundRow, units: UnitSystem) -> String {
    let mut parts = Vec::new();
    parts.extend(round.spm.map(|s| format!("{s} strokes a minute")));
    parts.extend(round.pressure_pa.map(|p| Dimension::Pressure.show(p, units)));
    parts.extend(round.mud_kg_m3.map(|m| format!("mud {}", Dimension::Density.show(m, units))));
    parts.extend(round.liner_m.map(|l| format!("liner {}", Dimension::Length.show(l, units))));
    if parts.is_empty() { "operating point not entered".to_owned() } else { parts.join(", ") }
}

/// First line about a round.
pub(super) fn head(round: &RoundRow, pump: &PumpRow) -> String {
    let short = Stamp { text: round.started.text.clone(), ms: round.started.ms }.short();
    let state = if round.closed_at.is_some() { "closed" } else { "open" };
    format!("Round {} of {}, {short}, {state}: {}", round.id, pump.data.name, point_words(round, pump.data.units))
}

fn show(book: &Book, round: &RoundRow, as_json: bool, io: &mut Io<'_>) -> anyhow::Result<()> {
    let pump = book.pump_by_id(round.pump_id)?;
    let clips = book.clips(round.id)?;
    if as_json {
        let mut value = round_json(round, &pump);
        let mut listed = Vec::new();
        for c in &clips {
            let mut clip = serde_json::to_value(c)?;
            clip["capture"] = serde_json::to_value(book.capture(c.id)?)?;
            listed.push(clip);
        }
        value["clips"] = Value::Array(listed);
        return io.json(&json!({"schema": "seatsong.round/1", "round": value}));
    }
    writeln!(io.out, "{}", head(round, &pump))?;
    if !round.crew.is_empty() {
        writeln!(io.out, "  walked by {}", round.crew)?;
    }
    for line in round.remarks.lines() {
        writeln!(io.out, "  {line}")?;
    }
    for c in &clips {
        writeln!(io.out, "  module {}, spot {}: {} ({})", c.module, c.spot, c.original, c.file)?;
        if let Some(capture) = book.capture(c.id)?.filter(|k| k.ended.short()) {
            writeln!(io.out, "    cut short after {:.1} s: {}", capture.length_s, capture.ended.words())?;
        }
    }
    let missing: Vec<String> =
        pump.modules().iter().filter(|m| clips.iter().all(|c| c.module != **m)).map(u32::to_string).collect();
    if !missing.is_empty() {
        writeln!(io.out, "  no clip yet of module {}", missing.join(", "))?;
    }
    Ok(())
}

/// A round in SI.
pub(super) fn round_json(r: &RoundRow, pump: &PumpRow) -> Value {
    json!({
        "number": r.id, "key": r.uuid, "pump": pump.data.name, "at": r.started.text, "closed_at": r.closed_at, "spm": r.spm,
        "pressure_pa": r.pressure_pa, "mud_kg_m3": r.mud_kg_m3, "liner_m": r.liner_m, "crew": r.crew, "remarks": r.remarks,
    })
}

fn list(book: &Book, lines: &[RoundLine], io: &mut Io<'_>) -> anyhow::Result<()> {
    if lines.is_empty() {
        writeln!(io.out, "No rounds yet. Next: seatsong import FOLDER --map 'm{{module}}*.wav'")?;
        return Ok(());
    }
    let pumps = book.pumps()?;
    writeln!(
        io.out,
        "{:>6}  {:16}  {:10}  {:>5}  {:>9}  {:>5}  {:>4}  verdict",
        "round", "time", "pump", "spm", "pressure", "clips", "good"
    )?;
    for l in lines {
        let units = pumps.iter().find(|p| p.data.name == l.pump).map(|p| p.data.units).unwrap_or_default();
        let at: String = l.at.chars().take(16).collect::<String>().replacen('T', " ", 1);
        let spm = l.spm.map_or_else(|| "-".to_owned(), |s| format!("{s:.0}"));
        let pressure = l.pressure_pa.map_or_else(|| "-".to_owned(), |p| Dimension::Pressure.show(p, units));
        let verdict = l.verdict.as_deref().unwrap_or("-");
        let open = if l.closed { "" } else { "  (open)" };
        writeln!(
            io.out,
            "{:>6}  {at:16}  {:10}  {spm:>5}  {pressure:>9}  {:>5}  {:>4}  {verdict}{open}",
            l.round, l.pump, l.clips, l.good
        )?;
    }
    Ok(())
}
