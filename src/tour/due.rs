//! What is due: the check sheet and what has been done, in; a walk with a state for each check, out.

use jiff::{SignedDuration, Timestamp};
use serde::Serialize;

use super::clock::{ClockError, Tour};
use super::sheet::{Check, Every, Per, Sheet};

/// A pump as the walk meets it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WalkPump {
    /// Its name.
    pub name: String,
    /// Its modules, counted from 1.
    pub modules: u32,
}

/// What a check was made on.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Target {
    /// The pump; `None` for the rig as a whole.
    pub pump: Option<String>,
    /// The module; `None` for the pump as a whole.
    pub module: Option<u32>,
}

/// How a check came out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// Made, nothing to remark.
    Fine,
    /// Made, and something wants attention.
    Attention,
    /// Not made, for a reason.
    Skipped {
        /// Why.
        reason: String,
    },
}

/// One entry of the check history.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CheckEntry {
    /// The check's id.
    pub check: String,
    /// On what.
    pub target: Target,
    /// When.
    pub at: Timestamp,
    /// How it came out.
    pub outcome: Outcome,
}

/// Where a check stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "state")]
pub enum Standing {
    /// To be made now.
    Due {
        /// By when.
        by: Timestamp,
    },
    /// Should have been made.
    Overdue {
        /// Since when; `None` when it was never made.
        since: Option<Timestamp>,
    },
    /// Made as often as is wanted by now.
    Done {
        /// When last.
        at: Timestamp,
        /// Whether something wants attention.
        attention: bool,
    },
    /// Left out for a reason.
    Skipped {
        /// When that was entered.
        at: Timestamp,
        /// Why.
        reason: String,
    },
    /// Not before a later tour.
    Later {
        /// When.
        from: Timestamp,
    },
    /// Running hours decide, and nobody has entered them.
    NoHours,
}

/// One line of the walk.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Item {
    /// The check's id.
    pub check: String,
    /// What is to be done.
    pub text: String,
    /// On what.
    pub target: Target,
    /// How often, in words.
    pub every: String,
    /// Where it stands.
    #[serde(flatten)]
    pub standing: Standing,
    /// How often it is wanted in this tour.
    pub wanted: u32,
    /// Times made in this tour that count.
    pub made: u32,
    /// Times left out for a reason.
    pub skipped: u32,
    /// Times that have passed without an entry.
    pub missed: u32,
}

/// Running hours of a pump since an instant; `None` when nobody has entered them.
pub type HoursSince<'a> = &'a dyn Fn(&str, Timestamp) -> Option<f64>;

/// What is due at `now` of a tour, in walking order: the rig, then pump by pump in the order given, checks in the order of the sheet; with
/// `now` at or after its end, what the tour left behind.
///
/// A check that is wanted several times a tour has as many equal parts of the tour; an entry counts for the part in which it was made, so
/// that three looks in the first hour are one. "First and last connection" has two parts: connections come when they come.
/// Entries later than `now` do not count.
///
/// # Errors
/// [`ClockError`] at the ends of the calendar.
pub fn due(
    sheet: &Sheet,
    pumps: &[WalkPump],
    history: &[CheckEntry],
    hours_since: HoursSince<'_>,
    tour: &Tour,
    now: Timestamp,
) -> Result<Vec<Item>, ClockError> {
    let rig = Target { pump: None, module: None };
    let mut out = Vec::new();
    let mut put = |check: &Check, target: &Target| {
        let mut entries: Vec<&CheckEntry> =
            history.iter().filter(|e| e.check == check.id && e.target == *target && e.at <= now).collect();
        entries.sort_by_key(|e| e.at);
        out.push(item(check, target, &entries, hours_since, tour, now));
    };
    for check in sheet.checks.iter().filter(|c| c.per == Per::Rig) {
        put(check, &rig);
    }
    for pump in pumps {
        for check in sheet.checks.iter().filter(|c| c.per != Per::Rig) {
            let whole = Target { pump: Some(pump.name.clone()), module: None };
            if check.per == Per::Pump {
                put(check, &whole);
            } else {
                for module in 1..=pump.modules {
                    put(check, &Target { module: Some(module), ..whole.clone() });
                }
            }
        }
    }
    Ok(out)
}

fn item(
    check: &Check,
    target: &Target,
    entries: &[&CheckEntry],
    hours_since: HoursSince<'_>,
    tour: &Tour,
    now: Timestamp,
) -> Item {
    let mut item = Item {
        check: check.id.clone(),
        text: check.text.clone(),
        target: target.clone(),
        every: check.every.words(),
        standing: Standing::NoHours,
        wanted: 1,
        made: 0,
        skipped: 0,
        missed: 0,
    };
    match check.every {
        Every::Tour(n) => by_parts(&mut item, entries, n.max(1), tour, now),
        Every::FirstAndLast => by_parts(&mut item, entries, 2, tour, now),
        Every::Days(days) => {
            // Civil days would shift by an hour over a clock change; a weekly check does not care.
            let gap = SignedDuration::from_hours(24 * i64::from(days));
            by_last(
                &mut item,
                entries,
                tour,
                |last| Some((last.at.saturating_add(gap).unwrap_or(Timestamp::MAX), false)),
                now,
            );
        }
        Every::RunningHours(hours) => {
            let pump = target.pump.as_deref().unwrap_or_default();
            by_last(
                &mut item,
                entries,
                tour,
                |last| {
                    let left = hours - hours_since(pump, last.at)?;
                    #[expect(clippy::cast_possible_truncation, reason = "seconds; `as` saturates")]
                    let away = SignedDuration::from_secs((left * 3600.0) as i64);
                    // At the earliest: the pump may stand still meanwhile.
                    Some((now.saturating_add(away).unwrap_or(Timestamp::MAX), left <= 0.0))
                },
                now,
            );
        }
    }
    item
}

/// Start and end of part `k` of `n` equal parts of a tour.
fn part(tour: &Tour, k: u32, n: u32) -> [Timestamp; 2] {
    let seconds = tour.end.duration_since(tour.start).as_secs();
    let edge = |k: u32| {
        let at = tour.start.checked_add(SignedDuration::from_secs(seconds * i64::from(k) / i64::from(n)));
        at.unwrap_or(tour.end)
    };
    [edge(k), edge(k + 1)]
}

fn by_parts(item: &mut Item, entries: &[&CheckEntry], n: u32, tour: &Tour, now: Timestamp) {
    item.wanted = n;
    let mut missed_since = None;
    let mut standing = None;
    for k in 0..n {
        let [start, end] = part(tour, k, n);
        if start > now {
            break;
        }
        let last = entries.iter().rev().find(|e| start <= e.at && e.at < end);
        match last {
            Some(entry) => {
                match entry.outcome {
                    Outcome::Skipped { .. } => item.skipped += 1,
                    _ => item.made += 1,
                }
                missed_since = None;
                standing = Some(standing_of(entry));
            }
            None if end <= now => {
                item.missed += 1;
                missed_since.get_or_insert(end);
                standing = Some(Standing::Overdue { since: missed_since });
            }
            None => {
                standing = Some(match missed_since {
                    Some(since) => Standing::Overdue { since: Some(since) },
                    None => Standing::Due { by: end },
                });
            }
        }
    }
    item.standing = standing.unwrap_or(Standing::Later { from: tour.start });
}

fn standing_of(entry: &CheckEntry) -> Standing {
    match &entry.outcome {
        Outcome::Skipped { reason } => Standing::Skipped { at: entry.at, reason: reason.clone() },
        other => Standing::Done { at: entry.at, attention: *other == Outcome::Attention },
    }
}

/// A check that counts from its last time. `next` gives when it is due again and whether it already is; `None` when that is not known.
fn by_last(
    item: &mut Item,
    entries: &[&CheckEntry],
    tour: &Tour,
    next: impl Fn(&CheckEntry) -> Option<(Timestamp, bool)>,
    now: Timestamp,
) {
    let last_made = entries.iter().rev().find(|e| !matches!(e.outcome, Outcome::Skipped { .. }));
    let in_tour = entries.iter().rev().find(|e| tour.holds(e.at));
    if let Some(entry) = in_tour {
        item.standing = standing_of(entry);
        match entry.outcome {
            Outcome::Skipped { .. } => item.skipped = 1,
            _ => item.made = 1,
        }
        return;
    }
    let Some(last) = last_made else {
        item.standing = Standing::Overdue { since: None };
        item.missed = u32::from(now >= tour.end);
        return;
    };
    item.standing = match next(last) {
        None => Standing::NoHours,
        Some((at, reached)) if reached || at < tour.start => {
            item.missed = u32::from(now >= tour.end);
            Standing::Overdue { since: Some(if reached { at.max(last.at) } else { at }) }
        }
        Some((at, _)) if at < tour.end => {
            item.missed = u32::from(now >= tour.end);
            if now > at { Standing::Overdue { since: Some(at) } } else { Standing::Due { by: at } }
        }
        Some((at, _)) => {
            item.wanted = 0;
            Standing::Later { from: at }
        }
    };
}

#[cfg(test)]
#[path = "due_tests.rs"]
mod tests;
