//! Work on fluid ends, step by step. A record, never a clearance.

use axum::extract::State;
use axum::response::Response;
use serde::Deserialize;
use serde_json::{Value, json};

use super::ask::{Asked, Given, Number, typed};
use super::books::Books;
use super::entries::{Entries, Keyed, When, keyed};
use super::events::Kind;
use super::fault::Fault;
use super::rounds::OfPump;
use crate::book::{Book, JobRow, job_document, work_answer};
use crate::tour::work::{Answer, Entry, Event, Step};
use crate::units::Dimension;

#[derive(Debug, Deserialize)]
pub(super) struct Start {
    #[serde(flatten)]
    when: When,
    #[serde(default)]
    pump: Option<String>,
    words: String,
}

#[derive(Debug, Deserialize)]
pub(super) struct Next {
    #[serde(flatten)]
    when: When,
    #[serde(default)]
    step: Option<String>,
    #[serde(default)]
    answer: Option<Value>,
    #[serde(default)]
    left_out: Option<String>,
    #[serde(default)]
    open: bool,
    #[serde(default)]
    close: Option<String>,
    #[serde(default)]
    call_off: Option<String>,
}

keyed!(Start, Next);

/// Which kind of answer a step wants.
fn wants(step: Step) -> &'static str {
    match step {
        Step::Permit | Step::MechanicalIsolation | Step::ElectricalIsolation => "number",
        Step::Locks | Step::LocksOff => "count",
        Step::Bled => "pressure",
        _ => "yes",
    }
}

fn job_json(book: &Book, row: &JobRow) -> Result<Value, Fault> {
    let pump = book.pump_by_id(row.pump_id)?;
    let step = |step: Step, before: bool| {
        let (state, words) = match row.job.answer(step) {
            None => ("open", None),
            Some(entry) => match &entry.event {
                Event::Confirmed { answer, .. } => {
                    let said = match answer {
                        Answer::Yes => "yes".to_owned(),
                        Answer::Number { text } => text.clone(),
                        Answer::Count { locks } => locks.to_string(),
                        Answer::Pressure { pa } => Dimension::Pressure.show(*pa, pump.data.units),
                    };
                    ("confirmed", Some(format!("{said} ({})", entry.by)))
                }
                Event::LeftOut { reason, .. } => ("left-out", Some(format!("{reason} ({})", entry.by))),
                _ => ("open", None),
            },
        };
        json!({"step": step, "question": step.question(), "answer": wants(step), "before": before, "state": state, "words": words})
    };
    let before = Step::BEFORE.iter().map(|s| step(*s, true));
    let steps: Vec<Value> = before.chain(Step::AFTER.iter().map(|s| step(*s, false))).collect();
    let mut out = job_document(row);
    out["pump"] = json!(pump.data.name);
    out["started"] = json!(row.started);
    out["unconfirmed_words"] = row.job.unconfirmed().iter().map(|s| s.open_words()).collect();
    out["steps"] = Value::Array(steps);
    Ok(out)
}

/// `GET /api/work?pump=NAME`
pub(super) async fn list(State(books): State<Books>, Asked(of): Asked<OfPump>) -> Result<axum::Json<Value>, Fault> {
    let work = move |book: &mut Book| {
        let pump = of.pump(book)?;
        let jobs = book.jobs(&pump)?;
        let jobs = jobs.iter().rev().map(|j| job_json(book, j)).collect::<Result<Vec<Value>, Fault>>()?;
        Ok(json!({"schema": "seatsong.work/1", "jobs": jobs}))
    };
    books.work(work).await.map(axum::Json)
}

/// `POST /api/work`
pub(super) async fn start(State(entries): State<Entries>, given: Given<Start>) -> Result<Response, Fault> {
    let work = |book: &mut Book, e: &Start| {
        let (sheet, _) = book.sheet()?;
        let pump = book.pump_or_only(e.pump.as_deref().filter(|p| !p.is_empty()))?;
        let id = book.start_job(&pump, &e.words, e.when.instant(&sheet)?, e.when.by())?;
        let row = book.job(id)?;
        job_json(book, &row)
    };
    entries.enter(given, Kind::Work, work).await
}

impl Next {
    /// The one thing that it says.
    fn event(&self) -> Result<Event, Fault> {
        let wrong = || Fault::refused("say one thing: a step with its answer or left out, open, close or call_off");
        Ok(match (&self.step, &self.left_out, self.open, &self.close, &self.call_off) {
            (Some(step), left_out, false, None, None) => {
                let step = Step::parse(step).map_err(|e| Fault::refused(e.to_string()))?;
                match left_out {
                    Some(reason) => Event::LeftOut { step, reason: reason.trim().to_owned() },
                    None => {
                        let text = typed(self.answer.as_ref())?;
                        let answer = work_answer(step, text.as_deref()).map_err(Fault::refused)?;
                        Event::Confirmed { step, answer }
                    }
                }
            }
            (None, None, true, None, None) => Event::Opened,
            (None, None, false, Some(report), None) => Event::Closed { report: report.trim().to_owned() },
            (None, None, false, None, Some(reason)) => Event::CalledOff { reason: reason.trim().to_owned() },
            _ => return Err(wrong()),
        })
    }
}

/// `POST /api/work/ID`
pub(super) async fn next(
    State(entries): State<Entries>,
    Number(id): Number,
    given: Given<Next>,
) -> Result<Response, Fault> {
    let work = move |book: &mut Book, e: &Next| {
        let (sheet, _) = book.sheet()?;
        let entry = Entry { at: e.when.instant(&sheet)?, by: e.when.by().to_owned(), event: e.event()? };
        let row = book.enter_work(id, &entry)?;
        job_json(book, &row)
    };
    entries.enter(given, Kind::Work, work).await
}
