//! Recordings from one book into another: the bytes first, then the entry.

use std::collections::HashMap;
use std::path::Path;

use rusqlite::OptionalExtension as _;
use rusqlite::types::Value;

use super::rows::{Row, columns_of};
use super::{MergeReport, Numbers};
use crate::book::clips::{CLIP, clip_row, ending};
use crate::book::error::{db, file};
use crate::book::store::{CLIPS, INCOMING, sync_dir};
use crate::book::{Book, BookError, ClipRow};

impl Book {
    /// Recordings of all rounds that came.
    pub(super) fn merge_recordings(
        &mut self,
        other: &Self,
        numbers: &mut Numbers,
        out: &mut MergeReport,
        step: &dyn Fn(),
    ) -> Result<(), BookError> {
        let map = |table: &str| numbers.get(table).cloned().unwrap_or_default();
        let (rounds, spots) = (map("round"), map("spot"));
        let mut theirs: Vec<i64> = rounds.keys().copied().collect();
        theirs.sort_unstable();
        let mut own = HashMap::new();
        for round in theirs {
            for clip in other.clips(round)? {
                if let Some(id) = self.merge_recording(other, &clip, &rounds, &spots, out)? {
                    own.insert(clip.id, id);
                }
            }
            step();
        }
        numbers.insert("clip", own);
        Ok(())
    }

    /// One recording; its number here, `None` if the other book has lost it or its name leads out of a book.
    fn merge_recording(
        &mut self,
        other: &Self,
        theirs: &ClipRow,
        rounds: &HashMap<i64, i64>,
        spots: &HashMap<i64, i64>,
        out: &mut MergeReport,
    ) -> Result<Option<i64>, BookError> {
        let known: Option<ClipRow> = self
            .conn
            .query_row(&format!("{CLIP} WHERE c.sha256 = ?1"), [&theirs.sha256], clip_row)
            .optional()
            .map_err(db("look up the recording"))?;
        let source = match other.clip_path(theirs) {
            Err(err @ BookError::Outside { .. }) => {
                out.refused.push(format!("a clip was not taken over: {err}"));
                return Ok(known.map(|ours| ours.id));
            }
            path => path?,
        };
        if let Some(ours) = known {
            out.both += 1;
            // Lost here and whole there: it comes back.
            if self.clip_path(&ours).is_ok_and(|p| !p.exists()) && source.is_file() {
                let (arrived, sum, _) = self.copy_in(&source)?;
                if sum == ours.sha256 {
                    self.rename_in(&arrived, CLIPS, &ours.file)?;
                }
            }
            return Ok(Some(ours.id));
        }
        if !source.is_file() {
            out.lost.push(theirs.file.clone());
            return Ok(None);
        }
        let (arrived, sum, _) = self.copy_in(&source)?;
        if sum != theirs.sha256 {
            // Damaged there: it is told as lost, and our copy of the damage goes.
            let _ = std::fs::remove_file(&arrived);
            out.lost.push(theirs.file.clone());
            return Ok(None);
        }
        let incoming = self.own(INCOMING)?;
        let own = arrived.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
        let ending = ending(Path::new(&theirs.file));
        let complete = incoming.join(format!("{sum}{own}.{ending}"));
        std::fs::rename(&arrived, &complete).map_err(file("name the recording", &complete))?;
        sync_dir(&incoming)?;
        let mut row = other.clip_columns(theirs.id)?;
        row.take_number();
        for (column, map) in [("round_id", rounds), ("spot_id", spots)] {
            let ours = row.whole(column).and_then(|theirs| map.get(&theirs));
            row.set(column, ours.map_or(Value::Null, |n| Value::Integer(*n)));
        }
        let (id, name) = self.whole("merge a recording", |tx| {
            let doing = db("merge a recording");
            let taken = |name: &str| {
                tx.query_row("SELECT 1 FROM clip WHERE file = ?1", [name], |_| Ok(())).optional().map(|f| f.is_some())
            };
            let mut name = theirs.file.clone();
            // Two recordings of one spot of one round, one in each book, may bear one name.
            if taken(&name).map_err(&doing)? {
                let short: String = theirs.sha256.chars().take(8).collect();
                let stem = theirs.file.strip_suffix(&format!(".{ending}")).unwrap_or(&theirs.file);
                name = format!("{stem}-{short}.{ending}");
            }
            row.set("file", Value::Text(name.clone()));
            Ok((row.enter(tx, "clip")?, name))
        })?;
        self.rename_in(&complete, CLIPS, &name)?;
        out.clips += 1;
        Ok(Some(id))
    }

    /// A recording's row with all its columns.
    fn clip_columns(&self, id: i64) -> Result<Row, BookError> {
        let columns = columns_of(&self.conn, "clip")?;
        let doing = db("read the recording");
        let sql = format!("SELECT {} FROM clip WHERE id = ?1", columns.join(", "));
        let values = self
            .conn
            .prepare_cached(&sql)
            .map_err(&doing)?
            .query_row([id], |r| (0..columns.len()).map(|i| r.get(i)).collect::<Result<Vec<Value>, _>>())
            .map_err(&doing)?;
        Ok(Row { columns, values })
    }
}
