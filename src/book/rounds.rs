//! Rounds: one walk past the spots of one pump at one operating point.

use rusqlite::{Connection, OptionalExtension as _, Row, params};

use super::error::{db, refused};
use super::{Book, BookError, PumpRow, Stamp};

/// A round to be started.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct NewRound {
    /// When it was walked; `None`: now.
    pub at: Option<Stamp>,
    /// What is known of the operating point.
    pub point: RoundChange,
}

/// What is said of a round; `None` leaves what is there.
#[derive(Debug, Clone, PartialEq, Default, serde::Serialize)]
pub struct RoundChange {
    /// Strokes a minute on the console.
    pub spm: Option<f64>,
    /// Discharge pressure in Pa.
    pub pressure_pa: Option<f64>,
    /// Mud weight in kg/m3.
    pub mud_kg_m3: Option<f64>,
    /// Crew position of whoever walked.
    pub crew: Option<String>,
    /// Remarks; added to those that are there.
    pub remarks: Option<String>,
}

/// A round of the book.
#[derive(Debug, Clone, PartialEq)]
pub struct RoundRow {
    /// Number in this book.
    pub id: i64,
    /// Key in all books.
    pub uuid: String,
    /// Its pump.
    pub pump_id: i64,
    /// When it was walked.
    pub started: Stamp,
    /// When it was closed; `None` while it is open.
    pub closed_at: Option<String>,
    /// Strokes a minute on the console.
    pub spm: Option<f64>,
    /// Discharge pressure in Pa.
    pub pressure_pa: Option<f64>,
    /// Mud weight in kg/m3.
    pub mud_kg_m3: Option<f64>,
    /// Bore of the liner that was fitted, in m.
    pub liner_m: Option<f64>,
    /// Crew position.
    pub crew: String,
    /// Remarks.
    pub remarks: String,
}

pub(super) const ROUND: &str = "SELECT id, uuid, pump_id, started_at, started_ms, closed_at, spm, pressure_pa, mud_kg_m3, liner_m, crew, remarks FROM round";

pub(super) fn round_row(row: &Row<'_>) -> rusqlite::Result<RoundRow> {
    Ok(RoundRow {
        id: row.get(0)?,
        uuid: row.get(1)?,
        pump_id: row.get(2)?,
        started: Stamp { text: row.get(3)?, ms: row.get(4)? },
        closed_at: row.get(5)?,
        spm: row.get(6)?,
        pressure_pa: row.get(7)?,
        mud_kg_m3: row.get(8)?,
        liner_m: row.get(9)?,
        crew: row.get(10)?,
        remarks: row.get(11)?,
    })
}

/// Enters a round that begins; its number.
pub(super) fn enter_round(tx: &Connection, pump: &PumpRow, new: &NewRound) -> Result<i64, BookError> {
    let at = new.at.clone().unwrap_or_else(Stamp::now);
    let p = &new.point;
    tx.execute(
        "INSERT INTO round (pump_id, started_at, started_ms, spm, pressure_pa, mud_kg_m3, liner_m, crew, remarks)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, (SELECT liner_m FROM pump WHERE id = ?1), ?7, ?8)",
        params![
            pump.id,
            at.text,
            at.ms,
            p.spm,
            p.pressure_pa,
            p.mud_kg_m3,
            p.crew.as_deref().unwrap_or_default(),
            p.remarks.as_deref().unwrap_or_default()
        ],
    )
    .map_err(db("start the round"))?;
    Ok(tx.last_insert_rowid())
}

/// When a round was closed; `None` while it is open.
pub(super) fn closed_at(tx: &Connection, id: i64) -> Result<Option<String>, BookError> {
    let doing = db("look whether the round is open");
    tx.prepare_cached("SELECT closed_at FROM round WHERE id = ?1")
        .and_then(|mut s| s.query_row([id], |r| r.get(0)))
        .map_err(doing)
}

/// Refuses what would change a round that is closed: what was accepted and judged of it was so of what it held then.
pub(super) fn still_open(tx: &Connection, id: i64) -> Result<(), BookError> {
    match closed_at(tx, id)? {
        None => Ok(()),
        Some(at) => Err(refused(format!(
            "round {id} was closed at {at} and stays as it is; what comes later needs another round"
        ))),
    }
}

impl Book {
    /// Starts a round.
    ///
    /// # Errors
    /// What the database says.
    pub fn start_round(&mut self, pump: &PumpRow, new: &NewRound) -> Result<RoundRow, BookError> {
        let id = self.whole("start the round", |tx| enter_round(tx, pump, new))?;
        self.round(id)
    }

    /// Says more of an open round, and closes it if asked to.
    ///
    /// # Errors
    /// [`BookError::Unknown`] if there is no such round; [`BookError::Refused`] if it is closed.
    pub fn change_round(&mut self, id: i64, change: &RoundChange, close: bool) -> Result<RoundRow, BookError> {
        self.round(id)?;
        self.whole("change the round", |tx| {
            still_open(tx, id)?;
            tx.execute(
                "UPDATE round SET spm = coalesce(?2, spm), pressure_pa = coalesce(?3, pressure_pa),
                    mud_kg_m3 = coalesce(?4, mud_kg_m3), crew = coalesce(?5, crew),
                    remarks = CASE WHEN ?6 IS NULL THEN remarks WHEN remarks = '' THEN ?6 ELSE remarks || char(10) || ?6 END,
                    closed_at = coalesce(closed_at, ?7)
                 WHERE id = ?1",
                params![
                    id,
                    change.spm,
                    change.pressure_pa,
                    change.mud_kg_m3,
                    change.crew,
                    change.remarks,
                    close.then(|| Stamp::now().text)
                ],
            )
            .map_err(db("change the round"))?;
            if close {
                // Whatever was still to come no longer comes into it.
                tx.execute("DELETE FROM import_begun WHERE round_id = ?1", [id]).map_err(db("change the round"))?;
            }
            Ok(())
        })?;
        self.round(id)
    }

    /// A round by its number.
    ///
    /// # Errors
    /// [`BookError::Unknown`] if there is none.
    pub fn round(&self, id: i64) -> Result<RoundRow, BookError> {
        let found = self.conn.query_row(&format!("{ROUND} WHERE id = ?1"), [id], round_row).optional();
        found.map_err(db("read the round"))?.ok_or_else(|| BookError::Unknown {
            what: format!("round {id}"),
            hint: "`seatsong round list` shows them".to_owned(),
        })
    }

    /// The newest round that has clips, of one pump or of all.
    ///
    /// # Errors
    /// [`BookError::Refused`] if there is none.
    pub fn latest_round(&self, pump: Option<&PumpRow>) -> Result<RoundRow, BookError> {
        let with =
            "EXISTS (SELECT 1 FROM clip WHERE clip.round_id = round.id) ORDER BY started_ms DESC, id DESC LIMIT 1";
        let found = match pump {
            Some(p) => self.conn.query_row(&format!("{ROUND} WHERE pump_id = ?1 AND {with}"), [p.id], round_row),
            None => self.conn.query_row(&format!("{ROUND} WHERE {with}"), [], round_row),
        };
        let found = found.optional().map_err(db("read the newest round"))?;
        found.ok_or_else(|| refused("no round with clips in the book yet: `seatsong import` brings some in"))
    }

    /// The open round of a pump, the newest if there are several.
    ///
    /// # Errors
    /// What the database says.
    pub fn open_round(&self, pump: &PumpRow) -> Result<Option<RoundRow>, BookError> {
        let sql = format!("{ROUND} WHERE pump_id = ?1 AND closed_at IS NULL ORDER BY started_ms DESC, id DESC LIMIT 1");
        self.conn.query_row(&sql, [pump.id], round_row).optional().map_err(db("read the open round"))
    }

    /// A number as typed, or `last`.
    ///
    /// # Errors
    /// [`BookError::Refused`] if it is neither.
    pub fn round_named(&self, text: &str, pump: Option<&PumpRow>) -> Result<RoundRow, BookError> {
        if text.eq_ignore_ascii_case("last") {
            return self.latest_round(pump);
        }
        let id = text.parse().map_err(|_| refused(format!("\"{text}\" is no round; give its number, or last")))?;
        let round = self.round(id)?;
        match pump {
            Some(p) if p.id != round.pump_id => {
                Err(refused(format!("round {id} is of another pump than {}", p.data.name)))
            }
            _ => Ok(round),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::pumps::tests::triplex;
    use super::*;

    #[test]
    fn a_round_may_be_closed_later_and_then_stays_as_it_is() {
        let dir = tempfile::tempdir().unwrap();
        let mut book = Book::create(dir.path()).unwrap();
        let pump = book.add_pump(&triplex("MP-1")).unwrap();
        let point = RoundChange { spm: Some(72.0), remarks: Some("windy".into()), ..RoundChange::default() };
        let at = Some(Stamp::parse("2026-11-25T06:30+01:00").unwrap());
        let round = book.start_round(&pump, &NewRound { at, point }).unwrap();
        assert_eq!((round.closed_at.as_deref(), round.liner_m), (None, Some(0.1524)));
        assert_eq!(book.open_round(&pump).unwrap().unwrap().id, round.id);
        let more =
            RoundChange { pressure_pa: Some(1.8e7), remarks: Some("screen cleaned".into()), ..RoundChange::default() };
        let closed = book.change_round(round.id, &more, true).unwrap();
        assert_eq!((closed.spm, closed.pressure_pa), (Some(72.0), Some(1.8e7)));
        assert_eq!(closed.remarks, "windy\nscreen cleaned");
        assert!(book.open_round(&pump).unwrap().is_none());
        for close in [true, false] {
            let err = book.change_round(round.id, &more, close).unwrap_err();
            assert!(err.to_string().contains("was closed at"), "{err}");
        }
        assert_eq!(book.round(round.id).unwrap(), closed, "a closed round stays as it is");
        assert!(book.round(99).is_err() && book.round_named("x", None).is_err());
        assert!(book.latest_round(None).is_err(), "no clips yet");
    }
}
