//! How modules have gone, and which rounds are known-good.

use axum::extract::State;
use axum::response::Response;
use serde::Deserialize;
use serde_json::{Value, json};

use super::ask::{Asked, Given};
use super::books::Books;
use super::entries::{Entries, Keyed, When, keyed};
use super::events::Kind;
use super::fault::Fault;
use super::rounds::OfPump;
use crate::book::Book;
use crate::score::trend::{TrendSettings, trend};

/// `GET /api/trend?pump=NAME&module=M`
pub(super) async fn trends(State(books): State<Books>, Asked(of): Asked<OfPump>) -> Result<axum::Json<Value>, Fault> {
    let work = move |book: &mut Book| {
        let pump = of.pump(book)?;
        let modules = of.module.map_or_else(|| pump.modules(), |m| vec![m]);
        let trends = modules
            .iter()
            .map(|&m| Ok(trend(&book.trend_input(&pump, m)?, &TrendSettings::default())))
            .collect::<Result<Vec<_>, Fault>>()?;
        Ok(json!({"schema": "seatsong.trends/1", "pump": pump.data.name, "modules": trends}))
    };
    books.work_long(work).await.map(axum::Json)
}

/// `GET /api/baseline?pump=NAME`
pub(super) async fn baseline(State(books): State<Books>, Asked(of): Asked<OfPump>) -> Result<axum::Json<Value>, Fault> {
    let work = move |book: &mut Book| {
        let pump = of.pump(book)?;
        let standings = book.standings(&pump, &|| ())?;
        let proposals = book.proposals(&pump, &|| ())?;
        Ok(json!({
            "schema": "seatsong.baseline/1", "pump": pump.data.name, "modules": standings, "proposals": proposals,
        }))
    };
    books.work_long(work).await.map(axum::Json)
}

#[derive(Debug, Deserialize)]
pub(super) struct Accept {
    #[serde(flatten)]
    when: When,
    round: i64,
    #[serde(default)]
    modules: Vec<u32>,
}

keyed!(Accept);

/// `POST /api/baseline/accept`
pub(super) async fn accept(State(entries): State<Entries>, given: Given<Accept>) -> Result<Response, Fault> {
    let work = |book: &mut Book, e: &Accept| {
        let round = book.round(e.round)?;
        let modules = book.accept(&round, &e.modules, e.when.by())?;
        Ok(json!({"id": round.id, "modules": modules}))
    };
    entries.enter(given, Kind::Round, work).await
}
