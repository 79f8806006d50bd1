//! Entries of the tour as a person makes them, on the command line or on a phone: read, judged, refused or asked about, entered.

use jiff::Timestamp;

use super::{Book, BookError, NewCheck, PumpRow};
use crate::tour::cross::Remark;
use crate::tour::reading::{Answer, ReadingError, judge};
use crate::tour::work::{Answer as WorkAnswer, Step};
use crate::tour::{AskKind, Check, ClockError, Per, Sheet, Tour, TourPlan};
use crate::units::{Dimension, parse_quantity};

/// A check to be entered.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CheckWish<'a> {
    /// The check's id.
    pub check: &'a str,
    /// Its pump; `None` for the only one, or for a check of the rig.
    pub pump: Option<&'a str>,
    /// Its module, for a check of each module.
    pub module: Option<u32>,
    /// When.
    pub at: Timestamp,
    /// By which position.
    pub by: &'a str,
}

/// A check that was entered.
#[derive(Debug, Clone, PartialEq)]
pub struct EnteredCheck {
    /// Its number.
    pub number: i64,
    /// What its readings say together with those before.
    pub remarks: Vec<Remark>,
    /// Asks that got no answer, photos left out.
    pub missing: Vec<String>,
    /// Readings beside their limits: name, what is said, whether it lies outside (`None` where no limit is entered).
    pub limits: Vec<(String, String, Option<bool>)>,
}

/// Why an entry is not made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum EntryError {
    /// What was asked for makes no sense.
    #[error("{0}")]
    Wrong(String),
    /// A reading can't be.
    #[error(transparent)]
    Reading(#[from] ReadingError),
    /// Readings are unlikely: entered only when somebody says that they are meant.
    #[error("not entered: {}", .0.join("; "))]
    Asked(Vec<String>),
    /// The clock.
    #[error(transparent)]
    Clock(#[from] ClockError),
    /// The book.
    #[error(transparent)]
    Book(#[from] BookError),
}

fn wrong<T>(text: String) -> Result<T, EntryError> {
    Err(EntryError::Wrong(text))
}

/// The tour meant by `now`, `last` or a time in it, and the instant at which it is looked at.
///
/// # Errors
/// [`ClockError`] for what is no time, or one in the future.
pub fn tour_named(plan: &TourPlan, text: &str, at: Timestamp) -> Result<(Tour, Timestamp), ClockError> {
    let this = plan.tour_at(at)?;
    match text {
        "now" => Ok((this, at)),
        "last" => {
            let last = plan.before(&this)?;
            Ok((last, last.end))
        }
        time => {
            let tour = plan.tour_at(plan.entry_time(time, at)?)?;
            Ok((tour, tour.end.min(at)))
        }
    }
}

/// The answer to a step of a job: locks are counted, pressures have units, all else is a number or a yes.
///
/// # Errors
/// What is to be written instead.
pub fn work_answer(step: Step, text: Option<&str>) -> Result<WorkAnswer, String> {
    Ok(match (step, text.map(str::trim)) {
        (Step::Locks | Step::LocksOff, Some(text)) => {
            let locks = text.parse().map_err(|_| format!("\"{text}\" is no count of locks; write 2"))?;
            WorkAnswer::Count { locks }
        }
        (Step::Bled, Some(text)) => {
            let (pa, _) = parse_quantity(text, Dimension::Pressure).map_err(|e| e.to_string())?;
            WorkAnswer::Pressure { pa }
        }
        (_, None) => WorkAnswer::Yes,
        (_, Some(text)) if text.eq_ignore_ascii_case("yes") => WorkAnswer::Yes,
        (_, Some(text)) => WorkAnswer::Number { text: text.to_owned() },
    })
}

/// The check of this id.
///
/// # Errors
/// [`EntryError::Wrong`] names those that there are.
pub fn check_named<'a>(sheet: &'a Sheet, id: &str) -> Result<&'a Check, EntryError> {
    sheet.checks.iter().find(|c| c.id == id).ok_or_else(|| {
        let all: Vec<&str> = sheet.checks.iter().map(|c| c.id.as_str()).collect();
        EntryError::Wrong(format!("\"{id}\" is not in the check sheet; it has: {}", all.join(", ")))
    })
}

impl Book {
    /// Enters a check with its answers.
    ///
    /// # Arguments
    /// - `answers`: as typed, by the name of their ask.
    /// - `meant`: unlikely readings are meant.
    ///
    /// # Errors
    /// [`EntryError`]; then nothing is entered.
    pub fn enter_check(
        &mut self,
        sheet: &Sheet,
        wish: &CheckWish<'_>,
        answers: &[(String, String)],
        meant: bool,
    ) -> Result<EnteredCheck, EntryError> {
        let check = check_named(sheet, wish.check)?;
        let pump = self.pump_of_check(check, wish)?;
        let mut read: Vec<(String, Answer, bool)> = Vec::new();
        let mut questions = Vec::new();
        for (name, value) in answers {
            let ask = check.asks.iter().find(|a| a.name == name.trim()).ok_or_else(|| {
                let names: Vec<&str> = check.asks.iter().map(|a| a.name.as_str()).collect();
                EntryError::Wrong(format!("check {} asks no \"{name}\"; it asks: {}", check.id, names.join(", ")))
            })?;
            if read.iter().any(|(n, _, _)| n == &ask.name) {
                return wrong(format!("{name} is given twice"));
            }
            let before: Vec<f64> = match &pump {
                Some(p) => {
                    self.readings(p, wish.module, &check.id, &ask.name, wish.at)?.into_iter().map(|r| r.1).collect()
                }
                None => Vec::new(),
            };
            let judged = judge(ask, value, &before)?;
            let asked = judged.question.is_some();
            questions.extend(judged.question);
            read.push((ask.name.clone(), judged.answer, asked));
        }
        if !questions.is_empty() && !meant {
            return Err(EntryError::Asked(questions));
        }
        let new = NewCheck {
            check: &check.id,
            pump: pump.as_ref(),
            module: wish.module,
            at: wish.at,
            by: wish.by,
            answers: read,
            skipped: None,
        };
        let number = self.add_check(&new)?;
        let given = |name: &str| new.answers.iter().any(|(n, _, _)| n == name);
        let missing = check.asks.iter().filter(|a| !given(&a.name) && a.kind != AskKind::Photo);
        Ok(EnteredCheck {
            number,
            remarks: self.remarks_of_check(pump.as_ref(), sheet, check, wish.at)?,
            missing: missing.map(|a| a.name.clone()).collect(),
            limits: limits(&new, check),
        })
    }

    /// Enters that a check was left out.
    ///
    /// # Errors
    /// [`EntryError`]; then nothing is entered.
    pub fn skip_check(&mut self, sheet: &Sheet, wish: &CheckWish<'_>, reason: &str) -> Result<i64, EntryError> {
        let check = check_named(sheet, wish.check)?;
        let pump = self.pump_of_check(check, wish)?;
        if reason.trim().is_empty() {
            return wrong("the reason is empty; write why the check is left out".into());
        }
        let new = NewCheck {
            check: &check.id,
            pump: pump.as_ref(),
            module: wish.module,
            at: wish.at,
            by: wish.by,
            answers: Vec::new(),
            skipped: Some(reason.trim()),
        };
        Ok(self.add_check(&new)?)
    }

    fn pump_of_check(&self, check: &Check, wish: &CheckWish<'_>) -> Result<Option<PumpRow>, EntryError> {
        match (check.per, wish.module) {
            (Per::Module, None) => return wrong(format!("check {} is made on each module; give --module", check.id)),
            (Per::Pump | Per::Rig, Some(_)) => {
                return wrong(format!("check {} is not made by module; leave --module out", check.id));
            }
            _ => {}
        }
        if check.per == Per::Rig {
            return Ok(None);
        }
        let pump = self.pump_or_only(wish.pump)?;
        if let Some(m) = wish.module.filter(|m| !pump.data.order.contains(m)) {
            return wrong(format!("{} has no module {m}", pump.data.name));
        }
        Ok(Some(pump))
    }

    /// Remarks of the rules that this check feeds.
    fn remarks_of_check(
        &self,
        pump: Option<&PumpRow>,
        sheet: &Sheet,
        check: &Check,
        at: Timestamp,
    ) -> Result<Vec<Remark>, EntryError> {
        let rules: &[&str] = match check.id.as_str() {
            "gauges" => &["gauges", "circuit"],
            "oil-pressure" => &["oil-filter"],
            "relief-valve" | "liner-rating" => &["relief"],
            "precharge" => &["precharge"],
            "liner-wash" | "oil-level" => &["piston-liner", "seals"],
            _ => &[],
        };
        let Some(pump) = pump.filter(|_| !rules.is_empty()) else { return Ok(Vec::new()) };
        let tour = sheet.plan.tour_at(at)?;
        let mut all = self.remarks(pump, sheet, &tour, at, &[])?;
        all.retain(|r| rules.contains(&r.rule));
        Ok(all)
    }
}

/// What the limits say of the readings just entered.
fn limits(new: &NewCheck<'_>, check: &Check) -> Vec<(String, String, Option<bool>)> {
    let mut out = Vec::new();
    for ask in &check.asks {
        let AskKind::Reading { unit, limits, .. } = &ask.kind else { continue };
        let answer = new.answers.iter().find(|(n, _, _)| *n == ask.name).map(|(_, a, _)| a);
        let Some(Answer::Reading { si, .. }) = answer else { continue };
        let said = format!("{}; {}", unit.show(*si), limits.words(unit));
        out.push((ask.name.clone(), said, limits.outside(*si)));
    }
    out
}
