//! Maps that a changed method makes anew: a list in the book, worked off little by little.
//!
//! What a verdict needs is made at once, in parallel, whatever the list says. All other recordings wait here, the newest first, for a
//! command that has given its answer or for `seatsong book refresh`. Every map is kept as soon as it is made, so that nothing is lost when
//! the program is ended; the maps of earlier methods stay as they are.

use std::time::Instant;

use rusqlite::params;
use serde::Serialize;

use super::cache::{METHOD, Wanted};
use super::clips::{CLIP, clip_row};
use super::error::db;
use super::{Book, BookError};

/// Recordings made at a time: few, so that the time allowed is kept.
const AT_ONCE: i64 = 4;

/// What was done of the list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Refreshed {
    /// Recordings whose maps were made.
    pub made: usize,
    /// Recordings that still wait.
    pub left: usize,
}

impl Book {
    /// Enters all recordings in the list whose maps are of an earlier method only; once for each new method.
    ///
    /// # Errors
    /// What the database says.
    pub(super) fn list_outdated(&mut self) -> Result<(), BookError> {
        let doing = db("look for maps of an earlier method");
        let known: Option<i64> =
            self.conn.query_row("SELECT method FROM book WHERE id = 1", [], |r| r.get(0)).map_err(&doing)?;
        if known == Some(METHOD) {
            return Ok(());
        }
        self.whole("list maps of an earlier method", |tx| {
            tx.execute(
                "INSERT OR REPLACE INTO to_analyse (clip_id, method, hint_spm)
                 SELECT c.id, ?1, r.spm FROM clip c JOIN round r ON r.id = c.round_id
                 WHERE EXISTS (SELECT 1 FROM analysis a WHERE a.clip_id = c.id)
                   AND NOT EXISTS (SELECT 1 FROM analysis a WHERE a.clip_id = c.id AND a.method = ?1)",
                [METHOD],
            )
            .map_err(&doing)?;
            tx.execute("UPDATE book SET method = ?1 WHERE id = 1", [METHOD]).map_err(&doing)?;
            Ok(())
        })
    }

    /// How many recordings wait for maps of the present method.
    ///
    /// # Errors
    /// What the database says.
    pub fn n_outdated(&self) -> Result<usize, BookError> {
        self.conn
            .query_row("SELECT count(*) FROM to_analyse", [], |r| r.get::<_, i64>(0))
            .map(|n| usize::try_from(n).unwrap_or(0))
            .map_err(db("count the maps of an earlier method"))
    }

    /// Makes maps that wait, the newest recordings first, until `until` has passed or none is left.
    ///
    /// # Arguments
    /// - `until`: `None` for all of them; a few recordings that were begun are finished after it.
    /// - `step`: called after each recording.
    ///
    /// # Errors
    /// What the disk or the database says; what was made before is kept.
    pub fn refresh(&mut self, until: Option<Instant>, step: &(dyn Fn() + Sync)) -> Result<Refreshed, BookError> {
        let mut made = 0;
        while until.is_none_or(|t| Instant::now() < t) {
            let doing = db("read the list of maps to make");
            let wanted: Vec<Wanted> = {
                let mut rows = self
                    .conn
                    .prepare_cached(&format!(
                        "{CLIP} JOIN to_analyse t ON t.clip_id = c.id ORDER BY t.clip_id DESC LIMIT {AT_ONCE}"
                    ))
                    .map_err(&doing)?;
                let clips =
                    rows.query_map([], clip_row).and_then(Iterator::collect::<Result<Vec<_>, _>>).map_err(&doing)?;
                clips
                    .into_iter()
                    .map(|clip| Ok(Wanted { hint_spm: self.round(clip.round)?.spm, clip }))
                    .collect::<Result<_, BookError>>()?
            };
            if wanted.is_empty() {
                break;
            }
            self.analyses(&wanted, step)?;
            made += wanted.len();
            // One that can't be read is not tried again and again: the next verdict that needs it tells why.
            self.whole("shorten the list of maps to make", |tx| {
                for w in &wanted {
                    tx.execute("DELETE FROM to_analyse WHERE clip_id = ?1", params![w.clip.id]).map_err(&doing)?;
                }
                Ok(())
            })?;
        }
        Ok(Refreshed { made, left: self.n_outdated()? })
    }
}

#[cfg(test)]
mod tests {
    use super::super::pumps::tests::triplex;
    use super::super::{NewClip, NewRound, RoundChange, Stamp};
    use super::*;

    #[test]
    fn maps_of_an_earlier_method_are_listed_once_and_made_newest_first() {
        let dir = tempfile::tempdir().unwrap();
        let place = dir.path().join("book");
        let mut book = Book::create(&place).unwrap();
        let pump = book.add_pump(&triplex("MP-1")).unwrap();
        let round = book.start_round(&pump, &NewRound { at: None, point: RoundChange::default() }).unwrap();
        let spot = book.spot(&pump, 1, None).unwrap();
        for k in 0..6 {
            // No sound at all: it can't be read, and must not keep the list from becoming empty.
            let path = dir.path().join(format!("{k}.wav"));
            std::fs::write(&path, format!("no sound {k}")).unwrap();
            book.add_clip(&round, &spot, &NewClip { path: &path, taken_at: &Stamp::now(), pulse: None }).unwrap();
        }
        let old =
            "INSERT INTO analysis (clip_id, method, data, made_at) SELECT id, 0, x'00', '' FROM clip WHERE id > 1";
        book.conn.execute_batch(&format!("{old}; UPDATE book SET method = 0")).unwrap();
        drop(book);
        let mut book = Book::open(&place).unwrap();
        assert_eq!(book.n_outdated().unwrap(), 5, "the first recording was never analysed: nothing is outdated");
        let first: Vec<i64> = {
            let mut rows = book.conn.prepare("SELECT clip_id FROM to_analyse ORDER BY clip_id DESC LIMIT 1").unwrap();
            rows.query_map([], |r| r.get(0)).unwrap().map(Result::unwrap).collect()
        };
        assert_eq!(first, [6]);
        let past = Instant::now();
        assert_eq!(book.refresh(Some(past), &|| ()).unwrap(), Refreshed { made: 0, left: 5 });
        let steps = std::sync::atomic::AtomicUsize::new(0);
        let step = || {
            steps.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        };
        assert_eq!(book.refresh(None, &step).unwrap(), Refreshed { made: 5, left: 0 });
        assert_eq!(steps.into_inner(), 5);
        drop(book);
        assert_eq!(Book::open(&place).unwrap().n_outdated().unwrap(), 0, "listed once");
    }
}
