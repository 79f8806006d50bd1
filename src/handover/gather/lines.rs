//! The lines of a note that come from entries alone.

use jiff::Timestamp;

use crate::book::{CheckRow, JobRow, OperatingPoint, PumpRow};
use crate::handover::{Checks, Reading, Work};
use crate::tour::work::Stage;
use crate::tour::{AskKind, Every, Item, Outcome, Per, Sheet, Standing, Target, Tour};
use crate::units::{Dimension, UnitSystem};

pub(super) fn running(pump: &PumpRow, point: Option<&OperatingPoint>, clock: impl Fn(Timestamp) -> String) -> String {
    let units = pump.data.units;
    let liner = |m: f64| format!("{} liners", liner_words(m, units));
    let Some(p) = point else {
        let fitted = pump.data.liner_m.map_or("liner not entered".to_owned(), liner);
        return format!("no operating point entered in this tour; {fitted}");
    };
    let mut out = format!("{:.0} SPM, {}", p.circuit.spm, Dimension::Pressure.show(p.circuit.pa, units));
    if let Some(m) = p.liner_m {
        out += &format!(", {}", liner(m));
    }
    if let Some(mud) = p.circuit.mud_kg_per_m3 {
        out += &format!(", mud {}", Dimension::Density.show(mud, units));
    }
    format!("{out} at {}", clock(p.at))
}

fn liner_words(m: f64, units: UnitSystem) -> String {
    Dimension::Length.show(m, units)
}

pub(super) fn readings(sheet: &Sheet, tour: &Tour, rows: &[CheckRow]) -> Vec<Reading> {
    let mut out = Vec::new();
    for check in sheet.checks.iter().filter(|c| c.per == Per::Pump) {
        for ask in &check.asks {
            let AskKind::Reading { unit, limits, .. } = &ask.kind else { continue };
            let all: Vec<(Timestamp, f64)> = rows
                .iter()
                .filter(|r| r.check == check.id && r.module.is_none())
                .filter_map(|r| Some((r.at, r.answers.iter().find(|a| a.ask == ask.name)?.si?)))
                .collect();
            let now = all.iter().rposition(|(t, _)| tour.holds(*t));
            let before = match now {
                Some(k) => all[..k].last(),
                None => all.last(),
            };
            let say = |(t, si): &(Timestamp, f64)| format!("{}, {}", unit.show(*si), sheet.plan.clock(*t));
            let say_before = |(t, si): &(Timestamp, f64)| {
                let day = if tour.holds(*t) { String::new() } else { format!("{}, ", sheet.plan.day(*t)) };
                format!("{}, {day}{}", unit.show(*si), sheet.plan.clock(*t))
            };
            out.push(Reading {
                name: if ask.name == check.id {
                    words_of(&check.id)
                } else {
                    format!("{}, {}", words_of(&check.id), ask.name)
                },
                now: now.map(|k| say(&all[k])),
                before: before.map(say_before),
                limit: limits.words(unit),
                outside: now.and_then(|k| limits.outside(all[k].1)),
            });
        }
    }
    out
}

/// `oil pressure` for `oil-pressure`, with a capital.
fn words_of(id: &str) -> String {
    crate::report::words::capital(&id.replace('-', " "))
}

pub(super) fn checks(pump: &PumpRow, sheet: &Sheet, tour: &Tour, items: &[Item], rows: &[CheckRow]) -> Checks {
    let mut out = Checks::default();
    let name = |target: &Target, check: &str| {
        let module = target.module.map_or(String::new(), |m| format!(", module {m}"));
        format!("{}{module}", check.replace('-', " "))
    };
    // Modules of one check are one line: twelve would bury the rest.
    let mut never: Vec<(String, u32)> = Vec::new();
    let mut missed: Vec<(String, String, Vec<u32>)> = Vec::new();
    for item in items.iter().filter(|i| i.target.pump.as_deref() == Some(&pump.data.name)) {
        out.done += item.made;
        let how = if item.missed > 0 {
            format!(" ({} of {})", item.missed, item.wanted)
        } else if let Standing::Overdue { since } = &item.standing {
            let often = sheet.checks.iter().find(|c| c.id == item.check).map(|c| c.every);
            match (since, often) {
                (None, Some(Every::Days(_) | Every::RunningHours(_))) => {
                    match never.iter_mut().find(|(check, _)| *check == item.check) {
                        Some((_, n)) => *n += 1,
                        None => never.push((item.check.clone(), 1)),
                    }
                    continue;
                }
                (Some(t), _) => format!(", overdue since {}", sheet.plan.day(*t)),
                (None, _) => String::new(),
            }
        } else {
            continue;
        };
        out.n_missed += 1;
        let check = item.check.replace('-', " ");
        match missed.iter_mut().find(|(c, h, modules)| *c == check && *h == how && !modules.is_empty()) {
            Some((_, _, modules)) => modules.extend(item.target.module),
            None => missed.push((check, how, item.target.module.into_iter().collect())),
        }
    }
    out.missed.extend(missed.into_iter().map(|(check, how, modules)| {
        let numbers: Vec<String> = modules.iter().map(u32::to_string).collect();
        match &numbers[..] {
            [] => format!("{check}{how}"),
            [one] => format!("{check}, module {one}{how}"),
            [first @ .., last] => format!("{check}, modules {} and {last}{how}", first.join(", ")),
        }
    }));
    if !never.is_empty() {
        let names: Vec<String> = never
            .iter()
            .map(|(check, n)| {
                format!("{}{}", check.replace('-', " "), if *n > 1 { format!(" ({n} modules)") } else { String::new() })
            })
            .collect();
        out.never = names;
    }
    for row in rows.iter().filter(|r| tour.holds(r.at)) {
        let target = Target { pump: None, module: row.module };
        if let Outcome::Skipped { reason } = &row.outcome {
            out.skipped.push((name(&target, &row.check), reason.clone()));
        }
        for a in row.answers.iter().filter(|a| a.kind == "attention") {
            out.attention.push(format!("{}: {} ({})", name(&target, &row.check), a.words, sheet.plan.clock(row.at)));
        }
    }
    out
}

/// Whether a job is told in a tour's note: it is not over, or something happened in it in that tour.
pub(super) fn told(job: &JobRow, tour: &Tour, at: Timestamp) -> bool {
    let over = matches!(job.job.stage(), Stage::Closed | Stage::CalledOff);
    job.started <= at && (!over || job.job.entries().iter().any(|e| tour.holds(e.at)))
}

pub(super) fn work(job: &JobRow, clock: impl Fn(Timestamp) -> String) -> Work {
    let stage = match job.job.stage() {
        Stage::Preparing => "being prepared",
        Stage::Open => "open",
        Stage::Closed => "closed",
        Stage::CalledOff => "called off",
    };
    let unconfirmed = if job.job.stage() == Stage::CalledOff { Vec::new() } else { job.job.unconfirmed() };
    let lines = job.job.lines(clock);
    Work {
        name: job.words.clone(),
        stage: stage.to_owned(),
        // What is unconfirmed, and that this is no clearance, the note says itself.
        lines: lines.into_iter().take(job.job.entries().len()).collect(),
        unconfirmed: unconfirmed.into_iter().map(|s| s.open_words().to_owned()).collect(),
    }
}
