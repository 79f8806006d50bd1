//! `seatsong book`: the folder that keeps it all.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Args, Subcommand};
use serde_json::json;

use super::Io;
use crate::book::{Book, CheckReport};

/// Where the book is
#[derive(Debug, Clone, Default, Args)]
pub(crate) struct BookArg {
    /// The book [default: what SEATSONG_BOOK names, else ./book]
    #[arg(long, value_name = "DIR", global = true)]
    pub book: Option<PathBuf>,
}

impl BookArg {
    /// Opens it.
    pub(crate) fn open(&self) -> anyhow::Result<Book> {
        Ok(Book::open(&Book::place(self.book.as_deref()))?)
    }
}

/// Make, check, mend the book: the folder that keeps pumps, rounds, clips and verdicts
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:\n  seatsong book new rig-book\n  seatsong book check --book rig-book")]
pub struct BookArgs {
    #[command(subcommand)]
    what: BookCommand,
    #[command(flatten)]
    place: BookArg,
}

#[derive(Debug, Clone, Subcommand)]
enum BookCommand {
    /// Make a book
    New {
        /// Folder of the new book [default: what --book or SEATSONG_BOOK names, else ./book]
        dir: Option<PathBuf>,
    },
    /// Say how much is in the book
    Show {
        /// Print JSON instead of words
        #[arg(long)]
        json: bool,
    },
    /// Check the database, every reference and every clip's checksum
    Check {
        /// Print JSON instead of words
        #[arg(long)]
        json: bool,
    },
    /// Put right what can be: find moved clips by their checksums, put strangers into quarantine; never deletes
    Mend {
        /// Print JSON instead of words
        #[arg(long)]
        json: bool,
    },
}

/// Runs the command.
///
/// # Errors
/// No book, a disk or a database that says no; a check that finds faults is status 1.
pub fn run(args: &BookArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    match &args.what {
        BookCommand::New { dir } => new(&Book::place(dir.as_deref().or(args.place.book.as_deref())), io),
        BookCommand::Show { json } => show(&args.place.open()?, *json, io),
        BookCommand::Check { json } => check(&args.place.open()?, *json, io),
        BookCommand::Mend { json } => mend(&mut args.place.open()?, *json, io),
    }
}

fn new(dir: &Path, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    Book::create(dir)?;
    writeln!(io.out, "{}: a new book. Next: seatsong pump add NAME --stroke 12in", dir.display())?;
    Ok(ExitCode::SUCCESS)
}

fn show(book: &Book, json: bool, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let o = book.overview()?;
    if json {
        io.json(&json!({"schema": "seatsong.book/1", "place": book.dir(), "holds": o}))?;
        return Ok(ExitCode::SUCCESS);
    }
    writeln!(io.out, "{}", book.dir().display())?;
    writeln!(io.out, "  pumps {}, rounds {}, clips {} ({})", o.pumps, o.rounds, o.clips, size(o.clip_bytes))?;
    writeln!(io.out, "  stroke maps {}, verdicts {}; database {}", o.maps, o.verdicts, size(o.database_bytes))?;
    Ok(ExitCode::SUCCESS)
}

/// Bytes as people read them.
pub(super) fn size(bytes: i64) -> String {
    let b = bytes as f64;
    match b {
        b if b >= 1e9 => format!("{:.1} GB", b / 1e9),
        b if b >= 1e6 => format!("{:.1} MB", b / 1e6),
        b => format!("{:.0} kB", b / 1e3),
    }
}

fn check(book: &Book, json: bool, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let n = usize::try_from(book.overview()?.clips).unwrap_or(0);
    let bar = io.progress(n, "clips");
    let report = book.check(&|| bar.inc(1));
    bar.finish_and_clear();
    let report = report?;
    if json {
        io.json(&json!({"schema": "seatsong.book-check/1", "whole": report.faults.is_empty(), "report": report}))?;
    } else {
        tell(&report, io)?;
    }
    status(&report, io)
}

fn tell(report: &CheckReport, io: &mut Io<'_>) -> anyhow::Result<()> {
    for fault in &report.faults {
        writeln!(io.out, "{fault}")?;
    }
    for note in &report.notes {
        writeln!(io.out, "{note}")?;
    }
    if report.faults.is_empty() {
        writeln!(io.out, "The book is whole: {} clips, {}, every checksum agrees.", report.clips, size(report.bytes))?;
    }
    Ok(())
}

fn status(report: &CheckReport, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    if report.faults.is_empty() {
        return Ok(ExitCode::SUCCESS);
    }
    io.say(&format!(
        "{} fault(s); `seatsong book mend` puts right what can be, or bring the lost clips in again with `seatsong import`",
        report.faults.len()
    ))?;
    Ok(ExitCode::from(1))
}

fn mend(book: &mut Book, json: bool, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let bar = io.progress(0, "clips");
    let report = book.mend(&|| bar.inc(1));
    bar.finish_and_clear();
    let report = report?;
    if json {
        io.json(&json!({"schema": "seatsong.book-mend/1", "whole": report.left.faults.is_empty(), "report": report}))?;
    } else {
        for file in &report.relinked {
            writeln!(io.out, "{file}: found and back in its place")?;
        }
        for (from, to) in &report.quarantined {
            writeln!(io.out, "{from}: put aside as {to}")?;
        }
        tell(&report.left, io)?;
    }
    status(&report.left, io)
}
