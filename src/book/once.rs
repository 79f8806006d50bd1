//! Entries that are made once, however often they are sent.
//!
//! A phone that lost its network does not know whether its entry arrived, and sends it again, perhaps hours later and after a restart.
//! It gives every entry a key; the answer is kept by it, in the same transaction as the entry itself.

use rusqlite::{OptionalExtension as _, params};
use serde_json::Value;

use super::error::{db, refused};
use super::{Book, BookError, Stamp};

/// The answer to an entry.
#[derive(Debug, Clone, PartialEq)]
pub struct Once {
    /// What was answered the first time.
    pub answer: Value,
    /// Whether this was the first time.
    pub first: bool,
}

/// Shortest and longest key.
const KEY_LEN: std::ops::RangeInclusive<usize> = 8..=64;

/// Refuses a key that is none: letters, digits and dashes only.
pub(super) fn sound_key(key: &str) -> Result<(), BookError> {
    if KEY_LEN.contains(&key.len()) && key.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-') {
        return Ok(());
    }
    Err(refused("the entry's key must be 8 to 64 letters, digits and dashes, such as a random UUID"))
}

impl Book {
    /// The answer that was given to an entry before.
    ///
    /// # Arguments
    /// - `key`: the entry's own, made by whoever sends it.
    /// - `asked`: what is entered, word for word or as a checksum.
    ///
    /// # Errors
    /// [`BookError::Refused`] for a key that is none or belongs to another entry; what the database says.
    pub fn answered(&self, key: &str, asked: &str) -> Result<Option<Value>, BookError> {
        sound_key(key)?;
        let doing = db("look for an earlier entry");
        let found: Option<(String, String)> = self
            .conn
            .query_row("SELECT asked, answer FROM page_answer WHERE key = ?1", [key], |r| Ok((r.get(0)?, r.get(1)?)))
            .optional()
            .map_err(doing)?;
        let Some((before, answer)) = found else { return Ok(None) };
        if before != asked {
            return Err(refused("this key belongs to another entry that is in the book; give each entry its own key"));
        }
        let spoilt = |e: serde_json::Error| BookError::Spoilt { what: "an earlier answer".into(), why: e.to_string() };
        serde_json::from_str(&answer).map(Some).map_err(spoilt)
    }

    /// Makes an entry once: the entry and its answer are in the book together, or neither; the same key again gives the first answer.
    ///
    /// # Arguments
    /// - `key`, `asked`: as [`Book::answered`].
    /// - `work`: makes the entry; whatever it writes is part of one transaction.
    ///
    /// # Errors
    /// As [`Book::answered`], and what the work says; then nothing is entered and the key is free.
    pub fn once<E: From<BookError>>(
        &mut self,
        key: &str,
        asked: &str,
        work: impl FnOnce(&mut Self) -> Result<Value, E>,
    ) -> Result<Once, E> {
        let doing = db("make the entry");
        self.conn.execute_batch("BEGIN IMMEDIATE").map_err(&doing)?;
        let done = self.once_within(key, asked, work);
        let end = if done.as_ref().is_ok_and(|d| d.first) { "COMMIT" } else { "ROLLBACK" };
        let ended = self.conn.execute_batch(end).map_err(doing);
        if ended.is_err() && !self.conn.is_autocommit() {
            // A commit that failed leaves the work open; the error says that nothing was entered.
            let _ = self.conn.execute_batch("ROLLBACK");
        }
        let done = done?;
        ended?;
        Ok(done)
    }

    fn once_within<E: From<BookError>>(
        &mut self,
        key: &str,
        asked: &str,
        work: impl FnOnce(&mut Self) -> Result<Value, E>,
    ) -> Result<Once, E> {
        if let Some(answer) = self.answered(key, asked)? {
            return Ok(Once { answer, first: false });
        }
        let answer = work(self)?;
        self.conn
            .execute(
                "INSERT INTO page_answer (key, asked, answer, entered_at) VALUES (?1, ?2, ?3, ?4)",
                params![key, asked, answer.to_string(), Stamp::now().text],
            )
            .map_err(db("keep the answer"))?;
        Ok(Once { answer, first: true })
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::super::pumps::tests::triplex;
    use super::super::{NewRound, RoundChange};
    use super::*;

    fn book() -> (tempfile::TempDir, Book) {
        let dir = tempfile::tempdir().unwrap();
        let mut book = Book::create(dir.path()).unwrap();
        book.add_pump(&triplex("MP-1")).unwrap();
        (dir, book)
    }

    fn start(book: &mut Book) -> Result<Value, BookError> {
        let pump = book.pump("MP-1")?;
        Ok(json!({"round": book.start_round(&pump, &NewRound::default())?.id}))
    }

    #[test]
    fn an_entry_that_is_sent_again_is_made_once() {
        let (dir, mut book) = book();
        let first = book.once("key-0001", "start", start).unwrap();
        assert!(first.first);
        drop(book);
        let mut book = Book::open(dir.path()).unwrap();
        let again = book.once("key-0001", "start", start).unwrap();
        assert_eq!(again, Once { first: false, ..first });
        assert_eq!(book.overview().unwrap().rounds, 1);
        assert!(book.once("key-0001", "another", start).is_err(), "a key is for one entry");
        assert!(book.once("../../etc", "start", start).is_err() && book.once("short", "start", start).is_err());
        assert!(book.once("key-0002", "start", start).unwrap().first);
        assert_eq!(book.overview().unwrap().rounds, 2);
    }

    #[test]
    fn an_entry_that_fails_leaves_nothing_and_its_key_is_free() {
        let (_dir, mut book) = book();
        let failed = book.once("key-0001", "start", |book| {
            start(book)?;
            let round = book.latest_round(None);
            round.map(|_| Value::Null)
        });
        assert!(failed.is_err());
        assert_eq!(book.overview().unwrap().rounds, 0, "the round went with the entry");
        assert!(book.once("key-0001", "start", start).unwrap().first);
    }

    #[test]
    fn a_part_that_fails_can_be_left_out_of_the_whole() {
        let (_dir, mut book) = book();
        let done = book.once("key-0001", "two", |book| {
            start(book)?;
            let closed = book.change_round(1, &RoundChange::default(), true)?;
            assert!(closed.closed_at.is_some());
            assert!(book.change_round(1, &RoundChange::default(), true).is_err(), "closed twice");
            Ok::<_, BookError>(Value::Null)
        });
        assert!(done.unwrap().first);
        assert!(book.round(1).unwrap().closed_at.is_some());
    }
}
