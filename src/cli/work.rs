//! `seatsong work`: opening a fluid end, step by step. A record, never a clearance.

use std::process::ExitCode;

use clap::{Args, Subcommand};
use serde_json::json;

use super::book::BookArg;
use super::tour_args::WhenArgs;
use super::{Io, Usage};
use crate::book::{Book, JobRow, job_document, work_answer};
use crate::tour::Sheet;
use crate::tour::work::{Answer, Entry, Event, Step};

/// Record work on a fluid end: what was confirmed, by whom, and what the site still has to confirm
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong work start 'module 2, discharge seat'
  seatsong work confirm 1 permit 4711 --by derrickman
  seatsong work confirm 1 locks 2 --by mechanic
  seatsong work confirm 1 bled 0bar
  seatsong work leave-out 1 electrical-isolation 'electrician on the way'
  seatsong work open 1
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
    /// Record that the fluid end was opened; every question must have its answer
    Open {
        /// Number of the job
        job: i64,
        #[command(flatten)]
        when: WhenArgs,
    },
    /// Close a job, with what was found and done
    Close {
        /// Number of the job
        job: i64,
        /// What was found and done
        report: String,
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
                let jobs: Vec<_> = all.iter().map(job_document).collect();
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
        WorkCommand::Open { job, when } => (job, Event::Opened, when),
        WorkCommand::Close { job, report, when } => (job, Event::Closed { report: report.clone() }, when),
        WorkCommand::CallOff { job, reason, when } => (job, Event::CalledOff { reason: reason.clone() }, when),
    };
    let entry = Entry { at: when.instant(&sheet)?, by: when.by.clone(), event };
    tell(&book.enter_work(*job, &entry)?, &sheet, io)?;
    Ok(ExitCode::SUCCESS)
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
fn answer_of(step: Step, text: Option<&str>) -> anyhow::Result<Answer> {
    work_answer(step, text).map_err(|e| Usage(e).into())
}

fn tell(row: &JobRow, sheet: &Sheet, io: &mut Io<'_>) -> anyhow::Result<()> {
    writeln!(io.out, "Job {}: {}", row.id, row.words)?;
    for line in row.job.lines(|t| sheet.plan.clock(t)) {
        writeln!(io.out, "  {line}")?;
    }
    if let Some(next) =
        row.job.unanswered().first().filter(|_| !matches!(row.job.stage(), crate::tour::work::Stage::CalledOff))
    {
        writeln!(io.out, "  Next, {}: {}", next.as_str(), next.question())?;
    }
    Ok(())
}
