//! `seatsong baseline`: which rounds are known-good.

use std::process::ExitCode;
use std::str::FromStr as _;

use clap::{Args, Subcommand};
use serde_json::json;

use super::Io;
use super::book::BookArg;
use crate::book::{Proposal, PumpRow, Stamp, Standing};
use crate::units::Dimension;

/// Accept and drop known-good rounds, show what a baseline is worth, start it anew
///
/// The program proposes rounds and says why; a person who has listened accepts them.
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong baseline show
  seatsong baseline accept 3 4 5 --by derrickman
  seatsong baseline drop 4 --module 2 --why 'radio beside the sensor'
  seatsong baseline restart --module 2 --why 'new suction valve and seat'")]
pub struct BaselineArgs {
    #[command(subcommand)]
    what: BaselineCommand,
    /// Pump [default: the only one]
    #[arg(long, value_name = "NAME", global = true)]
    pump: Option<String>,
    #[command(flatten)]
    place: BookArg,
}

#[derive(Debug, Clone, Subcommand)]
enum BaselineCommand {
    /// Accept rounds as known-good
    Accept {
        /// Numbers of the rounds
        #[arg(required = true)]
        rounds: Vec<i64>,
        /// Only this module; again for more [default: all that have clips]
        #[arg(long, value_name = "N")]
        module: Vec<u32>,
        /// Who says so (crew position)
        #[arg(long, value_name = "POSITION", default_value = "")]
        by: String,
    },
    /// Take a round out; its entry stays with the reason
    Drop {
        /// Number of the round
        round: i64,
        /// Only this module; again for more
        #[arg(long, value_name = "N")]
        module: Vec<u32>,
        /// Why
        #[arg(long, value_name = "TEXT")]
        why: String,
    },
    /// Say how many rounds, what span, how tight, which clip is odd, and which rounds could be accepted
    Show {
        /// Print JSON instead of words
        #[arg(long)]
        json: bool,
    },
    /// Start a module's baseline anew, such as after a part was changed; older rounds stay for history
    Restart {
        /// Module
        #[arg(long, value_name = "N")]
        module: u32,
        /// From when [default: now]
        #[arg(long, value_name = "TIME", value_parser = Stamp::from_str)]
        at: Option<Stamp>,
        /// Why
        #[arg(long, value_name = "TEXT")]
        why: String,
    },
}

/// Runs the command.
///
/// # Errors
/// No book, a pump, module or round that is not in it.
pub fn run(args: &BaselineArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let mut book = args.place.open()?;
    match &args.what {
        BaselineCommand::Accept { rounds, module, by } => {
            for id in rounds {
                let round = book.round(*id)?;
                let new = book.accept(&round, module, by)?;
                if new.is_empty() {
                    writeln!(io.out, "Round {id} was accepted before.")?;
                } else {
                    writeln!(io.out, "Round {id} is known-good for module {}.", list(&new))?;
                }
                io.out.flush()?;
            }
        }
        BaselineCommand::Drop { round, module, why } => {
            let row = book.round(*round)?;
            let dropped = book.drop_good(&row, module, why)?;
            writeln!(io.out, "Round {round} no longer counts for module {}; its clips stay.", list(&dropped))?;
        }
        BaselineCommand::Restart { module, at, why } => {
            let pump = book.pump_or_only(args.pump.as_deref())?;
            let at = at.clone().unwrap_or_else(Stamp::now);
            book.restart(&pump, *module, &at, why)?;
            writeln!(
                io.out,
                "The baseline of {} module {module} counts from {}. Accept at least 3 good rounds from then on.",
                pump.data.name,
                at.short()
            )?;
        }
        BaselineCommand::Show { json } => {
            let pump = book.pump_or_only(args.pump.as_deref())?;
            let bar = io.progress(book.n_good_missing(&pump)?, "stroke maps");
            let found =
                book.standings(&pump, &|| bar.inc(1)).and_then(|s| Ok((s, book.proposals(&pump, &|| bar.inc(1))?)));
            bar.finish_and_clear();
            let (standings, proposals) = found?;
            if *json {
                io.json(&json!({
                    "schema": "seatsong.baseline/1", "pump": pump.data.name, "modules": standings, "proposals": proposals,
                }))?;
            } else {
                tell(&pump, &standings, &proposals, io)?;
            }
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn list(modules: &[u32]) -> String {
    modules.iter().map(u32::to_string).collect::<Vec<_>>().join(", ")
}

fn tell(pump: &PumpRow, standings: &[Standing], proposals: &[Proposal], io: &mut Io<'_>) -> anyhow::Result<()> {
    let pressure = |pa: f64| Dimension::Pressure.show(pa, pump.data.units);
    for s in standings {
        let mut line = format!("{} module {}: {} good round(s)", pump.data.name, s.module, s.rounds.len());
        if let Some([low, high]) = s.spm {
            line += &format!(", {low:.0}-{high:.0} strokes a minute");
        }
        if let Some([low, high]) = s.pressure_pa {
            line += &format!(", {} to {}", pressure(low), pressure(high));
        }
        if let Some(db) = s.scatter_db {
            line += &format!(", scatter {db:.1} dB");
        }
        writeln!(io.out, "{line}")?;
        if s.rounds.len() < 3 {
            writeln!(io.out, "  a verdict needs 3 good rounds, better 8")?;
        }
        if let Some(r) = &s.restart {
            writeln!(io.out, "  started anew {}: {}", r.at, r.why)?;
        }
        for o in &s.odd {
            writeln!(
                io.out,
                "  odd: {} is {:.1} times the limit from the other good ones; listen to it, `baseline drop` takes it out",
                o.file, o.departure
            )?;
        }
    }
    for p in proposals {
        let word = if p.fit { "could be accepted" } else { "not proposed" };
        writeln!(io.out, "Round {} ({}) {word}: {}", p.round, p.at, p.why.join("; "))?;
    }
    Ok(())
}
