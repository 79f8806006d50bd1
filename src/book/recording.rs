//! Recordings made straight into the book: they grow in `incoming/` under a name that says which round and spot they belong to, and one
//! that was cut off is taken into its round by the next opening.

use std::fs::{File, TryLockError};
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OptionalExtension as _, params};
use serde::Serialize;

use super::clips::{CLIP, clip_name, clip_row, known, sum_of};
use super::error::{db, file, refused};
use super::name::is_plain_file;
use super::rounds::{ROUND, closed_at, round_row};
use super::store::{CLIPS, INCOMING, QUARANTINE, sync_dir};
use super::{Book, BookError, ClipRow, RoundRow, SpotRow, Stamp};
use crate::clip::growing::log::{Ended, Gap, Told, log_beside, told};
use crate::clip::growing::wav;
use crate::clip::{Code, Finding};

/// What a recording's name begins with while it grows.
const GROWING: &str = "rec-";
/// Where files can't be locked, one that was written to so recently is still growing.
const GROWING_AGE: Duration = Duration::from_secs(60);

/// How a clip was recorded.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CaptureRow {
    /// The device as it was named.
    pub device: String,
    /// Why it ended.
    pub ended: Ended,
    /// Length in seconds.
    pub length_s: f64,
    /// Times that the system lost sound before it reached the program.
    pub overruns: u64,
    /// Frames missing in all.
    pub lost_frames: u64,
    /// Places where sound is missing, the first ones.
    pub gaps: Vec<Gap>,
    /// Times of taps in seconds from the clip's start, ascending.
    pub taps_s: Vec<f64>,
}

impl CaptureRow {
    /// What whoever judges the clip should know.
    pub(super) fn findings(&self) -> Vec<Finding> {
        let mut out = Vec::new();
        if self.ended.short() {
            out.push(Finding::warn(
                Code::CutOff,
                format!(
                    "The recording was cut short after {:.1} s because {}. Record this spot again if that is too little.",
                    self.length_s,
                    self.ended.words()
                ),
            ));
        }
        if self.lost_frames > 0 {
            out.push(Finding::warn(
                Code::Dropouts,
                format!(
                    "{} samples were lost in {} place(s) while recording; silence stands in for them. Close other programs, or use \
                     another USB socket.",
                    self.lost_frames,
                    self.gaps.len()
                ),
            ));
        }
        out
    }
}

impl CaptureRow {
    /// Enters it for a clip.
    pub(super) fn put(&self, tx: &Connection, clip: i64) -> Result<(), BookError> {
        let list = |made: serde_json::Result<String>| made.unwrap_or_else(|_| "[]".to_owned());
        tx.execute(
            "INSERT INTO capture (clip_id, device, ended, length_s, overruns, lost_frames, gaps, taps_s)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
            params![
                clip,
                self.device,
                self.ended.as_str(),
                self.length_s,
                count(self.overruns),
                count(self.lost_frames),
                list(serde_json::to_string(&self.gaps)),
                list(serde_json::to_string(&self.taps_s)),
            ],
        )
        .map_err(db("enter how a clip was recorded"))?;
        Ok(())
    }
}

fn count(n: u64) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

/// A recording that was cut off and is in its round now.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Recovered {
    /// The file under the book.
    pub file: String,
    /// Its round and module; `None` where it is put aside: there was no sound in it, its round was closed meanwhile, or nobody knows any
    /// more where it belongs.
    pub place: Option<(i64, u32)>,
    /// Length in seconds.
    pub length_s: f64,
}

impl std::fmt::Display for Recovered {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.place {
            Some((round, module)) => write!(
                f,
                "a recording of module {module} was cut short: the {:.1} s that are there are in round {round} now ({})",
                self.length_s, self.file
            ),
            None => write!(
                f,
                "a recording without sound, or of a round that is closed or not known, was put aside as {}; `seatsong import` takes it into a \
                 round of its own",
                self.file
            ),
        }
    }
}

/// Round and spot in the name of a growing recording, and whether it is the sound itself.
fn parts(path: &Path) -> Option<(i64, i64, bool)> {
    let name = path.file_name()?.to_str()?;
    let (keys, ending) = name.strip_prefix(GROWING)?.split_once('.')?;
    let mut keys = keys.split('-');
    let round = keys.next()?.strip_prefix('r')?.parse().ok()?;
    let spot = keys.next()?.strip_prefix('s')?.parse().ok()?;
    Some((round, spot, ending == "wav"))
}

/// Whether a file in `incoming/` belongs to a recording that grows, or waits for the next opening.
pub(super) fn is_recording(path: &Path) -> bool {
    parts(path).is_some()
}

/// The lock of a growing file, if nobody else holds it.
pub(super) fn abandoned(path: &Path) -> Option<File> {
    if !is_plain_file(path) {
        return None;
    }
    let file = File::options().read(true).write(true).open(path).ok()?;
    let free = match file.try_lock() {
        Ok(()) => true,
        Err(TryLockError::WouldBlock) => false,
        Err(TryLockError::Error(_)) => {
            let age = path.metadata().and_then(|m| m.modified()).ok().and_then(|t| t.elapsed().ok());
            age.is_some_and(|a| a > GROWING_AGE)
        }
    };
    // Whoever held it may have named it meanwhile.
    (free && path.exists()).then_some(file)
}

impl Book {
    /// Where a recording of a spot is to grow; no file is made.
    ///
    /// # Errors
    /// If the folder can't be made.
    pub fn recording_path(&self, round: &RoundRow, spot: &SpotRow) -> Result<PathBuf, BookError> {
        let incoming = self.own(INCOMING)?;
        std::fs::create_dir_all(&incoming).map_err(file("make the folder", &incoming))?;
        // A name that no recording had or will have: it makes the bytes of each its own.
        let now = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).map_or(0, |d| d.as_nanos());
        let own = std::process::id();
        let name = |n: u32| incoming.join(format!("{GROWING}r{}-s{}-{now}-{own}-{n}.wav", round.id, spot.id));
        (0..).map(name).find(|p| !p.exists() && !log_beside(p).exists()).ok_or_else(|| refused("no name is free"))
    }

    /// Takes a finished recording, which grew at [`Self::recording_path`], into its round. When this returns, its bytes and its entry are on
    /// the disk.
    ///
    /// # Arguments
    /// - `held`: the file, still locked, so that no other program takes it for an abandoned one.
    ///
    /// # Errors
    /// A recording without sound, what the disk or the database says; the recording then stays where it is and is taken by the next opening.
    pub fn take_recording(&mut self, path: &Path, held: File) -> Result<ClipRow, BookError> {
        let taken = self.take(path, None)?;
        drop(held);
        taken.ok_or_else(|| {
            refused(
                "there is no sound in the recording, or its round was closed meanwhile; it is kept in the book's quarantine folder; look at \
                 the device and record again, or bring it into a round of its own with `seatsong import`",
            )
        })
    }

    /// How a clip was recorded, if this program did it.
    ///
    /// # Errors
    /// What the database says.
    pub fn capture(&self, clip: i64) -> Result<Option<CaptureRow>, BookError> {
        let doing = db("read how a clip was recorded");
        let mut rows = self
            .conn
            .prepare_cached(
                "SELECT device, ended, length_s, overruns, lost_frames, gaps, taps_s FROM capture WHERE clip_id = ?1",
            )
            .map_err(&doing)?;
        let found = rows
            .query_row([clip], |r| {
                let texts: (String, String, String) = (r.get(1)?, r.get(5)?, r.get(6)?);
                let count = |at: usize| r.get::<_, i64>(at).map(|n| u64::try_from(n).unwrap_or(0));
                Ok(CaptureRow {
                    device: r.get(0)?,
                    ended: Ended::named(&texts.0).unwrap_or(Ended::Cut),
                    length_s: r.get(2)?,
                    overruns: count(3)?,
                    lost_frames: count(4)?,
                    gaps: serde_json::from_str(&texts.1).unwrap_or_default(),
                    taps_s: serde_json::from_str(&texts.2).unwrap_or_default(),
                })
            })
            .optional();
        found.map_err(doing)
    }

    /// Recordings that this opening found cut off, and where they are now.
    #[must_use]
    pub fn recovered(&self) -> &[Recovered] {
        &self.recovered
    }

    /// Clips of the book that were cut short while they were recorded.
    pub(super) fn cut_short(&self) -> Result<Vec<String>, BookError> {
        let doing = db("look for recordings that were cut short");
        let mut rows = self
            .conn
            .prepare(
                "SELECT c.round_id, s.module, c.file, p.length_s FROM capture p JOIN clip c ON c.id = p.clip_id
                 JOIN spot s ON s.id = c.spot_id WHERE p.ended IN ('gone', 'changed', 'disk', 'cut') ORDER BY c.id",
            )
            .map_err(&doing)?;
        let line = |r: &rusqlite::Row<'_>| {
            let (round, module, name, length_s): (i64, u32, String, f64) = (r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?);
            Ok(format!(
                "{name} (round {round}, module {module}) was cut short while it was recorded: {length_s:.1} s are there"
            ))
        };
        rows.query_map([], line).and_then(Iterator::collect).map_err(&doing)
    }

    /// Takes recordings that were cut off into their rounds.
    pub(super) fn recover(&mut self) -> Result<(), BookError> {
        let Ok(entries) = std::fs::read_dir(self.own(INCOMING)?) else { return Ok(()) };
        let mut paths: Vec<PathBuf> = entries.flatten().map(|e| e.path()).collect();
        paths.sort();
        for path in paths.iter().filter(|p| parts(p).is_some_and(|(_, _, sound)| sound)) {
            let Some(held) = abandoned(path) else { continue };
            let length_s = wav::close(path, &stem(path)).map_or(0.0, |c| c.length_s);
            // A full disk must not keep the book shut: the recording waits for the next opening.
            match self.take(path, Some(length_s)) {
                Ok(_) | Err(BookError::Full { .. } | BookError::Busy { .. }) => {}
                Err(e) => return Err(e),
            }
            drop(held);
        }
        // Lines whose sound was never begun, or is in its place already.
        for path in paths.iter().filter(|p| parts(p).is_some_and(|(_, _, sound)| !sound)) {
            let sound = path.with_extension("").with_extension("wav");
            if !sound.exists()
                && path.metadata().and_then(|m| m.modified()).is_ok_and(|t| t.elapsed().is_ok_and(|a| a > GROWING_AGE))
            {
                let _ = std::fs::remove_file(path);
            }
        }
        Ok(())
    }

    /// A recording into its round; `None` if there is nothing to take: it is put aside. Can be done again.
    fn take(&mut self, path: &Path, cut: Option<f64>) -> Result<Option<ClipRow>, BookError> {
        let (round_id, spot_id, _) =
            parts(path).ok_or_else(|| refused(format!("{}: is no recording of a book", path.display())))?;
        let told = told(path);
        let place = self.round_and_spot(round_id, spot_id)?;
        let closed = wav::close(path, &stem(path)).ok().filter(|c| c.frames > 0);
        let entered = match (place, &closed) {
            (Some((round, spot)), Some(closed)) => {
                let (sum, bytes) = (sum_of(path)?, path.metadata().map_err(file("read the recording", path))?.len());
                self.enter(&round, &spot, &sum, bytes, closed.length_s, &told)?
            }
            _ => None,
        };
        let (Some(row), Some(closed)) = (entered, closed) else {
            let file = self.aside(path)?;
            self.recovered.push(Recovered { file, place: None, length_s: cut.unwrap_or(0.0) });
            return Ok(None);
        };
        // From here on it is in the book; should it not be named now, the next opening does all this again.
        self.rename_in(path, CLIPS, &row.file)?;
        let _ = std::fs::remove_file(log_beside(path));
        if cut.is_some() {
            let place = Some((row.round, row.module));
            self.recovered.push(Recovered { file: row.file.clone(), place, length_s: closed.length_s });
        }
        Ok(Some(row))
    }

    fn round_and_spot(&self, round: i64, spot: i64) -> Result<Option<(RoundRow, SpotRow)>, BookError> {
        let doing = db("look up the round of a recording");
        let found =
            self.conn.query_row(&format!("{ROUND} WHERE id = ?1"), [round], round_row).optional().map_err(&doing)?;
        let Some(round) = found else { return Ok(None) };
        let spots = self.spots(&self.pump_by_id(round.pump_id)?)?;
        Ok(spots.into_iter().find(|s| s.id == spot).map(|s| (round, s)))
    }

    /// Enters a recording; `None` if its round was closed meanwhile.
    fn enter(
        &mut self,
        round: &RoundRow,
        spot: &SpotRow,
        sum: &str,
        bytes: u64,
        length_s: f64,
        told: &Told,
    ) -> Result<Option<ClipRow>, BookError> {
        let capture = CaptureRow {
            device: told.device.clone(),
            ended: told.ended,
            length_s,
            overruns: told.overruns,
            lost_frames: told.lost_frames,
            gaps: told.gaps.clone(),
            taps_s: told.taps_s.clone(),
        };
        let original = if told.ended == Ended::Cut { "recorded here, cut short" } else { "recorded here" };
        self.whole("enter the recording", |tx| {
            if let Some(row) = known(tx, sum)? {
                return Ok(Some(row));
            }
            if closed_at(tx, round.id)?.is_some() {
                return Ok(None);
            }
            let doing = db("enter the recording");
            let nth: i64 = tx
                .query_row(
                    "SELECT count(*) FROM clip WHERE round_id = ?1 AND spot_id = ?2",
                    params![round.id, spot.id],
                    |r| r.get(0),
                )
                .map_err(&doing)?;
            let now = Stamp::now().text;
            let taken_at = told.taken_at.clone().unwrap_or_else(|| now.clone());
            let name = clip_name(round, spot, nth + 1, "wav");
            tx.execute(
                "INSERT INTO clip (round_id, spot_id, file, sha256, bytes, original, taken_at, pulse, added_at)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
                params![round.id, spot.id, name, sum, count(bytes), original, taken_at, told.pulse, now],
            )
            .map_err(&doing)?;
            let id = tx.last_insert_rowid();
            capture.put(tx, id)?;
            tx.query_row(&format!("{CLIP} WHERE c.id = ?1"), [id], clip_row).map(Some).map_err(&doing)
        })
    }

    /// Puts a recording and its lines into `quarantine/`; where it is now.
    fn aside(&self, path: &Path) -> Result<String, BookError> {
        let folder = self.own(QUARANTINE)?;
        std::fs::create_dir_all(&folder).map_err(file("make the folder", &folder))?;
        let mut shown = String::new();
        for from in [log_beside(path), path.to_path_buf()] {
            let Some(name) = from.file_name().filter(|_| from.exists()) else { continue };
            std::fs::rename(&from, folder.join(name)).map_err(file("put the recording aside", &from))?;
            shown = format!("{QUARANTINE}/{}", name.to_string_lossy());
        }
        sync_dir(&folder)?;
        Ok(shown)
    }
}

/// What stands behind the sound of a recording, so that no two have the same bytes.
fn stem(path: &Path) -> String {
    path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default()
}
