//! What lies in the book, at a glance.

use rusqlite::{OptionalExtension as _, params};
use serde::Serialize;

use super::error::db;
use super::{Book, BookError, PumpRow};

/// One line of the list of rounds.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RoundLine {
    /// Number.
    pub round: i64,
    /// Pump.
    pub pump: String,
    /// When it was walked.
    pub at: String,
    /// Whether it is closed.
    pub closed: bool,
    /// Console speed in strokes a minute.
    pub spm: Option<f64>,
    /// Discharge pressure in Pa.
    pub pressure_pa: Option<f64>,
    /// Recordings.
    pub clips: i64,
    /// Modules accepted as known-good.
    pub good: i64,
    /// The worst state of its verdict: `departed`, `drifting`, `steady`, `unjudged`; `None` without a verdict.
    pub verdict: Option<String>,
}

/// The module of a round that stands out most.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WorstClip {
    /// Module.
    pub module: u32,
    /// Its verdict.
    pub verdict: String,
    /// Its departure.
    pub departure: Option<f64>,
}

/// How much is in the book.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Overview {
    /// Pumps.
    pub pumps: i64,
    /// Rounds.
    pub rounds: i64,
    /// Recordings.
    pub clips: i64,
    /// Bytes of the recordings.
    pub clip_bytes: i64,
    /// Stroke maps.
    pub maps: i64,
    /// Verdicts, earlier ones included.
    pub verdicts: i64,
    /// Bytes of the database.
    pub database_bytes: i64,
}

/// States from bad to good, as SQL orders them.
const WORST: &str = "(SELECT state FROM verdict_clip vc WHERE vc.verdict_id = v.id
    ORDER BY CASE state WHEN 'departed' THEN 0 WHEN 'drifting' THEN 1 WHEN 'unjudged' THEN 2 ELSE 3 END LIMIT 1)";

impl Book {
    /// The newest rounds of one pump or of all, newest first.
    ///
    /// # Errors
    /// What the database says.
    pub fn round_lines(&self, pump: Option<&PumpRow>, most: usize) -> Result<Vec<RoundLine>, BookError> {
        let doing = db("list the rounds");
        let (of, order) = match pump {
            Some(_) => ("WHERE r.pump_id = ?1", "r.started_ms"),
            // The same number of parameters in both.
            None => ("WHERE ?1 IS NULL", "r.started_ms"),
        };
        let sql = format!(
            "SELECT r.id, p.name, r.started_at, r.closed_at IS NOT NULL, r.spm, r.pressure_pa,
                (SELECT count(*) FROM clip c WHERE c.round_id = r.id),
                (SELECT count(*) FROM good g WHERE g.round_id = r.id AND g.dropped_at IS NULL),
                {WORST}
             FROM round r JOIN pump p ON p.id = r.pump_id
             LEFT JOIN verdict v ON v.round_id = r.id AND v.current = 1
             {of} ORDER BY {order} DESC, r.id DESC LIMIT ?2"
        );
        let mut rows = self.conn.prepare_cached(&sql).map_err(&doing)?;
        let most = i64::try_from(most).unwrap_or(i64::MAX);
        rows.query_map(params![pump.map(|p| p.id), most], |r| {
            Ok(RoundLine {
                round: r.get(0)?,
                pump: r.get(1)?,
                at: r.get(2)?,
                closed: r.get(3)?,
                spm: r.get(4)?,
                pressure_pa: r.get(5)?,
                clips: r.get(6)?,
                good: r.get(7)?,
                verdict: r.get(8)?,
            })
        })
        .and_then(Iterator::collect)
        .map_err(&doing)
    }

    /// The module that stands out most in the verdict that is kept of a round; `None` without one.
    ///
    /// # Errors
    /// What the database says.
    pub fn worst_clip(&self, round: i64) -> Result<Option<WorstClip>, BookError> {
        let doing = db("read the verdict");
        let mut rows = self
            .conn
            .prepare_cached(
                "SELECT c.module, c.state, c.departure FROM verdict_clip c JOIN verdict v ON v.id = c.verdict_id
                 WHERE v.round_id = ?1 AND v.current = 1
                 ORDER BY CASE c.state WHEN 'departed' THEN 0 WHEN 'drifting' THEN 1 WHEN 'unjudged' THEN 2 ELSE 3 END,
                    c.departure DESC LIMIT 1",
            )
            .map_err(&doing)?;
        rows.query_row([round], |r| Ok(WorstClip { module: r.get(0)?, verdict: r.get(1)?, departure: r.get(2)? }))
            .optional()
            .map_err(&doing)
    }

    /// How much is in the book.
    ///
    /// # Errors
    /// What the database says.
    pub fn overview(&self) -> Result<Overview, BookError> {
        let count =
            |sql: &str| self.conn.query_row(sql, [], |r| r.get::<_, i64>(0)).map_err(db("count what is in the book"));
        Ok(Overview {
            pumps: count("SELECT count(*) FROM pump")?,
            rounds: count("SELECT count(*) FROM round")?,
            clips: count("SELECT count(*) FROM clip")?,
            clip_bytes: count("SELECT coalesce(sum(bytes), 0) FROM clip")?,
            maps: count("SELECT count(*) FROM analysis")?,
            verdicts: count("SELECT count(*) FROM verdict")?,
            database_bytes: count("SELECT page_count * page_size FROM pragma_page_count(), pragma_page_size()")?,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::pumps::tests::triplex;
    use super::super::{NewRound, RoundChange, Stamp};
    use super::*;

    #[test]
    fn rounds_are_listed_newest_first() {
        let dir = tempfile::tempdir().unwrap();
        let mut book = Book::create(dir.path()).unwrap();
        let a = book.add_pump(&triplex("A")).unwrap();
        let b = book.add_pump(&triplex("B")).unwrap();
        for (pump, at) in [(&a, "2026-01-02T06:00Z"), (&b, "2026-01-03T06:00Z"), (&a, "2026-01-01T06:00Z")] {
            let new = NewRound { at: Some(Stamp::parse(at).unwrap()), point: RoundChange::default() };
            book.start_round(pump, &new).unwrap();
        }
        let all: Vec<(String, i64)> =
            book.round_lines(None, 10).unwrap().into_iter().map(|l| (l.pump, l.round)).collect();
        assert_eq!(all, [("B".to_owned(), 2), ("A".to_owned(), 1), ("A".to_owned(), 3)]);
        assert_eq!(book.round_lines(Some(&a), 1).unwrap().len(), 1);
        assert_eq!(book.overview().unwrap().rounds, 3);
    }
}
