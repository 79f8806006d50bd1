//! Rows that are not known by their key: whether they are the same thing under another key, or contradict what is here.

use rusqlite::types::Value;
use rusqlite::{Connection, OptionalExtension as _, ToSql, params};

use super::rows::{Fate, Row};
use crate::book::BookError;
use crate::book::error::db;
use crate::book::tour::{instant, stamp};
use crate::tour::work::{Entry, Job};

/// Two bores or moments that differ by less are one, m.
const SAME_BORE_M: f64 = 1e-4;

fn one<T: rusqlite::types::FromSql>(tx: &Connection, sql: &str, values: &[&dyn ToSql]) -> Result<Option<T>, BookError> {
    let doing = db("look up a row");
    tx.prepare_cached(sql).map_err(&doing)?.query_row(values, |r| r.get(0)).optional().map_err(&doing)
}

fn pump_name(tx: &Connection, row: &Row) -> Result<String, BookError> {
    let name: Option<String> = one(tx, "SELECT name FROM pump WHERE id = ?1", &[&row.get("pump_id")])?;
    Ok(name.unwrap_or_default())
}

fn when(ms: Option<i64>) -> String {
    ms.map_or_else(|| "?".to_owned(), |ms| stamp(instant(ms)).0)
}

/// A pump is known by its name too.
pub(super) fn pump(tx: &Connection, row: &mut Row) -> Result<Fate, BookError> {
    let known: Option<i64> = one(tx, "SELECT id FROM pump WHERE name = ?1", &[&row.get("name")])?;
    Ok(known.map_or(Fate::New, Fate::Same))
}

/// A bore that is known has its rating already.
pub(super) fn liner(tx: &Connection, row: &mut Row) -> Result<Fate, BookError> {
    let sql = "SELECT 1 FROM liner WHERE pump_id = ?1 AND abs(bore_m - ?2) < ?3";
    let known: Option<i64> = one(tx, sql, &[&row.get("pump_id"), &row.get("bore_m"), &SAME_BORE_M])?;
    Ok(if known.is_some() { Fate::Skip } else { Fate::New })
}

/// A spot is known by its name at its module too.
pub(super) fn spot(tx: &Connection, row: &mut Row) -> Result<Fate, BookError> {
    let sql = "SELECT id FROM spot WHERE pump_id = ?1 AND module = ?2 AND name = ?3";
    let known: Option<i64> = one(tx, sql, &[&row.get("pump_id"), &row.get("module"), &row.get("name")])?;
    Ok(known.map_or(Fate::New, Fate::Same))
}

/// A round that both accepted is accepted once.
pub(super) fn good(tx: &Connection, row: &mut Row) -> Result<Fate, BookError> {
    if row.get("dropped_at") != Value::Null {
        return Ok(Fate::New);
    }
    let sql = "SELECT 1 FROM good WHERE round_id = ?1 AND module = ?2 AND dropped_at IS NULL";
    let known: Option<i64> = one(tx, sql, &[&row.get("round_id"), &row.get("module")])?;
    Ok(if known.is_some() { Fate::Skip } else { Fate::New })
}

/// The newest verdict of a round that has one here is ours.
pub(super) fn verdict(tx: &Connection, row: &mut Row) -> Result<Fate, BookError> {
    let sql = "SELECT 1 FROM verdict WHERE round_id = ?1 AND current = 1";
    let known: Option<i64> = one(tx, sql, &[&row.get("round_id")])?;
    if known.is_some() {
        row.set("current", Value::Integer(0));
    }
    Ok(Fate::New)
}

/// The lines of a verdict are as current as it is here.
pub(super) fn verdict_clip(tx: &Connection, row: &mut Row) -> Result<Fate, BookError> {
    let current: Option<i64> = one(tx, "SELECT current FROM verdict WHERE id = ?1", &[&row.get("verdict_id")])?;
    row.set("current", Value::Integer(current.unwrap_or(0)));
    Ok(Fate::New)
}

/// A place holds one part at a time.
pub(super) fn part(tx: &Connection, row: &mut Row) -> Result<Fate, BookError> {
    let place: [Value; 4] = ["pump_id", "module", "kind", "side"].map(|c| row.get(c));
    let [pump, module, kind, side] = &place;
    let at = "pump_id = ?1 AND module = ?2 AND kind = ?3 AND side IS ?4";
    let sql = format!("SELECT id FROM part WHERE {at} AND fitted_ms = ?5");
    if let Some(id) = one(tx, &sql, &[pump, module, kind, side, &row.get("fitted_ms")])? {
        return Ok(Fate::Same(id));
    }
    if row.get("out_ms") != Value::Null {
        return Ok(Fate::New);
    }
    let sql = format!("SELECT fitted_ms FROM part WHERE {at} AND out_ms IS NULL");
    let here: Option<i64> = one(tx, &sql, &[pump, module, kind, side])?;
    let Some(here) = here else { return Ok(Fate::New) };
    Ok(Fate::Undecided(format!(
        "{}, module {} {} {}: the one in place was fitted {} here and {} in the other book; enter the later change with `seatsong part change`",
        pump_name(tx, row)?,
        row.whole("module").unwrap_or(0),
        row.text("side"),
        row.text("kind"),
        when(Some(here)),
        when(row.whole("fitted_ms"))
    )))
}

/// A span has one count of running hours.
pub(super) fn run_log(tx: &Connection, row: &mut Row) -> Result<Fate, BookError> {
    let (from, to) = (row.get("from_ms"), row.get("to_ms"));
    let same = "SELECT id FROM run_log WHERE pump_id = ?1 AND from_ms = ?2 AND to_ms = ?3 AND hours = ?4";
    if let Some(id) = one(tx, same, &[&row.get("pump_id"), &from, &to, &row.get("hours")])? {
        return Ok(Fate::Same(id));
    }
    let sql = "SELECT 1 FROM run_log WHERE pump_id = ?1 AND from_ms < ?3 AND to_ms > ?2";
    let overlaps: Option<i64> = one(tx, sql, &[&row.get("pump_id"), &from, &to])?;
    if overlaps.is_none() {
        return Ok(Fate::New);
    }
    Ok(Fate::Undecided(format!(
        "{}: running hours from {} to {} are entered differently in the other book; ours stay",
        pump_name(tx, row)?,
        when(row.whole("from_ms")),
        when(row.whole("to_ms"))
    )))
}

/// An entry of a job must follow from those before it, in order of time.
pub(super) fn job_entry(tx: &Connection, row: &mut Row) -> Result<Fate, BookError> {
    let doing = db("read the work");
    let job = row.whole("job_id").unwrap_or(0);
    let mut rows = tx.prepare_cached("SELECT document FROM job_entry WHERE job_id = ?1 ORDER BY id").map_err(&doing)?;
    let mut texts: Vec<String> = rows.query_map([job], |r| r.get(0)).and_then(Iterator::collect).map_err(&doing)?;
    texts.push(row.text("document"));
    let entries: Result<Vec<Entry>, _> = texts.iter().map(|t| serde_json::from_str(t)).collect();
    let why = match entries {
        Err(e) => e.to_string(),
        Ok(mut entries) => {
            entries.sort_by_key(|e| e.at);
            match Job::replay(entries) {
                Ok(_) => return Ok(Fate::New),
                Err(e) => e.to_string(),
            }
        }
    };
    let name: Option<String> = one(tx, "SELECT words FROM job WHERE id = ?1", &[&job])?;
    Ok(Fate::Undecided(format!(
        "work \"{}\": an entry of {} in the other book does not fit those here ({why})",
        name.unwrap_or_default(),
        row.text("entered_at")
    )))
}

/// A tour has one signed note, and its bytes are never touched.
pub(super) fn note(tx: &Connection, row: &mut Row) -> Result<Fate, BookError> {
    let doing = db("look up the note");
    let found: Option<(i64, String)> = tx
        .prepare_cached("SELECT id, sha256 FROM note WHERE tour_start_ms = ?1")
        .map_err(&doing)?
        .query_row(params![row.get("tour_start_ms")], |r| Ok((r.get(0)?, r.get(1)?)))
        .optional()
        .map_err(&doing)?;
    Ok(match found {
        None => Fate::New,
        Some((id, sum)) if sum == row.text("sha256") => Fate::Same(id),
        Some(_) => Fate::Undecided(format!(
            "the note of the tour that began {} is signed in both books, and differently: ours stays, keep the other book for theirs",
            when(row.whole("tour_start_ms"))
        )),
    })
}
