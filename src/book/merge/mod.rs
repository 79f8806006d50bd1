//! Two books of one rig into one.
//!
//! Every table has a [`rules::Rule`]: what its rows are known by, which of their columns point at other tables, what is done with a row
//! that both books have. Columns are read from the database itself, so a new column is carried without a word here, and a test fails for
//! a new table without a rule. Every step can be done again: an interrupted merge is finished by the same call.

mod clash;
mod recordings;
mod rows;
mod rules;

use std::collections::HashMap;

use serde::Serialize;

use super::error::{file, refused};
use super::store::write_whole;
use super::tour::SHEET;
use super::{Book, BookError};
use rules::{How, RULES};

/// What a merge brought in.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct MergeReport {
    /// Pumps that were not known.
    pub pumps: usize,
    /// Rounds that were not known.
    pub rounds: usize,
    /// Recordings that were not known.
    pub clips: usize,
    /// Recordings that both have.
    pub both: usize,
    /// Accepted rounds and restarts that were not known.
    pub baseline: usize,
    /// Verdicts that were not known.
    pub verdicts: usize,
    /// Entries of the tour that were not known: checks, concerns, parts, running hours, work, notes and their corrections.
    pub tour: usize,
    /// Rows of other tables that were not known.
    pub more: usize,
    /// Recordings that the other book has lost.
    pub lost: Vec<String>,
    /// Names in the other book that lead out of a book, in words: what bears them was not taken over.
    pub refused: Vec<String>,
    /// What the two books say differently and only a person can decide: ours stays, in words.
    pub undecided: Vec<String>,
}

/// Numbers of the other book's rows in this one, by table.
type Numbers = HashMap<&'static str, HashMap<i64, i64>>;

impl Book {
    /// Brings everything of another book in that is not here yet. The other book is left as it is.
    ///
    /// # Arguments
    /// - `step`: called after each round of the other book.
    ///
    /// # Errors
    /// [`BookError::Refused`] if pumps of one name have different firing orders (nothing is changed then); what the disk or the database
    /// says.
    pub fn merge(&mut self, other: &Self, step: &dyn Fn()) -> Result<MergeReport, BookError> {
        let same = |b: &Self| b.dir.canonicalize().ok();
        if same(self).is_some() && same(self) == same(other) {
            return Err(refused("the two are one and the same book"));
        }
        self.pumps_agree(other)?;
        let (mut out, mut numbers) = (MergeReport::default(), Numbers::new());
        for rule in RULES {
            match &rule.how {
                How::Rows(rows) => self.merge_rows(other, rule.table, rows, &mut numbers, &mut out)?,
                How::Recordings => self.merge_recordings(other, &mut numbers, &mut out, step)?,
                How::Photos => self.merge_photos(other, &mut out)?,
                How::Stays(_) => {}
            }
        }
        self.merge_sheet(other, &mut out)?;
        Ok(out)
    }

    /// Refuses pumps that can't be one.
    fn pumps_agree(&self, other: &Self) -> Result<(), BookError> {
        let ours = self.pumps()?;
        for theirs in other.pumps()? {
            let one =
                |p: &&super::PumpRow| p.uuid == theirs.uuid || p.data.name.eq_ignore_ascii_case(&theirs.data.name);
            if let Some(p) = ours.iter().find(one)
                && p.data.order != theirs.data.order
            {
                return Err(refused(format!(
                    "pump {} has the firing order {:?} here and {:?} in the other book: they can't be one pump; rename or correct one",
                    p.data.name, p.data.order, theirs.data.order
                )));
            }
        }
        Ok(())
    }

    /// The site's own check sheet, where there is none here.
    fn merge_sheet(&self, other: &Self, out: &mut MergeReport) -> Result<(), BookError> {
        let ours = self.dir.join(SHEET);
        let theirs = match other.own(SHEET) {
            Err(err @ BookError::Outside { .. }) => {
                out.refused.push(format!("the check sheet was not taken over: {err}"));
                return Ok(());
            }
            path => path?,
        };
        if !theirs.is_file() {
            return Ok(());
        }
        let text = std::fs::read(&theirs).map_err(file("read the check sheet", &theirs))?;
        if !ours.exists() {
            return write_whole(&ours, &text);
        }
        if std::fs::read(&ours).map_err(file("read the check sheet", &ours))? != text {
            out.undecided.push(format!(
                "the check sheets differ: {} stays; take over from {} what is wanted",
                ours.display(),
                theirs.display()
            ));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests;
