//! Photos into the book, byte for byte, named by their checksum; and small ones for the note.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use rusqlite::{Connection, OptionalExtension as _, Row, params};

use super::check::Fault;
use super::clips::{COPIED, ending, sum_of};
use super::error::{db, file};
use super::store::{INCOMING, sync_dir};
use super::{Book, BookError, MergeReport, Stamp, sound_name};

/// Folder of the photos.
pub(super) const PHOTOS: &str = "photos";

/// A photo of the book.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize)]
pub struct PhotoRow {
    /// File under the book.
    pub file: String,
    /// Checksum of its bytes, in hexadecimal digits.
    pub sha256: String,
    /// Bytes.
    pub bytes: i64,
    /// Name of the file it came from.
    pub original: String,
}

const PHOTO: &str = "SELECT file, sha256, bytes, original FROM photo";

fn photo_row(row: &Row<'_>) -> rusqlite::Result<PhotoRow> {
    Ok(PhotoRow { file: row.get(0)?, sha256: row.get(1)?, bytes: row.get(2)?, original: row.get(3)? })
}

fn known(conn: &Connection, column: &str, key: &str) -> Result<Option<PhotoRow>, BookError> {
    conn.query_row(&format!("{PHOTO} WHERE {column} = ?1"), [key], photo_row)
        .optional()
        .map_err(db("look up the photo"))
}

impl Book {
    /// Brings a photo in; the same bytes are kept once. When this returns, its bytes and its entry are on the disk.
    ///
    /// # Errors
    /// A file that can't be read, a full disk, what the database says.
    pub fn add_photo(&mut self, path: &Path) -> Result<PhotoRow, BookError> {
        let original = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let arrived = self.copy_in(path)?;
        self.enter_photo(arrived, &original, None)
    }

    /// As [`Book::add_photo`], from bytes in memory; `original` is what the book shows as its name, and its ending is kept.
    ///
    /// # Errors
    /// A full disk, what the database says.
    pub fn add_photo_bytes(&mut self, bytes: &[u8], original: &str) -> Result<PhotoRow, BookError> {
        let mut from = bytes;
        let (arrived, sum, n_bytes, _) = self.take_in(&mut from, Path::new(original), COPIED)?;
        self.enter_photo((arrived, sum, n_bytes), original, None)
    }

    /// A photo by its name within this book or another one that holds the same bytes, or by its checksum; `None` if there is none.
    ///
    /// # Errors
    /// What the database says.
    pub fn photo(&self, named: &str) -> Result<Option<PhotoRow>, BookError> {
        if let Some(row) = known(&self.conn, "file", named)? {
            return Ok(Some(row));
        }
        // Named in another book, where it came in in another month.
        let sum = Path::new(named).file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
        known(&self.conn, "sha256", &sum)
    }

    /// Whether the bytes of a photo lie in the book as they came.
    #[must_use]
    pub fn has_photo(&self, row: &PhotoRow) -> bool {
        self.inside(PHOTOS, &row.file).and_then(|path| sum_of(&path)).is_ok_and(|sum| sum == row.sha256)
    }

    /// Photos of another book that are not here yet; those that it has lost or damaged, and those with a name that is none, are told.
    pub(super) fn merge_photos(&mut self, other: &Self, out: &mut MergeReport) -> Result<(), BookError> {
        for theirs in other.photos()? {
            if known(&self.conn, "sha256", &theirs.sha256)?.is_some() {
                continue;
            }
            let source = match other.inside(PHOTOS, &theirs.file) {
                Err(err @ BookError::Outside { .. }) => {
                    out.refused.push(format!("a photo was not taken over: {err}"));
                    continue;
                }
                path => path?,
            };
            if !source.is_file() || sum_of(&source)? != theirs.sha256 {
                out.lost.push(theirs.file);
                continue;
            }
            let arrived = self.copy_in(&source)?;
            self.enter_photo(arrived, &theirs.original, Some(&theirs.file))?;
            out.more += 1;
        }
        Ok(())
    }

    /// Enters what has arrived in `incoming/` (its place, checksum and length), under `name` if it is to have the one that it has in
    /// another book.
    fn enter_photo(
        &mut self,
        (arrived, sum, bytes): (PathBuf, String, i64),
        original: &str,
        name: Option<&str>,
    ) -> Result<PhotoRow, BookError> {
        let incoming = self.own(INCOMING)?;
        let own = arrived.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
        let ending = ending(Path::new(original));
        // By this name the next opening finds it, should the power go before it has its final one.
        let complete = incoming.join(format!("{sum}{own}.{ending}"));
        std::fs::rename(&arrived, &complete).map_err(file("name the photo", &complete))?;
        sync_dir(&incoming)?;
        let row = self.whole("enter the photo", |tx| {
            if let Some(row) = known(tx, "sha256", &sum)? {
                return Ok(row);
            }
            let added = Stamp::now().text;
            let month: String = added.chars().take(7).collect();
            let name = name.map_or_else(|| format!("{PHOTOS}/{month}/{sum}.{ending}"), str::to_owned);
            tx.execute(
                "INSERT INTO photo (file, sha256, bytes, original, added_at) VALUES (?1, ?2, ?3, ?4, ?5)",
                params![name, sum, bytes, original, added],
            )
            .map_err(db("enter the photo"))?;
            Ok(PhotoRow { file: name, sha256: sum.clone(), bytes, original: original.to_owned() })
        });
        // The photo itself lies where it came from.
        let discard = |_: &BookError| drop(std::fs::remove_file(&complete));
        let row = row.inspect_err(discard)?;
        self.inside(PHOTOS, &row.file).inspect_err(discard)?;
        self.rename_in(&complete, PHOTOS, &row.file)?;
        Ok(row)
    }

    /// The name within the book of a photo as it was given: of one that is there already, or brought in now; empty stays empty.
    pub(super) fn photo_in(&mut self, given: &str) -> Result<String, BookError> {
        if given.trim().is_empty() {
            return Ok(String::new());
        }
        match known(&self.conn, "file", given)? {
            Some(row) => Ok(row.file),
            None => self.add_photo(Path::new(given)).map(|row| row.file),
        }
    }

    /// All photos, by name.
    ///
    /// # Errors
    /// What the database says.
    pub fn photos(&self) -> Result<Vec<PhotoRow>, BookError> {
        photos_of(&self.conn)
    }

    /// Where a photo lies within the book.
    ///
    /// # Errors
    /// [`BookError::Outside`] for a name that leads out of it, such as the path in an entry from before the book kept photos: nobody knows
    /// whether its writer could see that file, and whoever gets a note must not. What the database says.
    pub fn photo_path(&self, named: &str) -> Result<PathBuf, BookError> {
        let own = self.inside(PHOTOS, named)?;
        match self.photo(named)? {
            Some(row) if !own.exists() => self.inside(PHOTOS, &row.file),
            _ => Ok(own),
        }
    }

    /// Entries whose photo lies outside the book, in words: from before the book kept photos, or from somebody else.
    pub(super) fn photos_outside(&self) -> Result<Vec<String>, BookError> {
        let doing = db("read the names of photos");
        let mut rows = self
            .conn
            .prepare("SELECT photo FROM part UNION SELECT words FROM answer WHERE kind = 'photo' ORDER BY 1")
            .map_err(&doing)?;
        let names: Vec<String> = rows.query_map([], |r| r.get(0)).and_then(Iterator::collect).map_err(&doing)?;
        let outside = |name: &&String| !name.is_empty() && sound_name(PHOTOS, name).is_err();
        let words = |name: &String| {
            format!("an entry of the tour names the photo {name:?}, which lies outside the book: it is not shown")
        };
        Ok(names.iter().filter(outside).map(words).collect())
    }

    /// Photos that are missing or changed, and files that no entry knows.
    pub(super) fn check_photos(&self, faults: &mut Vec<Fault>) -> Result<(), BookError> {
        let rows = self.photos()?;
        for row in &rows {
            let fault = |why: &str| Fault::Photo { file: row.file.clone(), why: why.to_owned() };
            let path = match self.inside(PHOTOS, &row.file) {
                Ok(path) if path.exists() => path,
                Ok(_) => {
                    faults.push(fault("is missing"));
                    continue;
                }
                Err(err) => {
                    faults.push(Fault::outside(err)?);
                    continue;
                }
            };
            match sum_of(&path) {
                Ok(sum) if sum == row.sha256 => {}
                Ok(_) => faults.push(fault("is not the photo that was brought in: its checksum differs")),
                Err(e) => faults.push(fault(&format!("can't be read: {e}"))),
            }
        }
        let entered: HashSet<PathBuf> = rows.iter().filter_map(|r| self.inside(PHOTOS, &r.file).ok()).collect();
        for path in self.files_in(PHOTOS, faults)? {
            if !entered.contains(&path) {
                faults.push(Fault::Stranger { file: self.shown(&path) });
            }
        }
        Ok(())
    }
}

/// All photos of a database, by name.
pub(super) fn photos_of(conn: &Connection) -> Result<Vec<PhotoRow>, BookError> {
    let doing = db("read the photos");
    let mut rows = conn.prepare(&format!("{PHOTO} ORDER BY file")).map_err(&doing)?;
    rows.query_map([], photo_row).and_then(Iterator::collect).map_err(&doing)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn photos_come_in_as_they_are_and_only_once() {
        let dir = tempfile::tempdir().unwrap();
        let mut book = Book::create(&dir.path().join("book")).unwrap();
        let path = dir.path().join("Seat cut.JPG");
        std::fs::write(&path, b"not even a photo").unwrap();
        let row = book.add_photo(&path).unwrap();
        assert!(row.file.starts_with("photos/") && row.file.ends_with(&format!("{}.jpg", row.sha256)), "{row:?}");
        assert_eq!(std::fs::read(book.photo_path(&row.file).unwrap()).unwrap(), b"not even a photo");
        assert_eq!(book.add_photo(&path).unwrap(), row);
        assert_eq!(book.photo_in(&row.file).unwrap(), row.file, "its own name stands for it");
        assert_eq!(book.photos().unwrap().len(), 1);
        assert!(book.check(&|| ()).unwrap().faults.is_empty());
        let gone = book.photo_in(&dir.path().join("none.jpg").to_string_lossy()).unwrap_err();
        assert!(gone.to_string().contains("none.jpg"), "{gone}");
    }

    #[test]
    fn a_changed_a_lost_and_a_strange_photo_are_told() {
        let dir = tempfile::tempdir().unwrap();
        let mut book = Book::create(&dir.path().join("book")).unwrap();
        let mut add = |name: &str| {
            let path = dir.path().join(name);
            std::fs::write(&path, name).unwrap();
            book.add_photo(&path).unwrap().file
        };
        let (changed, lost) = (add("a.png"), add("b.png"));
        std::fs::write(book.dir().join(&changed), "other").unwrap();
        std::fs::remove_file(book.dir().join(&lost)).unwrap();
        std::fs::write(book.dir().join(PHOTOS).join("x.jpg"), "x").unwrap();
        let faults: Vec<String> = book.check(&|| ()).unwrap().faults.iter().map(ToString::to_string).collect();
        assert_eq!(faults.len(), 3, "{faults:?}");
        assert!(faults.iter().any(|f| f.contains(&changed) && f.contains("checksum differs")));
        assert!(faults.iter().any(|f| f.contains(&lost) && f.contains("missing")));
    }

    #[test]
    fn mending_finds_photos_by_their_checksum_wherever_they_lie_in_the_book() {
        let dir = tempfile::tempdir().unwrap();
        let mut book = Book::create(&dir.path().join("book")).unwrap();
        let mut add = |name: &str| {
            let path = dir.path().join(name);
            std::fs::write(&path, name).unwrap();
            book.add_photo(&path).unwrap().file
        };
        let [moved, waits, aside, changed, lost] = ["a.jpg", "b.png", "c.webp", "d.jpg", "e.jpg"].map(&mut add);
        let place = book.dir().to_owned();
        let to = |from: &str, name: &str| {
            std::fs::create_dir_all(place.join(name).parent().unwrap()).unwrap();
            std::fs::rename(place.join(from), place.join(name)).unwrap();
        };
        to(&moved, "photos/seat of module 2.jpg");
        to(&waits, "incoming/left.png");
        to(&aside, "quarantine/x");
        // A good copy of what was changed lies among the recordings.
        to(&changed, "clips/copy.jpg");
        std::fs::write(place.join(&changed), "spoilt").unwrap();
        std::fs::remove_file(place.join(&lost)).unwrap();
        std::fs::write(place.join("photos/stranger.jpg"), "x").unwrap();
        let mended = book.mend(&|| ()).unwrap();
        let mut relinked = mended.relinked.clone();
        relinked.sort();
        let mut want = [&moved, &waits, &aside, &changed].map(Clone::clone);
        want.sort();
        assert_eq!(relinked, want, "{mended:?}");
        for (file, bytes) in [(&moved, "a.jpg"), (&waits, "b.png"), (&aside, "c.webp"), (&changed, "d.jpg")] {
            assert_eq!(std::fs::read_to_string(place.join(file)).unwrap(), bytes);
        }
        assert_eq!(mended.left.faults, [Fault::Photo { file: lost, why: "is missing".into() }]);
        assert_eq!(mended.quarantined.len(), 2, "what was changed, and the stranger: {mended:?}");
        assert!(place.join("quarantine/stranger.jpg").exists());
        assert_eq!(book.mend(&|| ()).unwrap().relinked, Vec::<String>::new(), "once is enough");
    }

    #[test]
    fn photos_go_into_another_book_and_are_found_by_either_name() {
        let dir = tempfile::tempdir().unwrap();
        let mut here = Book::create(&dir.path().join("here")).unwrap();
        let mut there = Book::create(&dir.path().join("there")).unwrap();
        let write = |name: &str| {
            let path = dir.path().join(name);
            std::fs::write(&path, name).unwrap();
            path
        };
        let (both, theirs, lost) = (write("both.jpg"), write("theirs.jpg"), write("lost.jpg"));
        here.add_photo(&both).unwrap();
        let named = there.add_photo(&both).unwrap().file.replace("photos/2", "photos/1");
        let new = there.add_photo(&theirs).unwrap();
        let gone = there.add_photo(&lost).unwrap();
        std::fs::remove_file(there.dir().join(&gone.file)).unwrap();
        let report = here.merge(&there, &|| ()).unwrap();
        assert_eq!(report.lost, [gone.file]);
        assert_eq!(std::fs::read(here.photo_path(&new.file).unwrap()).unwrap(), b"theirs.jpg");
        assert_eq!(here.photos().unwrap().iter().find(|p| p.sha256 == new.sha256).unwrap().original, "theirs.jpg");
        assert_eq!(std::fs::read(here.photo_path(&named).unwrap()).unwrap(), b"both.jpg", "{named}");
        assert!(here.check(&|| ()).unwrap().faults.is_empty());
    }

    #[test]
    fn a_power_cut_before_the_last_name_loses_nothing() {
        let dir = tempfile::tempdir().unwrap();
        let place = dir.path().join("book");
        let mut book = Book::create(&place).unwrap();
        let path = dir.path().join("a.jpg");
        std::fs::write(&path, "a").unwrap();
        let row = book.add_photo(&path).unwrap();
        // As it lies between the entry and the last renaming.
        let waiting = place.join(INCOMING).join(format!("{}.tmpX.jpg", row.sha256));
        std::fs::rename(place.join(&row.file), &waiting).unwrap();
        drop(book);
        let book = Book::open(&place).unwrap();
        assert_eq!(std::fs::read(book.photo_path(&row.file).unwrap()).unwrap(), b"a");
    }
}
