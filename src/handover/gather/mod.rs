//! What a tour hands over, gathered from the book.

mod extract;
mod lines;
mod note_parts;

pub use extract::add_sounds;

use jiff::Timestamp;

use crate::book::{Book, BookError, OperatingPoint, PumpRow, instant, just_after, refused};
use crate::clip::Scale;
use crate::handover::{Concern, Handover, ModulePart, PumpPart, Trend};
use crate::report::note_picture::note_png;
use crate::report::view;
use crate::score::{ClipVerdict, State};
use crate::tour::cross::FEWEST_BEFORE;
use crate::tour::parts::{PartKind, Side, groups};
use crate::tour::{Item, Sheet, Tour, early};
use crate::units::Dimension;
use lines::{checks, readings, running, told, work};
use note_parts::{drifts, tour_photos};

/// What a tour hands over as it stands at `at`.
///
/// # Arguments
/// - `rig`: its name for the head of the note.
/// - `step`: called after each recording that had to be analysed.
///
/// # Errors
/// A sheet that can't be read, what the disk or the database says.
pub fn gather(
    book: &mut Book,
    rig: &str,
    tour: &Tour,
    at: Timestamp,
    step: &(dyn Fn() + Sync),
) -> Result<Handover, BookError> {
    let (sheet, own) = book.sheet()?;
    let items = book.due(&sheet, tour, at)?;
    let mut note = Handover {
        rig: rig.to_owned(),
        tour: sheet.plan.tour_name(tour),
        made: sheet.plan.date_time(at),
        ..Handover::default()
    };
    if !own {
        note.remarks
            .push("Checks follow the sheet that comes with the program; the site has entered none of its own.".into());
    }
    let pumps = book.pumps()?;
    for pump in &pumps {
        note.pumps.push(pump_part(book, pump, &sheet, tour, at, &items, step)?);
    }
    let name = |id: Option<i64>| id.and_then(|id| pumps.iter().find(|p| p.id == id)).map(|p| p.data.name.clone());
    for c in book.concerns(at)?.into_iter().filter(|c| c.closed.is_none()) {
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
    book: &mut Book,
    pump: &PumpRow,
    sheet: &Sheet,
    tour: &Tour,
    at: Timestamp,
    items: &[Item],
    step: &(dyn Fn() + Sync),
) -> Result<PumpPart, BookError> {
    let round = book.tour_round(pump, tour, at)?;
    let judged = round.as_ref().map(|r| book.judge_round(r, step)).transpose()?;
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
            let history = book.module_history(pump, v.module.unwrap_or(0), at)?;
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
    let from = sheet.compared_from(at);
    let points = book.points(pump, from, at)?;
    let rows = book.checks(Some(pump), from, just_after(at))?;
    Ok(PumpPart {
        name: pump.data.name.clone(),
        running: running(pump, points.iter().rev().find(|p| tour.holds(p.at)), clock),
        drifts: drifts(book, pump, &verdicts, at)?,
        trends: trends(book, pump, sheet, &points, at)?,
        photos: tour_photos(book, pump, sheet, tour, at, &rows)?,
        readings: readings(sheet, tour, &rows),
        remarks: book.remarks(pump, sheet, tour, at, &verdicts)?,
        checks: checks(pump, sheet, tour, items, &rows),
        parts: part_lines(book, pump, sheet, tour, at)?,
        work: book.jobs(pump)?.iter().filter(|j| told(j, tour, at)).map(|j| work(j, clock)).collect(),
        modules,
    })
}

fn trends(
    book: &Book,
    pump: &PumpRow,
    sheet: &Sheet,
    points: &[OperatingPoint],
    at: Timestamp,
) -> Result<Vec<Trend>, BookError> {
    let units = pump.data.units;
    let when = |t: Timestamp| format!("{}, {}", sheet.plan.day(t), sheet.plan.clock(t));
    let trend = |name: String, series: &[(Timestamp, f64)], limit: Option<f64>, show: &dyn Fn(f64) -> String| {
        let (first, last) = (series.first()?, series.last()?);
        if series.len() < FEWEST_BEFORE {
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
        let alike = |p: &&OperatingPoint| {
            (p.circuit.spm / last.circuit.spm - 1.0).abs() <= sheet.rules.alike_spm_percent / 100.0
        };
        let series: Vec<(Timestamp, f64)> = points.iter().filter(alike).map(|p| (p.at, p.circuit.pa)).collect();
        out.extend(trend(format!("Discharge pressure near {:.0} SPM", last.circuit.spm), &series, None, &pressure));
    }
    let oil = book.readings(pump, None, "oil-pressure", "after", just_after(at))?;
    let [low, high] = sheet.limits_of("oil-pressure", "after");
    out.extend(trend("Oil pressure after the filter".into(), &oil, low.or(high), &pressure));
    Ok(out)
}

/// Parts changed in the tour, and places that wear parts out too soon.
fn part_lines(
    book: &Book,
    pump: &PumpRow,
    sheet: &Sheet,
    tour: &Tour,
    at: Timestamp,
) -> Result<Vec<String>, BookError> {
    let runs = book.part_runs(pump, at)?;
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
