//! Asks the questions of a job one after another and enters each answer at once, so that nothing is lost when somebody is called away.

use std::io::BufRead;

use anyhow::bail;
use jiff::Timestamp;

use super::work::answer_of;
use super::{Io, Usage};
use crate::book::{Book, JobRow};
use crate::tour::work::{Entry, Event, NOT_A_CLEARANCE, Step};

/// What was typed to a question.
#[derive(Debug, PartialEq)]
enum Typed {
    /// An answer, and by which position where one is written behind it.
    Answer(String, Option<String>),
    /// Left out, with the reason.
    Skip(String),
    /// Later.
    Stop,
}

/// Reads a line: `yes`, `M-88 by mechanic`, `skip electrician on the way`, `stop`; `None` for nothing at all.
fn typed(line: &str) -> Option<Typed> {
    let line = line.trim();
    if line.is_empty() {
        return None;
    }
    let (first, rest) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
    Some(match first.to_ascii_lowercase().as_str() {
        "stop" if rest.trim().is_empty() => Typed::Stop,
        "skip" => Typed::Skip(rest.trim().to_owned()),
        _ => match line.rsplit_once(" by ") {
            Some((answer, by)) if !by.trim().is_empty() => {
                Typed::Answer(answer.trim().to_owned(), Some(by.trim().to_owned()))
            }
            _ => Typed::Answer(line.to_owned(), None),
        },
    })
}

/// Who is asked, when the answers were given, and where they come from.
pub(super) struct Asking<'a> {
    /// The position of whoever answers, unless another is written.
    pub(super) by: &'a str,
    /// When; `None`: at the moment of each answer.
    pub(super) at: Option<Timestamp>,
    /// Where the lines come from.
    pub(super) from: &'a mut dyn BufRead,
}

impl Asking<'_> {
    fn now(&self) -> Timestamp {
        self.at.unwrap_or_else(Timestamp::now)
    }

    fn line(&mut self) -> anyhow::Result<Option<String>> {
        let mut line = String::new();
        Ok((self.from.read_line(&mut line)? > 0).then_some(line))
    }
}

/// Asks what nobody has answered yet.
///
/// # Errors
/// When somebody stops before the last question: what was answered is in the book, and the same command goes on from there.
pub(super) fn ask(book: &mut Book, number: i64, asking: &mut Asking<'_>, io: &mut Io<'_>) -> anyhow::Result<JobRow> {
    let mut row = book.job(number)?;
    let all = row.job.unanswered().len();
    if all > 0 {
        writeln!(io.out, "Job {number}: {}", row.words)?;
        writeln!(io.out, "{NOT_A_CLEARANCE}")?;
        writeln!(
            io.out,
            "Answer each question. Another position answers: write it behind, such as yes by mechanic. What can't be confirmed: skip and \
the reason, which every note shows until it is confirmed. To go on later: stop."
        )?;
    }
    let mut asked = 0;
    while let Some(step) = row.job.unanswered().first().copied() {
        asked += 1;
        writeln!(io.out, "\n{asked} of {all}, {}: {}", step.as_str(), step.question())?;
        row = one(book, &row, step, asking, io)?;
    }
    Ok(row)
}

/// Asks one question until it has an answer that can be entered.
fn one(book: &mut Book, row: &JobRow, step: Step, asking: &mut Asking<'_>, io: &mut Io<'_>) -> anyhow::Result<JobRow> {
    loop {
        write!(io.out, "> ")?;
        io.out.flush()?;
        let line = asking.line()?;
        let wanted = match line.as_deref().map(typed) {
            None | Some(Some(Typed::Stop)) => {
                let open = row.job.unanswered();
                bail!(
                    "stopped with {} question(s) of this job open ({}); what was answered is in the book, the same command goes on",
                    open.len(),
                    open.iter().map(|s| s.open_words()).collect::<Vec<_>>().join("; ")
                );
            }
            Some(None) => {
                writeln!(io.out, "Nothing was written: answer, or skip and the reason, or stop.")?;
                continue;
            }
            Some(Some(typed)) => typed,
        };
        let (event, by) = match wanted {
            Typed::Skip(reason) => (Ok(Event::LeftOut { step, reason }), None),
            Typed::Answer(text, by) => {
                (answer_of(step, Some(&text)).map(|answer| Event::Confirmed { step, answer }), by)
            }
            Typed::Stop => continue,
        };
        let entered = event.and_then(|event| {
            let by = by.unwrap_or_else(|| asking.by.to_owned());
            Ok(book.enter_work(row.id, &Entry { at: asking.now(), by, event })?)
        });
        match entered {
            Ok(row) => return Ok(row),
            // What can't be entered is said, and asked again: nobody starts anew because of a slip.
            Err(err) => writeln!(io.out, "{err:#}")?,
        }
    }
}

/// Asks for the one word that records an opening, after the site was told what it still has to confirm.
///
/// # Errors
/// Status 1 when the word is not given: nothing is recorded then.
pub(super) fn sure(row: &JobRow, asking: &mut Asking<'_>, io: &mut Io<'_>) -> anyhow::Result<()> {
    let open = row.job.unconfirmed();
    if !open.is_empty() {
        let list = open.iter().map(|s| s.open_words()).collect::<Vec<_>>().join("; ");
        writeln!(io.out, "\nNOT CONFIRMED. The site still has to confirm: {list}.")?;
    }
    writeln!(io.out, "{NOT_A_CLEARANCE}")?;
    write!(io.out, "Write opened when the fluid end was opened; anything else leaves it unrecorded.\n> ")?;
    io.out.flush()?;
    let line = asking.line()?;
    if line.is_some_and(|l| l.trim().eq_ignore_ascii_case("opened")) {
        return Ok(());
    }
    Err(Usage("not recorded as opened; the same command asks again".into()).into())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_read_as_people_write_them() {
        let answer = |text: &str, by: Option<&str>| Some(Typed::Answer(text.into(), by.map(str::to_owned)));
        assert_eq!(typed("yes\n"), answer("yes", None));
        assert_eq!(typed(" M-88 by assistant driller "), answer("M-88", Some("assistant driller")));
        assert_eq!(typed("bypass 7"), answer("bypass 7", None));
        assert_eq!(typed("skip held up by weather"), Some(Typed::Skip("held up by weather".into())));
        assert_eq!(typed("skip"), Some(Typed::Skip(String::new())));
        assert_eq!(typed("STOP"), Some(Typed::Stop));
        assert_eq!(typed("  \n"), None);
    }
}
