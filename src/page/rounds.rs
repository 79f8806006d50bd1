//! Pumps and rounds.

use axum::extract::State;
use axum::response::Response;
use serde::Deserialize;
use serde_json::{Value, json};

use super::ask::{Asked, Given, Number, typed};
use super::books::Books;
use super::entries::{Entries, Keyed};
use super::events::Kind;
use super::fault::Fault;
use crate::book::{Book, NewRound, PumpRow, RoundChange, RoundRow, Stamp};
use crate::units::{Dimension, KgPerM3, Pascal, UnitSystem, console_spm};

/// Rounds that a list shows.
const LISTED: usize = 50;

#[derive(Debug, Deserialize)]
pub(super) struct OfPump {
    #[serde(default)]
    pub(super) pump: Option<String>,
    #[serde(default)]
    pub(super) module: Option<u32>,
}

impl OfPump {
    pub(super) fn pump(&self, book: &Book) -> Result<PumpRow, Fault> {
        Ok(book.pump_or_only(self.pump.as_deref().filter(|p| !p.is_empty()))?)
    }
}

fn shown(x: Option<f64>, dimension: Dimension, units: UnitSystem) -> Option<String> {
    x.map(|x| dimension.show(x, units))
}

/// `GET /api/pumps`
pub(super) async fn pumps(State(books): State<Books>) -> Result<axum::Json<Value>, Fault> {
    let all = books.work(|book| {
        let pumps = book.pumps()?;
        pumps.iter().map(|p| pump(book, p)).collect::<Result<Vec<Value>, Fault>>()
    });
    all.await.map(|all| axum::Json(Value::Array(all)))
}

fn pump(book: &Book, p: &PumpRow) -> Result<Value, Fault> {
    let units = p.data.units;
    let newest = book.round_lines(Some(p), 1)?;
    let last = newest.first().map(|l| book.round(l.round)).transpose()?;
    let point = last.map(|r| {
        json!({"spm": r.spm, "pressure": shown(r.pressure_pa, Dimension::Pressure, units),
            "mud": shown(r.mud_kg_m3, Dimension::Density, units)})
    });
    Ok(json!({
        "name": p.data.name, "modules": p.modules(), "order": p.data.order, "units": units.as_str(),
        "liner": shown(p.data.liner_m, Dimension::Length, units), "rating": shown(p.rating_pa(), Dimension::Pressure, units),
        "spots": book.spots(p)?, "last_point": point, "open_round": book.open_round(p)?.map(|r| r.id),
    }))
}

/// A round as the page takes it.
pub(super) fn round_json(book: &Book, r: &RoundRow) -> Result<Value, Fault> {
    let p = book.pump_by_id(r.pump_id)?;
    let units = p.data.units;
    let mut out = json!({
        "id": r.id, "pump": p.data.name, "started": r.started.text, "closed_at": r.closed_at, "spm": r.spm,
        "pressure": shown(r.pressure_pa, Dimension::Pressure, units), "mud": shown(r.mud_kg_m3, Dimension::Density, units),
        "crew": r.crew, "remarks": r.remarks, "worst": book.worst_clip(r.id)?,
    });
    out["clips"] = serde_json::to_value(book.clips(r.id)?).unwrap_or_default();
    Ok(out)
}

/// `GET /api/rounds?pump=NAME`
pub(super) async fn list(State(books): State<Books>, Asked(of): Asked<OfPump>) -> Result<axum::Json<Value>, Fault> {
    let all = books.work(move |book| {
        let pump = of.pump.as_deref().filter(|p| !p.is_empty()).map(|n| book.pump(n)).transpose()?;
        let lines = book.round_lines(pump.as_ref(), LISTED)?;
        lines
            .iter()
            .map(|l| {
                let mut round = round_json(book, &book.round(l.round)?)?;
                round["clips"] = json!(l.clips);
                Ok(round)
            })
            .collect::<Result<Vec<Value>, Fault>>()
    });
    all.await.map(|all| axum::Json(Value::Array(all)))
}

/// `GET /api/rounds/ID`
pub(super) async fn show(State(books): State<Books>, Number(id): Number) -> Result<axum::Json<Value>, Fault> {
    books.work(move |book| round_json(book, &book.round(id)?)).await.map(axum::Json)
}

#[derive(Debug, Deserialize)]
pub(super) struct Start {
    key: String,
    #[serde(default)]
    pump: Option<String>,
    #[serde(default)]
    spm: Option<Value>,
    #[serde(default)]
    pressure: Option<Value>,
    #[serde(default)]
    mud: Option<Value>,
    #[serde(default)]
    crew: Option<String>,
    #[serde(default)]
    remarks: Option<String>,
    #[serde(default)]
    at: Option<String>,
}

impl Keyed for Start {
    fn key(&self) -> &str {
        &self.key
    }
}

fn blank(text: Option<&String>) -> Option<String> {
    text.map(|t| t.trim().to_owned()).filter(|t| !t.is_empty())
}

impl Start {
    /// The operating point as the command reads it.
    fn point(&self) -> Result<RoundChange, Fault> {
        let quantity = |value: &Option<Value>, what: &str| {
            let text = typed(value.as_ref())?;
            Ok::<_, Fault>(text.map(|t| (t, what.to_owned())))
        };
        let spm = quantity(&self.spm, "speed")?
            .map(|(t, what)| console_spm(&t).map_err(|e| Fault::refused(format!("{what}: {e}"))));
        let pressure = quantity(&self.pressure, "pressure")?
            .map(|(t, what)| t.parse::<Pascal>().map_err(|e| Fault::refused(format!("{what}: {e}"))));
        let mud = quantity(&self.mud, "mud weight")?
            .map(|(t, what)| t.parse::<KgPerM3>().map_err(|e| Fault::refused(format!("{what}: {e}"))));
        Ok(RoundChange {
            spm: spm.transpose()?,
            pressure_pa: pressure.transpose()?.map(|p| p.0),
            mud_kg_m3: mud.transpose()?.map(|m| m.0),
            crew: blank(self.crew.as_ref()),
            remarks: blank(self.remarks.as_ref()),
        })
    }
}

/// `POST /api/rounds`
pub(super) async fn start(State(entries): State<Entries>, given: Given<Start>) -> Result<Response, Fault> {
    let work = |book: &mut Book, start: &Start| {
        let pump = book.pump_or_only(start.pump.as_deref().filter(|p| !p.is_empty()))?;
        let at = start.at.as_deref().map(Stamp::parse).transpose().map_err(|e| Fault::refused(e.to_string()))?;
        let round = book.start_round(&pump, &NewRound { at, point: start.point()? })?;
        round_json(book, &round)
    };
    entries.enter(given, Kind::Round, work).await
}

#[derive(Debug, Deserialize)]
pub(super) struct Close {
    key: String,
    #[serde(default)]
    remarks: Option<String>,
}

impl Keyed for Close {
    fn key(&self) -> &str {
        &self.key
    }
}

/// `POST /api/rounds/ID/close`
pub(super) async fn close(
    State(entries): State<Entries>,
    Number(id): Number,
    given: Given<Close>,
) -> Result<Response, Fault> {
    let work = move |book: &mut Book, close: &Close| {
        let change = RoundChange { remarks: blank(close.remarks.as_ref()), ..RoundChange::default() };
        let round = book.change_round(id, &change, true)?;
        round_json(book, &round)
    };
    entries.enter(given, Kind::Round, work).await
}
