//! What fixed sensors hear, as the book keeps it: lines, events, the clips that the watch keeps and the rule by which they go.

use std::path::Path;

use rusqlite::{OptionalExtension as _, params};

#[cfg(not(product))]
use super::clips::{CLIP, clip_row};
use super::error::{db, file};
use super::store::{INCOMING, sync_dir};
use super::{Book, BookError, ClipRow, PumpRow, RoundChange, RoundRow, Stamp};
use crate::score::Item;

/// What a fixed sensor heard in one window.
#[derive(Debug, Clone, PartialEq)]
pub struct WatchLine {
    /// Key of its spot.
    pub spot: i64,
    /// End of the window in ms since 1970 UTC.
    pub at_ms: i64,
    /// `steady`, `drifting`, `departed`, `unjudged` or `stopped`.
    pub state: &'static str,
    /// Departure, where judged.
    pub departure: Option<f64>,
    /// Strokes a minute as heard.
    pub spm: Option<f64>,
    /// Whole strokes in the window.
    pub strokes: Option<u32>,
    /// How well the sound follows one rhythm, 0 to 1.
    pub lock: Option<f64>,
    /// Level in dB re full scale.
    pub level_dbfs: Option<f64>,
    /// Whether an alarm stands after this window.
    pub alarm: bool,
    /// Why it was not judged.
    pub reason: Option<String>,
}

/// Something that happened to the watch.
#[derive(Debug, Clone, PartialEq)]
pub struct WatchEntry {
    /// Its pump, if it is about one.
    pub pump: Option<i64>,
    /// Its spot, if it is about one.
    pub spot: Option<i64>,
    /// When.
    pub at: Stamp,
    /// A short name: `alarm`, `gap`, `stopped` ...
    pub kind: &'static str,
    /// In words.
    pub words: String,
}

/// Why the watch keeps a round.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kept {
    /// One an hour; may go again.
    Hourly,
    /// Around an alarm; stays.
    Alarm,
}

impl Kept {
    fn word(self) -> &'static str {
        match self {
            Self::Hourly => "hourly",
            Self::Alarm => "alarm",
        }
    }
}

/// What had to go.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Thinned {
    /// Rounds and their bytes, oldest first.
    pub removed: Vec<(i64, i64)>,
    /// Bytes that the watch's clips still have.
    pub left_bytes: i64,
}

/// Ending of a recording that is on its way out.
const GOING: &str = "going";

/// Good items of a pump, one list a spot name.
pub type GoodsBySpot = Vec<(String, Vec<Item>)>;

impl Book {
    /// Enters lines and events, all or none.
    ///
    /// # Errors
    /// What the database says.
    pub fn enter_watch(&mut self, lines: &[WatchLine], entries: &[WatchEntry]) -> Result<(), BookError> {
        self.whole("enter what was heard", |tx| {
            let doing = db("enter what was heard");
            for l in lines {
                tx.prepare_cached(
                    "INSERT OR REPLACE INTO watch_line (spot_id, at_ms, state, departure, spm, strokes, lock, level_dbfs, alarm, reason)
                     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
                )
                .and_then(|mut s| {
                    s.execute(params![
                        l.spot,
                        l.at_ms,
                        l.state,
                        l.departure,
                        l.spm,
                        l.strokes,
                        l.lock,
                        l.level_dbfs,
                        l.alarm,
                        l.reason
                    ])
                })
                .map_err(&doing)?;
            }
            for e in entries {
                tx.execute(
                    "INSERT INTO watch_event (pump_id, spot_id, at, at_ms, kind, words) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                    params![e.pump, e.spot, e.at.text, e.at.ms, e.kind, e.words],
                )
                .map_err(&doing)?;
            }
            Ok(())
        })
    }

    /// Times in ms and departures of a spot's judged windows since a moment, oldest first, and whether an alarm stood after each.
    ///
    /// # Errors
    /// What the database says.
    pub fn watched(&self, spot: i64, since_ms: i64) -> Result<Vec<(i64, f64, bool)>, BookError> {
        let doing = db("read what was heard");
        let mut rows = self
            .conn
            .prepare_cached(
                "SELECT at_ms, departure, alarm FROM watch_line
                 WHERE spot_id = ?1 AND at_ms >= ?2 AND departure IS NOT NULL ORDER BY at_ms",
            )
            .map_err(&doing)?;
        rows.query_map(params![spot, since_ms], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))
            .and_then(Iterator::collect)
            .map_err(&doing)
    }

    /// Events since a moment, oldest first: when, kind, words.
    ///
    /// # Errors
    /// What the database says.
    #[cfg(not(product))]
    pub fn watch_events(&self, since_ms: i64) -> Result<Vec<(String, String, String)>, BookError> {
        let doing = db("read what happened to the watch");
        let mut rows = self
            .conn
            .prepare_cached("SELECT at, kind, words FROM watch_event WHERE at_ms >= ?1 ORDER BY at_ms, id")
            .map_err(&doing)?;
        rows.query_map([since_ms], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))
            .and_then(Iterator::collect)
            .map_err(&doing)
    }

    /// A number that changes when a pump's accepted rounds or the start of its baselines change.
    ///
    /// # Errors
    /// What the database says.
    pub fn baseline_mark(&self, pump: &PumpRow) -> Result<(i64, i64, i64), BookError> {
        self.conn
            .query_row(
                "SELECT (SELECT coalesce(max(id), 0) FROM good WHERE pump_id = ?1),
                        (SELECT count(*) FROM good WHERE pump_id = ?1 AND dropped_at IS NULL),
                        (SELECT coalesce(max(id), 0) FROM restart WHERE pump_id = ?1)",
                [pump.id],
                |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)),
            )
            .map_err(db("look at the baseline"))
    }

    /// The accepted rounds' stroke maps of a pump, by the names of the spots asked for, and the recordings that can't be used, with the reason.
    ///
    /// # Errors
    /// What the database says.
    pub fn goods_by_spot(
        &mut self,
        pump: &PumpRow,
        spots: &[String],
    ) -> Result<(GoodsBySpot, Vec<(String, String)>), BookError> {
        let (mut out, mut bad) = (Vec::new(), Vec::new());
        for spot in spots {
            let (items, unusable) = self.good_items(pump, spot, &|| ())?;
            out.push((spot.clone(), items));
            bad.extend(unusable);
        }
        Ok((out, bad))
    }

    /// Makes a closed round for clips that the watch keeps.
    ///
    /// # Errors
    /// What the database says.
    pub fn keep_round(
        &mut self,
        pump: &PumpRow,
        at: &Stamp,
        kept: Kept,
        point: &RoundChange,
    ) -> Result<RoundRow, BookError> {
        let id = self.whole("keep a round of the watch", |tx| {
            let doing = db("keep a round of the watch");
            tx.execute(
                "INSERT INTO round (pump_id, started_at, started_ms, closed_at, spm, pressure_pa, mud_kg_m3, liner_m, crew, remarks)
                 VALUES (?1, ?2, ?3, ?2, ?4, ?5, ?6, (SELECT liner_m FROM pump WHERE id = ?1), ?7, ?8)",
                params![
                    pump.id,
                    at.text,
                    at.ms,
                    point.spm,
                    point.pressure_pa,
                    point.mud_kg_m3,
                    point.crew.as_deref().unwrap_or_default(),
                    point.remarks.as_deref().unwrap_or_default()
                ],
            )
            .map_err(&doing)?;
            let id = tx.last_insert_rowid();
            tx.execute("INSERT INTO watch_round (round_id, kind) VALUES (?1, ?2)", params![id, kept.word()])
                .map_err(&doing)?;
            Ok(id)
        })?;
        self.round(id)
    }

    /// Start of the newest hourly round of a pump in ms.
    ///
    /// # Errors
    /// What the database says.
    pub fn last_hourly_ms(&self, pump: &PumpRow) -> Result<Option<i64>, BookError> {
        self.conn
            .query_row(
                "SELECT max(r.started_ms) FROM watch_round w JOIN round r ON r.id = w.round_id
                 WHERE r.pump_id = ?1 AND w.kind = 'hourly'",
                [pump.id],
                |r| r.get(0),
            )
            .map_err(db("look for the last hourly round"))
    }

    /// Removes what an interrupted watch left: rounds without clips, recordings on their way out, unfinished copies that nobody holds.
    ///
    /// # Errors
    /// What the disk or the database says.
    pub fn tidy_watch(&mut self) -> Result<(), BookError> {
        self.whole("tidy the rounds of the watch", |tx| {
            let doing = db("tidy the rounds of the watch");
            let empty: Vec<i64> = tx
                .prepare(
                    "SELECT round_id FROM watch_round w WHERE NOT EXISTS (SELECT 1 FROM clip c WHERE c.round_id = w.round_id)
                     AND NOT EXISTS (SELECT 1 FROM good g WHERE g.round_id = w.round_id)
                     AND NOT EXISTS (SELECT 1 FROM verdict v WHERE v.round_id = w.round_id)",
                )
                .and_then(|mut s| s.query_map([], |r| r.get(0)).and_then(Iterator::collect))
                .map_err(&doing)?;
            for id in empty {
                tx.execute("DELETE FROM watch_round WHERE round_id = ?1", [id]).map_err(&doing)?;
                tx.execute("DELETE FROM round WHERE id = ?1", [id]).map_err(&doing)?;
            }
            Ok(())
        })?;
        self.tidy_sounds()?;
        let incoming = self.own(INCOMING)?;
        let Ok(entries) = std::fs::read_dir(&incoming) else { return Ok(()) };
        for path in entries.flatten().map(|e| e.path()).filter(|p| p.extension().is_some_and(|e| e == GOING)) {
            let known = match super::clips::arriving_sum(&path) {
                Some(sum) => self
                    .conn
                    .query_row("SELECT 1 FROM clip WHERE sha256 = ?1", [sum], |_| Ok(()))
                    .optional()
                    .map_err(db("look up a recording"))?
                    .is_some(),
                None => true,
            };
            if !known {
                std::fs::remove_file(&path).map_err(file("remove the recording", &path))?;
            }
        }
        Ok(())
    }

    /// Removes the oldest hourly rounds of the watch while all its clips together are larger than allowed.
    ///
    /// Never removed: rounds around an alarm, rounds that a person accepted at any time or had judged, and everything that the watch did not
    /// keep itself.
    ///
    /// # Errors
    /// What the disk or the database says.
    pub fn thin_watch(&mut self, most_bytes: i64) -> Result<Thinned, BookError> {
        let doing = db("add up the clips of the watch");
        let mut out = Thinned {
            left_bytes: self
                .conn
                .query_row(
                    "SELECT coalesce(sum(c.bytes), 0) FROM watch_round w JOIN clip c ON c.round_id = w.round_id",
                    [],
                    |r| r.get(0),
                )
                .map_err(&doing)?,
            ..Thinned::default()
        };
        while out.left_bytes > most_bytes {
            let oldest: Option<i64> = self
                .conn
                .query_row(
                    "SELECT r.id FROM watch_round w JOIN round r ON r.id = w.round_id
                     WHERE w.kind = 'hourly' AND NOT EXISTS (SELECT 1 FROM good g WHERE g.round_id = r.id)
                     AND NOT EXISTS (SELECT 1 FROM verdict v WHERE v.round_id = r.id)
                     ORDER BY r.started_ms, r.id LIMIT 1",
                    [],
                    |r| r.get(0),
                )
                .optional()
                .map_err(&doing)?;
            let Some(round) = oldest else { break };
            let mut bytes = 0;
            for clip in self.clips(round)? {
                self.remove_clip(&clip)?;
                bytes += clip.bytes;
            }
            self.whole("remove a round of the watch", |tx| {
                let doing = db("remove a round of the watch");
                tx.execute("DELETE FROM watch_round WHERE round_id = ?1", [round]).map_err(&doing)?;
                tx.execute("DELETE FROM round WHERE id = ?1", [round]).map_err(&doing)?;
                Ok(())
            })?;
            out.left_bytes -= bytes;
            out.removed.push((round, bytes));
        }
        Ok(out)
    }

    /// Removes a recording. Pulled plugs leave it whole in the book, or gone with at most a file in `incoming/` that [`Book::tidy_watch`] takes.
    fn remove_clip(&mut self, clip: &ClipRow) -> Result<(), BookError> {
        let from = self.clip_path(clip)?;
        let incoming = self.own(INCOMING)?;
        // Under this name the next opening would bring it back to its place while its entry stands.
        let going = self.inside(INCOMING, &format!("{INCOMING}/{}.{GOING}", clip.sha256))?;
        match std::fs::rename(&from, &going) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => {
                return Err(file("remove the recording", &from)(e));
            }
            // A recording that is lost already only loses its entry.
            _ => {}
        }
        sync_dir(&incoming)?;
        self.whole("remove a recording of the watch", |tx| {
            let doing = db("remove a recording of the watch");
            for table in ["analysis", "to_analyse", "capture", "clip_taps"] {
                tx.execute(&format!("DELETE FROM {table} WHERE clip_id = ?1"), [clip.id]).map_err(&doing)?;
            }
            tx.execute("DELETE FROM clip WHERE id = ?1", [clip.id]).map_err(&doing)?;
            Ok(())
        })?;
        // Another program may have opened the book in between and put it back.
        for path in [going.as_path(), from.as_path()] {
            match std::fs::remove_file(path) {
                Err(e) if e.kind() != std::io::ErrorKind::NotFound => {
                    return Err(file("remove the recording", path)(e));
                }
                _ => {}
            }
        }
        self.drop_empty_folder(&from)
    }

    fn drop_empty_folder(&self, of: &Path) -> Result<(), BookError> {
        let Some(folder) = of.parent().filter(|f| f.starts_with(&self.dir)) else { return Ok(()) };
        // A folder that is not empty refuses to go, and that is right.
        if std::fs::remove_dir(folder).is_ok()
            && let Some(above) = folder.parent()
        {
            sync_dir(above)?;
        }
        Ok(())
    }

    /// Thins lines older than a moment to the one with the highest departure an hour and spot; returns how many went.
    ///
    /// # Errors
    /// What the database says.
    pub fn thin_lines(&mut self, before_ms: i64) -> Result<usize, BookError> {
        self.whole("thin old lines of the watch", |tx| {
            tx.execute(
                "DELETE FROM watch_line WHERE at_ms < ?1 AND (spot_id, at_ms) NOT IN (
                     SELECT spot_id, at_ms FROM (
                         SELECT spot_id, at_ms, row_number() OVER (
                             PARTITION BY spot_id, at_ms / 3600000 ORDER BY departure DESC NULLS LAST, at_ms) AS place
                         FROM watch_line WHERE at_ms < ?1)
                     WHERE place = 1)",
                [before_ms],
            )
            .map_err(db("thin old lines of the watch"))
        })
    }

    /// Rounds that the watch keeps: number, kind, clips.
    ///
    /// # Errors
    /// What the database says.
    #[cfg(not(product))]
    pub fn kept_rounds(&self) -> Result<Vec<(i64, String, Vec<ClipRow>)>, BookError> {
        let doing = db("read the rounds of the watch");
        let rounds: Vec<(i64, String)> = self
            .conn
            .prepare_cached("SELECT round_id, kind FROM watch_round ORDER BY round_id")
            .and_then(|mut s| s.query_map([], |r| Ok((r.get(0)?, r.get(1)?))).and_then(Iterator::collect))
            .map_err(&doing)?;
        let mut rows =
            self.conn.prepare_cached(&format!("{CLIP} WHERE c.round_id = ?1 ORDER BY c.id")).map_err(&doing)?;
        rounds
            .into_iter()
            .map(|(id, kind)| {
                let clips = rows.query_map([id], clip_row).and_then(Iterator::collect).map_err(&doing)?;
                Ok((id, kind, clips))
            })
            .collect()
    }
}

#[cfg(test)]
#[path = "watch_tests.rs"]
mod tests;
