//! Checks, readings, parts, concerns: what the tour enters, through the same calls as the commands.

use axum::extract::State;
use axum::response::Response;
use jiff::Timestamp;
use serde::Deserialize;
use serde_json::{Map, Value, json};

use super::ask::{Asked, Given, Number, typed};
use super::books::Books;
use super::entries::{Entries, Keyed, When, keyed};
use super::events::Kind;
use super::fault::Fault;
use super::photos;
use super::rounds::OfPump;
use crate::book::{Book, CheckWish, EntryError, PartChange, PumpRow, concern_document, due_document, part_document};
use crate::tour::cross::Remark;
use crate::tour::parts::{PartKind, Place, Side, Why};
use crate::tour::{Ask, AskKind, Check, Per};

/// Parts that came out, newest first, that the page shows.
const GONE: usize = 12;
/// Points of a reading that the page draws.
const POINTS: usize = 200;

impl From<EntryError> for Fault {
    fn from(err: EntryError) -> Self {
        match err {
            EntryError::Book(err) => err.into(),
            // On the page there is a button for it.
            EntryError::Asked(questions) => Self::asks(&questions.join("\n").replace(" Say --yes to enter it", "")),
            other => Self::refused(other.to_string()),
        }
    }
}

fn remark_json(r: &Remark) -> Value {
    json!({"rule": r.rule, "weight": r.weight, "text": r.text, "words": r.words()})
}

/// `GET /api/due`
pub(super) async fn due(State(books): State<Books>) -> Result<axum::Json<Value>, Fault> {
    let work = |book: &mut Book| {
        let (sheet, own) = book.sheet()?;
        let now = Timestamp::now();
        let tour = sheet.plan.tour_at(now)?;
        let items = book.due(&sheet, &tour, now)?;
        let pumps = book.pumps()?;
        let mut document = due_document(&sheet, own, &tour, now, &items);
        for (k, item) in items.iter().enumerate() {
            let Some(check) = sheet.checks.iter().find(|c| c.id == item.check) else { continue };
            let pump = pumps.iter().find(|p| Some(p.data.name.as_str()) == item.target.pump.as_deref());
            let asks = check
                .asks
                .iter()
                .map(|ask| ask_json(book, pump, item.target.module, check, ask, now))
                .collect::<Result<Vec<Value>, Fault>>()?;
            document["checks"][k]["note"] = json!(check.note);
            document["checks"][k]["asks"] = Value::Array(asks);
        }
        Ok(document)
    };
    books.work(work).await.map(axum::Json)
}

fn ask_json(
    book: &Book,
    pump: Option<&PumpRow>,
    module: Option<u32>,
    check: &Check,
    ask: &Ask,
    now: Timestamp,
) -> Result<Value, Fault> {
    let AskKind::Reading { dimension, unit, limits } = &ask.kind else {
        let kind = match ask.kind {
            AskKind::Photo => "photo",
            AskKind::Text => "text",
            _ => "ok",
        };
        let last = match ask.kind {
            AskKind::Photo => book.last_photo(pump, module, &check.id, &ask.name)?,
            _ => None,
        };
        let last = photos::last_json(book, last)?;
        return Ok(json!({"name": ask.name, "kind": kind, "unit": null, "limits": null, "last": last}));
    };
    let last = match pump {
        Some(pump) => book.readings(pump, module, &check.id, &ask.name, now)?.pop(),
        None => None,
    };
    let last = last.map(|(at, si)| json!({"shown": unit.show(si), "at": at}));
    Ok(json!({
        "name": ask.name, "kind": dimension.as_str(), "unit": unit.symbol, "limits": limits.words(unit), "last": last,
    }))
}

#[derive(Debug, Deserialize)]
pub(super) struct CheckEntry {
    #[serde(flatten)]
    when: When,
    check: String,
    #[serde(default)]
    pump: Option<String>,
    #[serde(default)]
    module: Option<u32>,
    #[serde(default)]
    answer: Map<String, Value>,
    #[serde(default)]
    yes: bool,
    #[serde(default)]
    skip_reason: Option<String>,
}

#[derive(Debug, Deserialize)]
pub(super) struct PartEntry {
    #[serde(flatten)]
    when: When,
    #[serde(default)]
    pump: Option<String>,
    module: u32,
    kind: String,
    #[serde(default)]
    side: Option<String>,
    #[serde(default)]
    why: Option<String>,
    #[serde(default)]
    condition: String,
    #[serde(default)]
    photo: Option<String>,
}

#[derive(Debug, Deserialize)]
pub(super) struct NewConcern {
    #[serde(flatten)]
    when: When,
    #[serde(default)]
    pump: Option<String>,
    #[serde(default)]
    module: Option<u32>,
    words: String,
}

#[derive(Debug, Deserialize)]
pub(super) struct CloseConcern {
    #[serde(flatten)]
    when: When,
    why: String,
}

keyed!(CheckEntry, PartEntry, NewConcern, CloseConcern);

fn named(pump: Option<&String>) -> Option<&str> {
    pump.map(|p| p.trim()).filter(|p| !p.is_empty())
}

/// `POST /api/checks`
pub(super) async fn check(State(entries): State<Entries>, given: Given<CheckEntry>) -> Result<Response, Fault> {
    let work = |book: &mut Book, e: &CheckEntry| {
        let (sheet, _) = book.sheet()?;
        let at = e.when.instant(&sheet)?;
        let (by, pump) = (e.when.by(), named(e.pump.as_ref()));
        let wish = CheckWish { check: &e.check, pump, module: e.module, at, by };
        if let Some(reason) = &e.skip_reason {
            let number = book.skip_check(&sheet, &wish, reason)?;
            return Ok(
                json!({"entered": {"number": number, "check": e.check, "at": at, "remarks": [], "outside": []}}),
            );
        }
        let asks = sheet.checks.iter().find(|c| c.id == e.check).map_or(&[][..], |c| &c.asks);
        let mut answers = Vec::new();
        for (name, value) in &e.answer {
            let Some(text) = typed(Some(value))? else { continue };
            // On the page a photo is named by its checksum, never by a path: the phone has no say in which file is read.
            let photo = asks.iter().any(|a| a.name == name.trim() && a.kind == AskKind::Photo);
            answers.push((name.clone(), if photo { photos::file_of(book, &text)? } else { text }));
        }
        if answers.is_empty() {
            return Err(Fault::refused(
                "nothing was read; enter at least one answer, or leave the check out with a reason",
            ));
        }
        let entered = book.enter_check(&sheet, &wish, &answers, e.yes)?;
        let outside = entered.limits.iter().filter(|(_, _, outside)| *outside == Some(true));
        let outside: Vec<String> = outside.map(|(name, said, _)| format!("{name}: {said}")).collect();
        let remarks: Vec<Value> = entered.remarks.iter().map(remark_json).collect();
        Ok(json!({"entered": {
            "number": entered.number, "check": e.check, "at": at, "remarks": remarks, "outside": outside,
            "missing": entered.missing,
        }}))
    };
    entries.enter(given, Kind::Check, work).await
}

/// `GET /api/readings?pump=NAME`
pub(super) async fn readings(State(books): State<Books>, Asked(of): Asked<OfPump>) -> Result<axum::Json<Value>, Fault> {
    let work = move |book: &mut Book| {
        let pump = of.pump(book)?;
        let (sheet, _) = book.sheet()?;
        let now = Timestamp::now();
        let mut out = Vec::new();
        for check in sheet.checks.iter().filter(|c| c.per != Per::Rig) {
            let modules =
                if check.per == Per::Module { pump.modules().into_iter().map(Some).collect() } else { vec![None] };
            for module in modules {
                for ask in &check.asks {
                    let AskKind::Reading { unit, limits, .. } = &ask.kind else { continue };
                    let all = book.readings(&pump, module, &check.id, &ask.name, Timestamp::MAX)?;
                    let newest = &all[all.len().saturating_sub(POINTS)..];
                    let point = |(at, si): &(Timestamp, f64)| json!({"at": at, "value": unit.in_unit(*si), "shown": unit.show(*si)});
                    let last = newest
                        .last()
                        .map(|(at, si)| json!({"shown": unit.show(*si), "at": at, "outside": limits.outside(*si)}));
                    out.push(json!({
                        "check": check.id, "name": ask.name, "module": module, "unit": unit.symbol,
                        "limits": limits.words(unit), "last": last, "points": newest.iter().map(point).collect::<Vec<_>>(),
                    }));
                }
            }
        }
        let tour = sheet.plan.tour_at(now)?;
        let remarks = book.remarks(&pump, &sheet, &tour, now, &[])?;
        let remarks: Vec<Value> = remarks.iter().map(remark_json).collect();
        Ok(json!({"pump": pump.data.name, "readings": out, "remarks": remarks}))
    };
    books.work(work).await.map(axum::Json)
}

/// `GET /api/parts?pump=NAME`
pub(super) async fn parts(State(books): State<Books>, Asked(of): Asked<OfPump>) -> Result<axum::Json<Value>, Fault> {
    let work = move |book: &mut Book| {
        let pump = of.pump(book)?;
        let now = Timestamp::now();
        let rows = book.part_runs(&pump, now)?;
        let fitted = rows.iter().filter(|(r, _)| r.part.out.is_none());
        let parts: Vec<Value> = fitted.map(|(r, run)| part_document(r, run)).collect();
        let mut gone: Vec<_> = rows.iter().filter_map(|(r, run)| Some((r.part.out?.0, r, run))).collect();
        gone.sort_by_key(|(at, ..)| std::cmp::Reverse(*at));
        let gone = gone.into_iter().take(GONE).map(|(_, r, run)| {
            let mut out = part_document(r, run);
            out["photo_sha256"] = json!(photos::sum_of(book, &r.photo)?);
            Ok(out)
        });
        let gone = gone.collect::<Result<Vec<Value>, Fault>>()?;
        let lives: Vec<Value> = book.lives(&pump, now)?.into_iter().map(|l| l.document).collect();
        Ok(json!({
            "schema": "seatsong.parts/1", "pump": pump.data.name, "parts": parts, "gone": gone, "lives": lives,
        }))
    };
    books.work(work).await.map(axum::Json)
}

/// `POST /api/parts`
pub(super) async fn change_part(State(entries): State<Entries>, given: Given<PartEntry>) -> Result<Response, Fault> {
    let work = |book: &mut Book, e: &PartEntry| {
        let wrong = |e: crate::tour::parts::PartError| Fault::refused(e.to_string());
        let (sheet, _) = book.sheet()?;
        let pump = book.pump_or_only(named(e.pump.as_ref()))?;
        let text = |t: &Option<String>| t.as_deref().map(str::trim).filter(|t| !t.is_empty()).map(str::to_owned);
        let side = text(&e.side).map(|s| Side::parse(&s)).transpose().map_err(wrong)?;
        let kind = PartKind::parse(&e.kind).map_err(wrong)?;
        let place = Place::new(&pump.data.name, e.module, kind, side).map_err(wrong)?;
        let words = place.words();
        let why = text(&e.why).map(|w| Why::parse(&w)).transpose().map_err(wrong)?;
        let at = e.when.instant(&sheet)?;
        let photo = text(&e.photo).map(|sum| photos::file_of(book, &sum)).transpose()?.unwrap_or_default();
        if why.is_none() && !photo.is_empty() {
            return Err(Fault::refused("the photo is of the part that came out; say why it came out"));
        }
        let (by, condition) = (e.when.by(), e.condition.trim());
        let change = PartChange { place, at, by, why, condition, photo: &photo, restarts: true };
        let old = book.change_part(&pump, &change)?;
        let when = sheet.plan.date_time(at);
        let words = match old.zip(why) {
            Some((_, why)) => format!("{words}: changed at {when}, the old one {}", why.as_str()),
            None => format!("{words}: fitted at {when}"),
        };
        Ok(json!({"entered": {"words": words}}))
    };
    entries.enter(given, Kind::Part, work).await
}

/// `GET /api/concerns`
pub(super) async fn concerns(State(books): State<Books>) -> Result<axum::Json<Value>, Fault> {
    let work = |book: &mut Book| {
        let pumps = book.pumps()?;
        let name = |id: Option<i64>| pumps.iter().find(|p| Some(p.id) == id).map(|p| p.data.name.as_str());
        let rows = book.concerns(Timestamp::now())?;
        let open = rows.iter().filter(|c| c.closed.is_none());
        let list = open.map(|c| {
            let mut out = concern_document(c);
            out["pump"] = json!(name(c.pump_id));
            out
        });
        Ok(json!({"schema": "seatsong.concerns/1", "concerns": list.collect::<Vec<Value>>()}))
    };
    books.work(work).await.map(axum::Json)
}

/// `POST /api/concerns`
pub(super) async fn add_concern(State(entries): State<Entries>, given: Given<NewConcern>) -> Result<Response, Fault> {
    let work = |book: &mut Book, e: &NewConcern| {
        let (sheet, _) = book.sheet()?;
        let pump = named(e.pump.as_ref()).map(|n| book.pump(n)).transpose()?;
        // The book keeps a concern by its pump; the module stands in its words.
        let words = match e.module {
            Some(m) if !e.words.trim().is_empty() => format!("module {m}: {}", e.words.trim()),
            _ => e.words.trim().to_owned(),
        };
        let number = book.add_concern(pump.as_ref(), &words, e.when.instant(&sheet)?, e.when.by())?;
        Ok(json!({"number": number}))
    };
    entries.enter(given, Kind::Concern, work).await
}

/// `POST /api/concerns/ID/close`
pub(super) async fn close_concern(
    State(entries): State<Entries>,
    Number(id): Number,
    given: Given<CloseConcern>,
) -> Result<Response, Fault> {
    let work = move |book: &mut Book, e: &CloseConcern| {
        let (sheet, _) = book.sheet()?;
        book.close_concern(id, e.when.instant(&sheet)?, e.when.by(), &e.why)?;
        Ok(json!({"number": id}))
    };
    entries.enter(given, Kind::Concern, work).await
}
