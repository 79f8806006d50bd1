//! Which round an import brings its recordings into, and how one that was interrupted is known again.
//!
//! An import that begins a round writes down what it was told and which recordings are to come, before the first of them; when all are in the
//! book, that goes again. Only what stands there goes on in that round, and only while it is open: a recording that both walks have, or the
//! same folder with more in it, is no reason to.

use rusqlite::{Connection, OptionalExtension as _, params};
use serde::{Deserialize, Serialize};

use super::clips::known;
use super::error::db;
use super::rounds::enter_round;
use super::{Book, BookError, NewRound, PumpRow, RoundChange, RoundRow, Stamp};

/// What is to be imported.
#[derive(Debug, Clone, Copy)]
pub struct Import<'a> {
    /// Its pump.
    pub pump: &'a PumpRow,
    /// When it was walked, if that was told; else the round begins with its first recording.
    pub at: Option<&'a Stamp>,
    /// What was told of the operating point.
    pub point: &'a RoundChange,
    /// Its recordings, those that are in the book already among them.
    pub files: &'a [ImportFile<'a>],
}

/// A recording that is to be imported.
#[derive(Debug, Clone, Copy)]
pub struct ImportFile<'a> {
    /// Its file as it was named.
    pub file: &'a str,
    /// Checksum of its bytes; `None` for one that can't be read.
    pub sha256: Option<&'a str>,
    /// When it was taken.
    pub taken_at: &'a Stamp,
}

/// A round and what an import brings into it.
#[derive(Debug, Clone, PartialEq)]
pub struct ImportInto {
    /// The round.
    pub round: RoundRow,
    /// Whether an interrupted import began it; else this one did.
    pub goes_on: bool,
    /// Places of its recordings among those of the import.
    pub files: Vec<usize>,
}

/// A recording that is to come, as it is written down.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Listed {
    file: String,
    taken_at: String,
    sha256: Option<String>,
}

impl Listed {
    fn of(wanted: &ImportFile<'_>) -> Self {
        let ImportFile { file, sha256, taken_at } = *wanted;
        Self { file: file.to_owned(), taken_at: taken_at.text.clone(), sha256: sha256.map(str::to_owned) }
    }

    /// Whether it is this one: by its bytes, or by its name and time where it could not be read before.
    fn is(&self, wanted: &ImportFile<'_>) -> bool {
        match &self.sha256 {
            Some(own) => Some(own.as_str()) == wanted.sha256,
            None => (self.file.as_str(), &self.taken_at) == (wanted.file, &wanted.taken_at.text),
        }
    }
}

fn write_down(tx: &Connection, round: i64, asked: &str, files: &[Listed]) -> Result<(), BookError> {
    let list = serde_json::to_string(files).unwrap_or_default();
    tx.execute(
        "INSERT OR REPLACE INTO import_begun (round_id, asked, files) VALUES (?1, ?2, ?3)",
        params![round, asked, list],
    )
    .map_err(db("write down the import"))?;
    Ok(())
}

/// A list that can't be read is an empty one: nothing goes on there.
fn listed(text: &str) -> Vec<Listed> {
    serde_json::from_str(text).unwrap_or_default()
}

impl Book {
    /// The rounds that an import's recordings belong into: open ones that the same import began and did not fill, for what it was to bring
    /// into them, and a new one for the rest that is not in the book.
    ///
    /// # Errors
    /// What the database says; then no round was begun.
    pub fn import_rounds(&mut self, import: &Import<'_>) -> Result<Vec<ImportInto>, BookError> {
        // With the pump, all that makes the round: another time or another pressure is another import.
        let asked = serde_json::to_string(&(import.at.map(|at| &at.text), import.point)).unwrap_or_default();
        let found: Vec<(i64, bool, Vec<usize>)> = self.whole("begin the import", |tx| {
            let doing = db("look for an interrupted import");
            let begun: Vec<(i64, String)> = tx
                .prepare_cached(
                    "SELECT b.round_id, b.files FROM import_begun b CROSS JOIN round r ON r.id = b.round_id
                     WHERE r.pump_id = ?1 AND r.closed_at IS NULL AND b.asked = ?2 ORDER BY b.round_id",
                )
                .and_then(|mut s| {
                    s.query_map(params![import.pump.id, asked], |r| Ok((r.get(0)?, r.get(1)?)))
                        .and_then(Iterator::collect)
                })
                .map_err(doing)?;
            let mut left: Vec<usize> = (0..import.files.len()).collect();
            let mut out = Vec::new();
            for (round, text) in begun {
                let mut list = listed(&text);
                let (own, others) = left.iter().partition(|&&k| list.iter().any(|l| l.is(&import.files[k])));
                left = others;
                for wanted in own_files(import, &own) {
                    // What could not be read may be readable by now.
                    list.iter_mut().filter(|l| l.is(wanted)).for_each(|l| *l = Listed::of(wanted));
                }
                if !own.is_empty() {
                    write_down(tx, round, &asked, &list)?;
                    out.push((round, true, own));
                }
            }
            let mut new = Vec::new();
            for k in left {
                let here = import.files[k].sha256.map(|sum| known(tx, sum)).transpose()?.flatten();
                if here.is_none() {
                    new.push(k);
                }
            }
            let first =
                own_files(import, &new).filter(|f| f.sha256.is_some()).map(|f| f.taken_at).min_by_key(|at| at.ms);
            if let Some(first) = first {
                let at = Some(import.at.unwrap_or(first).clone());
                let round = enter_round(tx, import.pump, &NewRound { at, point: import.point.clone() })?;
                write_down(tx, round, &asked, &own_files(import, &new).map(Listed::of).collect::<Vec<_>>())?;
                out.push((round, false, new));
            }
            Ok(out)
        })?;
        found
            .into_iter()
            .map(|(id, goes_on, files)| Ok(ImportInto { round: self.round(id)?, goes_on, files }))
            .collect()
    }

    /// Ends an import into a round that one began, if all that was to come is in the book.
    ///
    /// # Returns
    /// The round, and whether the import has ended; if not, the same import again goes on.
    ///
    /// # Errors
    /// What the database says.
    pub fn end_import(&mut self, round: i64, close: bool) -> Result<(RoundRow, bool), BookError> {
        let ended = self.whole("end the import", |tx| {
            let doing = db("end the import");
            let text: Option<String> = tx
                .query_row("SELECT files FROM import_begun WHERE round_id = ?1", [round], |r| r.get(0))
                .optional()
                .map_err(&doing)?;
            for l in text.as_deref().map(listed).unwrap_or_default() {
                if l.sha256.map(|sum| known(tx, &sum)).transpose()?.flatten().is_none() {
                    return Ok(false);
                }
            }
            tx.execute("DELETE FROM import_begun WHERE round_id = ?1", [round]).map_err(&doing)?;
            if close {
                let now = Stamp::now().text;
                tx.execute("UPDATE round SET closed_at = ?2 WHERE id = ?1 AND closed_at IS NULL", params![round, now])
                    .map_err(&doing)?;
            }
            Ok(true)
        })?;
        Ok((self.round(round)?, ended))
    }
}

fn own_files<'a>(import: &Import<'a>, places: &[usize]) -> impl Iterator<Item = &'a ImportFile<'a>> {
    let files = import.files;
    places.iter().map(move |&k| &files[k])
}
