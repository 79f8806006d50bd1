//! Recordings that arrive in pieces: begun, gone on with after a lost network or a restart, entered when whole.
//!
//! The bytes lie in `incoming/` under a name that the book makes; how many there are is the length of that file. An upload of which
//! nothing has come for [`UPLOAD_LIFE_DAYS`] days is discarded: the phone still has the recording and starts anew.

use std::path::{Path, PathBuf};

use rusqlite::{OptionalExtension as _, Row, params};

use super::clips::{known, sum_of};
use super::error::{db, file, refused};
use super::once::sound_key;
use super::rounds::still_open;
use super::store::INCOMING;
use super::{Added, Book, BookError, ClipRow, NewClip, RoundRow, SpotRow, Stamp};
use crate::clip::recording_kind;

/// Days after which an upload is discarded of which nothing has come: longer than a hitch off the rig's network.
pub const UPLOAD_LIFE_DAYS: i64 = 14;
const DAY_MS: i64 = 24 * 3_600_000;

/// A recording that is about to arrive.
#[derive(Debug, Clone, PartialEq)]
pub struct NewUpload<'a> {
    /// Its own key, made by whoever sends it.
    pub key: &'a str,
    /// Its round.
    pub round: &'a RoundRow,
    /// Its spot.
    pub spot: &'a SpotRow,
    /// How many bytes it has.
    pub bytes: i64,
    /// Checksum of its bytes, in hexadecimal digits.
    pub sha256: &'a str,
    /// When it was taken.
    pub taken_at: &'a Stamp,
    /// Times in s from its start at which somebody tapped as the rod passed its end.
    pub taps_s: Option<&'a [f64]>,
}

/// A recording on its way in.
#[derive(Debug, Clone, PartialEq)]
pub struct UploadRow {
    /// Its name here.
    pub id: String,
    /// Its round.
    pub round_id: i64,
    /// Its spot.
    pub spot_id: i64,
    /// How many bytes it will have.
    pub bytes: i64,
    /// How many have arrived.
    pub have: i64,
    /// Checksum that they will have.
    pub sha256: String,
    /// When it was taken.
    pub taken_at: Stamp,
    /// Taps.
    pub taps_s: Option<Vec<f64>>,
    /// The recording of the book, once it is whole.
    pub clip_id: Option<i64>,
}

/// What became of an upload.
#[derive(Debug, Clone, PartialEq)]
pub enum Finished {
    /// It is in the book; `true` if it was there already, perhaps in another round.
    Clip(ClipRow, bool),
    /// Bytes are missing still.
    Short,
    /// The checksum differs: it starts over.
    Differs,
    /// It is no recording: it is discarded.
    NoRecording(String),
}

const UPLOAD: &str = "SELECT id, round_id, spot_id, bytes, sha256, taken_at, taken_ms, taps, clip_id FROM upload";
/// First part of the names in `incoming/`.
const NAME: &str = "upload-";
/// Most taps of a recording: an hour at 160 strokes a minute.
const MOST_TAPS: usize = 9600;

/// Whether a file in `incoming/` is a recording on its way in.
pub(super) fn is_upload(path: &Path) -> bool {
    path.file_name().and_then(|n| n.to_str()).is_some_and(|n| n.starts_with(NAME) && n.ends_with(".part"))
}

fn taps_text(taps_s: &[f64]) -> String {
    taps_s.iter().map(f64::to_string).collect::<Vec<_>>().join(",")
}

fn taps_of(text: &str) -> Vec<f64> {
    text.split(',').filter_map(|t| t.parse().ok()).collect()
}

impl Book {
    /// Begins an upload, or finds the one that has this key.
    ///
    /// # Arguments
    /// - `id`: 32 hexadecimal digits that no other upload has; not used if the key is known.
    ///
    /// # Errors
    /// [`BookError::Refused`] for a key of another recording, a closed round, a checksum that is none, taps that are not ascending; what the
    /// database says.
    pub fn begin_upload(&mut self, id: &str, new: &NewUpload<'_>) -> Result<UploadRow, BookError> {
        sound_key(new.key)?;
        let hexadecimal =
            |s: &str, len: usize| s.len() == len && s.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
        if !hexadecimal(new.sha256, 64) {
            return Err(refused("sha256 must be 64 hexadecimal digits in small letters"));
        }
        if !hexadecimal(id, 32) || new.bytes < 1 {
            return Err(refused("an upload needs bytes and a name of 32 hexadecimal digits"));
        }
        let taps = new.taps_s.filter(|t| !t.is_empty());
        if let Some(taps) = taps {
            let sound = taps.iter().all(|t| t.is_finite() && *t >= 0.0) && taps.windows(2).all(|w| w[0] < w[1]);
            if !sound || taps.len() > MOST_TAPS {
                return Err(refused(format!("taps must be ascending times in s from the start, at most {MOST_TAPS}")));
            }
        }
        let found = self.upload_where("key = ?1", new.key)?;
        if let Some(row) = found {
            let same = (row.round_id, row.spot_id, row.bytes) == (new.round.id, new.spot.id, new.bytes);
            if !same || row.sha256 != new.sha256 {
                return Err(refused("this key belongs to another recording; give each recording its own key"));
            }
            return Ok(row);
        }
        self.whole("begin the upload", |tx| {
            // Told before its bytes travel, and the phone keeps it; but one that the book has can be let go.
            if known(tx, new.sha256)?.is_none() {
                still_open(tx, new.round.id)?;
            }
            let now = Stamp::now();
            // Another request may have begun the same one meanwhile.
            tx.execute(
                "INSERT OR IGNORE INTO upload (id, key, round_id, spot_id, bytes, sha256, taken_at, taken_ms, taps, begun_at, touched_ms)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
                params![
                    id,
                    new.key,
                    new.round.id,
                    new.spot.id,
                    new.bytes,
                    new.sha256,
                    new.taken_at.text,
                    new.taken_at.ms,
                    taps.map(taps_text),
                    now.text,
                    now.ms
                ],
            )
            .map_err(db("begin the upload"))?;
            Ok(())
        })?;
        let made = self.upload_where("key = ?1", new.key)?;
        made.ok_or_else(|| refused("the upload was discarded meanwhile; begin it again"))
    }

    /// An upload by its name.
    ///
    /// # Errors
    /// [`BookError::Unknown`] if there is none; what the database says.
    pub fn upload(&self, id: &str) -> Result<UploadRow, BookError> {
        self.upload_where("id = ?1", id)?.ok_or_else(|| BookError::Unknown {
            what: "this upload".to_owned(),
            hint: format!("it may have been discarded after {UPLOAD_LIFE_DAYS} days; begin it again"),
        })
    }

    fn upload_where(&self, what: &str, with: &str) -> Result<Option<UploadRow>, BookError> {
        let read = |r: &Row<'_>| {
            let taps: Option<String> = r.get(7)?;
            Ok(UploadRow {
                id: r.get(0)?,
                round_id: r.get(1)?,
                spot_id: r.get(2)?,
                bytes: r.get(3)?,
                have: 0,
                sha256: r.get(4)?,
                taken_at: Stamp { text: r.get(5)?, ms: r.get(6)? },
                taps_s: taps.map(|t| taps_of(&t)),
                clip_id: r.get(8)?,
            })
        };
        let found = self.conn.query_row(&format!("{UPLOAD} WHERE {what}"), [with], read).optional();
        let Some(mut row) = found.map_err(db("read the upload"))? else { return Ok(None) };
        row.have = match row.clip_id {
            Some(_) => row.bytes,
            None => self.upload_path(&row)?.metadata().map_or(0, |meta| i64::try_from(meta.len()).unwrap_or(i64::MAX)),
        };
        Ok(Some(row))
    }

    /// Where an upload's bytes lie.
    ///
    /// # Errors
    /// [`BookError::Outside`] for an upload whose name leads out of the book.
    pub fn upload_path(&self, upload: &UploadRow) -> Result<PathBuf, BookError> {
        self.inside(INCOMING, &format!("{INCOMING}/{NAME}{}.part", upload.id))
    }

    /// How many uploads are not whole yet, and how many bytes they will have.
    ///
    /// # Errors
    /// What the database says.
    pub fn uploads_waiting(&self) -> Result<(i64, i64), BookError> {
        self.conn
            .query_row("SELECT count(*), coalesce(sum(bytes), 0) FROM upload WHERE clip_id IS NULL", [], |r| {
                Ok((r.get(0)?, r.get(1)?))
            })
            .map_err(db("count the uploads"))
    }

    /// Notes that something of an upload has arrived.
    ///
    /// # Errors
    /// What the database says.
    pub fn touch_upload(&mut self, id: &str) -> Result<(), BookError> {
        let now = Stamp::now().ms;
        self.whole("note the upload", |tx| {
            tx.execute("UPDATE upload SET touched_ms = ?2 WHERE id = ?1", params![id, now])
                .map_err(db("note the upload"))?;
            Ok(())
        })
    }

    /// Enters an upload that is whole. Asked again, it gives the same recording.
    ///
    /// # Errors
    /// A round that was closed meanwhile, a full disk (nothing half-done stays), what the database says.
    pub fn finish_upload(&mut self, id: &str) -> Result<Finished, BookError> {
        let upload = self.upload(id)?;
        if let Some(clip) = upload.clip_id {
            return Ok(Finished::Clip(self.clip(clip)?, false));
        }
        if upload.have < upload.bytes {
            return Ok(Finished::Short);
        }
        let path = self.upload_path(&upload)?;
        if upload.have > upload.bytes || sum_of(&path)? != upload.sha256 {
            std::fs::remove_file(&path).map_err(file("discard the bytes", &path))?;
            return Ok(Finished::Differs);
        }
        let kind = match recording_kind(&path).map_err(file("read the recording", &path))? {
            Ok(kind) => kind,
            Err(what) => {
                self.discard_upload(&upload)?;
                return Ok(Finished::NoRecording(what));
            }
        };
        let round = self.round(upload.round_id)?;
        let spot = self.spot_by_id(upload.spot_id)?;
        let new = NewClip { path: &path, taken_at: &upload.taken_at, pulse: None };
        // The phone's own name for the file never comes here.
        let original = format!("page-m{}.{kind}", spot.module);
        let added = self.add_clip_as(&round, &spot, &new, &original)?;
        let (clip, known) = match added {
            Added::New(clip) => (clip, false),
            Added::Known(clip) => (clip, true),
        };
        self.whole("enter the recording", |tx| {
            let doing = db("enter the recording");
            tx.execute("UPDATE upload SET clip_id = ?2 WHERE id = ?1", params![upload.id, clip.id]).map_err(&doing)?;
            if let Some(taps) = &upload.taps_s {
                tx.execute(
                    "INSERT OR IGNORE INTO clip_taps (clip_id, taps_s) VALUES (?1, ?2)",
                    params![clip.id, taps_text(taps)],
                )
                .map_err(&doing)?;
            }
            Ok(())
        })?;
        // The bytes are in the book; a copy that can't be removed now goes with the next old ones.
        let _ = std::fs::remove_file(&path);
        Ok(Finished::Clip(clip, known))
    }

    /// Discards an upload that is not whole: its bytes and its entry.
    ///
    /// # Errors
    /// What the disk or the database says.
    pub fn discard_upload(&mut self, upload: &UploadRow) -> Result<(), BookError> {
        let path = self.upload_path(upload)?;
        if path.exists() {
            std::fs::remove_file(&path).map_err(file("discard the upload", &path))?;
        }
        self.whole("discard the upload", |tx| {
            tx.execute("DELETE FROM upload WHERE id = ?1 AND clip_id IS NULL", [&upload.id])
                .map_err(db("discard the upload"))?;
            Ok(())
        })
    }

    /// Discards uploads of which nothing has come for [`UPLOAD_LIFE_DAYS`] days, and copies of those that are in the book.
    ///
    /// # Returns
    /// How many uploads.
    ///
    /// # Errors
    /// What the disk or the database says.
    pub fn discard_old_uploads(&mut self, now: &Stamp) -> Result<usize, BookError> {
        let doing = db("look for old uploads");
        let old: Vec<String> = {
            let mut rows = self
                .conn
                .prepare_cached("SELECT id FROM upload WHERE clip_id IS NULL AND touched_ms < ?1")
                .map_err(&doing)?;
            rows.query_map([now.ms - UPLOAD_LIFE_DAYS * DAY_MS], |r| r.get(0))
                .and_then(Iterator::collect)
                .map_err(&doing)?
        };
        for id in &old {
            match self.upload(id) {
                // Its name leads out of the book: there is nothing of it here, and it keeps nobody waiting.
                Err(BookError::Outside { .. }) => {}
                upload => self.discard_upload(&upload?)?,
            }
        }
        let incoming = self.own(INCOMING)?;
        for entry in std::fs::read_dir(&incoming).map_err(file("read the folder", &incoming))?.flatten() {
            let path = entry.path();
            let name = path.file_name().and_then(|n| n.to_str()).unwrap_or_default();
            let Some(id) = name.strip_prefix(NAME).and_then(|n| n.strip_suffix(".part")) else { continue };
            let waits = match self.upload_where("id = ?1", id) {
                // A link in its place is none.
                Err(BookError::Outside { .. }) => false,
                found => found?.is_some_and(|u| u.clip_id.is_none()),
            };
            if !waits {
                std::fs::remove_file(&path).map_err(file("discard the upload", &path))?;
            }
        }
        Ok(old.len())
    }

    /// Taps of a recording in s from its start, if there are any.
    pub(super) fn taps(&self, clip_id: i64) -> Result<Option<Vec<f64>>, BookError> {
        let found: Option<String> = self
            .conn
            .query_row("SELECT taps_s FROM clip_taps WHERE clip_id = ?1", [clip_id], |r| r.get(0))
            .optional()
            .map_err(db("read the taps"))?;
        if let Some(text) = found {
            return Ok(Some(taps_of(&text)));
        }
        // Taps that came while the program itself recorded stand with how it recorded.
        Ok(self.capture(clip_id)?.map(|c| c.taps_s).filter(|t| !t.is_empty()))
    }
}

#[cfg(test)]
#[path = "uploads_tests.rs"]
mod tests;
