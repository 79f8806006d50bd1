//! The command line: what was typed, one file a command. No arithmetic here.

mod ask;
pub mod baseline;
pub mod book;
pub mod compare;
pub mod concern;
pub mod demo;
pub mod devices;
pub mod due;
pub mod export;
pub mod figures;
mod files;
pub mod handover;
pub mod hear;
pub mod import;
mod io;
mod list;
pub mod listen;
pub mod look;
mod options;
pub mod page;
pub mod part;
pub mod pump;
pub mod reading;
pub mod record;
pub mod round;
pub mod sample;
pub mod spot;
mod tour_args;
pub mod trend;
pub mod verdict;
pub mod watch;
pub mod work;

use std::ffi::OsString;
use std::io::Write as _;
use std::process::ExitCode;

use clap::{Parser, Subcommand};

pub use io::Io;

/// Tells from sound clips at a mud pump's fluid-end modules which module deviates from its own good runs
#[derive(Debug, Parser)]
#[command(name = "seatsong", version, max_term_width = 100, after_help = AFTER_HELP)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

const AFTER_HELP: &str = "\
Start here:
  seatsong demo                              the whole job on made-up clips
  seatsong compare --good good/ --now a.wav  today's clip against a folder of good ones

Exit status: 0 the work was done, whatever the verdict; 1 it failed; 2 wrong usage.

Standing at a running pump is the hazard of this job: hearing protection; keep clear of rods, belts and \
the relief line; never lean over a cap or touch a running fluid end to place a sensor.";

#[derive(Debug, Subcommand)]
enum Command {
    Demo(demo::DemoArgs),
    Compare(compare::CompareArgs),
    Look(look::LookArgs),
    Hear(hear::HearArgs),
    Listen(listen::ListenArgs),
    Sample(sample::SampleArgs),
    Devices(devices::DevicesArgs),
    Book(book::BookArgs),
    Pump(pump::PumpsArgs),
    Spot(spot::SpotArgs),
    Round(round::RoundArgs),
    Import(import::ImportArgs),
    Record(Box<record::RecordArgs>),
    Baseline(baseline::BaselineArgs),
    Verdict(verdict::VerdictArgs),
    Watch(watch::WatchArgs),
    Trend(trend::TrendArgs),
    Export(export::ExportArgs),
    Due(due::DueArgs),
    Reading(reading::ReadingArgs),
    Part(part::PartArgs),
    Work(work::WorkArgs),
    Concern(concern::ConcernArgs),
    Handover(handover::HandoverArgs),
    Page(page::PageArgs),
}

/// What was typed makes no sense together.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
struct Usage(String);

/// Exit status for wrong usage.
const WRONG_USAGE: u8 = 2;

/// Parses the arguments, runs the command, returns the exit status (0 done, 1 the work failed, 2 wrong usage).
///
/// # Errors
/// Whatever the command could not do, with its chain of causes.
pub fn run<I: IntoIterator<Item = OsString>>(args: I) -> anyhow::Result<ExitCode> {
    let cli = match Cli::try_parse_from(args) {
        Ok(cli) => cli,
        Err(err) => {
            err.print()?;
            return Ok(if err.use_stderr() { ExitCode::from(WRONG_USAGE) } else { ExitCode::SUCCESS });
        }
    };
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    let mut err = std::io::stderr().lock();
    let mut io = Io::of_process(&mut out, &mut err);
    let done = match &cli.command {
        Command::Demo(args) => demo::run(args, &mut io),
        Command::Compare(args) => compare::run(args, &mut io),
        Command::Look(args) => look::run(args, &mut io),
        Command::Hear(args) => hear::run(args, &mut io),
        Command::Listen(args) => listen::run(args, &mut io),
        Command::Sample(args) => sample::run(args, &mut *io.out).map(|()| ExitCode::SUCCESS),
        Command::Devices(args) => devices::run(args, &mut io),
        Command::Book(args) => book::run(args, &mut io),
        Command::Pump(args) => pump::run(args, &mut io),
        Command::Spot(args) => spot::run(args, &mut io),
        Command::Round(args) => round::run(args, &mut io),
        Command::Import(args) => import::run(args, &mut io),
        Command::Record(args) => record::run(args, &mut io),
        Command::Baseline(args) => baseline::run(args, &mut io),
        Command::Verdict(args) => verdict::run(args, &mut io),
        Command::Watch(args) => watch::run(args, &mut io),
        Command::Trend(args) => trend::run(args, &mut io),
        Command::Export(args) => export::run(args, &mut io),
        Command::Due(args) => due::run(args, &mut io),
        Command::Reading(args) => reading::run(args, &mut io),
        Command::Part(args) => part::run(args, &mut io),
        Command::Work(args) => work::run(args, &mut io),
        Command::Concern(args) => concern::run(args, &mut io),
        Command::Handover(args) => handover::run(args, &mut io),
        Command::Page(args) => page::run(args, &mut io),
    };
    // What was found before a failure is still data.
    let flushed = out.flush();
    if let Err(usage) = &done
        && usage.downcast_ref::<Usage>().is_some()
    {
        writeln!(err, "seatsong: {usage:#}; see --help")?;
        return Ok(ExitCode::from(WRONG_USAGE));
    }
    let code = done?;
    flushed?;
    Ok(code)
}

/// Whether the chain of causes holds a closed output pipe.
#[must_use]
pub fn is_broken_pipe(err: &anyhow::Error) -> bool {
    let broken = std::io::ErrorKind::BrokenPipe;
    err.chain().any(|cause| {
        cause.downcast_ref::<std::io::Error>().is_some_and(|e| e.kind() == broken)
            || cause.downcast_ref::<serde_json::Error>().is_some_and(|e| e.io_error_kind() == Some(broken))
    })
}
