//! Work on fluid ends, and the notes that were signed.

use jiff::Timestamp;
use rusqlite::{OptionalExtension as _, params};
use sha2::{Digest as _, Sha256};

use super::clips::hex;
use super::error::{db, refused};
use super::tour::{instant, stamp};
use super::{Book, BookError, PumpRow, Stamp};
use crate::tour::Tour;
use crate::tour::work::{Entry, Job, check_new};

/// A job of the book.
#[derive(Debug, Clone, PartialEq)]
pub struct JobRow {
    /// Number.
    pub id: i64,
    /// Its pump.
    pub pump_id: i64,
    /// What is to be done: `module 2, discharge seat`.
    pub words: String,
    /// When it was started.
    pub started: Timestamp,
    /// Its entries.
    pub job: Job,
}

/// A correction to a note that was signed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Amendment {
    /// When: RFC 3339 in the book, on the rig's clock where it is shown.
    pub when: String,
    /// By which position.
    pub by: String,
    /// What is corrected.
    pub text: String,
}

/// Who took a signed note over: a record of its own beside the giver's.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Taken {
    /// By which position.
    pub by: String,
    /// When: RFC 3339 in the book, on the rig's clock where it is shown.
    pub when: String,
    /// Fingerprint of what was taken over.
    pub sha256: String,
    /// What the receiver added, if anything.
    pub remark: String,
}

/// A signed note of the book.
#[derive(Debug, Clone, PartialEq)]
pub struct NoteRow {
    /// Key in this book.
    pub id: i64,
    /// The bytes that were signed.
    pub html: String,
    /// Their SHA-256.
    pub sha256: String,
    /// Who signed.
    pub giver: String,
    /// When that was, as RFC 3339.
    pub given_at: String,
    /// Who took over; the time as RFC 3339.
    pub taken: Option<Taken>,
    /// Later corrections, oldest first; their times as RFC 3339.
    pub amendments: Vec<Amendment>,
}

/// SHA-256 of the bytes, in small hex digits (FIPS 180-4).
#[must_use]
pub fn fingerprint(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

impl Book {
    /// Starts a job: nothing is confirmed yet.
    ///
    /// # Errors
    /// What the database says.
    pub fn start_job(&mut self, pump: &PumpRow, words: &str, at: Timestamp, by: &str) -> Result<i64, BookError> {
        if words.trim().is_empty() {
            return Err(refused("say what is to be done, such as \"module 2, discharge seat\""));
        }
        let (text, ms) = stamp(at);
        self.whole("start the job", |tx| {
            tx.execute(
                "INSERT INTO job (pump_id, words, started_at, started_ms, by_position) VALUES (?1, ?2, ?3, ?4, ?5)",
                params![pump.id, words.trim(), text, ms, by],
            )
            .map_err(db("start the job"))?;
            Ok(tx.last_insert_rowid())
        })
    }

    /// Makes an entry in a job.
    ///
    /// # Errors
    /// [`BookError::Refused`] with what is wrong; the job is then as before.
    pub fn enter_work(&mut self, id: i64, entry: &Entry) -> Result<JobRow, BookError> {
        check_new(&entry.event).map_err(|e| refused(format!("job {id}: {e}")))?;
        let mut row = self.job(id)?;
        row.job.enter(entry.clone()).map_err(|e| refused(format!("job {id}: {e}")))?;
        let seen = row.job.entries().len();
        self.whole("enter the work", |tx| {
            let doing = db("enter the work");
            // Another program may have entered something since: what follows from it has to be judged anew.
            let now: i64 =
                tx.query_row("SELECT count(*) FROM job_entry WHERE job_id = ?1", [id], |r| r.get(0)).map_err(&doing)?;
            if usize::try_from(now).ok() != seen.checked_sub(1) {
                return Err(refused(format!("job {id} was changed meanwhile; do it again")));
            }
            let document = serde_json::to_string(entry).map_err(|e| refused(e.to_string()))?;
            tx.execute(
                "INSERT INTO job_entry (job_id, document, entered_at) VALUES (?1, ?2, ?3)",
                params![id, document, Stamp::now().text],
            )
            .map_err(doing)?;
            Ok(())
        })?;
        Ok(row)
    }

    /// A job by its number.
    ///
    /// # Errors
    /// [`BookError::Unknown`] if there is none.
    pub fn job(&self, id: i64) -> Result<JobRow, BookError> {
        let found = self.jobs_where("id = ?1", id)?.pop();
        found.ok_or_else(|| BookError::Unknown {
            what: format!("job {id}"),
            hint: "`seatsong work list` shows them".to_owned(),
        })
    }

    /// All jobs of a pump, oldest first.
    ///
    /// # Errors
    /// What the database says.
    pub fn jobs(&self, pump: &PumpRow) -> Result<Vec<JobRow>, BookError> {
        self.jobs_where("pump_id = ?1", pump.id)
    }

    fn jobs_where(&self, what: &str, key: i64) -> Result<Vec<JobRow>, BookError> {
        let doing = db("read the work");
        let sql = format!("SELECT id, pump_id, words, started_ms FROM job WHERE {what} ORDER BY started_ms, id");
        let mut statement = self.conn.prepare_cached(&sql).map_err(&doing)?;
        let rows = statement
            .query_map([key], |r| {
                Ok(JobRow {
                    id: r.get(0)?,
                    pump_id: r.get(1)?,
                    words: r.get(2)?,
                    started: instant(r.get(3)?),
                    job: Job::new(),
                })
            })
            .map_err(&doing)?;
        let mut rows = rows.collect::<Result<Vec<_>, _>>().map_err(&doing)?;
        let mut entries =
            self.conn.prepare_cached("SELECT document FROM job_entry WHERE job_id = ?1 ORDER BY id").map_err(&doing)?;
        for row in &mut rows {
            let spoilt = |why: String| BookError::Spoilt { what: format!("job {}", row.id), why };
            let found = entries.query_map([row.id], |r| r.get::<_, String>(0)).map_err(&doing)?;
            let mut all = Vec::new();
            for text in found {
                let text = text.map_err(&doing)?;
                all.push(serde_json::from_str::<Entry>(&text).map_err(|e| spoilt(e.to_string()))?);
            }
            // A merge enters what came between; within one job times never run back.
            all.sort_by_key(|e| e.at);
            row.job = Job::replay(all).map_err(|e| spoilt(e.to_string()))?;
        }
        Ok(rows)
    }

    /// Freezes the note of a tour.
    ///
    /// # Errors
    /// [`BookError::Refused`] when that tour's note is signed already.
    pub fn sign_note(&mut self, tour: &Tour, html: &str, giver: &str, at: Timestamp) -> Result<String, BookError> {
        if self.note(tour)?.is_some() {
            return Err(refused("the note of this tour is signed and frozen; correct it with --amend"));
        }
        let sum = fingerprint(html.as_bytes());
        let (text, _) = stamp(at);
        self.whole("sign the note", |tx| {
            tx.execute(
                "INSERT INTO note (tour_start_ms, tour_end_ms, html, sha256, giver, given_at) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                params![tour.start.as_millisecond(), tour.end.as_millisecond(), html, sum, giver, text],
            )
            .map_err(db("sign the note"))?;
            Ok(())
        })?;
        Ok(sum)
    }

    /// The receiver takes a signed note over: once, with the fingerprint of what was read.
    ///
    /// # Errors
    /// [`BookError::Refused`] when it is not signed yet, taken over already, or taken over by whoever handed it over;
    /// [`BookError::Spoilt`] when its bytes are not those that were signed.
    pub fn take_over(&mut self, tour: &Tour, receiver: &str, remark: &str, at: Timestamp) -> Result<(), BookError> {
        let Some(note) = self.note(tour)? else {
            return Err(refused("the note of this tour is not signed yet: whoever hands over signs first (--sign)"));
        };
        let receiver = receiver.trim();
        if let Some(taken) = &note.taken {
            let who = &taken.by;
            return Err(refused(format!(
                "the note of this tour was taken over by {who} already; add to it with --amend"
            )));
        }
        if receiver.is_empty() || receiver.eq_ignore_ascii_case(note.giver.trim()) {
            return Err(refused(format!(
                "{} handed this tour over; say which position takes over, such as relief derrickman",
                note.giver
            )));
        }
        let got = fingerprint(note.html.as_bytes());
        if got != note.sha256 {
            let why = format!("its fingerprint is {got}, the signed one's {}", note.sha256);
            return Err(BookError::Spoilt { what: "the signed note".into(), why });
        }
        let (text, ms) = stamp(at);
        self.whole("sign for the note", |tx| {
            tx.execute(
                "INSERT INTO takeover (note_id, receiver, taken_at, taken_ms, sha256, remark) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                params![note.id, receiver, text, ms, note.sha256, remark.trim()],
            )
            .map_err(db("sign for the note"))?;
            Ok(())
        })
    }

    /// Amends a signed note.
    ///
    /// # Errors
    /// [`BookError::Refused`] when it is not signed yet.
    pub fn amend_note(&mut self, tour: &Tour, words: &str, by: &str, at: Timestamp) -> Result<(), BookError> {
        let Some(note) = self.note(tour)? else {
            return Err(refused("the note of this tour is not signed yet: correct the entries, then sign"));
        };
        if words.trim().is_empty() || by.trim().is_empty() {
            return Err(refused("say what is corrected, and by which position"));
        }
        let (text, ms) = stamp(at);
        self.whole("amend the note", |tx| {
            tx.execute(
                "INSERT INTO amendment (note_id, at, at_ms, by_position, words) VALUES (?1, ?2, ?3, ?4, ?5)",
                params![note.id, text, ms, by, words.trim()],
            )
            .map_err(db("amend the note"))?;
            Ok(())
        })
    }

    /// The signed note of a tour, if there is one.
    ///
    /// # Errors
    /// What the database says.
    pub fn note(&self, tour: &Tour) -> Result<Option<NoteRow>, BookError> {
        let doing = db("read the note");
        let found = self
            .conn
            .query_row(
                "SELECT id, html, sha256, giver, given_at FROM note WHERE tour_start_ms = ?1",
                [tour.start.as_millisecond()],
                |r| {
                    Ok(NoteRow {
                        id: r.get(0)?,
                        html: r.get(1)?,
                        sha256: r.get(2)?,
                        giver: r.get(3)?,
                        given_at: r.get(4)?,
                        taken: None,
                        amendments: vec![],
                    })
                },
            )
            .optional()
            .map_err(&doing)?;
        let Some(mut note) = found else { return Ok(None) };
        note.taken = self
            .conn
            .query_row("SELECT receiver, taken_at, sha256, remark FROM takeover WHERE note_id = ?1", [note.id], |r| {
                Ok(Taken { by: r.get(0)?, when: r.get(1)?, sha256: r.get(2)?, remark: r.get(3)? })
            })
            .optional()
            .map_err(&doing)?;
        let mut statement = self
            .conn
            .prepare_cached("SELECT at, by_position, words FROM amendment WHERE note_id = ?1 ORDER BY at_ms, id")
            .map_err(&doing)?;
        let rows = statement
            .query_map([note.id], |r| Ok(Amendment { when: r.get(0)?, by: r.get(1)?, text: r.get(2)? }))
            .map_err(&doing)?;
        note.amendments = rows.collect::<Result<_, _>>().map_err(doing)?;
        Ok(Some(note))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fingerprints_are_those_of_the_standard() {
        // FIPS 180-4 example "abc", and the empty message.
        assert_eq!(fingerprint(b"abc"), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
        assert_eq!(fingerprint(b""), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
    }
}
