//! `seatsong book`: the folder that keeps it all.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::{Duration, Instant};

use clap::{Args, Subcommand};
use serde_json::json;

use super::Io;
use crate::book::{Book, CheckReport, PackReport, unpack};

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
        let book = Book::open(&Book::place(self.book.as_deref()))?;
        // Whatever was asked for: that a recording was cut short is told by the first command that sees it.
        for found in book.recovered() {
            writeln!(std::io::stderr(), "seatsong: {found}")?;
        }
        Ok(book)
    }
}

/// Make, check, mend, pack, merge the book: the folder that keeps pumps, rounds, clips and verdicts
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
    /// Write the whole book into one file to carry; an interrupted run is gone on with by the same command
    Pack {
        /// File to write; any tar program can open it
        out: PathBuf,
    },
    /// Make a book out of a pack, every file checked; an interrupted run is gone on with by the same command
    Unpack {
        /// The pack
        pack: PathBuf,
        /// Folder of the new book
        dir: PathBuf,
    },
    /// Bring in everything of another book of the same rig that is not here yet; the other book is left as it is
    Merge {
        /// Folder of the other book (unpack a pack first)
        other: PathBuf,
        /// Print JSON instead of words
        #[arg(long)]
        json: bool,
    },
    /// Make the stroke maps again that are of an earlier version of the method; can be ended at any time, and is gone on with by the same command
    Refresh {
        /// Stop after this many seconds [default: when all are made]
        #[arg(long = "for", value_name = "SECONDS")]
        seconds: Option<u64>,
        /// Print JSON instead of words
        #[arg(long)]
        json: bool,
    },
    /// Put right what can be: find moved clips and photos by their checksums, put strangers into quarantine; never deletes
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
        BookCommand::Pack { out } => {
            let book = args.place.open()?;
            let bar = io.progress(usize::try_from(book.overview()?.clips).unwrap_or(0), "files");
            let report = book.pack(out, &|| bar.inc(1));
            bar.finish_and_clear();
            packed(out, &report?, io)
        }
        BookCommand::Unpack { pack, dir } => {
            let bar = io.progress(0, "files");
            let report = unpack(pack, dir, &|| bar.inc(1));
            bar.finish_and_clear();
            packed(dir, &report?, io)
        }
        BookCommand::Merge { other, json } => merge(&mut args.place.open()?, other, *json, io),
        BookCommand::Refresh { seconds, json } => {
            refresh(&mut args.place.open()?, seconds.map(Duration::from_secs), *json, io)
        }
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
    let waiting = book.n_outdated()?;
    if waiting > 0 {
        writeln!(io.out, "  {waiting} clips have stroke maps of an earlier method only: seatsong book refresh")?;
    }
    Ok(ExitCode::SUCCESS)
}

fn refresh(book: &mut Book, time: Option<Duration>, json: bool, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let bar = io.progress(book.n_outdated()?, "stroke maps");
    let done = book.refresh(time.map(|t| Instant::now() + t), &|| bar.inc(1));
    bar.finish_and_clear();
    let done = done?;
    if json {
        io.json(&json!({"schema": "seatsong.book-refresh/1", "made": done.made, "left": done.left}))?;
    } else {
        writeln!(io.out, "{} stroke maps made, {} still of an earlier method", done.made, done.left)?;
    }
    Ok(ExitCode::SUCCESS)
}

/// Time that a command goes on for after its answer while maps of an earlier method wait: short, as a person waits for the prompt.
const AFTER_ANSWER: Duration = Duration::from_secs(3);

/// Makes some of the maps that wait, once a command's answer is out; with progress, and whatever comes of it is no fault of the command.
pub(super) fn go_on(book: &mut Book, io: &mut Io<'_>) -> anyhow::Result<()> {
    let waiting = book.n_outdated().unwrap_or(0);
    if waiting == 0 {
        return Ok(());
    }
    io.out.flush()?;
    let bar = io.progress(waiting, "stroke maps by the new method (Ctrl-C is safe)");
    let done = book.refresh(Some(Instant::now() + AFTER_ANSWER), &|| bar.inc(1));
    bar.finish_and_clear();
    if let Ok(done) = done
        && done.left > 0
    {
        io.say(&format!("{} older recordings wait for maps by the new method: `seatsong book refresh`", done.left))?;
    }
    Ok(())
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

fn packed(place: &Path, report: &PackReport, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let bytes = i64::try_from(report.bytes).unwrap_or(i64::MAX);
    writeln!(io.out, "{}: {} files, {}", place.display(), report.files, size(bytes))?;
    if report.kept > 1 {
        writeln!(io.out, "  {} of them were there already and are whole", report.kept)?;
    }
    for file in &report.lost {
        io.say(&format!("{file}: the book has lost this clip; it is not in the pack"))?;
    }
    Ok(ExitCode::SUCCESS)
}

fn merge(book: &mut Book, other: &Path, json: bool, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let other = Book::open(other)?;
    let bar = io.progress(usize::try_from(other.overview()?.rounds).unwrap_or(0), "rounds");
    let report = book.merge(&other, &|| bar.inc(1));
    bar.finish_and_clear();
    let r = report?;
    if json {
        io.json(&json!({"schema": "seatsong.book-merge/1", "new": r}))?;
    } else {
        writeln!(
            io.out,
            "New here: {} pumps, {} rounds, {} clips, {} entries of baselines, {} verdicts, {} entries of the tour; {} clips were in both.",
            r.pumps, r.rounds, r.clips, r.baseline, r.verdicts, r.tour, r.both
        )?;
    }
    for why in &r.undecided {
        io.say(&format!("to be decided by a person: {why}"))?;
    }
    for file in &r.lost {
        io.say(&format!("{file}: lost or damaged in the other book; `seatsong book check --book` there"))?;
    }
    for why in &r.refused {
        io.say(why)?;
    }
    Ok(if r.lost.is_empty() && r.refused.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(1) })
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
