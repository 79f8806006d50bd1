//! What a pump went through: its operating points, its modules' verdicts, the round of a tour.

use jiff::Timestamp;
use rusqlite::params;

use super::error::db;
use super::tour::instant;
use super::{Book, BookError, PumpRow, RoundRow};
use crate::tour::Tour;
use crate::tour::cross::Circuit;

/// A round's operating point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OperatingPoint {
    /// When the round was started.
    pub at: Timestamp,
    /// Pressure, speed and mud.
    pub circuit: Circuit,
    /// Bore of the liners in m.
    pub liner_m: Option<f64>,
}

impl Book {
    /// Operating points of a pump's rounds that have speed and pressure, oldest first.
    ///
    /// # Errors
    /// What the database says.
    pub fn points(&self, pump: &PumpRow, from: Timestamp, to: Timestamp) -> Result<Vec<OperatingPoint>, BookError> {
        let doing = db("read the operating points");
        let mut statement = self
            .conn
            .prepare_cached(
                "SELECT started_ms, pressure_pa, spm, mud_kg_m3, liner_m FROM round
                 WHERE pump_id = ?1 AND started_ms BETWEEN ?2 AND ?3 AND spm > 0 AND pressure_pa > 0 ORDER BY started_ms, id",
            )
            .map_err(&doing)?;
        let rows = statement
            .query_map(params![pump.id, from.as_millisecond(), to.as_millisecond()], |r| {
                let circuit = Circuit { pa: r.get(1)?, spm: r.get(2)?, mud_kg_per_m3: r.get(3)? };
                Ok(OperatingPoint { at: instant(r.get(0)?), circuit, liner_m: r.get(4)? })
            })
            .map_err(&doing)?;
        rows.collect::<Result<_, _>>().map_err(doing)
    }

    /// Verdicts of a module, oldest first: when, state, departure.
    ///
    /// # Errors
    /// What the database says.
    pub fn module_history(
        &self,
        pump: &PumpRow,
        module: u32,
        to: Timestamp,
    ) -> Result<Vec<(Timestamp, String, Option<f64>)>, BookError> {
        let doing = db("read the verdicts");
        let mut statement = self
            .conn
            .prepare_cached(
                "SELECT started_ms, state, departure FROM verdict_clip
                 WHERE pump_id = ?1 AND module = ?2 AND current = 1 AND started_ms <= ?3 ORDER BY started_ms",
            )
            .map_err(&doing)?;
        let rows = statement
            .query_map(params![pump.id, module, to.as_millisecond()], |r| {
                Ok((instant(r.get(0)?), r.get(1)?, r.get(2)?))
            })
            .map_err(&doing)?;
        rows.collect::<Result<_, _>>().map_err(doing)
    }

    /// The newest round with clips of a pump within a tour.
    ///
    /// # Errors
    /// What the database says.
    pub fn tour_round(&self, pump: &PumpRow, tour: &Tour, at: Timestamp) -> Result<Option<RoundRow>, BookError> {
        let doing = db("read the rounds");
        let mut statement = self
            .conn
            .prepare_cached(
                "SELECT id FROM round WHERE pump_id = ?1 AND started_ms >= ?2 AND started_ms < ?3 AND started_ms <= ?4
                   AND EXISTS (SELECT 1 FROM clip WHERE clip.round_id = round.id)
                 ORDER BY started_ms DESC, id DESC LIMIT 1",
            )
            .map_err(&doing)?;
        let span = params![pump.id, tour.start.as_millisecond(), tour.end.as_millisecond(), at.as_millisecond()];
        let mut rows = statement.query_map(span, |r| r.get::<_, i64>(0)).map_err(&doing)?;
        match rows.next() {
            None => Ok(None),
            Some(id) => self.round(id.map_err(doing)?).map(Some),
        }
    }

    /// Modules that hissed in the discharge half in the last judged round of a tour.
    ///
    /// # Errors
    /// What the database says.
    pub fn hissing(&self, pump: &PumpRow, tour: &Tour, at: Timestamp) -> Result<Vec<u32>, BookError> {
        let doing = db("read the verdicts");
        let mut rows = self
            .conn
            .prepare_cached(
                "SELECT DISTINCT module FROM verdict_clip
                 WHERE pump_id = ?1 AND current = 1 AND state IN ('departed', 'drifting') AND pattern = 'hiss' AND half IN ('discharge', 'both')
                   AND started_ms = (SELECT max(started_ms) FROM verdict_clip
                                     WHERE pump_id = ?1 AND current = 1 AND started_ms >= ?2 AND started_ms <= ?3)
                 ORDER BY module",
            )
            .map_err(&doing)?;
        let span = params![pump.id, tour.start.as_millisecond(), at.min(tour.end).as_millisecond()];
        rows.query_map(span, |r| r.get(0)).and_then(Iterator::collect).map_err(doing)
    }
}
