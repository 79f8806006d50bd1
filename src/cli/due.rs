//! `seatsong due`: what of the check sheet is due, in walking order.

use std::process::ExitCode;

use anyhow::bail;
use clap::Args;

use super::book::BookArg;
use super::{Io, tour_args};
use crate::book::{SHEET, due_document};
use crate::report::write_file;
use crate::tour::{DEFAULT_SHEET, Item, Sheet, Standing};

/// Show what of the check sheet is due, overdue, done and left out, in walking order
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong due
  seatsong due --all
  seatsong due --write-sheet        puts checks.toml into the book, for the site to edit")]
pub struct DueArgs {
    /// At this time, on the rig's clock [default: now]
    #[arg(long, value_name = "TIME")]
    at: Option<String>,
    /// Also what is done, left out and not before a later tour
    #[arg(long)]
    all: bool,
    /// Only this pump
    #[arg(long, value_name = "NAME")]
    pump: Option<String>,
    /// Write the sheet that the program comes with into the book, for editing; an own one is left as it is
    #[arg(long)]
    write_sheet: bool,
    /// Print JSON instead of words
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    place: BookArg,
}

/// Runs the command.
///
/// # Errors
/// No book, a sheet with a mistake, a time in the future.
pub fn run(args: &DueArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let book = args.place.open()?;
    if args.write_sheet {
        let path = book.dir().join(SHEET);
        if path.exists() {
            bail!("{}: the site's sheet is there already; edit it", path.display());
        }
        write_file(&path, DEFAULT_SHEET.as_bytes())?;
        writeln!(io.out, "{}: written. Enter the zone, the change times and the maker's limits.", path.display())?;
        return Ok(ExitCode::SUCCESS);
    }
    let (sheet, own) = book.sheet()?;
    let at = tour_args::at(args.at.as_deref(), &sheet)?;
    let tour = sheet.plan.tour_at(at)?;
    let pump = args.pump.as_deref().map(|n| book.pump(n)).transpose()?;
    let mut items = book.due(&sheet, &tour, at)?;
    items.retain(|i| pump.as_ref().is_none_or(|p| i.target.pump.as_deref() == Some(p.data.name.as_str())));
    if args.json {
        io.json(&due_document(&sheet, own, &tour, at, &items))?;
        return Ok(ExitCode::SUCCESS);
    }
    writeln!(io.out, "Tour {}", sheet.plan.tour_name(&tour))?;
    if !own {
        writeln!(io.out, "The site has no sheet of its own yet: this one comes with the program (--write-sheet).")?;
    }
    let mut last = None;
    for item in items.iter().filter(|i| args.all || is_open(&i.standing)) {
        if last != Some(&item.target.pump) {
            writeln!(io.out, "\n{}", item.target.pump.as_deref().unwrap_or("rig"))?;
            last = Some(&item.target.pump);
        }
        writeln!(io.out, "{}", line(item, &sheet))?;
    }
    if last.is_none() {
        writeln!(io.out, "Nothing is due.")?;
    }
    Ok(ExitCode::SUCCESS)
}

fn is_open(standing: &Standing) -> bool {
    matches!(standing, Standing::Due { .. } | Standing::Overdue { .. } | Standing::NoHours)
}

fn line(item: &Item, sheet: &Sheet) -> String {
    let clock = |t| sheet.plan.clock(t);
    let (word, when) = match &item.standing {
        Standing::Due { by } => ("due", format!("by {}", clock(*by))),
        Standing::Overdue { since: Some(t) } => ("OVERDUE", format!("since {}, {}", sheet.plan.day(*t), clock(*t))),
        Standing::Overdue { since: None } => ("OVERDUE", "no entry yet".to_owned()),
        Standing::Done { at, attention } => {
            ("done", format!("{}{}", clock(*at), if *attention { ", wants attention" } else { "" }))
        }
        Standing::Skipped { at, reason } => ("left out", format!("{}: {reason}", clock(*at))),
        Standing::Later { from } => ("later", format!("from {}", sheet.plan.day(*from))),
        Standing::NoHours => ("?", "no running hours entered (seatsong part hours)".to_owned()),
    };
    let module = item.target.module.map_or(String::new(), |m| format!(" module {m}"));
    let made = if item.wanted > 1 { format!(", {} of {} made", item.made, item.wanted) } else { String::new() };
    format!("  {word:<8} {}{module}: {} ({}; {when}{made})", item.check, item.text, item.every)
}
