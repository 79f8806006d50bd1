//! Parts, running hours and speeds.

use jiff::Timestamp;
use rusqlite::{Row, params};

use super::error::{db, refused};
use super::tour::{instant, stamp};
use super::{Book, BookError, PumpRow, Stamp};
use crate::tour::Meter;
use crate::tour::parts::{Part, PartKind, Place, Run, RunLog, Side, Speed, Why, in_order, run_of};

/// A change of a part: what came out, and that a new one went in.
#[derive(Debug, Clone, PartialEq)]
pub struct PartChange<'a> {
    /// Where.
    pub place: Place,
    /// When.
    pub at: Timestamp,
    /// By which position.
    pub by: &'a str,
    /// Why the old one came out; `None` where none was entered before.
    pub why: Option<Why>,
    /// How the old one looked.
    pub condition: &'a str,
    /// Path of a photo of it, which is copied into the book; or the name of one that is there; empty for none.
    pub photo: &'a str,
    /// Whether the module's baseline starts anew: its new part sounds different. The first entry of a part never does that.
    pub restarts: bool,
}

/// A part of the book.
#[derive(Debug, Clone, PartialEq)]
pub struct PartRow {
    /// The part.
    pub part: Part,
    /// How it looked when it came out.
    pub condition: String,
    /// Its photo within the book (a path outside in entries from before the book kept photos); empty for none.
    pub photo: String,
}

impl Book {
    /// Enters that a part was changed: the old one ends, a new one begins, and with it the module's baseline.
    ///
    /// # Returns
    /// The old part, if one was entered.
    ///
    /// # Errors
    /// [`BookError::Refused`] for an old part without a reason or one that was fitted later; what the database says.
    pub fn change_part(&mut self, pump: &PumpRow, change: &PartChange<'_>) -> Result<Option<Part>, BookError> {
        super::pumps::known_module(pump, change.place.module)?;
        let (at, ms) = stamp(change.at);
        let old = self.parts(pump)?.into_iter().map(|r| r.part).find(|p| p.place == change.place && p.out.is_none());
        let words = change.place.words();
        let why = match (&old, change.why) {
            (Some(_), None) => return Err(refused(format!("{words}: say why the old one came out (--why worn)"))),
            (None, Some(_)) => {
                return Err(refused(format!("{words}: no old one is entered; leave --why out, this one is the first")));
            }
            (Some(p), Some(_)) if p.fitted > change.at => {
                let when = p.fitted;
                return Err(refused(format!("{words}: the one in place was fitted later, at {when}; check the time")));
            }
            (_, why) => why,
        };
        let photo = self.photo_in(change.photo)?;
        let p = &change.place;
        self.whole("change the part", |tx| {
            let doing = db("change the part");
            tx.execute(
                "UPDATE part SET out_at = ?5, out_ms = ?6, why = ?7, condition = ?8, photo = ?9
                 WHERE pump_id = ?1 AND module = ?2 AND kind = ?3 AND side IS ?4 AND out_ms IS NULL",
                params![
                    pump.id,
                    p.module,
                    p.kind.as_str(),
                    p.side.map(Side::as_str),
                    at,
                    ms,
                    why.map(Why::as_str),
                    change.condition,
                    photo
                ],
            )
            .map_err(&doing)?;
            tx.execute(
                "INSERT INTO part (pump_id, module, kind, side, fitted_at, fitted_ms, fitted_by) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)",
                params![pump.id, p.module, p.kind.as_str(), p.side.map(Side::as_str), at, ms, change.by],
            )
            .map_err(&doing)?;
            if old.is_some() && change.restarts {
                tx.execute(
                    "INSERT INTO restart (pump_id, module, at, at_ms, why) VALUES (?1, ?2, ?3, ?4, ?5)",
                    params![pump.id, p.module, at, ms, p.part_words()],
                )
                .map_err(&doing)?;
            }
            Ok(())
        })?;
        Ok(old)
    }

    /// All parts that were ever entered for a pump, by place and time.
    ///
    /// # Errors
    /// What the database says; [`BookError::Spoilt`] for an entry that can't be understood.
    pub fn parts(&self, pump: &PumpRow) -> Result<Vec<PartRow>, BookError> {
        let doing = db("read the parts");
        let mut statement = self
            .conn
            .prepare_cached(
                "SELECT module, kind, side, fitted_ms, out_ms, coalesce(why, 'unknown'), condition, photo FROM part
                 WHERE pump_id = ?1 ORDER BY module, kind, side, fitted_ms, id",
            )
            .map_err(&doing)?;
        type Raw = (u32, String, Option<String>, i64, Option<i64>, String, String, String);
        let raw = |r: &Row<'_>| -> rusqlite::Result<Raw> {
            Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?, r.get(5)?, r.get(6)?, r.get(7)?))
        };
        let rows = statement.query_map([pump.id], raw).map_err(&doing)?;
        let mut out = Vec::new();
        for row in rows {
            let (module, kind, side, fitted, gone, why, condition, photo) = row.map_err(&doing)?;
            let spoilt = |e: crate::tour::parts::PartError| BookError::Spoilt {
                what: format!("a part of {}", pump.data.name),
                why: e.to_string(),
            };
            let side = side.map(|s| Side::parse(&s)).transpose().map_err(spoilt)?;
            let place =
                Place::new(&pump.data.name, module, PartKind::parse(&kind).map_err(spoilt)?, side).map_err(spoilt)?;
            let why = Why::parse(&why).map_err(spoilt)?;
            let part = Part { place, fitted: instant(fitted), out: gone.map(|ms| (instant(ms), why)) };
            out.push(PartRow { part, condition, photo });
        }
        Ok(out)
    }

    /// Enters running hours of a pump over a span.
    ///
    /// # Errors
    /// [`BookError::Refused`] for more hours than the clock ran or a span that is entered already.
    pub fn add_run(&mut self, pump: &PumpRow, log: RunLog, by: &str) -> Result<(), BookError> {
        if log.to <= log.from {
            return Err(refused(format!("running hours from {} to {}: the end must be later", log.from, log.to)));
        }
        let mut logs = self.runs(pump)?;
        logs.push(log);
        in_order(&logs).map_err(|e| refused(e.to_string()))?;
        self.whole("enter the running hours", |tx| {
            tx.execute(
                "INSERT INTO run_log (pump_id, from_ms, to_ms, hours, by_position, entered_at) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                params![pump.id, log.from.as_millisecond(), log.to.as_millisecond(), log.hours, by, Stamp::now().text],
            )
            .map_err(db("enter the running hours"))?;
            Ok(())
        })
    }

    /// Running-hours entries of a pump, oldest first.
    ///
    /// # Errors
    /// What the database says.
    pub fn runs(&self, pump: &PumpRow) -> Result<Vec<RunLog>, BookError> {
        let doing = db("read the running hours");
        let mut statement = self
            .conn
            .prepare_cached("SELECT from_ms, to_ms, hours FROM run_log WHERE pump_id = ?1 ORDER BY from_ms")
            .map_err(&doing)?;
        let rows = statement
            .query_map([pump.id], |r| Ok(RunLog { from: instant(r.get(0)?), to: instant(r.get(1)?), hours: r.get(2)? }))
            .map_err(&doing)?;
        rows.collect::<Result<_, _>>().map_err(doing)
    }

    /// Speeds of a pump's rounds, oldest first.
    ///
    /// # Errors
    /// What the database says.
    pub fn speeds(&self, pump: &PumpRow) -> Result<Vec<Speed>, BookError> {
        let doing = db("read the speeds");
        let mut statement = self
            .conn
            .prepare_cached(
                "SELECT started_ms, spm FROM round WHERE pump_id = ?1 AND spm IS NOT NULL ORDER BY started_ms",
            )
            .map_err(&doing)?;
        let rows =
            statement.query_map([pump.id], |r| Ok(Speed { at: instant(r.get(0)?), spm: r.get(1)? })).map_err(&doing)?;
        rows.collect::<Result<_, _>>().map_err(doing)
    }

    /// All parts of a pump with what each has run by `now`.
    ///
    /// # Errors
    /// As [`Book::parts`]; [`BookError::Spoilt`] for running hours that contradict each other.
    pub fn part_runs(&self, pump: &PumpRow, now: Timestamp) -> Result<Vec<(PartRow, Run)>, BookError> {
        let spoilt = spoilt_hours(pump);
        let meter = self.meter(pump)?;
        self.parts(pump)?
            .into_iter()
            .filter(|row| row.part.fitted <= now)
            .map(|row| {
                let run = run_of(&row.part, now, &meter).map_err(&spoilt)?;
                Ok((row, run))
            })
            .collect()
    }

    /// A pump's stroke counter, from its running hours and the speeds of its rounds.
    ///
    /// # Errors
    /// [`BookError::Spoilt`] for running hours that contradict each other, what the database says.
    pub fn meter(&self, pump: &PumpRow) -> Result<Meter, BookError> {
        Meter::new(&self.runs(pump)?, &self.speeds(pump)?).map_err(spoilt_hours(pump))
    }
}

/// Running hours of a pump that can't be.
fn spoilt_hours(pump: &PumpRow) -> impl Fn(crate::tour::parts::PartError) -> BookError {
    let what = format!("running hours of {}", pump.data.name);
    move |e| BookError::Spoilt { what: what.clone(), why: e.to_string() }
}
