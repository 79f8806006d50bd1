//! Where in the turn and in which band a clip departs, by how much, and the maps that show it.

use ndarray::Array2;

use crate::baseline::N_CELL;
use crate::clip::{Code, Finding};
use crate::dsp::bands::{N_BAND, band_edges_hz};
use crate::map::{N_ANGLE, StrokeMap};
use crate::score::angle::Named;
use crate::score::compare::{Comparison, Item, Judged, Spot, point};
use crate::score::limit::Limit;
use crate::score::reading::{Finds, reading};
use crate::score::{Angle, ChangeMaps, ClipVerdict, Half, Pattern, State, cleaned};

/// Departure above which a verdict is `departed`.
const DEPARTED: f64 = 2.0;
/// A hiss is named if its departure is this share of the best: a knock filter also answers to a part of a hiss.
const HISS_SHARE: f64 = 0.75;
/// A change is a hiss if over the rest of its half it keeps this share of what it is at its strongest place.
const REACHES: f64 = 0.3;
/// Share of an arc that must lie in one half for that half to be named.
const HALF_SHARE: f64 = 0.65;
/// Good clips' span of speed or pressure beyond which the verdict warns, and beyond which there is none, relative.
const OUTSIDE: (f64, f64) = (0.03, 0.20);

/// The filter that names the change: its family and filter.
pub(super) fn naming(j: &Judged, spot: &Spot, limit: &Limit) -> (Pattern, Option<(usize, usize)>) {
    let families = &spot.scorer.bank.families;
    let strongest = j.combined;
    let mut pick = strongest.family;
    let is_hiss = |f: usize| families.get(f).is_some_and(|f| f.pattern == Pattern::Hiss);
    if !is_hiss(pick) && families.get(pick).is_some_and(|f| f.pattern != Pattern::Tone) {
        let hiss = (0..families.len())
            .filter(|&f| is_hiss(f))
            .map(|f| (f, limit.departure_of(f, &j.best)))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        if let Some((f, d)) = hiss
            && (d > HISS_SHARE * strongest.departure || d > 1.0 && reaches(j, spot, pick, f))
        {
            pick = f;
        }
    }
    match families.get(pick) {
        Some(f) => (f.pattern, Some((pick, j.best[pick].filter))),
        None => (Pattern::Unclear, None),
    }
}

/// Whether a change that a short filter names goes on over the rest of the hiss filter's arc.
fn reaches(j: &Judged, spot: &Spot, short: usize, hiss: usize) -> bool {
    let families = &spot.scorer.bank.families;
    let (Some(s), Some(h)) = (families.get(short), families.get(hiss)) else { return false };
    let (short_arc, _) = s.filter(j.best[short].filter);
    let (arc, spectrum) = h.filter(j.best[hiss].filter);
    let clean = cleaned(&spot.model, &j.residual);
    let bands = (spectrum.lo, spectrum.hi);
    let beside = mean_over(&clean, bands, |a| !within(arc, a));
    let inside = mean_over(&clean, bands, |a| within(short_arc, a)) - beside;
    let rest = mean_over(&clean, bands, |a| within(arc, a) && !within(short_arc, a)) - beside;
    rest > 0.0 && rest > REACHES * inside
}

/// Mean of `x` over an arc and a range of bands.
fn mean_over(x: &[f64], bands: (usize, usize), inside: impl Fn(usize) -> bool) -> f64 {
    let (mut sum, mut n) = (0.0, 0.0);
    for b in bands.0..bands.1 {
        for a in (0..N_ANGLE).filter(|&a| inside(a)) {
            sum += x[b * N_ANGLE + a];
            n += 1.0;
        }
    }
    if n > 0.0 { sum / n } else { 0.0 }
}

fn within(arc: (usize, usize), column: usize) -> bool {
    (column + N_ANGLE - arc.0) % N_ANGLE < arc.1
}

/// An arc of the spot's columns on angles that start `turn` columns later.
fn turned(arc: (usize, usize), turn: usize) -> (usize, usize) {
    ((arc.0 + N_ANGLE - turn) % N_ANGLE, arc.1)
}

/// Which half an arc of the module's own angles lies in.
fn half_of(arc: (usize, usize)) -> Half {
    let discharge = (0..N_ANGLE / 2).filter(|&a| within(arc, a)).count() as f64 / arc.1 as f64;
    if arc.1 >= N_ANGLE || (1.0 - HALF_SHARE..=HALF_SHARE).contains(&discharge) {
        Half::Both
    } else if discharge > HALF_SHARE {
        Half::Discharge
    } else {
        Half::Suction
    }
}

/// Findings that compare the clip's operating point with what the good clips span.
fn outside_span(item: &Item, j: &Judged, spot: &Spot, goods: &[Item]) -> Vec<Finding> {
    let mut out = Vec::new();
    let now_spm = item.analysis.takes[j.take].spm;
    let spm: Vec<f64> = spot.goods.iter().map(|&i| goods[i].analysis.takes[0].spm).collect();
    let pressure: Option<Vec<f64>> = spot.goods.iter().map(|&i| goods[i].pressure).collect();
    let mut check = |what: &str, now: f64, known: &[f64]| {
        let (lo, hi) = known.iter().fold((f64::MAX, f64::MIN), |(l, h), &v| (l.min(v), h.max(v)));
        let off = if now < lo { lo / now - 1.0 } else { now / hi - 1.0 };
        if off > OUTSIDE.1 {
            out.push(Finding::refuse(
                Code::OutsideSpan,
                format!(
                    "{what} {now:.1} is far outside the good clips' {lo:.1} to {hi:.1}: record good clips there first"
                ),
            ));
        } else if off > OUTSIDE.0 {
            out.push(Finding::warn(
                Code::OutsideSpan,
                format!("{what} {now:.1} is outside the good clips' {lo:.1} to {hi:.1}: take the verdict with care, or record at a known speed"),
            ));
        }
    };
    check("speed (strokes a minute)", now_spm, &spm);
    if let (Some(now), Some(known)) = (item.pressure, pressure) {
        check("pressure", now, &known);
    }
    if let Some(console) = item.console_spm
        && (now_spm / console - 1.0).abs() > 0.05
    {
        out.push(Finding::warn(
            Code::RateMismatch,
            format!("the sound runs at {now_spm:.1} strokes a minute, the console said {console:.1}: is it this pump?"),
        ));
    }
    out
}

/// The verdict on a judged clip.
#[must_use]
pub(super) fn verdict(
    item: &Item,
    j: &Judged,
    (spot, named): (&Spot, Named),
    goods: &[Item],
    comparison: &Comparison,
) -> ClipVerdict {
    let take = &item.analysis.takes[j.take];
    let mut quality = item.analysis.findings.clone();
    quality.extend(outside_span(item, j, spot, goods));
    let level_db = level_change(j, spot);
    let base = ClipVerdict {
        spm: Some(take.spm),
        strokes: Some(take.strokes),
        lock: Some(take.lock),
        level_db: Some(level_db),
        hiss_sd: j.hiss_sd,
        heard_from: j.heard_from.map(|h| h.module),
        quality,
        ..ClipVerdict::blank(item.file.clone(), item.module)
    };
    if let Some(f) = base.quality.iter().find(|f| f.effect == crate::clip::Effect::Refuse) {
        let reason = f.text.clone();
        return ClipVerdict { reading: format!("No verdict. Next: {reason}."), reason: Some(reason), ..base };
    }
    let departure = j.combined.departure;
    let state = match departure {
        d if d > DEPARTED => State::Departed,
        d if d > 1.0 => State::Drifting,
        _ => State::Steady,
    };
    let (mut pattern, filter) = naming(j, spot, &comparison.limit);
    let edges = band_edges_hz();
    let clean = cleaned(&spot.model, &j.residual);
    let (mut arc, mut bands) = ((0, N_ANGLE), (0, spot.model.n_usable));
    if let Some((f, t)) = filter {
        let (a, s) = spot.scorer.bank.families[f].filter(t);
        arc = a;
        bands = (s.lo, s.hi);
        if pattern == Pattern::Tone {
            let b = (s.lo..s.hi).find(|&b| s.weight[b] > 0.5).unwrap_or(s.lo);
            bands = (b, b + 1);
        }
    }
    if arc.1 >= N_ANGLE && pattern == Pattern::Hiss {
        pattern = Pattern::AllRound;
    }
    let inside = |a: usize| within(arc, a);
    let excess_db = if arc.1 >= N_ANGLE {
        mean_over(&j.residual, bands, |_| true) - level_db
    } else if pattern == Pattern::Shifted {
        // A shifted event is louder where it is now: its loudest place counts.
        (0..N_ANGLE).filter(|&a| inside(a)).map(|a| mean_over(&clean, bands, |c| c == a)).fold(f64::MIN, f64::max)
    } else {
        mean_over(&clean, bands, inside) - mean_over(&clean, bands, |a| !inside(a))
    };
    let departs = state != State::Steady;
    // The half, on the angle that is known or that one tapped clip proposes.
    let (half, own) = match named {
        Named::Sure(turn) | Named::Likely(turn) if departs => (half_of(turned(arc, turn)), turned(arc, turn)),
        _ => (Half::Unknown, arc),
    };
    let width = 360.0 / N_ANGLE as f64;
    let start_deg = own.0 as f64 * width;
    let text = reading(&Finds { state, pattern, half, angle: named.angle(), start_deg, heard_from: j.heard_from });
    let sure = named.angle() == Angle::Absolute;
    let shown = turned(arc, named.turn());
    let arc_deg = [shown.0 as f64 * width, ((shown.0 + shown.1) as f64 * width - 1e-9).rem_euclid(360.0) + 1e-9];
    ClipVerdict {
        verdict: state,
        departure: Some(departure),
        false_alarm: Some(j.combined.false_alarm),
        excess_db: Some(excess_db),
        band_hz: departs.then(|| [edges[bands.0], edges[bands.1]]),
        arc_deg: departs.then_some(if arc.1 >= N_ANGLE { [0.0, 360.0] } else { arc_deg }),
        half: if sure { half } else { Half::Unknown },
        probable_half: Some(half).filter(|h| !sure && *h != Half::Unknown),
        pattern: if departs { pattern } else { Pattern::Unclear },
        reading: text,
        ..base
    }
}

/// Change of the clip's overall level against its baseline: the median of its bands, dB.
fn level_change(j: &Judged, spot: &Spot) -> f64 {
    let mut offsets: Vec<f64> =
        (0..spot.model.n_usable).map(|b| mean_over(&j.residual, (b, b + 1), |_| true)).collect();
    offsets.sort_by(f64::total_cmp);
    offsets.get(offsets.len() / 2).copied().unwrap_or(0.0)
}

#[expect(clippy::cast_possible_truncation, reason = "levels in dB")]
fn map_of(cells: impl Fn(usize) -> f64, n_usable: usize) -> StrokeMap {
    let level_db =
        Array2::from_shape_fn(
            (N_BAND, N_ANGLE),
            |(b, a)| {
                if b < n_usable { cells(b * N_ANGLE + a) as f32 } else { f32::NAN }
            },
        );
    StrokeMap { level_db, edges_hz: band_edges_hz() }
}

/// Good, now and their difference on one origin, gain and tone colour taken out of `now`.
#[must_use]
pub(super) fn change_maps(item: &Item, j: &Judged, (spot, named): (&Spot, Named), with_pressure: bool) -> ChangeMaps {
    let (good, factor) = spot.model.predict(&point(item, &item.analysis.takes[j.take], with_pressure));
    let residual: Vec<f64> = (0..N_CELL).map(|i| (j.level_db[i] - good[i]) / factor).collect();
    let clean = cleaned(&spot.model, &residual);
    let n = spot.model.n_usable;
    let at = |i: usize| i / N_ANGLE * N_ANGLE + (i % N_ANGLE + named.turn()) % N_ANGLE;
    ChangeMaps {
        good: map_of(|i| good[at(i)], n),
        now: map_of(|i| good[at(i)] + clean[at(i)] * factor, n),
        difference: map_of(|i| clean[at(i)] * factor, n),
        angle: named.angle(),
    }
}
