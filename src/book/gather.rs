//! What a tour hands over, gathered from the book.

use jiff::{SignedDuration, Timestamp};
use rusqlite::params;

use super::error::{db, refused};
use super::tour::instant;
use super::{Book, BookError, CheckRow, JobRow, PumpRow, RoundRow};
use crate::clip::Scale;
use crate::pump::PumpError;
use crate::report::handover::{Checks, Concern, Handover, ModulePart, PumpPart, Reading, Trend, Work};
use crate::report::note_picture::note_png;
use crate::report::view;
use crate::score::{ClipVerdict, State};
use crate::tour::cross::{self, Circuit, Precharge, Remark, Seen};
use crate::tour::parts::{PartKind, Side, groups};
use crate::tour::work::Stage;
use crate::tour::{AskKind, Every, Item, Outcome, Per, Sheet, Standing, Target, Tour, WalkPump, due_in, early};
use crate::units::{Dimension, UnitSystem};

/// From when on readings are compared.
fn look_back(sheet: &Sheet, at: Timestamp) -> Timestamp {
    #[expect(clippy::cast_possible_truncation, reason = "at most a year")]
    let hours = (sheet.rules.compare_days * 24.0) as i64;
    at.saturating_sub(SignedDuration::from_hours(hours)).unwrap_or(Timestamp::MIN)
}

/// A round's operating point.
#[derive(Debug, Clone, Copy)]
struct Point {
    at: Timestamp,
    circuit: Circuit,
    liner_m: Option<f64>,
}

impl Book {
    /// What is due at `at`, in walking order.
    ///
    /// # Errors
    /// A sheet that can't be read, what the database says.
    pub fn due(&self, sheet: &Sheet, tour: &Tour, at: Timestamp) -> Result<Vec<Item>, BookError> {
        let pumps = self.pumps()?;
        let walk: Vec<WalkPump> = pumps
            .iter()
            .map(|p| WalkPump { name: p.data.name.clone(), modules: u32::try_from(p.data.order.len()).unwrap_or(0) })
            .collect();
        let mut logs = Vec::new();
        for pump in &pumps {
            logs.push((pump.data.name.clone(), self.runs(pump)?));
        }
        let hours = |name: &str, since: Timestamp| {
            let (_, logs) = logs.iter().find(|(n, _)| n == name)?;
            let run = crate::tour::parts::run_between(since, at, logs, &[]).ok()?;
            (run.covered > 0.0).then_some(run.hours)
        };
        due_in(sheet, &walk, &self.check_history(at)?, &hours, tour, at).map_err(|e| refused(e.to_string()))
    }

    /// What the readings of a pump say together at `at`, with those of the tour up to then.
    ///
    /// # Errors
    /// What the database says.
    pub fn remarks(
        &self,
        pump: &PumpRow,
        sheet: &Sheet,
        tour: &Tour,
        at: Timestamp,
        verdicts: &[ClipVerdict],
    ) -> Result<Vec<Remark>, BookError> {
        let from = look_back(sheet, at);
        let rows = self.checks(Some(pump), from, just_after(at))?;
        let points = self.points(pump, from, at)?;
        let units = pump.data.units;
        let show = move |pa: f64| Dimension::Pressure.show(pa, units);
        let rules = &sheet.rules;
        let mut out = Vec::new();
        // The newest entry of a check in this tour, and those before it.
        let split = |check: &str| {
            let all: Vec<&CheckRow> = rows.iter().filter(|r| r.check == check && r.module.is_none()).collect();
            let newest = all.iter().rposition(|r| tour.holds(r.at) && !matches!(r.outcome, Outcome::Skipped { .. }))?;
            Some((all[newest], all[..newest].to_vec()))
        };
        let value = |row: &CheckRow, ask: &str| row.answers.iter().find(|a| a.ask == ask).and_then(|a| a.si);
        if let Some((now, before)) = split("gauges")
            && let (Some(p), Some(s)) = (value(now, "pump"), value(now, "standpipe"))
        {
            let share = |r: &&CheckRow| {
                let (p, s) = (value(r, "pump")?, value(r, "standpipe")?);
                (s > 0.0 && p > 0.0).then_some((p - s) / s)
            };
            let shares: Vec<f64> = before.iter().filter_map(share).collect();
            out.extend(cross::gauges(p, s, value(now, "console"), &shares, rules, &show));
        }
        if let Some((now, before)) = split("oil-pressure")
            && let (Some(b), Some(a)) = (value(now, "before"), value(now, "after"))
        {
            let drops: Vec<f64> =
                before.iter().filter_map(|r| Some(value(r, "before")? - value(r, "after")?)).collect();
            out.push(cross::filter(b, a, &drops, rules, &show));
        }
        let running = points.iter().rev().find(|p| tour.holds(p.at)).map(|p| p.circuit.pa);
        if let Some((now, _)) = split("relief-valve")
            && let Some(setting) = value(now, "setting")
        {
            let typed = split("liner-rating").and_then(|(r, _)| value(r, "rating"));
            // The lower of plate and entry: the stricter.
            let rating = match (pump.rating_pa(), typed) {
                (Some(a), Some(b)) => Some(a.min(b)),
                (a, b) => a.or(b),
            };
            out.extend(cross::relief(setting, rating, None, running, rules, &show));
        }
        if let Some((now, before)) = split("precharge") {
            let of = |r: &CheckRow| Some(Precharge { gauge_pa: value(r, "precharge")?, gas_k: value(r, "gas")? });
            if let Some(p) = of(now) {
                let earlier: Vec<Precharge> = before.iter().filter_map(|r| of(r)).collect();
                let limits = limits_of(sheet, "precharge", "precharge");
                let said: Result<_, PumpError> = cross::precharge(p, &earlier, limits, running, rules, &show);
                out.extend(said.map_err(|e| refused(e.to_string()))?);
            }
        }
        if let Some(now) = points.iter().rposition(|p| tour.holds(p.at)) {
            let same = |p: &&Point| p.liner_m == points[now].liner_m;
            let before: Vec<Circuit> = points[..now].iter().filter(same).map(|p| p.circuit).collect();
            out.push(cross::circuit(&points[now].circuit, &before, rules));
        }
        let mut seen = Seen::default();
        for (check, read) in [("liner-wash", Seen::in_wash as fn(&str) -> Seen), ("oil-level", Seen::in_oil)] {
            let words = split(check).map(|(r, _)| r.answers.iter().filter(|a| a.kind == "attention"));
            for a in words.into_iter().flatten() {
                let more = read(&a.words);
                seen.mud_in_wash |= more.mud_in_wash;
                seen.oil_in_wash |= more.oil_in_wash;
                seen.water_in_oil |= more.water_in_oil;
                seen.metal_in_oil |= more.metal_in_oil;
            }
        }
        // Where nobody has judged just now, what the book holds of the tour's last round counts.
        out.extend(if verdicts.is_empty() {
            cross::returns_with(seen, &self.hissing(pump, tour, at)?)
        } else {
            cross::returns(seen, verdicts)
        });
        Ok(out)
    }

    /// Operating points of a pump's rounds that have speed and pressure, oldest first.
    fn points(&self, pump: &PumpRow, from: Timestamp, to: Timestamp) -> Result<Vec<Point>, BookError> {
        let doing = db("read the operating points");
        let mut statement = self
            .conn
            .prepare_cached(
                "SELECT started_ms, pressure_pa, spm, mud_kg_m3, liner_m FROM round
                 WHERE pump_id = ?1 AND started_ms BETWEEN ?2 AND ?3 AND spm > 0 AND pressure_pa > 0 ORDER BY started_ms, id",
            )
            .map_err(&doing)?;
        let rows = statement
            .query_map(params![pump.id, from.as_millisecond(), to.as_millisecond()], |r| {
                let circuit = Circuit { pa: r.get(1)?, spm: r.get(2)?, mud_kg_per_m3: r.get(3)? };
                Ok(Point { at: instant(r.get(0)?), circuit, liner_m: r.get(4)? })
            })
            .map_err(&doing)?;
        rows.collect::<Result<_, _>>().map_err(doing)
    }

    /// Verdicts of a module, oldest first: when, state, departure.
    fn module_history(
        &self,
        pump: &PumpRow,
        module: u32,
        to: Timestamp,
    ) -> Result<Vec<(Timestamp, String, Option<f64>)>, BookError> {
        let doing = db("read the verdicts");
        let mut statement = self
            .conn
            .prepare_cached(
                "SELECT started_ms, state, departure FROM verdict_clip
                 WHERE pump_id = ?1 AND module = ?2 AND current = 1 AND started_ms <= ?3 ORDER BY started_ms",
            )
            .map_err(&doing)?;
        let rows = statement
            .query_map(params![pump.id, module, to.as_millisecond()], |r| {
                Ok((instant(r.get(0)?), r.get(1)?, r.get(2)?))
            })
            .map_err(&doing)?;
        rows.collect::<Result<_, _>>().map_err(doing)
    }

    /// The newest round with clips of a pump within a tour.
    pub(super) fn tour_round(&self, pump: &PumpRow, tour: &Tour, at: Timestamp) -> Result<Option<RoundRow>, BookError> {
        let doing = db("read the rounds");
        let mut statement = self
            .conn
            .prepare_cached(
                "SELECT id FROM round WHERE pump_id = ?1 AND started_ms >= ?2 AND started_ms < ?3 AND started_ms <= ?4
                   AND EXISTS (SELECT 1 FROM clip WHERE clip.round_id = round.id)
                 ORDER BY started_ms DESC, id DESC LIMIT 1",
            )
            .map_err(&doing)?;
        let span = params![pump.id, tour.start.as_millisecond(), tour.end.as_millisecond(), at.as_millisecond()];
        let mut rows = statement.query_map(span, |r| r.get::<_, i64>(0)).map_err(&doing)?;
        match rows.next() {
            None => Ok(None),
            Some(id) => self.round(id.map_err(doing)?).map(Some),
        }
    }

    /// What a tour hands over as it stands at `at`.
    ///
    /// # Arguments
    /// - `rig`: its name for the head of the note.
    /// - `step`: called after each recording that had to be analysed.
    ///
    /// # Errors
    /// A sheet that can't be read, what the disk or the database says.
    pub fn handover(
        &mut self,
        rig: &str,
        tour: &Tour,
        at: Timestamp,
        step: &(dyn Fn() + Sync),
    ) -> Result<Handover, BookError> {
        let (sheet, own) = self.sheet()?;
        let items = self.due(&sheet, tour, at)?;
        let mut note = Handover {
            rig: rig.to_owned(),
            tour: sheet.plan.tour_name(tour),
            made: sheet.plan.date_time(at),
            ..Handover::default()
        };
        if !own {
            note.remarks.push(
                "Checks follow the sheet that comes with the program; the site has entered none of its own.".into(),
            );
        }
        let pumps = self.pumps()?;
        for pump in &pumps {
            note.pumps.push(self.pump_part(pump, &sheet, tour, at, &items, step)?);
        }
        let name = |id: Option<i64>| id.and_then(|id| pumps.iter().find(|p| p.id == id)).map(|p| p.data.name.clone());
        for c in self.concerns(at)?.into_iter().filter(|c| c.closed.is_none()) {
            note.concerns.push(Concern {
                number: u32::try_from(c.id).unwrap_or(0),
                pump: name(c.pump_id),
                text: c.words,
                since: sheet.plan.day(c.since),
            });
        }
        Ok(note)
    }

    fn pump_part(
        &mut self,
        pump: &PumpRow,
        sheet: &Sheet,
        tour: &Tour,
        at: Timestamp,
        items: &[Item],
        step: &(dyn Fn() + Sync),
    ) -> Result<PumpPart, BookError> {
        let round = self.tour_round(pump, tour, at)?;
        let judged = round.as_ref().map(|r| self.judge_round(r, step)).transpose()?;
        let clock = |t: Timestamp| sheet.plan.clock(t);
        let mut modules = Vec::new();
        if let Some(judged) = &judged {
            for (v, maps) in judged.clips.iter().zip(&judged.maps) {
                let odd = matches!(v.verdict, State::Departed | State::Drifting);
                let picture = match maps.as_ref().filter(|_| odd) {
                    Some(maps) => {
                        let maps = view::in_scale(maps, Scale::FullScale);
                        Some(note_png(&maps, v).map_err(|e| refused(e.to_string()))?)
                    }
                    None => None,
                };
                let history = self.module_history(pump, v.module.unwrap_or(0), at)?;
                let last_steady = history.iter().rposition(|(_, state, _)| state == "steady");
                let first_odd = history.get(last_steady.map_or(0, |k| k + 1)).map(|h| h.0);
                let since = first_odd.filter(|_| odd).map(|t| format!("{}, {}", sheet.plan.day(t), clock(t)));
                let taken = clock(instant(judged.round.started.ms));
                // Only what departed is worth an ear, and there is something to hear only where there is a band.
                let hear = v.module.filter(|_| v.verdict == State::Departed && v.band_hz.is_some()).map(|m| {
                    let within = sheet.plan.typed(instant(judged.round.started.ms));
                    format!("seatsong handover --tour '{within}' --audio {m} --out handover")
                });
                modules.push(ModulePart { verdict: v.clone(), taken, since, picture, sound: None, hear });
            }
        }
        let verdicts: Vec<ClipVerdict> = modules.iter().map(|m| m.verdict.clone()).collect();
        let from = look_back(sheet, at);
        let points = self.points(pump, from, at)?;
        let rows = self.checks(Some(pump), from, just_after(at))?;
        Ok(PumpPart {
            name: pump.data.name.clone(),
            running: running(pump, points.iter().rev().find(|p| tour.holds(p.at)), clock),
            drifts: self.drifts(pump, &verdicts, at)?,
            trends: self.trends(pump, sheet, &points, at)?,
            photos: self.tour_photos(pump, sheet, tour, at, &rows)?,
            readings: readings(sheet, tour, &rows),
            remarks: self.remarks(pump, sheet, tour, at, &verdicts)?,
            checks: checks(pump, sheet, tour, items, &rows),
            parts: self.part_lines(pump, sheet, tour, at)?,
            work: self.jobs(pump)?.iter().filter(|j| told(j, tour, at)).map(|j| work(j, clock)).collect(),
            modules,
        })
    }

    fn trends(&self, pump: &PumpRow, sheet: &Sheet, points: &[Point], at: Timestamp) -> Result<Vec<Trend>, BookError> {
        let units = pump.data.units;
        let when = |t: Timestamp| format!("{}, {}", sheet.plan.day(t), sheet.plan.clock(t));
        let trend = |name: String, series: &[(Timestamp, f64)], limit: Option<f64>, show: &dyn Fn(f64) -> String| {
            let (first, last) = (series.first()?, series.last()?);
            if series.len() < cross::FEWEST_BEFORE {
                return None;
            }
            let hours = |t: Timestamp| t.duration_since(first.0).as_secs_f64() / 3600.0;
            Some(Trend {
                name,
                points: series.iter().map(|(t, y)| [hours(*t), *y]).collect(),
                limit,
                ends: [show(first.1), show(last.1)],
                times: [when(first.0), when(last.0)],
            })
        };
        let pressure = |pa: f64| Dimension::Pressure.show(pa, units);
        let mut out = Vec::new();
        if let Some(last) = points.last() {
            let alike =
                |p: &&Point| (p.circuit.spm / last.circuit.spm - 1.0).abs() <= sheet.rules.alike_spm_percent / 100.0;
            let series: Vec<(Timestamp, f64)> = points.iter().filter(alike).map(|p| (p.at, p.circuit.pa)).collect();
            out.extend(trend(format!("Discharge pressure near {:.0} SPM", last.circuit.spm), &series, None, &pressure));
        }
        let oil = self.readings(pump, None, "oil-pressure", "after", just_after(at))?;
        let [low, high] = limits_of(sheet, "oil-pressure", "after");
        out.extend(trend("Oil pressure after the filter".into(), &oil, low.or(high), &pressure));
        Ok(out)
    }

    /// Parts changed in the tour, and places that wear parts out too soon.
    fn part_lines(&self, pump: &PumpRow, sheet: &Sheet, tour: &Tour, at: Timestamp) -> Result<Vec<String>, BookError> {
        let runs = self.part_runs(pump, at)?;
        let mut out = Vec::new();
        for (row, run) in &runs {
            let Some((gone, why)) = row.part.out.filter(|(t, _)| tour.holds(*t) && *t <= at) else { continue };
            let place = row.part.place.words();
            let place = place.split_once(", ").map_or(place.as_str(), |(_, p)| p);
            let strokes = run.strokes.map_or(String::new(), |n| format!(" and {:.2} million strokes", n / 1e6));
            let least = if run.covered < 0.999 { "at least " } else { "" };
            let look = if row.condition.is_empty() { String::new() } else { format!(" ({})", row.condition) };
            out.push(format!(
                "{place} changed at {}: {}{look} after {least}{:.0} h{strokes}",
                sheet.plan.clock(gone),
                why.as_str(),
                run.hours
            ));
        }
        let parts: Vec<_> = runs.iter().map(|(row, run)| (row.part.clone(), *run)).collect();
        for kind in PartKind::ALL {
            let sides: &[Option<Side>] =
                if kind.has_side() { &[Some(Side::Suction), Some(Side::Discharge)] } else { &[None] };
            for side in sides {
                let groups = groups(&parts, &pump.data.name, kind, *side);
                out.extend(early(&groups, "h").map_err(|e| refused(e.to_string()))?.into_iter().map(|e| e.text));
            }
        }
        Ok(out)
    }
}

fn just_after(at: Timestamp) -> Timestamp {
    at.saturating_add(SignedDuration::from_millis(1)).unwrap_or(Timestamp::MAX)
}

fn limits_of(sheet: &Sheet, check: &str, ask: &str) -> [Option<f64>; 2] {
    let ask = sheet.checks.iter().find(|c| c.id == check).and_then(|c| c.asks.iter().find(|a| a.name == ask));
    match ask.map(|a| &a.kind) {
        Some(AskKind::Reading { limits, .. }) => [limits.low, limits.high],
        _ => [None, None],
    }
}

fn running(pump: &PumpRow, point: Option<&Point>, clock: impl Fn(Timestamp) -> String) -> String {
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

fn readings(sheet: &Sheet, tour: &Tour, rows: &[CheckRow]) -> Vec<Reading> {
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

fn checks(pump: &PumpRow, sheet: &Sheet, tour: &Tour, items: &[Item], rows: &[CheckRow]) -> Checks {
    let mut out = Checks::default();
    let name = |target: &Target, check: &str| {
        let module = target.module.map_or(String::new(), |m| format!(", module {m}"));
        format!("{}{module}", check.replace('-', " "))
    };
    // Modules of one check are one line: twelve would bury the rest.
    let mut never: Vec<(String, u32)> = Vec::new();
    for item in items.iter().filter(|i| i.target.pump.as_deref() == Some(&pump.data.name)) {
        out.done += item.made;
        if item.missed > 0 {
            out.missed.push(format!("{} ({} of {})", name(&item.target, &item.check), item.missed, item.wanted));
        } else if let Standing::Overdue { since } = &item.standing {
            let often = sheet.checks.iter().find(|c| c.id == item.check).map(|c| c.every);
            let text = match (since, often) {
                (None, Some(Every::Days(_) | Every::RunningHours(_))) => {
                    match never.iter_mut().find(|(check, _)| *check == item.check) {
                        Some((_, n)) => *n += 1,
                        None => never.push((item.check.clone(), 1)),
                    }
                    continue;
                }
                (Some(t), _) => format!("{}, overdue since {}", name(&item.target, &item.check), sheet.plan.day(*t)),
                (None, _) => name(&item.target, &item.check),
            };
            out.missed.push(text);
        }
    }
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
fn told(job: &JobRow, tour: &Tour, at: Timestamp) -> bool {
    let over = matches!(job.job.stage(), Stage::Closed | Stage::CalledOff);
    job.started <= at && (!over || job.job.entries().iter().any(|e| tour.holds(e.at)))
}

fn work(job: &JobRow, clock: impl Fn(Timestamp) -> String) -> Work {
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
