//! Recordings into the book, byte for byte.

use std::io::{Read as _, Write as _};
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OptionalExtension as _, Row, params};
use sha2::{Digest as _, Sha256};

use super::error::{db, file, refused};
use super::name::is_plain_file;
use super::recording::abandoned;
use super::rounds::still_open;
use super::store::{CLIPS, INCOMING, sync_dir};
use super::{Book, BookError, RoundRow, SpotRow, Stamp};

/// A recording to be brought in.
#[derive(Debug, Clone, Copy)]
pub struct NewClip<'a> {
    /// Where it lies now; it stays there.
    pub path: &'a Path,
    /// When it was taken.
    pub taken_at: &'a Stamp,
    /// Its pulse channel, counted from 1.
    pub pulse: Option<u16>,
}

/// A recording of the book.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct ClipRow {
    /// Key in this book.
    pub id: i64,
    /// Its round.
    pub round: i64,
    /// Module of its spot.
    pub module: u32,
    /// Name of its spot.
    pub spot: String,
    /// File under the book.
    pub file: String,
    /// Checksum of its bytes, in hexadecimal digits.
    pub sha256: String,
    /// Bytes.
    pub bytes: i64,
    /// Name of the file it came from.
    pub original: String,
    /// When it was taken.
    pub taken_at: String,
    /// Pulse channel.
    pub pulse: Option<u16>,
}

/// What bringing a recording in gave.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Added {
    /// It is in the book now.
    New(ClipRow),
    /// The same bytes are in the book already.
    Known(ClipRow),
}

/// Which rounds take a recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Rounds {
    /// Open ones: a closed round stays as it is.
    Open,
    /// Those that the watch makes, closed from the start.
    Kept,
}

/// Bytes copied at a time.
const CHUNK: usize = 1 << 16;
/// First part of the names in `incoming/` of copies whose source stays where it is.
pub(super) const COPIED: &str = ".tmp";
/// First part of the names in `incoming/` of copies that came from memory.
const IN_MEMORY: &str = "sound-";
/// Longest ending of a file's name that is kept.
const LONGEST_ENDING: usize = 5;

pub(super) const CLIP: &str =
    "SELECT c.id, c.round_id, s.module, s.name, c.file, c.sha256, c.bytes, c.original, c.taken_at, c.pulse
     FROM clip c JOIN spot s ON s.id = c.spot_id";

pub(super) fn clip_row(row: &Row<'_>) -> rusqlite::Result<ClipRow> {
    Ok(ClipRow {
        id: row.get(0)?,
        round: row.get(1)?,
        module: row.get(2)?,
        spot: row.get(3)?,
        file: row.get(4)?,
        sha256: row.get(5)?,
        bytes: row.get(6)?,
        original: row.get(7)?,
        taken_at: row.get(8)?,
        pulse: row.get(9)?,
    })
}

/// The checksum that a complete recording in `incoming/` bears in its name.
pub(super) fn arriving_sum(path: &Path) -> Option<&str> {
    if path.extension().is_some_and(|e| e == "part") {
        return None;
    }
    path.file_name()?.to_str()?.get(..64).filter(|s| s.bytes().all(|b| b.is_ascii_hexdigit()))
}

/// Whether a file in `incoming/`, unfinished or complete, came from memory.
fn is_in_memory(path: &Path) -> bool {
    let name = path.file_name().and_then(|n| n.to_str()).unwrap_or_default();
    arriving_sum(path).map_or(name, |sum| &name[sum.len()..]).starts_with(IN_MEMORY)
}

/// Hexadecimal digits.
pub(super) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// Checksum of a file's bytes.
pub(super) fn sum_of(path: &Path) -> Result<String, BookError> {
    let mut from = std::fs::File::open(path).map_err(file("read the recording", path))?;
    let mut sum = Sha256::new();
    let mut chunk = vec![0; CHUNK];
    loop {
        let n = from.read(&mut chunk).map_err(file("read the recording", path))?;
        if n == 0 {
            return Ok(hex(&sum.finalize()));
        }
        sum.update(&chunk[..n]);
    }
}

pub(super) fn known(conn: &Connection, sum: &str) -> Result<Option<ClipRow>, BookError> {
    conn.query_row(&format!("{CLIP} WHERE c.sha256 = ?1"), [sum], clip_row)
        .optional()
        .map_err(db("look up the recording"))
}

/// Ending of a file's name as it is kept: lower case letters and digits only.
pub(super) fn ending(path: &Path) -> String {
    let plain: String = path.extension().map(|e| e.to_string_lossy().to_ascii_lowercase()).unwrap_or_default();
    let fits = !plain.is_empty() && plain.len() <= LONGEST_ENDING && plain.chars().all(|c| c.is_ascii_alphanumeric());
    if fits { plain } else { "bin".to_owned() }
}

impl Book {
    /// Brings a recording in and attaches it to a spot of a round. When this returns, its bytes and its entry are on the disk.
    ///
    /// # Errors
    /// A file that can't be read, a round that is closed, a full disk (nothing half-done stays), what the database says.
    pub fn add_clip(&mut self, round: &RoundRow, spot: &SpotRow, new: &NewClip<'_>) -> Result<Added, BookError> {
        let original = new.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        self.add_clip_as(round, spot, new, &original)
    }

    /// As [`Book::add_clip`], for a file whose name is not the recording's: `original` is what the book shows, its ending is kept.
    ///
    /// # Errors
    /// As [`Book::add_clip`].
    pub fn add_clip_as(
        &mut self,
        round: &RoundRow,
        spot: &SpotRow,
        new: &NewClip<'_>,
        original: &str,
    ) -> Result<Added, BookError> {
        let arrived = self.copy_in(new.path)?;
        self.enter_clip(round, spot, new, original, arrived, Rounds::Open)
    }

    /// As [`Book::add_clip`], from bytes in memory and into a round that the watch made; the name of `new` is only kept. What a pulled plug leaves unfinished has no other
    /// place to come from again; [`Book::tidy_watch`] takes it.
    ///
    /// # Errors
    /// A full disk (nothing half-done stays), what the database says.
    pub fn add_sound(
        &mut self,
        round: &RoundRow,
        spot: &SpotRow,
        new: &NewClip<'_>,
        bytes: &[u8],
    ) -> Result<Added, BookError> {
        let original = new.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let mut from = bytes;
        let (arrived, sum, bytes, held) = self.take_in(&mut from, new.path, IN_MEMORY)?;
        let added = self.enter_clip(round, spot, new, &original, (arrived, sum, bytes), Rounds::Kept);
        drop(held);
        added
    }

    /// Attaches what has arrived in `incoming/` (its place, checksum and length) to a spot of a round.
    fn enter_clip(
        &mut self,
        round: &RoundRow,
        spot: &SpotRow,
        new: &NewClip<'_>,
        original: &str,
        (arrived, sum, bytes): (PathBuf, String, i64),
        rounds: Rounds,
    ) -> Result<Added, BookError> {
        let ending = ending(Path::new(original));
        if let Some(row) = known(&self.conn, &sum)? {
            if self.clip_path(&row).inspect_err(|_| discard(&arrived))?.exists() {
                discard(&arrived);
            } else {
                // The book had lost it: here it is again.
                self.rename_in(&arrived, CLIPS, &row.file)?;
            }
            return Ok(Added::Known(row));
        }
        let incoming = self.own(INCOMING)?;
        // A name of its own: another program may be bringing in the same bytes.
        let own = arrived.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
        let complete = incoming.join(format!("{sum}{own}.{ending}"));
        std::fs::rename(&arrived, &complete).map_err(file("name the recording", &complete))?;
        sync_dir(&incoming)?;
        let added = self.whole("enter the recording", |tx| {
            // Another program may have brought in the same bytes meanwhile.
            if let Some(row) = known(tx, &sum)? {
                return Ok(Added::Known(row));
            }
            if rounds == Rounds::Open {
                still_open(tx, round.id)?;
            }
            let doing = db("enter the recording");
            let nth: i64 = tx
                .query_row(
                    "SELECT count(*) FROM clip WHERE round_id = ?1 AND spot_id = ?2",
                    params![round.id, spot.id],
                    |r| r.get(0),
                )
                .map_err(&doing)?;
            let name = clip_name(round, spot, nth + 1, &ending);
            tx.execute(
                "INSERT INTO clip (round_id, spot_id, file, sha256, bytes, original, taken_at, pulse, added_at)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
                params![round.id, spot.id, name, sum, bytes, original, new.taken_at.text, new.pulse, Stamp::now().text],
            )
            .map_err(&doing)?;
            let id = tx.last_insert_rowid();
            tx.query_row(&format!("{CLIP} WHERE c.id = ?1"), [id], clip_row).map(Added::New).map_err(&doing)
        });
        let added = match added {
            Ok(added) => added,
            Err(err) => {
                discard(&complete);
                return Err(err);
            }
        };
        // From here on the recording is in the book; should the name not be given now, the next opening gives it.
        let (Added::New(row) | Added::Known(row)) = &added;
        self.rename_in(&complete, CLIPS, &row.file)?;
        Ok(added)
    }

    /// The checksum of a file's bytes, and the recording of the book that has the same.
    ///
    /// # Errors
    /// A file that can't be read, what the database says.
    pub fn known_clip(&self, path: &Path) -> Result<(String, Option<ClipRow>), BookError> {
        let sum = sum_of(path)?;
        let row = known(&self.conn, &sum)?;
        Ok((sum, row))
    }

    /// Copies into `incoming/`, synced; the checksum is that of the bytes written.
    pub(super) fn copy_in(&self, path: &Path) -> Result<(PathBuf, String, i64), BookError> {
        let mut from = std::fs::File::open(path).map_err(file("read the recording", path))?;
        if !from.metadata().map_err(file("read the recording", path))?.is_file() {
            return Err(refused(format!("{}: is no file", path.display())));
        }
        let (arrived, sum, bytes, _) = self.take_in(&mut from, path, COPIED)?;
        Ok((arrived, sum, bytes))
    }

    /// A file in `incoming/` that is ours while its lock is held. Where files can't be locked, its owner is not known to others.
    fn arriving(&self, prefix: &str) -> Result<tempfile::NamedTempFile, BookError> {
        let incoming = self.own(INCOMING)?;
        std::fs::create_dir_all(&incoming).map_err(file("make the folder", &incoming))?;
        loop {
            let made = tempfile::Builder::new()
                .prefix(prefix)
                .suffix(".part")
                .tempfile_in(&incoming)
                .map_err(file("copy the recording into", &incoming))?;
            let _ = made.as_file().lock();
            // Whoever tidies may have taken it between the two.
            if made.path().exists() {
                return Ok(made);
            }
        }
    }

    /// Removes what others left unfinished of [`Book::add_sound`].
    pub(super) fn tidy_sounds(&self) -> Result<(), BookError> {
        let incoming = self.own(INCOMING)?;
        let Ok(entries) = std::fs::read_dir(&incoming) else { return Ok(()) };
        for path in entries.flatten().map(|e| e.path()).filter(|p| is_in_memory(p)) {
            let Some(held) = abandoned(&path) else { continue };
            let entered = match arriving_sum(&path) {
                Some(sum) => known(&self.conn, sum)?.is_some(),
                None => false,
            };
            // What is entered gets its name at the next opening.
            if !entered {
                discard(&path);
            }
            drop(held);
        }
        Ok(())
    }

    /// As [`Book::copy_in`], from anything that can be read; `path` is what messages call it. The handle holds the file's lock.
    pub(super) fn take_in(
        &self,
        from: &mut dyn std::io::Read,
        path: &Path,
        prefix: &str,
    ) -> Result<(PathBuf, String, i64, std::fs::File), BookError> {
        let mut to = self.arriving(prefix)?;
        let mut sum = Sha256::new();
        let mut bytes = 0_i64;
        let mut chunk = vec![0; CHUNK];
        loop {
            let n = from.read(&mut chunk).map_err(file("read the recording", path))?;
            if n == 0 {
                break;
            }
            sum.update(&chunk[..n]);
            to.write_all(&chunk[..n]).map_err(file("copy the recording", path))?;
            bytes += i64::try_from(n).unwrap_or(0);
        }
        to.as_file().sync_all().map_err(file("sync the recording", path))?;
        let (held, kept) = to.keep().map_err(|e| file("copy the recording", path)(e.error))?;
        Ok((kept, hex(&sum.finalize()), bytes, held))
    }

    /// A recording by its key in this book.
    ///
    /// # Errors
    /// [`BookError::Db`] if there is none.
    pub fn clip(&self, id: i64) -> Result<ClipRow, BookError> {
        let doing = db("read the recording");
        self.conn.query_row(&format!("{CLIP} WHERE c.id = ?1"), [id], clip_row).map_err(doing)
    }

    /// Recordings of a round, by module.
    ///
    /// # Errors
    /// What the database says.
    pub fn clips(&self, round: i64) -> Result<Vec<ClipRow>, BookError> {
        let doing = db("read the recordings");
        let mut rows = self
            .conn
            .prepare_cached(&format!("{CLIP} WHERE c.round_id = ?1 ORDER BY s.module, s.id, c.id"))
            .map_err(&doing)?;
        rows.query_map([round], clip_row).and_then(Iterator::collect).map_err(&doing)
    }

    /// Where a recording lies: under its name, or still in `incoming/`.
    ///
    /// # Errors
    /// [`BookError::Outside`] for a name that leads out of the book.
    pub fn clip_path(&self, clip: &ClipRow) -> Result<PathBuf, BookError> {
        let named = self.inside(CLIPS, &clip.file)?;
        if named.exists() {
            return Ok(named);
        }
        let waiting = std::fs::read_dir(self.own(INCOMING)?).ok().and_then(|entries| {
            let mut paths = entries.flatten().map(|e| e.path());
            paths.find(|p| arriving_sum(p) == Some(&clip.sha256) && is_plain_file(p))
        });
        Ok(waiting.unwrap_or(named))
    }
}

/// Takes back our own unfinished copy; the recording itself lies where it came from.
fn discard(copy: &Path) {
    // What can't be removed is only a copy that `check` mentions.
    let _ = std::fs::remove_file(copy);
}

/// `clips/2026-11/20261125-063000-1f2e3d4c/m2-main-1.wav`: by time, with enough of the round's key to be its own. Times and keys of a book
/// from somebody else may be any text.
pub(super) fn clip_name(round: &RoundRow, spot: &SpotRow, nth: i64, ending: &str) -> String {
    let plain = |text: &str, most: usize| -> String {
        let letter = |c: char| if c.is_ascii_alphanumeric() || c == '-' { c } else { '_' };
        text.chars().take(most).map(letter).collect()
    };
    let (month, key) = (plain(&round.started.text, 7), plain(&round.uuid, 8));
    let spot_name: String =
        spot.name.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '_' }).collect();
    format!(
        "{CLIPS}/{month}/{}-{key}/m{}-{spot_name}-{}-{nth}.{ending}",
        round.started.for_name(),
        spot.module,
        spot.id
    )
}

#[cfg(test)]
mod tests {
    use super::super::NewRound;
    use super::super::pumps::tests::triplex;
    use super::*;

    #[test]
    fn bytes_come_in_as_they_are_and_only_once() {
        let dir = tempfile::tempdir().unwrap();
        let mut book = Book::create(&dir.path().join("book")).unwrap();
        let pump = book.add_pump(&triplex("MP-1")).unwrap();
        let round = book.start_round(&pump, &NewRound::default()).unwrap();
        let spot = book.spot(&pump, 2, None).unwrap();
        let path = dir.path().join("A clip.WAV");
        let content: Vec<u8> = (0..200_000_u32).map(|i| (i % 251) as u8).collect();
        std::fs::write(&path, &content).unwrap();
        let new = NewClip { path: &path, taken_at: &Stamp::now(), pulse: None };
        let Added::New(row) = book.add_clip(&round, &spot, &new).unwrap() else { panic!("known") };
        assert_eq!((row.module, row.bytes, row.original.as_str()), (2, 200_000, "A clip.WAV"));
        assert_eq!(std::fs::read(book.clip_path(&row).unwrap()).unwrap(), content);
        assert!(path.exists(), "the original stays");
        assert_eq!(row.sha256, sum_of(&path).unwrap());
        let copy = dir.path().join("again.wav");
        std::fs::copy(&path, &copy).unwrap();
        let again = NewClip { path: &copy, ..new };
        assert_eq!(book.add_clip(&round, &spot, &again).unwrap(), Added::Known(row));
        let left: Vec<_> = std::fs::read_dir(book.dir().join(INCOMING)).unwrap().collect();
        assert!(left.is_empty(), "{left:?}");
        let folder = NewClip { path: dir.path(), ..new };
        assert!(book.add_clip(&round, &spot, &folder).is_err());
    }

    // FIPS 180-4, appendix B.1 of the 2002 edition: SHA-256 of "abc" (from memory).
    #[test]
    fn the_checksum_is_sha_256() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("abc");
        std::fs::write(&path, "abc").unwrap();
        let want = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(sum_of(&path).unwrap(), want);
    }
}
