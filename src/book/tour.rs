//! The check sheet's entries and the open concerns.

use jiff::{SignedDuration, Timestamp};
use rusqlite::{OptionalExtension as _, Row, params};

use super::error::{db, file, refused};
use super::{Book, BookError, PumpRow, Stamp};
use crate::tour::reading::Answer;
use crate::tour::{CheckEntry, DEFAULT_SHEET, Outcome, Per, Sheet, Target, parse_sheet};

/// The check sheet within the book.
pub const SHEET: &str = "checks.toml";

/// An entry of the check sheet to be made.
#[derive(Debug, Clone, PartialEq)]
pub struct NewCheck<'a> {
    /// The check's id.
    pub check: &'a str,
    /// Its pump; `None` for a check of the rig.
    pub pump: Option<&'a PumpRow>,
    /// Its module, for a check that has one.
    pub module: Option<u32>,
    /// When.
    pub at: Timestamp,
    /// By which position.
    pub by: &'a str,
    /// Answers by the name of their ask, and whether somebody had to confirm them.
    pub answers: Vec<(String, Answer, bool)>,
    /// Why it was left out, if it was.
    pub skipped: Option<&'a str>,
}

/// An answer as it is kept.
#[derive(Debug, Clone, PartialEq)]
pub struct AnswerRow {
    /// The ask.
    pub ask: String,
    /// `ok`, `attention`, `text`, `photo`, `reading`.
    pub kind: String,
    /// Words, or the photo within the book.
    pub words: String,
    /// A reading in SI.
    pub si: Option<f64>,
}

/// An entry as it is kept.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckRow {
    /// Number.
    pub id: i64,
    /// The check's id.
    pub check: String,
    /// Pump, if it has one.
    pub pump_id: Option<i64>,
    /// Module, if it has one.
    pub module: Option<u32>,
    /// When.
    pub at: Timestamp,
    /// By which position.
    pub by: String,
    /// How it came out.
    pub outcome: Outcome,
    /// Its answers in the order given.
    pub answers: Vec<AnswerRow>,
}

/// A concern of the book.
#[derive(Debug, Clone, PartialEq)]
pub struct ConcernRow {
    /// Number by which it is closed.
    pub id: i64,
    /// Pump, if it belongs to one.
    pub pump_id: Option<i64>,
    /// What it is.
    pub words: String,
    /// Since when.
    pub since: Timestamp,
    /// By which position.
    pub by: String,
    /// When it was closed and why.
    pub closed: Option<(Timestamp, String)>,
}

/// Text and number of an instant, as the tables keep it.
pub(super) fn stamp(at: Timestamp) -> (String, i64) {
    let ms = at.as_millisecond();
    (Stamp::of_ms(ms).map_or_else(|| at.to_string(), |s| s.text), ms)
}

/// An instant from its number.
pub(crate) fn instant(ms: i64) -> Timestamp {
    Timestamp::from_millisecond(ms).unwrap_or(if ms < 0 { Timestamp::MIN } else { Timestamp::MAX })
}

/// The end of a span that holds `at` itself.
pub(crate) fn just_after(at: Timestamp) -> Timestamp {
    at.saturating_add(SignedDuration::from_millis(1)).unwrap_or(Timestamp::MAX)
}

impl Book {
    /// The check sheet: `checks.toml` of the book, or the one that every book starts with; and whether it is the site's own.
    ///
    /// # Errors
    /// [`BookError::Refused`] with the line that is wrong; a file that can't be read.
    pub fn sheet(&self) -> Result<(Sheet, bool), BookError> {
        let path = self.dir().join(SHEET);
        let (text, own) = match std::fs::read_to_string(&path) {
            Ok(text) => (text, true),
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => (DEFAULT_SHEET.to_owned(), false),
            Err(e) => return Err(file("read the check sheet", &path)(e)),
        };
        let sheet = parse_sheet(&text, &path.display().to_string()).map_err(|e| refused(e.to_string()))?;
        Ok((sheet, own))
    }

    /// Enters a check with its answers.
    ///
    /// # Errors
    /// What the database says.
    pub fn add_check(&mut self, new: &NewCheck<'_>) -> Result<i64, BookError> {
        let (at, ms) = stamp(new.at);
        // Photos come into the book first: an entry never names one that is not there.
        let mut photos = std::collections::BTreeMap::new();
        for (ask, answer, _) in &new.answers {
            if let Answer::Photo(path) = answer {
                photos.insert(ask.as_str(), self.photo_in(path)?);
            }
        }
        let attention = new.answers.iter().any(|(_, a, _)| matches!(a, Answer::Attention(_)));
        let outcome = match (new.skipped, attention) {
            (Some(_), _) => "skipped",
            (None, true) => "attention",
            (None, false) => "fine",
        };
        self.whole("enter the check", |tx| {
            let doing = db("enter the check");
            tx.execute(
                "INSERT INTO check_entry (check_name, pump_id, module, at, at_ms, by_position, outcome, reason, entered_at)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
                params![
                    new.check,
                    new.pump.map(|p| p.id),
                    new.module,
                    at,
                    ms,
                    new.by,
                    outcome,
                    new.skipped.unwrap_or_default(),
                    Stamp::now().text
                ],
            )
            .map_err(&doing)?;
            let id = tx.last_insert_rowid();
            for (ask, answer, confirmed) in &new.answers {
                let (kind, words, si, unit) = match answer {
                    Answer::Ok => ("ok", "", None, None),
                    Answer::Attention(words) => ("attention", words.as_str(), None, None),
                    Answer::Text(words) => ("text", words.as_str(), None, None),
                    Answer::Photo(path) => {
                        ("photo", photos.get(ask.as_str()).unwrap_or(path).as_str(), None, None)
                    }
                    Answer::Reading { si, unit } => ("reading", "", Some(*si), Some(unit.symbol)),
                };
                tx.execute(
                    "INSERT INTO answer (check_entry_id, ask, kind, words, value_si, unit, confirmed)
                     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                    params![id, ask, kind, words, si, unit, confirmed],
                )
                .map_err(&doing)?;
            }
            Ok(id)
        })
    }

    /// Entries of a span (its end does not count), oldest first; of one pump, or of all and the rig.
    ///
    /// # Errors
    /// What the database says.
    pub fn checks(&self, pump: Option<&PumpRow>, from: Timestamp, to: Timestamp) -> Result<Vec<CheckRow>, BookError> {
        let doing = db("read the checks");
        let mut statement = self
            .conn
            .prepare_cached(
                "SELECT id, check_name, pump_id, module, at_ms, by_position, outcome, reason FROM check_entry
                 WHERE at_ms >= ?1 AND at_ms < ?2 AND (?3 IS NULL OR pump_id = ?3) ORDER BY at_ms, id",
            )
            .map_err(&doing)?;
        let (from, to) = (from.as_millisecond(), to.as_millisecond());
        let rows = statement.query_map(params![from, to, pump.map(|p| p.id)], check_row).map_err(&doing)?;
        let mut rows = rows.collect::<Result<Vec<CheckRow>, _>>().map_err(&doing)?;
        let mut answers = self
            .conn
            .prepare_cached("SELECT ask, kind, words, value_si FROM answer WHERE check_entry_id = ?1 ORDER BY id")
            .map_err(&doing)?;
        for row in &mut rows {
            let of_row =
                |r: &Row<'_>| Ok(AnswerRow { ask: r.get(0)?, kind: r.get(1)?, words: r.get(2)?, si: r.get(3)? });
            let found = answers.query_map([row.id], of_row).map_err(&doing)?;
            row.answers = found.collect::<Result<_, _>>().map_err(&doing)?;
        }
        Ok(rows)
    }

    /// As much of the check history as the walk at `until` asks for: every entry since the tour began, and of each check and target the
    /// newest one made before. Pumps by their names.
    ///
    /// # Errors
    /// What the database says.
    pub fn check_history(
        &self,
        sheet: &Sheet,
        pumps: &[PumpRow],
        since: Timestamp,
        until: Timestamp,
    ) -> Result<Vec<CheckEntry>, BookError> {
        let end = until.saturating_add(jiff::SignedDuration::from_secs(1)).unwrap_or(Timestamp::MAX);
        let mut rows = self.checks(None, since, end)?;
        let doing = db("read the checks");
        // What was left out in an earlier tour says nothing about this one.
        let mut newest = self
            .conn
            .prepare_cached(
                "SELECT id, check_name, pump_id, module, at_ms, by_position, outcome, reason FROM check_entry
                 WHERE check_name = ?1 AND pump_id IS ?2 AND module IS ?3 AND at_ms < ?4 AND outcome <> 'skipped'
                 ORDER BY at_ms DESC, id DESC LIMIT 1",
            )
            .map_err(&doing)?;
        for check in &sheet.checks {
            let mut targets: Vec<(Option<i64>, Option<u32>)> = Vec::new();
            match check.per {
                Per::Rig => targets.push((None, None)),
                Per::Pump => targets.extend(pumps.iter().map(|p| (Some(p.id), None))),
                Per::Module => {
                    targets.extend(pumps.iter().flat_map(|p| p.modules().into_iter().map(|m| (Some(p.id), Some(m)))));
                }
            }
            for (pump, module) in targets {
                let key = params![check.id, pump, module, since.as_millisecond()];
                rows.extend(newest.query_row(key, check_row).optional().map_err(&doing)?);
            }
        }
        let name = |id: Option<i64>| id.and_then(|id| pumps.iter().find(|p| p.id == id)).map(|p| p.data.name.clone());
        Ok(rows
            .into_iter()
            .map(|r| CheckEntry {
                target: Target { pump: name(r.pump_id), module: r.module },
                check: r.check,
                at: r.at,
                outcome: r.outcome,
            })
            .collect())
    }

    /// Readings of one ask on one pump (and module) before an instant, oldest first.
    ///
    /// # Errors
    /// What the database says.
    pub fn readings(
        &self,
        pump: &PumpRow,
        module: Option<u32>,
        check: &str,
        ask: &str,
        before: Timestamp,
    ) -> Result<Vec<(Timestamp, f64)>, BookError> {
        let doing = db("read the readings");
        let mut statement = self
            .conn
            .prepare_cached(
                "SELECT e.at_ms, a.value_si FROM check_entry e JOIN answer a ON a.check_entry_id = e.id
                 WHERE e.check_name = ?1 AND e.pump_id = ?2 AND e.module IS ?3 AND a.ask = ?4 AND a.value_si IS NOT NULL
                   AND e.at_ms < ?5 ORDER BY e.at_ms, e.id",
            )
            .map_err(&doing)?;
        let rows = statement
            .query_map(params![check, pump.id, module, ask, before.as_millisecond()], |r| {
                Ok((instant(r.get(0)?), r.get(1)?))
            })
            .map_err(&doing)?;
        rows.collect::<Result<_, _>>().map_err(doing)
    }

    /// The newest photo that was entered for one ask of a check: when, and its name as entered. `pump` is `None` for a check of the rig.
    ///
    /// # Errors
    /// What the database says.
    pub fn last_photo(
        &self,
        pump: Option<&PumpRow>,
        module: Option<u32>,
        check: &str,
        ask: &str,
    ) -> Result<Option<(Timestamp, String)>, BookError> {
        let doing = db("read the photos");
        let mut statement = self
            .conn
            .prepare_cached(
                "SELECT e.at_ms, a.words FROM check_entry e JOIN answer a ON a.check_entry_id = e.id
                 WHERE e.check_name = ?1 AND e.pump_id IS ?2 AND e.module IS ?3 AND a.ask = ?4 AND a.kind = 'photo'
                 ORDER BY e.at_ms DESC, e.id DESC LIMIT 1",
            )
            .map_err(&doing)?;
        statement
            .query_row(params![check, pump.map(|p| p.id), module, ask], |r| Ok((instant(r.get(0)?), r.get(1)?)))
            .optional()
            .map_err(doing)
    }

    /// Enters a concern that stays in every note until somebody closes it.
    ///
    /// # Errors
    /// What the database says.
    pub fn add_concern(
        &mut self,
        pump: Option<&PumpRow>,
        words: &str,
        at: Timestamp,
        by: &str,
    ) -> Result<i64, BookError> {
        if words.trim().is_empty() {
            return Err(refused("the concern is empty; write what it is"));
        }
        let (text, ms) = stamp(at);
        self.whole("enter the concern", |tx| {
            tx.execute(
                "INSERT INTO concern (pump_id, words, since_at, since_ms, by_position) VALUES (?1, ?2, ?3, ?4, ?5)",
                params![pump.map(|p| p.id), words.trim(), text, ms, by],
            )
            .map_err(db("enter the concern"))?;
            Ok(tx.last_insert_rowid())
        })
    }

    /// Closes a concern; it stays in the book with the reason.
    ///
    /// # Errors
    /// [`BookError::Unknown`] for no such concern, [`BookError::Refused`] for one that is closed, or without a reason.
    pub fn close_concern(&mut self, id: i64, at: Timestamp, by: &str, why: &str) -> Result<(), BookError> {
        if why.trim().is_empty() {
            return Err(refused("say why the concern is closed, for the relief"));
        }
        let (text, ms) = stamp(at);
        self.whole("close the concern", |tx| {
            let doing = db("close the concern");
            let state: Option<Option<String>> = tx
                .query_row("SELECT closed_at FROM concern WHERE id = ?1", [id], |r| r.get(0))
                .optional()
                .map_err(&doing)?;
            match state {
                None => Err(BookError::Unknown {
                    what: format!("concern {id}"),
                    hint: "`seatsong concern list` shows them".to_owned(),
                }),
                Some(Some(when)) => Err(refused(format!("concern {id} was closed at {when} already"))),
                Some(None) => {
                    tx.execute(
                        "UPDATE concern SET closed_at = ?2, closed_ms = ?3, closed_by = ?4, closed_why = ?5 WHERE id = ?1",
                        params![id, text, ms, by, why.trim()],
                    )
                    .map_err(doing)?;
                    Ok(())
                }
            }
        })
    }

    /// Concerns that were entered by `at`, oldest first; those closed by then too.
    ///
    /// # Errors
    /// What the database says.
    pub fn concerns(&self, at: Timestamp) -> Result<Vec<ConcernRow>, BookError> {
        let doing = db("read the concerns");
        let mut statement = self
            .conn
            .prepare_cached(
                "SELECT id, pump_id, words, since_ms, by_position, closed_ms, coalesce(closed_why, '') FROM concern
                 WHERE since_ms <= ?1 ORDER BY since_ms, id",
            )
            .map_err(&doing)?;
        let ms = at.as_millisecond();
        let rows = statement
            .query_map([ms], |r| {
                let closed: Option<i64> = r.get::<_, Option<i64>>(5)?.filter(|c| *c <= ms);
                let why: String = r.get(6)?;
                Ok(ConcernRow {
                    id: r.get(0)?,
                    pump_id: r.get(1)?,
                    words: r.get(2)?,
                    since: instant(r.get(3)?),
                    by: r.get(4)?,
                    closed: closed.map(|c| (instant(c), why)),
                })
            })
            .map_err(&doing)?;
        rows.collect::<Result<_, _>>().map_err(doing)
    }
}

fn check_row(row: &Row<'_>) -> rusqlite::Result<CheckRow> {
    let outcome: String = row.get(6)?;
    let outcome = match outcome.as_str() {
        "skipped" => Outcome::Skipped { reason: row.get(7)? },
        "attention" => Outcome::Attention,
        _ => Outcome::Fine,
    };
    Ok(CheckRow {
        id: row.get(0)?,
        check: row.get(1)?,
        pump_id: row.get(2)?,
        module: row.get(3)?,
        at: instant(row.get(4)?),
        by: row.get(5)?,
        outcome,
        answers: Vec::new(),
    })
}

#[cfg(test)]
#[path = "tour_tests.rs"]
mod tests;
