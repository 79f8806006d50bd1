//! `seatsong trend`: how a pump's modules have gone, and where they are going.

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, ValueEnum};
use serde_json::json;

use super::Io;
use super::book::{BookArg, go_on};
use super::options::picture_path;
use crate::report::trend::{Along, TrendView, trend_picture};
use crate::report::trend_table;
use crate::score::trend::words::point_to_the_first;
use crate::score::trend::{TrendSettings, trend};

/// Tell how each module's departure has gone over the rounds, and announce a slow drift that single verdicts miss
///
/// Takes the verdicts that are in the book: a round counts once `seatsong verdict` has judged it.
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong trend MP-1
  seatsong trend MP-1 --module 2 --days 30 --picture trend.png
  seatsong trend MP-1 --over strokes --table=30

A drift is a reason to look, not a finding: opening a pump needs the site's permit to work, isolation, lock-out and bled pressure.")]
pub struct TrendArgs {
    /// Pump [default: the only one]
    pump: Option<String>,
    /// Only this module
    #[arg(long, value_name = "N")]
    module: Option<u32>,
    /// Draw the last days only
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    days: Option<u32>,
    /// Draw over days, or over the strokes that the pump has made (from its running hours and the rounds' speeds)
    #[arg(long, value_enum, default_value_t)]
    over: Over,
    /// Print the last rounds of each module as a table, with the changes of part
    #[arg(long, value_name = "ROUNDS", num_args = 0..=1, require_equals = true, default_missing_value = "20")]
    table: Option<usize>,
    /// Draw departure, excess and drift
    #[arg(long, value_name = "OUT.png|.svg", value_parser = picture_path)]
    picture: Option<PathBuf>,
    /// Print JSON (schema seatsong.trends/1) instead of words
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    place: BookArg,
}

/// What a trend is drawn over.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, ValueEnum)]
enum Over {
    /// Days
    #[default]
    Time,
    /// Strokes
    Strokes,
}

/// Runs the command.
///
/// # Errors
/// No book, no such pump or module, a picture that can't be written.
pub fn run(args: &TrendArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let mut book = args.place.open()?;
    let pump = book.pump_or_only(args.pump.as_deref())?;
    let mut trends = args
        .module
        .map_or_else(|| pump.modules(), |m| vec![m])
        .iter()
        .map(|&m| Ok(trend(&book.trend_input(&pump, m)?, &TrendSettings::default())))
        .collect::<anyhow::Result<Vec<_>>>()?;
    point_to_the_first(&mut trends);
    if args.json {
        io.json(&json!({"schema": "seatsong.trends/1", "pump": pump.data.name, "modules": trends}))?;
    } else {
        for t in &trends {
            writeln!(io.out, "{}", t.sentence)?;
            if let Some(last) = t.points.last() {
                writeln!(
                    io.out,
                    "  last departure {:.1}, {} judged rounds over {:.1} days, drift chart at {:.0} % of its limit",
                    last.departure,
                    t.rounds,
                    t.days,
                    100.0 * last.chart
                )?;
            }
            if let Some(n) = args.table {
                write!(io.out, "{}", trend_table::table(t, n))?;
            }
        }
    }
    if let Some(path) = &args.picture {
        let along = if args.over == Over::Strokes { Along::Strokes } else { Along::Time };
        let view = TrendView { along, days: args.days.map(f64::from) };
        trend_picture(path, &trends, &format!("Pump {}", pump.data.name), view)?;
        io.say(&format!("{}: picture of the trend", path.display()))?;
    }
    go_on(&mut book, io)?;
    Ok(ExitCode::SUCCESS)
}
