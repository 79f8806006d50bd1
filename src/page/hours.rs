//! Running hours of a pump: what the lives of its parts and some checks are counted in.

use axum::extract::State;
use axum::response::Response;
use jiff::Timestamp;
use serde::Deserialize;
use serde_json::{Value, json};

use super::ask::{Asked, Given, typed};
use super::books::Books;
use super::entries::{Entries, Keyed, When, keyed};
use super::events::Kind;
use super::fault::Fault;
use super::rounds::OfPump;
use crate::book::Book;
use crate::tour::parts::RunLog;
use crate::units::running_hours;

/// Entries that the page shows.
const SHOWN: usize = 5;

#[derive(Debug, Deserialize)]
pub(super) struct Hours {
    #[serde(flatten)]
    when: When,
    #[serde(default)]
    pump: Option<String>,
    hours: Value,
    from: String,
    to: String,
}

keyed!(Hours);

fn document(log: &RunLog) -> Value {
    json!({"from": log.from, "to": log.to, "hours": log.hours})
}

/// `GET /api/hours?pump=NAME`
pub(super) async fn list(State(books): State<Books>, Asked(of): Asked<OfPump>) -> Result<axum::Json<Value>, Fault> {
    let work = move |book: &mut Book| {
        let pump = of.pump(book)?;
        let (sheet, _) = book.sheet()?;
        let tour = sheet.plan.tour_at(Timestamp::now())?;
        let logs = book.runs(&pump)?;
        let newest: Vec<Value> = logs.iter().rev().take(SHOWN).map(document).collect();
        Ok(json!({
            "schema": "seatsong.hours/1", "pump": pump.data.name, "unit": "h", "tour": [tour.start, tour.end],
            "last": newest.first(), "entries": newest,
        }))
    };
    books.work(work).await.map(axum::Json)
}

/// `POST /api/hours`
pub(super) async fn enter(State(entries): State<Entries>, given: Given<Hours>) -> Result<Response, Fault> {
    let work = |book: &mut Book, e: &Hours| {
        let (sheet, _) = book.sheet()?;
        let pump = book.pump_or_only(e.pump.as_deref().map(str::trim).filter(|p| !p.is_empty()))?;
        let text = typed(Some(&e.hours))?.unwrap_or_default();
        let hours = running_hours(&text).map_err(Fault::refused)?;
        let now = Timestamp::now();
        let at = |text: &str| sheet.plan.entry_time(text, now);
        let log = RunLog { from: at(&e.from)?, to: at(&e.to)?, hours };
        book.add_run(&pump, log, e.when.by())?;
        Ok(json!({"entered": document(&log)}))
    };
    entries.enter(given, Kind::Hours, work).await
}
