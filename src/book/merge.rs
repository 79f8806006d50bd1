//! Two books of one rig into one.
//!
//! Rounds, accepted rounds, restarts and verdicts are known by their keys, recordings by their bytes; pumps and spots by key or by name.
//! Every step can be done again: an interrupted merge is finished by the same call.

use rusqlite::{OptionalExtension as _, params};
use serde::Serialize;

use super::clips::{CLIP, clip_row};
use super::error::{db, file, refused};
use super::rounds::{ROUND, round_row};
use super::store::{INCOMING, sync_dir};
use super::{Book, BookError, ClipRow, PumpRow, RoundRow};

/// What a merge brought in.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct MergeReport {
    /// Pumps that were not known.
    pub pumps: usize,
    /// Rounds that were not known.
    pub rounds: usize,
    /// Recordings that were not known.
    pub clips: usize,
    /// Recordings that both have.
    pub both: usize,
    /// Accepted rounds and restarts that were not known.
    pub baseline: usize,
    /// Verdicts that were not known.
    pub verdicts: usize,
    /// Recordings that the other book has lost.
    pub lost: Vec<String>,
    /// Entries of the tour (checks, readings, concerns, parts, running hours, work, notes) that the other book holds and a merge does
    /// not bring in yet, and lines of its watch.
    pub left_behind: i64,
}

/// Counts what of the tour a book holds.
const TOUR_ROWS: &str =
    "SELECT (SELECT count(*) FROM check_entry) + (SELECT count(*) FROM concern) + (SELECT count(*) FROM part)
    + (SELECT count(*) FROM run_log) + (SELECT count(*) FROM job) + (SELECT count(*) FROM note) + (SELECT count(*) FROM watch_line)";

impl Book {
    /// Brings everything of another book in that is not here yet. The other book is left as it is.
    ///
    /// # Arguments
    /// - `step`: called after each round of the other book.
    ///
    /// # Errors
    /// [`BookError::Refused`] if pumps of one name have different firing orders; what the disk or the database says.
    pub fn merge(&mut self, other: &Self, step: &dyn Fn()) -> Result<MergeReport, BookError> {
        let same = |b: &Self| b.dir.canonicalize().ok();
        if same(self).is_some() && same(self) == same(other) {
            return Err(refused("the two are one and the same book"));
        }
        let mut out = MergeReport::default();
        for theirs in other.pumps()? {
            let (ours, new) = self.merge_pump(&theirs)?;
            out.pumps += usize::from(new);
            self.merge_spots(other, &theirs, &ours)?;
            self.merge_restarts(other, &theirs, &ours, &mut out)?;
            let doing = db("read the other book's rounds");
            let rounds: Vec<RoundRow> = {
                let mut rows = other
                    .conn
                    .prepare(&format!("{ROUND} WHERE pump_id = ?1 ORDER BY started_ms, id"))
                    .map_err(&doing)?;
                rows.query_map([theirs.id], round_row).and_then(Iterator::collect).map_err(&doing)?
            };
            for round in rounds {
                self.merge_round(other, &round, &ours, &mut out)?;
                step();
            }
        }
        out.left_behind = other
            .conn
            .query_row(TOUR_ROWS, [], |r| r.get(0))
            .map_err(db("count the other book's entries of the tour"))?;
        Ok(out)
    }

    fn merge_pump(&mut self, theirs: &PumpRow) -> Result<(PumpRow, bool), BookError> {
        let known = self
            .pumps()?
            .into_iter()
            .find(|p| p.uuid == theirs.uuid || p.data.name.eq_ignore_ascii_case(&theirs.data.name));
        let Some(ours) = known else {
            let new = self.add_pump(&theirs.data)?;
            self.whole("enter the pump", |tx| {
                tx.execute(
                    "UPDATE pump SET uuid = ?2, made_at = ?3 WHERE id = ?1",
                    params![new.id, theirs.uuid, theirs.made_at],
                )
                .map_err(db("enter the pump"))
            })?;
            return Ok((self.pump_by_id(new.id)?, true));
        };
        if ours.data.order != theirs.data.order {
            return Err(refused(format!(
                "pump {} has the firing order {:?} here and {:?} in the other book: they can't be one pump; rename or correct one",
                ours.data.name, ours.data.order, theirs.data.order
            )));
        }
        // Liners that only the other book knows.
        let have = |bore: f64| ours.data.liners.iter().any(|l| (l.bore_m - bore).abs() < 1e-4);
        let liners: Vec<_> = theirs.data.liners.iter().filter(|l| !have(l.bore_m)).copied().collect();
        if liners.is_empty() {
            return Ok((ours, false));
        }
        let change = super::PumpChange { liners, ..super::PumpChange::default() };
        Ok((self.set_pump(&ours.data.name, &change)?, false))
    }

    fn merge_spots(&mut self, other: &Self, theirs: &PumpRow, ours: &PumpRow) -> Result<(), BookError> {
        let have = self.spots(ours)?;
        for spot in other.spots(theirs)? {
            let known = have.iter().find(|s| s.module == spot.module && s.name.eq_ignore_ascii_case(&spot.name));
            // Our own note wins over theirs; an empty one is filled.
            if known.is_none_or(|s| s.note.is_empty() && !spot.note.is_empty()) {
                self.add_spot(ours, spot.module, Some(&spot.name), &spot.note)?;
            }
        }
        Ok(())
    }

    fn merge_restarts(
        &mut self,
        other: &Self,
        theirs: &PumpRow,
        ours: &PumpRow,
        out: &mut MergeReport,
    ) -> Result<(), BookError> {
        let doing = db("merge the restarts");
        let mut rows = other
            .conn
            .prepare("SELECT uuid, module, at, at_ms, why FROM restart WHERE pump_id = ?1")
            .map_err(&doing)?;
        let all: Vec<(String, u32, String, i64, String)> = rows
            .query_map([theirs.id], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?)))
            .and_then(Iterator::collect)
            .map_err(&doing)?;
        out.baseline += self.whole("merge the restarts", |tx| {
            let mut n = 0;
            for (uuid, module, at, at_ms, why) in all {
                n += tx
                    .execute(
                        "INSERT INTO restart (uuid, pump_id, module, at, at_ms, why) VALUES (?1, ?2, ?3, ?4, ?5, ?6) ON CONFLICT DO NOTHING",
                        params![uuid, ours.id, module, at, at_ms, why],
                    )
                    .map_err(db("merge the restarts"))?;
            }
            Ok(n)
        })?;
        Ok(())
    }

    fn merge_round(
        &mut self,
        other: &Self,
        theirs: &RoundRow,
        pump: &PumpRow,
        out: &mut MergeReport,
    ) -> Result<(), BookError> {
        let (id, new) = self.whole("merge a round", |tx| {
            let doing = db("merge a round");
            let known: Option<i64> =
                tx.query_row("SELECT id FROM round WHERE uuid = ?1", [&theirs.uuid], |r| r.get(0)).optional().map_err(&doing)?;
            let t = theirs;
            if let Some(id) = known {
                // What is said here wins; what is not said here is taken from there.
                tx.execute(
                    "UPDATE round SET closed_at = coalesce(closed_at, ?2), spm = coalesce(spm, ?3), pressure_pa = coalesce(pressure_pa, ?4),
                        mud_kg_m3 = coalesce(mud_kg_m3, ?5), crew = CASE crew WHEN '' THEN ?6 ELSE crew END,
                        remarks = CASE remarks WHEN '' THEN ?7 ELSE remarks END WHERE id = ?1",
                    params![id, t.closed_at, t.spm, t.pressure_pa, t.mud_kg_m3, t.crew, t.remarks],
                )
                .map_err(&doing)?;
                return Ok((id, false));
            }
            tx.execute(
                "INSERT INTO round (uuid, pump_id, started_at, started_ms, closed_at, spm, pressure_pa, mud_kg_m3, liner_m, crew, remarks)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
                params![
                    t.uuid, pump.id, t.started.text, t.started.ms, t.closed_at, t.spm, t.pressure_pa, t.mud_kg_m3, t.liner_m, t.crew,
                    t.remarks
                ],
            )
            .map_err(&doing)?;
            Ok((tx.last_insert_rowid(), true))
        })?;
        out.rounds += usize::from(new);
        for clip in other.clips(theirs.id)? {
            self.merge_clip(other, &clip, id, pump, out)?;
        }
        self.merge_good(other, theirs, id, pump, out)?;
        self.merge_verdicts(other, theirs, id, pump, out)
    }

    /// A recording: its bytes first, then its entry.
    fn merge_clip(
        &mut self,
        other: &Self,
        theirs: &ClipRow,
        round: i64,
        pump: &PumpRow,
        out: &mut MergeReport,
    ) -> Result<(), BookError> {
        let known: Option<ClipRow> = self
            .conn
            .query_row(&format!("{CLIP} WHERE c.sha256 = ?1"), [&theirs.sha256], clip_row)
            .optional()
            .map_err(db("look up the recording"))?;
        let source = other.clip_path(theirs);
        if let Some(ours) = known {
            out.both += 1;
            // Lost here and whole there: it comes back.
            if !self.clip_path(&ours).exists() && source.is_file() {
                let (arrived, sum, _) = self.copy_in(&source)?;
                if sum == ours.sha256 {
                    self.rename_in(&arrived, &ours.file)?;
                }
            }
            return Ok(());
        }
        if !source.is_file() {
            out.lost.push(theirs.file.clone());
            return Ok(());
        }
        let (arrived, sum, bytes) = self.copy_in(&source)?;
        if sum != theirs.sha256 {
            // Damaged there: it is told as lost, and our copy of the damage goes.
            let _ = std::fs::remove_file(&arrived);
            out.lost.push(theirs.file.clone());
            return Ok(());
        }
        let incoming = self.dir.join(INCOMING);
        let own = arrived.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
        let ending = theirs.file.rsplit('.').next().unwrap_or("bin").to_owned();
        let complete = incoming.join(format!("{sum}{own}.{ending}"));
        std::fs::rename(&arrived, &complete).map_err(file("name the recording", &complete))?;
        sync_dir(&incoming)?;
        let spot = self.spot(pump, theirs.module, Some(&theirs.spot))?;
        let data: Vec<(i64, Option<f64>, Vec<u8>, String)> = {
            let doing = db("read a stroke map");
            let mut rows = other
                .conn
                .prepare_cached("SELECT method, hint_spm, data, made_at FROM analysis WHERE clip_id = ?1")
                .map_err(&doing)?;
            rows.query_map([theirs.id], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?)))
                .and_then(Iterator::collect)
                .map_err(&doing)?
        };
        let key: (String, String) = other
            .conn
            .query_row("SELECT uuid, added_at FROM clip WHERE id = ?1", [theirs.id], |r| Ok((r.get(0)?, r.get(1)?)))
            .map_err(db("read the recording"))?;
        let name = self.whole("merge a recording", |tx| {
            let doing = db("merge a recording");
            let taken = |name: &str| tx.query_row("SELECT 1 FROM clip WHERE file = ?1", [name], |_| Ok(())).optional().map(|f| f.is_some());
            let mut name = theirs.file.clone();
            // Two recordings of one spot of one round, one in each book, may bear one name.
            if taken(&name).map_err(&doing)? {
                let short: String = theirs.sha256.chars().take(8).collect();
                let stem = theirs.file.strip_suffix(&format!(".{ending}")).unwrap_or(&theirs.file);
                name = format!("{stem}-{short}.{ending}");
            }
            tx.execute(
                "INSERT INTO clip (uuid, round_id, spot_id, file, sha256, bytes, original, taken_at, pulse, added_at)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
                params![key.0, round, spot.id, name, sum, bytes, theirs.original, theirs.taken_at, theirs.pulse, key.1],
            )
            .map_err(&doing)?;
            let id = tx.last_insert_rowid();
            for (method, hint, bytes, made_at) in data {
                tx.execute(
                    "INSERT OR IGNORE INTO analysis (clip_id, method, hint_spm, data, made_at) VALUES (?1, ?2, ?3, ?4, ?5)",
                    params![id, method, hint, bytes, made_at],
                )
                .map_err(&doing)?;
            }
            Ok(name)
        })?;
        self.rename_in(&complete, &name)?;
        out.clips += 1;
        Ok(())
    }

    fn merge_good(
        &mut self,
        other: &Self,
        theirs: &RoundRow,
        round: i64,
        pump: &PumpRow,
        out: &mut MergeReport,
    ) -> Result<(), BookError> {
        let doing = db("merge the good rounds");
        let mut rows = other
            .conn
            .prepare_cached("SELECT uuid, module, accepted_at, accepted_by, dropped_at, dropped_why FROM good WHERE round_id = ?1 ORDER BY id")
            .map_err(&doing)?;
        type Good = (String, u32, String, String, Option<String>, String);
        let all: Vec<Good> = rows
            .query_map([theirs.id], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?, r.get(5)?)))
            .and_then(Iterator::collect)
            .map_err(&doing)?;
        out.baseline += self.whole("merge the good rounds", |tx| {
            let mut n = 0;
            for (uuid, module, at, by, dropped, why) in all {
                let doing = db("merge the good rounds");
                // Dropped in either book is dropped: a doubt is not merged away.
                tx.execute(
                    "UPDATE good SET dropped_at = ?2, dropped_why = ?3 WHERE uuid = ?1 AND dropped_at IS NULL AND ?2 IS NOT NULL",
                    params![uuid, dropped, why],
                )
                .map_err(&doing)?;
                n += tx
                    .execute(
                        "INSERT INTO good (uuid, round_id, pump_id, module, started_ms, accepted_at, accepted_by, dropped_at, dropped_why)
                         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9) ON CONFLICT DO NOTHING",
                        params![uuid, round, pump.id, module, theirs.started.ms, at, by, dropped, why],
                    )
                    .map_err(&doing)?;
            }
            Ok(n)
        })?;
        Ok(())
    }

    fn merge_verdicts(
        &mut self,
        other: &Self,
        theirs: &RoundRow,
        round: i64,
        pump: &PumpRow,
        out: &mut MergeReport,
    ) -> Result<(), BookError> {
        let doing = db("merge the verdicts");
        type Verdict = (i64, String, i64, String, String, bool, String);
        let all: Vec<Verdict> = {
            let mut rows = other
                .conn
                .prepare_cached("SELECT id, uuid, method, basis, made_at, current, document FROM verdict WHERE round_id = ?1 ORDER BY id")
                .map_err(&doing)?;
            rows.query_map([theirs.id], |r| {
                Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?, r.get(5)?, r.get(6)?))
            })
            .and_then(Iterator::collect)
            .map_err(&doing)?
        };
        for (their_id, uuid, method, basis, made_at, current, document) in all {
            let mut rows = other
                .conn
                .prepare_cached(
                    "SELECT c.sha256, v.module, v.state, v.departure, v.false_alarm, v.excess_db, v.half, v.pattern, v.spm, v.level_db
                     FROM verdict_clip v JOIN clip c ON c.id = v.clip_id WHERE v.verdict_id = ?1",
                )
                .map_err(&doing)?;
            type Line =
                (String, u32, String, Option<f64>, Option<f64>, Option<f64>, String, String, Option<f64>, Option<f64>);
            let lines: Vec<Line> = rows
                .query_map([their_id], |r| {
                    Ok((
                        r.get(0)?,
                        r.get(1)?,
                        r.get(2)?,
                        r.get(3)?,
                        r.get(4)?,
                        r.get(5)?,
                        r.get(6)?,
                        r.get(7)?,
                        r.get(8)?,
                        r.get(9)?,
                    ))
                })
                .and_then(Iterator::collect)
                .map_err(&doing)?;
            out.verdicts += self.whole("merge a verdict", |tx| {
                let doing = db("merge a verdict");
                let has: bool = tx
                    .query_row("SELECT EXISTS (SELECT 1 FROM verdict WHERE round_id = ?1 AND current = 1)", [round], |r| r.get(0))
                    .map_err(&doing)?;
                let current = current && !has;
                let n = tx
                    .execute(
                        "INSERT INTO verdict (uuid, round_id, method, basis, made_at, current, document)
                         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7) ON CONFLICT DO NOTHING",
                        params![uuid, round, method, basis, made_at, current, document],
                    )
                    .map_err(&doing)?;
                if n == 0 {
                    return Ok(0);
                }
                let id = tx.last_insert_rowid();
                for (sum, module, state, departure, false_alarm, excess_db, half, pattern, spm, level_db) in lines {
                    // A recording that was lost there has no entry here, and no line either.
                    tx.execute(
                        "INSERT INTO verdict_clip (verdict_id, clip_id, pump_id, module, started_ms, current, state, departure, false_alarm,
                            excess_db, half, pattern, spm, level_db)
                         SELECT ?1, id, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13 FROM clip WHERE sha256 = ?14",
                        params![
                            id, pump.id, module, theirs.started.ms, current, state, departure, false_alarm, excess_db, half, pattern, spm,
                            level_db, sum
                        ],
                    )
                    .map_err(&doing)?;
                }
                Ok(n)
            })?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::super::pumps::tests::triplex;
    use super::super::{NewClip, NewRound, RoundChange, Stamp};
    use super::*;

    fn walk(book: &mut Book, dir: &Path, at: &str, words: &str) -> RoundRow {
        let pump = book.pump("MP-1").unwrap();
        let at = Stamp::parse(at).unwrap();
        let round = book.start_round(&pump, &NewRound { at: Some(at.clone()), point: RoundChange::default() }).unwrap();
        for m in 1..=3 {
            let path = dir.join(format!("{words}-{m}.wav"));
            std::fs::write(&path, format!("{words} {m}")).unwrap();
            let spot = book.spot(&pump, m, None).unwrap();
            book.add_clip(&round, &spot, &NewClip { path: &path, taken_at: &at, pulse: None }).unwrap();
        }
        round
    }

    fn sums(book: &Book) -> Vec<String> {
        let mut rows = book.conn.prepare("SELECT sha256 FROM clip ORDER BY sha256").unwrap();
        rows.query_map([], |r| r.get(0)).unwrap().map(Result::unwrap).collect()
    }

    #[test]
    fn two_books_become_one_without_duplicates() {
        let dir = tempfile::tempdir().unwrap();
        let mut a = Book::create(&dir.path().join("a")).unwrap();
        let mut b = Book::create(&dir.path().join("b")).unwrap();
        a.add_pump(&triplex("MP-1")).unwrap();
        b.add_pump(&triplex("mp-1")).unwrap();
        b.add_pump(&triplex("MP-2")).unwrap();
        walk(&mut a, dir.path(), "2026-11-01T06:00Z", "both");
        walk(&mut b, dir.path(), "2026-11-01T06:00Z", "both");
        walk(&mut a, dir.path(), "2026-11-02T06:00Z", "here");
        let there = walk(&mut b, dir.path(), "2026-11-03T06:00Z", "there");
        b.accept(&there, &[], "derrickman").unwrap();
        let pump = b.pump("MP-1").unwrap();
        b.restart(&pump, 2, &Stamp::parse("2026-11-02T12:00Z").unwrap(), "new seat").unwrap();
        b.add_spot(&pump, 1, None, "white dot").unwrap();
        let concern = "INSERT INTO concern (words, since_at, since_ms, by_position) VALUES ('drip', '2026-11-02T12:00Z', 1, 'driller')";
        b.conn.execute(concern, []).unwrap();
        let report = a.merge(&b, &|| ()).unwrap();
        assert_eq!((report.pumps, report.clips, report.both, report.baseline), (1, 3, 3, 4), "{report:?}");
        assert_eq!(report.left_behind, 1, "what is not carried over is told");
        assert_eq!(sums(&a).len(), 9);
        assert_eq!(a.check(&|| ()).unwrap().faults, []);
        let pump = a.pump("MP-1").unwrap();
        assert_eq!(a.spot(&pump, 1, None).unwrap().note, "white dot");
        assert_eq!(a.good_rounds(&pump, 1).unwrap().len(), 1);
        assert!(a.last_restart(pump.id, 2).unwrap().is_some());
        // Again: nothing new.
        let again = a.merge(&b, &|| ()).unwrap();
        assert_eq!(
            (again.pumps, again.rounds, again.clips, again.baseline, again.verdicts),
            (0, 0, 0, 0, 0),
            "{again:?}"
        );
        // And the other way round both hold the same.
        b.merge(&a, &|| ()).unwrap();
        assert_eq!(sums(&a), sums(&b));
    }

    #[test]
    fn the_same_round_carried_on_in_two_places_is_one_round() {
        let dir = tempfile::tempdir().unwrap();
        let mut a = Book::create(&dir.path().join("a")).unwrap();
        a.add_pump(&triplex("MP-1")).unwrap();
        let round = walk(&mut a, dir.path(), "2026-11-01T06:00Z", "x");
        let pack = dir.path().join("a.pack");
        a.pack(&pack, &|| ()).unwrap();
        super::super::unpack(&pack, &dir.path().join("b"), &|| ()).unwrap();
        let mut b = Book::open(&dir.path().join("b")).unwrap();
        let say = RoundChange { crew: Some("relief".into()), spm: Some(70.0), ..RoundChange::default() };
        b.change_round(round.id, &say, true).unwrap();
        a.change_round(round.id, &RoundChange { spm: Some(72.0), ..RoundChange::default() }, false).unwrap();
        // One more recording at the same spot in each: both get the same name.
        for (book, words) in [(&mut a, "here"), (&mut b, "there")] {
            let pump = book.pump("MP-1").unwrap();
            let path = dir.path().join(format!("{words}.wav"));
            std::fs::write(&path, words).unwrap();
            let (row, spot) = (book.round(round.id).unwrap(), book.spot(&pump, 1, None).unwrap());
            book.add_clip(&row, &spot, &NewClip { path: &path, taken_at: &Stamp::now(), pulse: None }).unwrap();
        }
        let report = a.merge(&b, &|| ()).unwrap();
        assert_eq!((report.rounds, report.clips, report.both), (0, 1, 3));
        let merged = a.round(round.id).unwrap();
        assert_eq!((merged.spm, merged.crew.as_str(), merged.closed_at.is_some()), (Some(72.0), "relief", true));
        assert_eq!(a.clips(round.id).unwrap().len(), 5);
        assert_eq!(a.check(&|| ()).unwrap().faults, []);
    }

    #[test]
    fn pumps_that_can_t_be_one_are_refused() {
        let dir = tempfile::tempdir().unwrap();
        let mut a = Book::create(&dir.path().join("a")).unwrap();
        let mut b = Book::create(&dir.path().join("b")).unwrap();
        a.add_pump(&triplex("MP-1")).unwrap();
        let other = super::super::NewPump { order: vec![1, 2, 3], ..triplex("MP-1") };
        b.add_pump(&other).unwrap();
        let err = a.merge(&b, &|| ()).unwrap_err().to_string();
        assert!(err.contains("firing order"), "{err}");
    }

    #[test]
    fn a_recording_lost_here_comes_back_from_there() {
        let dir = tempfile::tempdir().unwrap();
        let mut a = Book::create(&dir.path().join("a")).unwrap();
        a.add_pump(&triplex("MP-1")).unwrap();
        let round = walk(&mut a, dir.path(), "2026-11-01T06:00Z", "x");
        let pack = dir.path().join("a.pack");
        a.pack(&pack, &|| ()).unwrap();
        super::super::unpack(&pack, &dir.path().join("b"), &|| ()).unwrap();
        let b = Book::open(&dir.path().join("b")).unwrap();
        let clip = a.clips(round.id).unwrap().remove(0);
        std::fs::remove_file(a.clip_path(&clip)).unwrap();
        a.merge(&b, &|| ()).unwrap();
        assert_eq!(a.check(&|| ()).unwrap().faults, []);
    }
}
