//! What a tour hands over, gathered from the book.

mod extract;
mod lines;
mod note_parts;

use jiff::{SignedDuration, Timestamp};
use rusqlite::params;

use crate::book::error::{db, refused};
use crate::book::tour::instant;
use crate::book::{Book, BookError, CheckRow, PumpRow, RoundRow};
use crate::clip::Scale;
use crate::handover::{Concern, Handover, ModulePart, PumpPart, Trend};
use crate::pump::PumpError;
use crate::report::note_picture::note_png;
use crate::report::view;
use crate::score::{ClipVerdict, State};
use crate::tour::cross::{self, Circuit, Precharge, Remark, Seen};
use crate::tour::parts::{PartKind, Side, groups};
use crate::tour::{Item, Meter, Outcome, Sheet, Tour, WalkPump, due_in, early};
use crate::units::Dimension;
use lines::{checks, just_after, limits_of, readings, running, told, work};

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
        let mut meters = Vec::new();
        for pump in &pumps {
            // Contradicting hours are no hours: the check is then told to lack them.
            if let Ok(meter) = Meter::new(&self.runs(pump)?, &[]) {
                meters.push((pump.data.name.clone(), meter));
            }
        }
        let hours = |name: &str, since: Timestamp| {
            let (_, meter) = meters.iter().find(|(n, _)| n == name)?;
            let run = meter.between(since, at).ok()?;
            (run.covered > 0.0).then_some(run.hours)
        };
        let history = self.check_history(sheet, &pumps, tour.start, at)?;
        due_in(sheet, &walk, &history, &hours, tour, at).map_err(|e| refused(e.to_string()))
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
