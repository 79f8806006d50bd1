//! Whether the book is whole, and putting right what can be.

use std::collections::{BTreeMap, HashSet};
use std::path::{Path, PathBuf};

use serde::Serialize;

use super::clips::{CLIP, arriving_sum, clip_row, sum_of};
use super::error::{db, file};
use super::name::is_plain_file;
use super::photos::PHOTOS;
use super::recording::is_recording;
use super::store::{CLIPS, INCOMING, QUARANTINE, sync_dir};
use super::{Book, BookError, ClipRow};

/// Something that is not as it should be.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "fault", rename_all = "kebab-case")]
pub enum Fault {
    /// The database says that it is damaged.
    Database {
        /// Its words.
        says: String,
    },
    /// A row points at one that is not there.
    Reference {
        /// The table of the row.
        table: String,
        /// The table that it points at.
        points_at: String,
    },
    /// A recording is not where it should be.
    Missing {
        /// Its file.
        file: String,
        /// Its round.
        round: i64,
    },
    /// A recording's bytes have changed.
    Changed {
        /// Its file.
        file: String,
        /// Its round.
        round: i64,
    },
    /// A photo is not as it was brought in.
    Photo {
        /// Its file.
        file: String,
        /// What is wrong.
        why: String,
    },
    /// A file lies among the recordings and no entry knows it.
    Stranger {
        /// The file.
        file: String,
    },
    /// A file can't be read.
    Unreadable {
        /// The file.
        file: String,
        /// Why.
        why: String,
    },
    /// A name that leads out of the book, or a link in it that does: nothing is read or written there.
    Outside {
        /// The name.
        file: String,
        /// What is wrong with it.
        why: String,
    },
}

impl Fault {
    /// The fault of a name that is none; any other error is given back.
    pub(super) fn outside(err: BookError) -> Result<Self, BookError> {
        match err {
            BookError::Outside { name, why } => Ok(Self::Outside { file: name, why: why.to_string() }),
            other => Err(other),
        }
    }
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Database { says } => write!(f, "the database is damaged: {says}"),
            Self::Reference { table, points_at } => {
                write!(f, "a row of {table} points at a row of {points_at} that is not there")
            }
            Self::Missing { file, round } => write!(f, "{file} (round {round}) is missing"),
            Self::Changed { file, round } => {
                write!(f, "{file} (round {round}) is not the recording that was brought in: its checksum differs")
            }
            Self::Photo { file, why } => write!(f, "{file} {why}"),
            Self::Stranger { file } => write!(f, "{file} is not in the book"),
            Self::Unreadable { file, why } => write!(f, "{file} can't be read: {why}"),
            Self::Outside { file, why } => {
                write!(f, "{file:?} is no name of a file within the book: {why}; nothing is read or written there")
            }
        }
    }
}

/// What a check found.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct CheckReport {
    /// What is not as it should be; empty for a book that is whole.
    pub faults: Vec<Fault>,
    /// What is left of interrupted imports, and clips that were cut short; nothing is wrong with them.
    pub notes: Vec<String>,
    /// Recordings looked at.
    pub clips: usize,
    /// Their bytes.
    pub bytes: i64,
}

/// What was put right.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct MendReport {
    /// Recordings and photos that were found elsewhere and are in their places again.
    pub relinked: Vec<String>,
    /// Files that were put aside, and where.
    pub quarantined: Vec<(String, String)>,
    /// What is still not as it should be.
    pub left: CheckReport,
}

impl Book {
    /// Checks the database, every reference and every recording's checksum, and looks for files without an entry.
    ///
    /// # Arguments
    /// - `step`: called after each recording.
    ///
    /// # Errors
    /// If the database can't even be asked.
    pub fn check(&self, step: &dyn Fn()) -> Result<CheckReport, BookError> {
        self.settle()?;
        let mut out = CheckReport::default();
        self.check_database(&mut out)?;
        let clips = self.all_clips()?;
        let entered: HashSet<PathBuf> = clips.iter().filter_map(|c| self.inside(CLIPS, &c.file).ok()).collect();
        for clip in &clips {
            out.clips += 1;
            out.bytes += clip.bytes;
            let file = clip.file.clone();
            match self.clip_path(clip) {
                Err(err) => out.faults.push(Fault::outside(err)?),
                Ok(path) if !path.exists() => out.faults.push(Fault::Missing { file, round: clip.round }),
                Ok(path) => match sum_of(&path) {
                    Ok(sum) if sum == clip.sha256 => {}
                    Ok(_) => out.faults.push(Fault::Changed { file, round: clip.round }),
                    Err(e) => out.faults.push(Fault::Unreadable { file, why: e.to_string() }),
                },
            }
            step();
        }
        for path in self.files_in(CLIPS, &mut out.faults)? {
            if !entered.contains(&path) {
                out.faults.push(Fault::Stranger { file: self.shown(&path) });
            }
        }
        self.check_photos(&mut out.faults)?;
        out.notes.extend(self.cut_short()?);
        out.notes.extend(self.photos_outside()?);
        let mut waiting = self.files_in(INCOMING, &mut out.faults)?;
        waiting.retain(|p| !is_recording(p));
        let n_files = waiting.len();
        waiting.retain(|p| !super::uploads::is_upload(p));
        if waiting.len() < n_files {
            out.notes.push(format!(
                "{} recording(s) are on their way in from a phone (`seatsong page`)",
                n_files - waiting.len()
            ));
        }
        if !waiting.is_empty() {
            out.notes.push(format!(
                "{} file(s) in {INCOMING}/ are left of interrupted imports; import those recordings again, `book mend` puts the rest aside",
                waiting.len()
            ));
        }
        Ok(out)
    }

    fn check_database(&self, out: &mut CheckReport) -> Result<(), BookError> {
        let doing = db("check the database");
        let mut rows = self.conn.prepare("PRAGMA integrity_check").map_err(&doing)?;
        let says: Vec<String> = rows.query_map([], |r| r.get(0)).and_then(Iterator::collect).map_err(&doing)?;
        out.faults.extend(says.into_iter().filter(|s| s != "ok").map(|says| Fault::Database { says }));
        let mut rows = self.conn.prepare("PRAGMA foreign_key_check").map_err(&doing)?;
        let broken: Vec<Fault> = rows
            .query_map([], |r| Ok(Fault::Reference { table: r.get(0)?, points_at: r.get(2)? }))
            .and_then(Iterator::collect)
            .map_err(&doing)?;
        out.faults.extend(broken);
        Ok(())
    }

    /// Puts right what can be: recordings and photos found elsewhere in the book by their checksum go back to their places, what is
    /// damaged or strange is moved to `quarantine/`. Nothing is deleted, no entry is changed.
    ///
    /// # Errors
    /// What the disk or the database says.
    pub fn mend(&mut self, step: &dyn Fn()) -> Result<MendReport, BookError> {
        let before = self.check(step)?;
        let mut out = MendReport::default();
        let clips = self.all_clips()?;
        let photos = self.photos()?;
        // Damaged ones first, so that their places are free. By checksum: the folder and the name that it should have.
        let mut homeless: BTreeMap<String, (&str, String)> = BTreeMap::new();
        for fault in &before.faults {
            let (file, sum) = match fault {
                Fault::Missing { file, .. } | Fault::Changed { file, .. } => {
                    (file, clips.iter().find(|c| c.file == *file).map(|c| &c.sha256))
                }
                Fault::Photo { file, .. } => (file, photos.iter().find(|p| p.file == *file).map(|p| &p.sha256)),
                _ => continue,
            };
            let Some(sum) = sum else { continue };
            let folder = if matches!(fault, Fault::Photo { .. }) { PHOTOS } else { CLIPS };
            let path = self.inside(folder, file)?;
            match path.exists().then(|| sum_of(&path)) {
                Some(Ok(found)) if found != *sum => self.put_aside(&path, &mut out)?,
                // Whole again meanwhile; or not even to be read: it may be whole on a disk that is not.
                Some(_) => continue,
                None => {}
            }
            homeless.insert(sum.clone(), (folder, file.clone()));
        }
        let names = clips.iter().map(|c| (CLIPS, &c.file)).chain(photos.iter().map(|p| (PHOTOS, &p.file)));
        let entered: HashSet<PathBuf> = names.filter_map(|(folder, name)| self.inside(folder, name).ok()).collect();
        // The check has told of folders that are links.
        let mut told = Vec::new();
        let mut strays = Vec::new();
        for folder in [CLIPS, PHOTOS] {
            strays.extend(self.files_in(folder, &mut told)?.into_iter().filter(|p| !entered.contains(p)));
        }
        // Recordings in the making are taken in by the next opening; the page itself discards uploads that nobody goes on with.
        let incoming = self.files_in(INCOMING, &mut told)?;
        strays.extend(incoming.into_iter().filter(|p| !is_recording(p) && !super::uploads::is_upload(p)));
        let aside = self.files_in(QUARANTINE, &mut told)?;
        for (path, is_aside) in strays.iter().map(|p| (p, false)).chain(aside.iter().map(|p| (p, true))) {
            let sum = is_plain_file(path).then(|| sum_of(path).ok()).flatten();
            if let Some((folder, name)) = sum.as_ref().and_then(|s| homeless.remove(s)) {
                self.rename_in(path, folder, &name)?;
                out.relinked.push(name);
            } else if !is_aside && !being_written(path) {
                self.put_aside(path, &mut out)?;
            }
        }
        out.left = self.check(step)?;
        Ok(out)
    }

    fn put_aside(&self, path: &Path, out: &mut MendReport) -> Result<(), BookError> {
        let folder = self.own(QUARANTINE)?;
        std::fs::create_dir_all(&folder).map_err(file("make the folder", &folder))?;
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let free =
            (0..).map(|n| folder.join(if n == 0 { name.clone() } else { format!("{n}-{name}") })).find(|p| !p.exists());
        let Some(to) = free else { return Ok(()) };
        std::fs::rename(path, &to).map_err(file("put the file aside", path))?;
        sync_dir(&folder)?;
        out.quarantined.push((self.shown(path), self.shown(&to)));
        Ok(())
    }

    fn all_clips(&self) -> Result<Vec<ClipRow>, BookError> {
        let doing = db("read the recordings");
        let mut rows = self.conn.prepare(&format!("{CLIP} ORDER BY c.id")).map_err(&doing)?;
        rows.query_map([], clip_row).and_then(Iterator::collect).map_err(&doing)
    }

    /// Files below a folder of the book, sorted; none where it is a link, which is a fault.
    pub(super) fn files_in(&self, folder: &str, faults: &mut Vec<Fault>) -> Result<Vec<PathBuf>, BookError> {
        match self.own(folder) {
            Ok(path) => files_under(&path),
            Err(err) => {
                faults.push(Fault::outside(err)?);
                Ok(Vec::new())
            }
        }
    }

    pub(super) fn shown(&self, path: &Path) -> String {
        path.strip_prefix(&self.dir).unwrap_or(path).to_string_lossy().into_owned()
    }
}

/// Seconds for which an unfinished copy may still be another program's work.
const WRITING_S: u64 = 600;

/// Whether another program may still be writing this copy, or about to enter it.
fn being_written(path: &Path) -> bool {
    let part = path.extension().is_some_and(|e| e == "part") || arriving_sum(path).is_some();
    let age = path.metadata().and_then(|m| m.modified()).ok().and_then(|t| t.elapsed().ok());
    part && age.is_none_or(|a| a.as_secs() < WRITING_S)
}

/// Files under a folder, sorted; a link is one of them, and is not followed.
fn files_under(dir: &Path) -> Result<Vec<PathBuf>, BookError> {
    let mut out = Vec::new();
    let mut open = vec![dir.to_path_buf()];
    while let Some(folder) = open.pop() {
        if !folder.is_dir() {
            continue;
        }
        for entry in std::fs::read_dir(&folder).map_err(file("read the folder", &folder))? {
            let path = entry.map_err(file("read the folder", &folder))?.path();
            if path.is_dir() && !path.is_symlink() { open.push(path) } else { out.push(path) }
        }
    }
    out.sort();
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::super::pumps::tests::triplex;
    use super::super::{Added, NewClip, NewRound, Stamp};
    use super::*;

    fn with_clips(dir: &Path, n: u32) -> (Book, Vec<ClipRow>) {
        let mut book = Book::create(&dir.join("book")).unwrap();
        let pump = book.add_pump(&triplex("MP-1")).unwrap();
        let round = book.start_round(&pump, &NewRound::default()).unwrap();
        let rows = (0..n)
            .map(|k| {
                let path = dir.join(format!("{k}.wav"));
                std::fs::write(&path, format!("recording {k}")).unwrap();
                let spot = book.spot(&pump, 1 + k % 3, None).unwrap();
                let new = NewClip { path: &path, taken_at: &Stamp::now(), pulse: None };
                let Added::New(row) = book.add_clip(&round, &spot, &new).unwrap() else { panic!("known") };
                row
            })
            .collect();
        (book, rows)
    }

    #[test]
    fn every_kind_of_damage_to_the_recordings_is_found_and_what_can_be_is_mended() {
        let dir = tempfile::tempdir().unwrap();
        let (mut book, rows) = with_clips(dir.path(), 5);
        assert_eq!(book.check(&|| ()).unwrap().faults, []);
        let at = |k: usize| book.dir().join(&rows[k].file);
        std::fs::rename(at(0), book.dir().join("clips/moved.wav")).unwrap();
        std::fs::remove_file(at(1)).unwrap();
        std::fs::write(at(2), "something else").unwrap();
        std::fs::write(book.dir().join("clips/stranger.txt"), "hello").unwrap();
        let faults = book.check(&|| ()).unwrap().faults;
        let count = |f: &dyn Fn(&Fault) -> bool| faults.iter().filter(|x| f(x)).count();
        assert_eq!(count(&|f| matches!(f, Fault::Missing { .. })), 2);
        assert_eq!(count(&|f| matches!(f, Fault::Changed { .. })), 1);
        assert_eq!(count(&|f| matches!(f, Fault::Stranger { .. })), 2);
        let mended = book.mend(&|| ()).unwrap();
        assert_eq!(mended.relinked, [rows[0].file.clone()]);
        assert_eq!(mended.quarantined.len(), 2, "{mended:?}");
        assert_eq!(mended.left.faults.len(), 2, "what is lost stays told: {:?}", mended.left);
        assert_eq!(std::fs::read(book.dir().join("quarantine/stranger.txt")).unwrap(), b"hello");
        assert_eq!(std::fs::read_dir(book.dir().join("quarantine")).unwrap().count(), 2);
        // Brought in again, a lost recording is whole again.
        let pump = book.pump("MP-1").unwrap();
        let round = book.round(rows[1].round).unwrap();
        let spot = book.spot(&pump, 2, None).unwrap();
        let path = dir.path().join("1.wav");
        let new = NewClip { path: &path, taken_at: &Stamp::now(), pulse: None };
        assert_eq!(book.add_clip(&round, &spot, &new).unwrap(), Added::Known(rows[1].clone()));
        assert_eq!(book.check(&|| ()).unwrap().faults.len(), 1);
    }

    #[test]
    fn a_recording_caught_between_its_entry_and_its_name_is_whole() {
        let dir = tempfile::tempdir().unwrap();
        let (book, rows) = with_clips(dir.path(), 1);
        let named = book.dir().join(&rows[0].file);
        let waiting = book.dir().join(format!("incoming/{}.tmpAb.wav", rows[0].sha256));
        std::fs::rename(&named, &waiting).unwrap();
        assert_eq!(book.clip_path(&rows[0]).unwrap(), waiting);
        let place = book.dir().to_owned();
        drop(book);
        let book = Book::open(&place).unwrap();
        assert!(named.exists() && !waiting.exists());
        assert_eq!(book.check(&|| ()).unwrap().faults, []);
    }

    #[test]
    fn a_broken_reference_is_found() {
        let dir = tempfile::tempdir().unwrap();
        let (book, _) = with_clips(dir.path(), 1);
        book.connection()
            .execute_batch("PRAGMA foreign_keys = OFF; DELETE FROM round; PRAGMA foreign_keys = ON")
            .unwrap();
        let report = book.check(&|| ()).unwrap();
        assert!(report.faults.iter().any(|f| matches!(f, Fault::Reference { table, .. } if table == "clip")));
    }
}
