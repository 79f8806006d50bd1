//! `seatsong work`: opening a fluid end, step by step. A record, never a clearance.

use std::io::IsTerminal as _;
use std::process::ExitCode;

use clap::{Args, Subcommand};
use serde_json::json;

use super::ask::{self, Asking};
use super::book::BookArg;
use super::tour_args::WhenArgs;
use super::{Io, Usage};
use crate::book::{Book, JobRow};
use crate::tour::Sheet;
use crate::tour::work::{Answer, Entry, Event, NOT_A_CLEARANCE, Stage, Step};
use crate::units::{Dimension, parse_quantity};

/// Record work on a fluid end: what was confirmed, by whom, and what the site still has to confirm
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong work start 'module 2, discharge seat'
  seatsong work confirm 1 permit 4711 --by derrickman
  seatsong work confirm 1 locks 2 --by mechanic
  seatsong work confirm 1 bled 0bar
  seatsong work leave-out 1 electrical-isolation 'electrician on the way'
  seatsong work open 1                      asks what is not answered yet, one question after another
  seatsong work close 1 'seat changed, valve good'

This is a record, not a clearance: opening a pump needs the site's permit to work, isolation, lock-out and bled pressure, by the people \
licensed for it.")]
pub struct WorkArgs {
    #[command(subcommand)]
    what: WorkCommand,
    #[command(flatten)]
    place: BookArg,
}

#[derive(Debug, Clone, Subcommand)]
enum WorkCommand {
    /// Start a job: its questions are asked
    Start {
        /// What is to be done, such as 'module 2, discharge seat'
        what: String,
        /// Pump [default: the only one]
        #[arg(long, value_name = "NAME")]
        pump: Option<String>,
        #[command(flatten)]
        when: WhenArgs,
    },
    /// Confirm a step
    Confirm {
        /// Number of the job
        job: i64,
        /// The step, such as permit
        step: String,
        /// A number, a count of locks, a pressure with its unit [default: yes]
        answer: Option<String>,
        #[command(flatten)]
        when: WhenArgs,
    },
    /// Leave a step out; the note shows it until it is confirmed
    LeaveOut {
        /// Number of the job
        job: i64,
        /// The step
        step: String,
        /// Why
        reason: String,
        #[command(flatten)]
        when: WhenArgs,
    },
    /// Record that the fluid end was opened; on a terminal the questions are asked one after another
    Open {
        /// Number of the job
        job: i64,
        /// Ask the questions even where no terminal is: answers come a line each
        #[arg(long)]
        ask: bool,
        #[command(flatten)]
        when: WhenArgs,
    },
    /// Close a job, with what was found and done
    Close {
        /// Number of the job
        job: i64,
        /// What was found and done
        report: String,
        /// Ask the questions even where no terminal is: answers come a line each
        #[arg(long)]
        ask: bool,
        #[command(flatten)]
        when: WhenArgs,
    },
    /// End a job before anything was opened
    CallOff {
        /// Number of the job
        job: i64,
        /// Why
        reason: String,
        #[command(flatten)]
        when: WhenArgs,
    },
    /// List jobs, or show one
    List {
        /// Number of the job [default: all]
        job: Option<i64>,
        /// Print JSON instead of words
        #[arg(long)]
        json: bool,
    },
}

/// Runs the command.
///
/// # Errors
/// No book, no such job, an entry that does not follow from those before it.
pub fn run(args: &WorkArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let mut book = args.place.open()?;
    let (sheet, _) = book.sheet()?;
    let step = |text: &str| Step::parse(text).map_err(|e| Usage(e.to_string()));
    let (job, event, when) = match &args.what {
        WorkCommand::Start { what, pump, when } => {
            let pump = book.pump_or_only(pump.as_deref())?;
            let id = book.start_job(&pump, what, when.instant(&sheet)?, &when.by)?;
            tell(&book.job(id)?, &sheet, io)?;
            return Ok(ExitCode::SUCCESS);
        }
        WorkCommand::List { job, json } => {
            let all = match job {
                Some(id) => vec![book.job(*id)?],
                None => all_jobs(&book)?,
            };
            if *json {
                let jobs: Vec<_> = all
                    .iter()
                    .map(|j| {
                        json!({"number": j.id, "what": j.words, "stage": j.job.stage(), "entries": j.job.entries(),
                            "unconfirmed": j.job.unconfirmed(), "remark": NOT_A_CLEARANCE})
                    })
                    .collect();
                io.json(&json!({"schema": "seatsong.work/1", "jobs": jobs}))?;
            } else if all.is_empty() {
                writeln!(io.out, "No work is entered.")?;
            }
            for job in all.iter().filter(|_| !json) {
                tell(job, &sheet, io)?;
            }
            return Ok(ExitCode::SUCCESS);
        }
        WorkCommand::Confirm { job, step: text, answer, when } => {
            let step = step(text)?;
            (job, Event::Confirmed { step, answer: answer_of(step, answer.as_deref())? }, when)
        }
        WorkCommand::LeaveOut { job, step: text, reason, when } => {
            (job, Event::LeftOut { step: step(text)?, reason: reason.clone() }, when)
        }
        WorkCommand::Open { job, ask, when } => {
            let open = asked(&mut book, *job, *ask, when, &sheet, io)?;
            if let Some(row) = open.filter(|row| row.job.stage() == Stage::Preparing) {
                let at = when.at.as_deref().map(|_| when.instant(&sheet)).transpose()?;
                ask::sure(&row, &mut Asking { by: &when.by, at, from: &mut std::io::stdin().lock() }, io)?;
            }
            (job, Event::Opened, when)
        }
        WorkCommand::Close { job, report, ask, when } => {
            asked(&mut book, *job, *ask, when, &sheet, io)?;
            (job, Event::Closed { report: report.clone() }, when)
        }
        WorkCommand::CallOff { job, reason, when } => (job, Event::CalledOff { reason: reason.clone() }, when),
    };
    let entry = Entry { at: when.instant(&sheet)?, by: when.by.clone(), event };
    tell(&book.enter_work(*job, &entry)?, &sheet, io)?;
    Ok(ExitCode::SUCCESS)
}

/// Asks what nobody has answered, where somebody can answer; the job then, or `None` where nothing was asked.
fn asked(
    book: &mut Book,
    job: i64,
    wanted: bool,
    when: &WhenArgs,
    sheet: &Sheet,
    io: &mut Io<'_>,
) -> anyhow::Result<Option<JobRow>> {
    let unanswered = !book.job(job)?.job.unanswered().is_empty();
    // A script that was not written for questions is told what is missing instead of hanging on one.
    if !(wanted || (unanswered && std::io::stdin().is_terminal())) {
        return Ok(None);
    }
    let at = when.at.as_deref().map(|_| when.instant(sheet)).transpose()?;
    let mut from = std::io::stdin().lock();
    ask::ask(book, job, &mut Asking { by: &when.by, at, from: &mut from }, io).map(Some)
}

fn all_jobs(book: &Book) -> anyhow::Result<Vec<JobRow>> {
    let mut all = Vec::new();
    for pump in book.pumps()? {
        all.extend(book.jobs(&pump)?);
    }
    all.sort_by_key(|j| j.id);
    Ok(all)
}

/// Locks are counted, pressures have units, all else is a number or a yes.
pub(super) fn answer_of(step: Step, text: Option<&str>) -> anyhow::Result<Answer> {
    Ok(match (step, text.map(str::trim)) {
        (Step::Locks | Step::LocksOff, Some(text)) => {
            let locks = text.parse().map_err(|_| Usage(format!("\"{text}\" is no count of locks; write 2")))?;
            Answer::Count { locks }
        }
        (Step::Bled, Some(text)) => {
            let (pa, _) = parse_quantity(text, Dimension::Pressure).map_err(|e| Usage(e.to_string()))?;
            Answer::Pressure { pa }
        }
        (_, None) => Answer::Yes,
        (_, Some(text)) if text.eq_ignore_ascii_case("yes") => Answer::Yes,
        (_, Some(text)) => Answer::Number { text: text.to_owned() },
    })
}

fn tell(row: &JobRow, sheet: &Sheet, io: &mut Io<'_>) -> anyhow::Result<()> {
    writeln!(io.out, "Job {}: {}", row.id, row.words)?;
    for line in row.job.lines(|t| sheet.plan.clock(t)) {
        writeln!(io.out, "  {line}")?;
    }
    if let Some(next) = row.job.unanswered().first().filter(|_| !matches!(row.job.stage(), Stage::CalledOff)) {
        writeln!(io.out, "  Next, {}: {}", next.as_str(), next.question())?;
    }
    Ok(())
}
