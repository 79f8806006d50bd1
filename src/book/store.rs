//! The folder and its database: making, finding, opening.

use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags, OptionalExtension as _, TransactionBehavior, params};

use super::error::{PATIENCE_S, db, file};
use super::migrations::{self, SCHEMA};
use super::name::is_plain_file;
use super::{BookError, Stamp};

/// Environment variable that names the book.
pub const BOOK_VARIABLE: &str = "SEATSONG_BOOK";
/// The book's name where nothing else is said.
const USUAL: &str = "book";
/// The database within the book.
pub(super) const DATABASE: &str = "book.db";
/// Folder of the recordings.
pub(super) const CLIPS: &str = "clips";
/// Folder of recordings on their way in.
pub(super) const INCOMING: &str = "incoming";
/// Folder of what was put aside.
pub(super) const QUARANTINE: &str = "quarantine";

/// An open book.
#[derive(Debug)]
pub struct Book {
    pub(super) dir: PathBuf,
    pub(super) conn: Connection,
    /// What this opening found cut off.
    pub(super) recovered: Vec<super::Recovered>,
}

impl Book {
    /// Makes a book in a new or empty place.
    ///
    /// # Errors
    /// [`BookError::Exists`] where a book is, and what the disk or the database says.
    pub fn create(dir: &Path) -> Result<Self, BookError> {
        let database = dir.join(DATABASE);
        for folder in [dir.to_path_buf(), dir.join(CLIPS), dir.join(INCOMING), dir.join(QUARANTINE)] {
            std::fs::create_dir_all(&folder).map_err(file("make the folder", &folder))?;
        }
        let mut conn = connect(&database, true)?;
        // A book whose making was cut short has no form yet: it is finished here.
        if migrations::form(&conn, &dir.display().to_string())? != 0 {
            return Err(BookError::Exists { path: dir.display().to_string() });
        }
        migrations::upgrade(&mut conn, &dir.display().to_string(), SCHEMA)?;
        let doing = db("make the book");
        conn.execute("INSERT OR IGNORE INTO book (id, made_at) VALUES (1, ?1)", [Stamp::now().text]).map_err(doing)?;
        sync_dir(dir)?;
        Ok(Self { dir: dir.to_path_buf(), conn, recovered: Vec::new() })
    }

    /// Opens a book, brings it to the newest form, gives recordings that a power cut caught on their way in their names, and takes those
    /// that were cut off while they grew into their rounds.
    ///
    /// # Errors
    /// [`BookError::NoBook`], [`BookError::Newer`], [`BookError::Foreign`], and what the disk or the database says.
    pub fn open(dir: &Path) -> Result<Self, BookError> {
        let database = dir.join(DATABASE);
        let shown = dir.display().to_string();
        if !database.is_file() {
            return Err(BookError::NoBook { path: shown });
        }
        let mut conn = connect(&database, false)?;
        if migrations::form(&conn, &shown)? == 0 {
            return Err(BookError::NoBook { path: shown });
        }
        migrations::upgrade(&mut conn, &shown, SCHEMA)?;
        let mut book = Self { dir: dir.to_path_buf(), conn, recovered: Vec::new() };
        book.settle()?;
        book.recover()?;
        // On a full disk or beside a busy writer the list waits for the next opening: reading must go on.
        let _ = book.list_outdated();
        Ok(book)
    }

    /// Where the book is: as named, else as the environment says, else `./book`.
    #[must_use]
    pub fn place(named: Option<&Path>) -> PathBuf {
        let from_environment = || std::env::var_os(BOOK_VARIABLE).filter(|v| !v.is_empty()).map(PathBuf::from);
        named.map(Path::to_path_buf).or_else(from_environment).unwrap_or_else(|| PathBuf::from(USUAL))
    }

    /// The folder.
    #[must_use]
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// The database, for tables that other parts of the program keep in it.
    #[must_use]
    pub fn connection(&self) -> &Connection {
        &self.conn
    }

    /// The database, for settings that need it alone (such as a trace of what it is asked).
    #[cfg(not(product))]
    pub fn connection_mut(&mut self) -> &mut Connection {
        &mut self.conn
    }

    /// Does work as one whole: all of it is in the book when this returns, or nothing.
    ///
    /// The write lock is taken at the start, so that what the work reads still holds when it writes; another writer is waited for.
    /// Within greater work ([`Book::once`]) it is a part of that: it holds only if the greater work does.
    ///
    /// # Errors
    /// What the work says, [`BookError::Busy`], [`BookError::Full`] or what the database says.
    pub fn whole<T>(
        &mut self,
        doing: &'static str,
        work: impl FnOnce(&Connection) -> Result<T, BookError>,
    ) -> Result<T, BookError> {
        if !self.conn.is_autocommit() {
            let part = self.conn.savepoint().map_err(db(doing))?;
            let out = work(&part)?;
            part.commit().map_err(db(doing))?;
            return Ok(out);
        }
        let tx = self.conn.transaction_with_behavior(TransactionBehavior::Immediate).map_err(db(doing))?;
        let out = work(&tx)?;
        tx.commit().map_err(db(doing))?;
        Ok(out)
    }

    /// Gives recordings in `incoming/` that are entered in the database their final names.
    pub(super) fn settle(&self) -> Result<(), BookError> {
        let Ok(entries) = std::fs::read_dir(self.own(INCOMING)?) else { return Ok(()) };
        for entry in entries.flatten() {
            let path = entry.path();
            let Some(sum) = super::clips::arriving_sum(&path) else { continue };
            let found: Option<(String, String)> = self
                .conn
                .query_row(
                    "SELECT file, 'clips' FROM clip WHERE sha256 = ?1 UNION ALL SELECT file, 'photos' FROM photo WHERE sha256 = ?1",
                    params![sum],
                    |row| Ok((row.get(0)?, row.get(1)?)),
                )
                .optional()
                .map_err(db("look up a recording"))?;
            let Some((name, folder)) = found.filter(|_| is_plain_file(&path)) else { continue };
            match self.rename_in(&path, &folder, &name) {
                // Its name leads out of the book: it stays where it is, and `check` says so.
                Err(BookError::Outside { .. }) => {}
                other => other?,
            }
        }
        Ok(())
    }

    /// Moves a complete recording or photo to its place below a folder of the book.
    pub(super) fn rename_in(&self, from: &Path, folder: &str, name: &str) -> Result<(), BookError> {
        let to = self.inside(folder, name)?;
        if let Some(folder) = to.parent() {
            std::fs::create_dir_all(folder).map_err(file("make the folder", folder))?;
        }
        match std::fs::rename(from, &to) {
            // Another program settles the same recording.
            Err(e) if e.kind() == std::io::ErrorKind::NotFound && to.is_file() => {}
            other => other.map_err(file("name the recording", &to))?,
        }
        // From the file's folder up to the book: each may be new.
        for folder in to.ancestors().skip(1).take_while(|f| f.starts_with(&self.dir)) {
            sync_dir(folder)?;
        }
        Ok(())
    }
}

/// Writes a file of the book as a whole or not at all.
pub(super) fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), BookError> {
    use std::io::Write as _;
    let folder = path.parent().unwrap_or(Path::new("."));
    let mut new = tempfile::NamedTempFile::new_in(folder).map_err(file("write the file", path))?;
    new.write_all(bytes).and_then(|()| new.as_file().sync_all()).map_err(file("write the file", path))?;
    new.persist(path).map_err(|e| file("name the file", path)(e.error))?;
    sync_dir(folder)
}

/// Makes the names in a folder durable.
pub(super) fn sync_dir(dir: &Path) -> Result<(), BookError> {
    // Folders can't be opened as files everywhere; where they can't, the system keeps names itself.
    if cfg!(unix) {
        std::fs::File::open(dir).and_then(|f| f.sync_all()).map_err(file("sync the folder", dir))?;
    }
    Ok(())
}

/// Pause before the book is tried again while another program writes. Short and even: with pauses that grow, a busy writer starves the other.
const PAUSE_MS: u64 = 2;

/// Waits for another writer; false when that has taken too long.
fn wait(tries: i32) -> bool {
    std::thread::sleep(Duration::from_millis(PAUSE_MS));
    u64::try_from(tries).unwrap_or(0) * PAUSE_MS < PATIENCE_S * 1000
}

fn connect(database: &Path, make: bool) -> Result<Connection, BookError> {
    let mut flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    if make {
        flags |= OpenFlags::SQLITE_OPEN_CREATE;
    }
    let doing = db("open the book");
    let mut conn = Connection::open_with_flags(database, flags).map_err(&doing)?;
    conn.busy_handler(Some(wait)).map_err(&doing)?;
    let mode: String = conn.pragma_update_and_check(None, "journal_mode", "WAL", |row| row.get(0)).map_err(&doing)?;
    if !mode.eq_ignore_ascii_case("wal") {
        let why =
            format!("{}: this disk can't keep a write-ahead log; move the book to a local disk", database.display());
        return Err(BookError::Refused { why });
    }
    conn.pragma_update(None, "synchronous", "FULL").map_err(&doing)?;
    conn.pragma_update(None, "foreign_keys", true).map_err(&doing)?;
    conn.set_prepared_statement_cache_capacity(64);
    Ok(conn)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_book_is_made_once_and_found_again() {
        let dir = tempfile::tempdir().unwrap();
        let place = dir.path().join("rig");
        assert!(matches!(Book::open(&place), Err(BookError::NoBook { .. })));
        drop(Book::create(&place).unwrap());
        assert!(matches!(Book::create(&place), Err(BookError::Exists { .. })));
        let book = Book::open(&place).unwrap();
        let n: i64 = book.conn.query_row("PRAGMA synchronous", [], |r| r.get(0)).unwrap();
        assert_eq!(n, 2, "FULL");
        let n: i64 = book.conn.query_row("PRAGMA foreign_keys", [], |r| r.get(0)).unwrap();
        assert_eq!(n, 1);
    }

    #[test]
    fn work_that_fails_leaves_nothing() {
        let dir = tempfile::tempdir().unwrap();
        let mut book = Book::create(dir.path()).unwrap();
        let failed: Result<(), BookError> = book.whole("try", |tx| {
            tx.execute("UPDATE book SET made_at = 'x'", []).map_err(db("try"))?;
            Err(super::super::error::refused("no"))
        });
        assert!(failed.is_err());
        let n: i64 = book.conn.query_row("SELECT count(*) FROM book WHERE made_at = 'x'", [], |r| r.get(0)).unwrap();
        assert_eq!(n, 0);
    }
}
