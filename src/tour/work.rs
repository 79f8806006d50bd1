//! Opening a fluid end: what has to be confirmed, by whom it was, and what the site still has to confirm.
//!
//! A job is a list of entries that only grows; where it stands is worked out from them. The tool reminds and records. It never clears:
//! no text here calls a pump safe, and what is left out stands in the record and in the note until it is confirmed.

mod step;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

pub use step::Step;

/// Fewest locks on a pump that is opened: a rule of thumb of the trade (one for the pump, one for its charge pump or drive).
pub const FEWEST_LOCKS: u32 = 2;

/// Highest pressure in Pa that a gauge may show and still count as zero: below any gauge's finest division. The site's rule wins.
pub const ZERO_PA: f64 = 1e4;

/// What was answered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Answer {
    /// Yes.
    Yes,
    /// A number or name: permit, isolation log.
    Number {
        /// As typed.
        text: String,
    },
    /// A count of locks.
    Count {
        /// How many.
        locks: u32,
    },
    /// A gauge's pressure.
    Pressure {
        /// Gauge pressure in Pa.
        pa: f64,
    },
}

/// What happened in a job.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "event")]
pub enum Event {
    /// A step was confirmed.
    Confirmed {
        /// Which.
        step: Step,
        /// With what.
        answer: Answer,
    },
    /// A step was left out, for a reason that the note shows.
    LeftOut {
        /// Which.
        step: Step,
        /// Why.
        reason: String,
    },
    /// The fluid end was opened.
    Opened,
    /// The job was closed.
    Closed {
        /// What was found and done.
        report: String,
    },
    /// The job ended before anything was opened.
    CalledOff {
        /// Why.
        reason: String,
    },
}

/// One entry of a job.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// When.
    pub at: Timestamp,
    /// By which position: `derrickman`, `electrician`. Positions, not names.
    pub by: String,
    /// What.
    #[serde(flatten)]
    pub event: Event,
}

/// Where a job stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// Being prepared: steps are asked.
    Preparing,
    /// The fluid end is open.
    Open,
    /// Ended.
    Closed,
    /// Ended without opening.
    CalledOff,
}

/// Why an entry can't be made.
#[derive(Debug, Clone, thiserror::Error, PartialEq)]
#[non_exhaustive]
pub enum WorkError {
    /// Not a step.
    #[error("\"{text}\" is not a step; write one of: {}", steps())]
    NoSuchStep {
        /// What was typed.
        text: String,
    },
    /// A step whose turn is not now.
    #[error("{step} belongs to {belongs}; the job is {stage}")]
    WrongStage {
        /// The step or event.
        step: &'static str,
        /// Where it belongs.
        belongs: &'static str,
        /// Where the job stands.
        stage: &'static str,
    },
    /// The wrong kind of answer.
    #[error("{step} needs {needs}")]
    WrongAnswer {
        /// The step.
        step: &'static str,
        /// What it needs.
        needs: &'static str,
    },
    /// Too few locks.
    #[error(
        "{got} lock(s) entered, at least {FEWEST_LOCKS} are needed (rule of thumb; the site's rule wins): put them on, then enter the count"
    )]
    FewLocks {
        /// Locks entered.
        got: u32,
    },
    /// Some locks stayed on, or more came off than went on.
    #[error("{off} lock(s) off, but {on} were on; find out which before the pump is handed back")]
    LocksDiffer {
        /// Locks off.
        off: u32,
        /// Locks on.
        on: u32,
    },
    /// Pressure left in the fluid end.
    #[error(
        "the gauge shows {bar:.1} bar: not bled. Nothing is opened under pressure; bleed it, see zero, then enter it"
    )]
    NotBled {
        /// Gauge pressure in bar.
        bar: f64,
    },
    /// Steps that nobody answered.
    #[error("not yet confirmed: {}; confirm each, or leave it out with a reason that the note shows", .steps.iter().map(|s| s.open_words()).collect::<Vec<_>>().join("; "))]
    Unanswered {
        /// Which.
        steps: Vec<Step>,
    },
    /// A reason, position or report that is blank.
    #[error("{what} is empty; write it, so that the relief can read it")]
    Blank {
        /// What is blank.
        what: &'static str,
    },
    /// An entry older than the one before.
    #[error("the entry is of {at}, before the last one of this job at {last}; check the time")]
    OutOfOrder {
        /// Its time.
        at: Timestamp,
        /// The last entry's time.
        last: Timestamp,
    },
}

fn steps() -> String {
    Step::BEFORE.iter().chain(&Step::AFTER).map(|s| s.as_str()).collect::<Vec<_>>().join(", ")
}

/// A job on a fluid end.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Job {
    entries: Vec<Entry>,
}

impl Job {
    /// A job with nothing entered.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// A job from its stored entries.
    ///
    /// # Errors
    /// [`WorkError`] for the first entry that does not follow from those before it.
    pub fn replay(entries: impl IntoIterator<Item = Entry>) -> Result<Self, WorkError> {
        entries.into_iter().try_fold(Self::new(), |mut job, entry| job.enter(entry).map(|()| job))
    }

    /// Its entries, oldest first.
    #[must_use]
    pub fn entries(&self) -> &[Entry] {
        &self.entries
    }

    /// Where it stands.
    #[must_use]
    pub fn stage(&self) -> Stage {
        let mut stage = Stage::Preparing;
        for entry in &self.entries {
            match entry.event {
                Event::Opened => stage = Stage::Open,
                Event::Closed { .. } => stage = Stage::Closed,
                Event::CalledOff { .. } => stage = Stage::CalledOff,
                _ => {}
            }
        }
        stage
    }

    /// The entry that answered `step`: the last one counts.
    #[must_use]
    pub fn answer(&self, step: Step) -> Option<&Entry> {
        self.entries.iter().rev().find(|e| match &e.event {
            Event::Confirmed { step: s, .. } | Event::LeftOut { step: s, .. } => *s == step,
            _ => false,
        })
    }

    fn list(&self, wanted: impl Fn(Option<&Entry>) -> bool) -> Vec<Step> {
        let asked: &[Step] = match self.stage() {
            Stage::Preparing | Stage::CalledOff => &Step::BEFORE,
            Stage::Open | Stage::Closed => &Step::AFTER,
        };
        let before = if asked.len() == Step::AFTER.len() { &Step::BEFORE[..] } else { &[] };
        before.iter().chain(asked).copied().filter(|s| wanted(self.answer(*s))).collect()
    }

    /// Steps of this stage that nobody has answered, in order: the first is the next question.
    #[must_use]
    pub fn unanswered(&self) -> Vec<Step> {
        self.list(|e| e.is_none())
    }

    /// Steps that nobody has confirmed: unanswered, or left out with a reason. What the site still has to confirm.
    #[must_use]
    pub fn unconfirmed(&self) -> Vec<Step> {
        self.list(|e| !matches!(e.map(|e| &e.event), Some(Event::Confirmed { .. })))
    }

    /// Makes an entry.
    ///
    /// # Errors
    /// [`WorkError`] says what is wrong and what to do; the job is then as before.
    pub fn enter(&mut self, entry: Entry) -> Result<(), WorkError> {
        if let Some(last) = self.entries.last()
            && entry.at < last.at
        {
            return Err(WorkError::OutOfOrder { at: entry.at, last: last.at });
        }
        not_blank("the position of who confirms", &entry.by)?;
        let stage = self.stage();
        match &entry.event {
            Event::Confirmed { step, answer } => {
                in_stage(*step, stage)?;
                fits(*step, answer)?;
                if let (Step::LocksOff, Answer::Count { locks: off }) = (step, answer)
                    && let Some(on) = self.locks_on()
                    && on != *off
                {
                    return Err(WorkError::LocksDiffer { off: *off, on });
                }
            }
            Event::LeftOut { step, reason } => {
                in_stage(*step, stage)?;
                not_blank("the reason for leaving a step out", reason)?;
            }
            Event::Opened => {
                at_stage("opening", "a job that is being prepared", stage, Stage::Preparing)?;
                self.all_answered()?;
            }
            Event::Closed { report } => {
                at_stage("closing", "a job that is open", stage, Stage::Open)?;
                not_blank("what was found and done", report)?;
                self.all_answered()?;
            }
            Event::CalledOff { reason } => {
                at_stage("calling off", "a job that is being prepared", stage, Stage::Preparing)?;
                not_blank("the reason for calling it off", reason)?;
            }
        }
        self.entries.push(entry);
        Ok(())
    }

    fn all_answered(&self) -> Result<(), WorkError> {
        let steps = self.unanswered();
        if steps.is_empty() { Ok(()) } else { Err(WorkError::Unanswered { steps }) }
    }

    fn locks_on(&self) -> Option<u32> {
        match &self.answer(Step::Locks)?.event {
            Event::Confirmed { answer: Answer::Count { locks }, .. } => Some(*locks),
            _ => None,
        }
    }

    /// The job in words, a line each; `clock` writes a time on the rig's clock.
    #[must_use]
    pub fn lines(&self, clock: impl Fn(Timestamp) -> String) -> Vec<String> {
        let mut out = Vec::new();
        for Entry { at, by, event } in &self.entries {
            let what = match event {
                Event::Confirmed { step, answer } => format!("{}: {}", step.as_str(), answer_words(answer)),
                Event::LeftOut { step, reason } => format!("{}: NOT CONFIRMED, left out: {reason}", step.as_str()),
                Event::Opened => "fluid end opened".to_owned(),
                Event::Closed { report } => format!("closed: {report}"),
                Event::CalledOff { reason } => format!("called off: {reason}"),
            };
            out.push(format!("{} {what} ({by})", clock(*at)));
        }
        let open = self.unconfirmed();
        if !open.is_empty() && self.stage() != Stage::CalledOff {
            let list = open.iter().map(|s| s.open_words()).collect::<Vec<_>>().join("; ");
            out.push(format!("The site still has to confirm: {list}."));
        }
        if matches!(self.stage(), Stage::Preparing | Stage::Open) {
            out.push(NOT_A_CLEARANCE.to_owned());
        }
        out
    }
}

/// Stands under every job that has not ended.
pub const NOT_A_CLEARANCE: &str = "This is a record, not a clearance: whether the pump may be opened is decided by the people licensed for \
it, on the site's permit, isolation, lock-out and bled pressure.";

fn answer_words(answer: &Answer) -> String {
    match answer {
        Answer::Yes => "confirmed".to_owned(),
        Answer::Number { text } => format!("confirmed, {text}"),
        Answer::Count { locks } => format!("confirmed, {locks} locks"),
        Answer::Pressure { pa } => format!("confirmed, gauge shows {:.1} bar", pa / 1e5),
    }
}

fn stage_words(stage: Stage) -> &'static str {
    match stage {
        Stage::Preparing => "being prepared",
        Stage::Open => "open",
        Stage::Closed => "closed",
        Stage::CalledOff => "called off",
    }
}

fn in_stage(step: Step, stage: Stage) -> Result<(), WorkError> {
    let belongs = if step.is_before() { "the time before opening" } else { "a job that is open" };
    // What was left out before opening may still be confirmed later.
    let fits = if step.is_before() { matches!(stage, Stage::Preparing | Stage::Open) } else { stage == Stage::Open };
    if fits { Ok(()) } else { Err(WorkError::WrongStage { step: step.as_str(), belongs, stage: stage_words(stage) }) }
}

fn at_stage(what: &'static str, belongs: &'static str, stage: Stage, wanted: Stage) -> Result<(), WorkError> {
    if stage == wanted { Ok(()) } else { Err(WorkError::WrongStage { step: what, belongs, stage: stage_words(stage) }) }
}

fn not_blank(what: &'static str, text: &str) -> Result<(), WorkError> {
    if text.trim().is_empty() { Err(WorkError::Blank { what }) } else { Ok(()) }
}

/// Refuses an entry that is newly made and says no: written down as a number, "no" would stand as confirmed.
///
/// Entries that are in a book already are read as they are; this is asked before one is added.
///
/// # Errors
/// [`WorkError::WrongAnswer`] with what to do instead.
pub fn check_new(event: &Event) -> Result<(), WorkError> {
    match event {
        Event::Confirmed { step, answer: Answer::Number { text } } if is_no(text) => Err(WorkError::WrongAnswer {
            step: step.as_str(),
            needs: "a yes or its number; what is not so is left out with its reason, and the note shows that",
        }),
        _ => Ok(()),
    }
}

/// Whether a text says no.
fn is_no(text: &str) -> bool {
    let low = text.trim().to_lowercase();
    let first = low.split([' ', '.', ',', ';', '!']).find(|w| !w.is_empty()).unwrap_or_default();
    let whole = matches!(low.as_str(), "-" | "--" | "n/a" | "na" | "?");
    whole
        || matches!(
            first,
            "no" | "not" | "none" | "n" | "never" | "nobody" | "nothing" | "nope" | "missing" | "unknown"
        )
}

fn fits(step: Step, answer: &Answer) -> Result<(), WorkError> {
    let wrong = |needs| Err(WorkError::WrongAnswer { step: step.as_str(), needs });
    match (step, answer) {
        (Step::Permit, Answer::Number { text }) => not_blank("the permit number", text),
        (Step::Permit, _) => wrong("the number of the permit"),
        (Step::MechanicalIsolation | Step::ElectricalIsolation, Answer::Number { text }) => {
            not_blank("the number in the isolation log", text)
        }
        (Step::MechanicalIsolation | Step::ElectricalIsolation, _) => wrong("its number in the isolation log"),
        (Step::Locks, Answer::Count { locks }) if *locks < FEWEST_LOCKS => Err(WorkError::FewLocks { got: *locks }),
        (Step::Locks | Step::LocksOff, Answer::Count { .. }) => Ok(()),
        (Step::Locks | Step::LocksOff, _) => wrong("the number of locks"),
        (Step::Bled, Answer::Pressure { pa }) if !(0.0..=ZERO_PA).contains(pa) => {
            Err(WorkError::NotBled { bar: pa / 1e5 })
        }
        (Step::Bled, Answer::Pressure { .. }) => Ok(()),
        (Step::Bled, _) => wrong("the pressure on the gauge, such as 0 bar"),
        (_, Answer::Yes | Answer::Number { .. }) => Ok(()),
        _ => wrong("a yes"),
    }
}

#[cfg(test)]
#[path = "work_tests.rs"]
mod tests;
