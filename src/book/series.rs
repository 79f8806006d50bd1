//! A module's judged rounds in order of time, as the trend takes them.

use rusqlite::params;
use serde_json::Value;

use super::error::db;
use super::pumps::known_module;
use super::tour::instant;
use super::{Book, BookError, PumpRow};
use crate::score::trend::{PartMark, TrendInput, TrendRound};

/// What the last verdict that found a change says of it.
#[derive(Debug, Clone, PartialEq)]
pub struct FoundChange {
    /// Round.
    pub round: i64,
    /// Band in Hz.
    pub band_hz: [f64; 2],
    /// Arc in degrees of the module's own turn; `None` where the baseline's angles are relative.
    pub arc_deg: Option<[f64; 2]>,
}

impl Book {
    /// The newest change that a verdict found at a module.
    ///
    /// # Errors
    /// [`BookError::Refused`] for a module that the pump has not; what the database says.
    pub fn last_change(&self, pump: &PumpRow, module: u32) -> Result<Option<FoundChange>, BookError> {
        known_module(pump, module)?;
        let doing = db("read the verdicts of a module");
        let mut rows = self
            .connection()
            .prepare_cached(
                "SELECT v.round_id, v.document FROM verdict_clip c JOIN verdict v ON v.id = c.verdict_id
                 WHERE c.pump_id = ?1 AND c.module = ?2 AND c.current = 1 AND c.state IN ('drifting', 'departed')
                 ORDER BY c.started_ms DESC, v.id DESC",
            )
            .map_err(&doing)?;
        let mut found = rows.query(params![pump.id, module]).map_err(&doing)?;
        while let Some(row) = found.next().map_err(&doing)? {
            let (round, text): (i64, String) = (row.get(0).map_err(&doing)?, row.get(1).map_err(&doing)?);
            // A document that can't be understood tells nothing; an older one may.
            let Ok(document) = serde_json::from_str::<Value>(&text) else { continue };
            if let Some(change) = change_of(&document, round, module) {
                return Ok(Some(change));
            }
        }
        Ok(None)
    }

    /// All judged rounds of a module, one entry a round (its worst clip), and the moments from which its baseline starts anew; each with
    /// the strokes that the pump's running hours and the speeds of its rounds add up to until then.
    ///
    /// A round is judged against accepted rounds without itself, so an accepted round's departure counts too.
    ///
    /// # Errors
    /// [`BookError::Refused`] for a module that the pump has not; what the database says.
    pub fn trend_input(&self, pump: &PumpRow, module: u32) -> Result<TrendInput, BookError> {
        known_module(pump, module)?;
        // Contradicting running hours take the strokes away, not the trend.
        let meter = self.meter(pump).ok();
        let strokes = |ms: i64| meter.as_ref().and_then(|m| m.strokes_at(instant(ms)));
        let doing = db("read the verdicts of a module");
        let mut rows = self
            .connection()
            .prepare_cached(
                "SELECT c.started_ms, c.departure, c.excess_db, c.hiss_sd,
                        EXISTS (SELECT 1 FROM good g WHERE g.pump_id = ?1 AND g.module = ?2 AND g.started_ms = c.started_ms
                                AND g.dropped_at IS NULL)
                 FROM verdict_clip c WHERE c.pump_id = ?1 AND c.module = ?2 AND c.current = 1 ORDER BY c.started_ms",
            )
            .map_err(&doing)?;
        let found = rows
            .query_map(params![pump.id, module], |r| {
                let ms: i64 = r.get(0)?;
                Ok(TrendRound {
                    time_s: ms.div_euclid(1000),
                    strokes: strokes(ms),
                    departure: r.get(1)?,
                    excess_db: r.get(2)?,
                    hiss_sd: r.get(3)?,
                    good: r.get(4)?,
                })
            })
            .and_then(Iterator::collect::<Result<Vec<_>, _>>)
            .map_err(&doing)?;
        let mut rounds: Vec<TrendRound> = Vec::with_capacity(found.len());
        for round in found {
            match rounds.last_mut() {
                Some(last) if last.time_s == round.time_s => {
                    if round.departure > last.departure {
                        *last = round;
                    }
                }
                _ => rounds.push(round),
            }
        }
        let doing = db("read where baselines start anew");
        let marks = self
            .connection()
            .prepare_cached("SELECT at_ms, why FROM restart WHERE pump_id = ?1 AND module = ?2 ORDER BY at_ms")
            .map_err(&doing)?
            .query_map(params![pump.id, module], |r| {
                let ms: i64 = r.get(0)?;
                Ok(PartMark { time_s: ms.div_euclid(1000), strokes: strokes(ms), text: r.get(1)? })
            })
            .and_then(Iterator::collect)
            .map_err(&doing)?;
        Ok(TrendInput { module: Some(module), rounds, marks, look_at: None })
    }
}

fn change_of(document: &Value, round: i64, module: u32) -> Option<FoundChange> {
    let pair = |v: &Value| Some([v.get(0)?.as_f64()?, v.get(1)?.as_f64()?]);
    let own = |v: &&Value| v["module"] == module;
    let absolute = document["baseline"].as_array()?.iter().find(own).is_some_and(|b| b["angle"] == "absolute");
    // Of two clips the one further out.
    let clip = document["clips"]
        .as_array()?
        .iter()
        .filter(own)
        .filter(|c| c["band_hz"].is_array())
        .max_by(|a, b| a["departure"].as_f64().unwrap_or(0.0).total_cmp(&b["departure"].as_f64().unwrap_or(0.0)))?;
    let arc_deg = pair(&clip["arc_deg"]).filter(|_| absolute);
    Some(FoundChange { round, band_hz: pair(&clip["band_hz"])?, arc_deg })
}
