//! What the other modules hear of one module's leak: taken out of their clips, and named.

use std::collections::BTreeMap;

use crate::baseline::{Model, nuisance_of};
use crate::map::N_ANGLE;
use crate::score::compare::{Item, Judged, PumpShape, Spot, cleaned};
use crate::score::limit::Limit;
use crate::score::place::naming;
use crate::score::{Heard, Pattern, Scored};

/// Columns by which a neighbour's arc is widened on each side: the way through the block smears it.
const MARGIN: usize = 2;
/// Levels tried of what is heard, dB re the leak at its source, each against the bands' own levels: nobody hears it louder than it is there.
const LEVELS_DB: std::ops::RangeInclusive<i32> = -40..=0;
/// Share of a clip's change that must be the source's for the source to be named although something is left.
const MOST: f64 = 0.5;

/// Where one clip of a round departs most, takes what its neighbours hear of that out of theirs and judges them again.
///
/// Two ways are tried, and the one that leaves less is taken: a hiss over the source's arc, fitted band by band in dB (right for weak
/// leaks), and the power that the source's own clip shows, at one level a band (right for strong ones, which drown a healthy pump's quiet
/// angles and not its loud ones). What is left is the neighbour's own.
pub(super) fn explain(nows: &[Item], judged: &mut [Option<Judged>], spots: &[Spot], shape: &PumpShape, limit: &Limit) {
    let mut walks: BTreeMap<&str, Vec<usize>> = BTreeMap::new();
    for (i, item) in nows.iter().enumerate() {
        if let (Some(r), Some(j)) = (&item.round, &judged[i])
            && j.combined.departure > 1.0
        {
            walks.entry(r.as_str()).or_default().push(i);
        }
    }
    for members in walks.values().filter(|m| m.len() > 1) {
        let departure = |i: usize| judged[i].as_ref().map_or(0.0, |j| j.combined.departure);
        let Some(source) = members.iter().copied().max_by(|&a, &b| departure(a).total_cmp(&departure(b))) else {
            continue;
        };
        let Some(found) = judged[source].clone() else { continue };
        let arcs = arcs_of(&found, &spots[found.spot], limit);
        for &i in members.iter().filter(|&&i| i != source && nows[i].module != nows[source].module) {
            let Some(j) = &mut judged[i] else { continue };
            let turn = shape.offset_turns(nows[source].module) - shape.offset_turns(nows[i].module);
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "columns of one turn")]
            let columns = (turn * N_ANGLE as f64).round().rem_euclid(N_ANGLE as f64) as usize;
            let spot = &spots[j.spot];
            let (heard, mut share) = (j.residual.clone(), 0.0_f64);
            let mut rests = Vec::new();
            for (k, arc) in arcs.iter().enumerate() {
                let wide = ((arc.0 + columns + N_ANGLE - MARGIN) % N_ANGLE, (arc.1 + 2 * MARGIN).min(N_ANGLE));
                // A hiss fitted freely over more than the named arc could be this module's own.
                if k == 0 {
                    rests.push(spot.scorer.bank.without_arc(&heard, wide));
                }
                let power = less_leak(&heard, j, spot, &found, &spots[found.spot], columns, wide);
                share = share.max(power.share);
                rests.push(power.rest);
            }
            for rest in rests {
                let Scored { best, hiss_sd } = spot.scorer.score(&rest);
                let combined = limit.combine(&best);
                if combined.departure < j.combined.departure {
                    (j.best, j.hiss_sd, j.combined, j.residual) = (best, hiss_sd, combined, rest);
                }
            }
            let all = j.combined.departure <= 1.0;
            if all || share >= MOST {
                j.heard_from = nows[source].module.map(|module| Heard { module, all });
            }
        }
    }
}

/// Arcs over which a source's change may be heard: first that of what it is called, then those of its best hisses. A strong leak may score highest
/// with a filter for a part of its arc.
fn arcs_of(source: &Judged, spot: &Spot, limit: &Limit) -> Vec<(usize, usize)> {
    let families = &spot.scorer.bank.families;
    let hisses = (0..families.len()).filter(|&f| families[f].pattern == Pattern::Hiss);
    let mut out: Vec<(usize, usize)> = Vec::new();
    for (f, filter) in naming(source, spot, limit).1.into_iter().chain(hisses.map(|f| (f, source.best[f].filter))) {
        let (arc, _) = families[f].filter(filter);
        if !out.contains(&arc) {
            out.push(arc);
        }
    }
    out
}

/// A neighbour's residual without the source's leak.
struct Less {
    rest: Vec<f64>,
    /// Share of its change, in squared standard deviations, that the leak explains.
    share: f64,
}

/// Takes the power of the source's leak out of a neighbour's clip, at the level that fits best, band by band.
///
/// # Formula
/// Leak `L = E_s (10^(c_s / 10) - 1)` within the arc, `E_s` the source's expected power and `c_s` its change in dB; heard as
/// `10 log10(1 + g L / E_n)` with one `g >= 0` a band.
fn less_leak(
    residual: &[f64],
    j: &Judged,
    spot: &Spot,
    source: &Judged,
    source_spot: &Spot,
    columns: usize,
    wide: (usize, usize),
) -> Less {
    let change = rise(&source_spot.model, &source.residual, (wide.0 + N_ANGLE - columns) % N_ANGLE, wide.1);
    let own = cleaned(&spot.model, residual);
    let (mut rest, mut before, mut after) = (residual.to_vec(), 0.0, 0.0);
    for b in 0..spot.model.n_usable.min(source_spot.model.n_usable) {
        let at = b * N_ANGLE..(b + 1) * N_ANGLE;
        let power = |db: f64| 10.0_f64.powf(0.1 * db);
        let here: Vec<f64> = j.expected.0[at.clone()].iter().map(|e| power(*e)).collect();
        // The leak on this module's own angle.
        let leak: Vec<f64> = (0..N_ANGLE)
            .map(|a| {
                let inside = (a + N_ANGLE - wide.0) % N_ANGLE < wide.1;
                let from = b * N_ANGLE + (a + N_ANGLE - columns) % N_ANGLE;
                let rise = power(change[from] * source.expected.1) - 1.0;
                if inside { power(source.expected.0[from]) * rise.max(0.0) } else { 0.0 }
            })
            .collect();
        let there: f64 = source.expected.0[at.clone()].iter().map(|e| power(*e)).sum();
        let even = here.iter().sum::<f64>() / there.max(f64::MIN_POSITIVE);
        let misfit = |p: &[f64]| -> f64 {
            let p = cleaned_band(&spot.model, b, p);
            own[at.clone()]
                .iter()
                .zip(&p)
                .zip(&spot.model.variance[at.clone()])
                .map(|((o, p), v)| (o - p).powi(2) / v)
                .sum()
        };
        let none = misfit(&[0.0; N_ANGLE]);
        let mut best = (none, vec![0.0; N_ANGLE]);
        for db in LEVELS_DB {
            let gain = even * power(f64::from(db));
            let heard: Vec<f64> = leak
                .iter()
                .zip(&here)
                .map(|(l, h)| {
                    10.0 * (gain * l / h.max(f64::MIN_POSITIVE)).ln_1p() / std::f64::consts::LN_10 / j.expected.1
                })
                .collect();
            let m = misfit(&heard);
            if m < best.0 {
                best = (m, heard);
            }
        }
        before += none;
        after += best.0;
        for (r, h) in rest[at].iter_mut().zip(&best.1) {
            *r -= h;
        }
    }
    // What healthy scatter alone leaves in every cell is no change that wants an explanation.
    let scatter = (spot.model.n_usable * N_ANGLE) as f64;
    Less { rest, share: (before - after) / (before - scatter).max(0.1 * before).max(f64::MIN_POSITIVE) }
}

/// A source's change in dB, against the rest of its turn: taking a band's mean out of a leak that fills half of the turn would halve it.
fn rise(model: &Model, residual: &[f64], start: usize, len: usize) -> Vec<f64> {
    let outside = |a: usize| (a + N_ANGLE - start) % N_ANGLE >= len;
    let n = (0..N_ANGLE).filter(|&a| outside(a)).count();
    // All round the turn there is no rest.
    if n < N_ANGLE / 6 {
        return cleaned(model, residual);
    }
    residual
        .chunks_exact(N_ANGLE)
        .flat_map(|band| {
            let level = (0..N_ANGLE).filter(|&a| outside(a)).map(|a| band[a]).sum::<f64>() / n as f64;
            band.iter().map(move |r| r - level)
        })
        .collect()
}

/// One band of a residual less its offset and floor change, as [`cleaned`].
fn cleaned_band(model: &Model, b: usize, x: &[f64]) -> Vec<f64> {
    let at = b * N_ANGLE..(b + 1) * N_ANGLE;
    let quiet = &model.quiet[at.clone()];
    let (offset, floor) = nuisance_of(x, &model.variance[at], quiet, model.offset_var[b], model.floor_var[b]);
    x.iter().zip(quiet).map(|(x, q)| x - offset - floor * q).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::baseline::N_CELL;
    use crate::clip::Clip;
    use crate::map::{AnalyseSettings, analyse};
    use crate::sample::{Condition, Fault, Room, RoomSettings, RoundSpec};
    use crate::score::{ClipVerdict, JudgeSettings, judge_all};

    #[test]
    fn one_band_is_cleaned_as_the_whole_map_is() {
        let clips: Vec<crate::baseline::GoodClip> = (0..4)
            .map(|k| crate::baseline::GoodClip {
                level_db: (0..N_CELL).map(|i| ((i * 31 + k * 17) % 23) as f64).collect(),
                point: vec![4.2],
                swings: Vec::new(),
            })
            .collect();
        let model = Model::fit(&clips, crate::dsp::bands::N_BAND);
        let x: Vec<f64> = (0..N_CELL).map(|i| ((i * 7) % 13) as f64 - 6.0).collect();
        let whole = cleaned(&model, &x);
        for b in 0..model.n_usable {
            let at = b * N_ANGLE..(b + 1) * N_ANGLE;
            for (one, all) in cleaned_band(&model, b, &x[at.clone()]).iter().zip(&whole[at]) {
                assert!((one - all).abs() < 1e-12);
            }
        }
    }

    fn walk(room: &Room, round: &RoundSpec, pulse: bool) -> Vec<Item> {
        (1..=3)
            .map(|module| {
                let mut spec = round.clip(module);
                (spec.pulse, spec.sample_rate_hz, spec.duration_s) = (pulse, 24_000.0, 20.0);
                let rec = room.record(&spec).unwrap();
                let clip = Clip::in_memory(rec.samples, rec.sample_rate_hz, rec.pulse);
                Item {
                    file: format!("m{module}"),
                    module: Some(module),
                    round: Some(round.seed.to_string()),
                    console_spm: None,
                    pressure: Some(round.pressure),
                    analysis: analyse(&clip, &AnalyseSettings::default()),
                }
            })
            .collect()
    }

    /// A leak as loud as this is heard at both neighbours: the source is first, and they say from where they hear it.
    #[test]
    fn a_strong_leak_is_named_at_its_module_and_pointed_to_by_the_others() {
        let settings = RoomSettings::drawn(78);
        let room = Room::new(78, &settings).unwrap();
        let goods: Vec<Item> =
            (0..6).flat_map(|r| walk(&room, &Condition::Daily.round(600 + r, &room), r == 1)).collect();
        for (source, fault) in [(1, Fault::DischargeValve { level_db: 3.0 }), (3, Fault::Piston { level_db: 3.0 })] {
            let mut round = Condition::Daily.round(700, &room);
            (round.fault, round.fault_module) = (Some(fault), source);
            let settings = JudgeSettings { order: settings.order.clone(), ..JudgeSettings::default() };
            let clips = judge_all(&goods, &walk(&room, &round, false), &settings).unwrap().clips;
            let of = |m: u32| -> &ClipVerdict { clips.iter().find(|c| c.module == Some(m)).unwrap() };
            let first = clips.iter().max_by(|a, b| a.departure.unwrap().total_cmp(&b.departure.unwrap())).unwrap();
            assert_eq!((first.module, first.heard_from), (Some(source), None), "{clips:?}");
            let pointing = (1..=3).filter(|m| *m != source && of(*m).heard_from == Some(source)).count();
            assert!(pointing >= 1, "{clips:?}");
            for m in (1..=3).filter(|m| *m != source && of(*m).heard_from.is_some()) {
                assert!(
                    of(m).reading.starts_with(&format!("Probably heard from module {source}")),
                    "{}",
                    of(m).reading
                );
            }
        }
    }

    /// Two modules that leak at once: what one hears of the other is not all that it hears.
    #[test]
    fn a_leak_of_its_own_is_not_explained_by_the_neighbours() {
        let settings = RoomSettings::drawn(78);
        let room = Room::new(78, &settings).unwrap();
        let goods: Vec<Item> =
            (0..6).flat_map(|r| walk(&room, &Condition::Daily.round(600 + r, &room), r == 1)).collect();
        let with = |module: u32, fault: Fault| {
            let mut round = Condition::Daily.round(700, &room);
            (round.fault, round.fault_module) = (Some(fault), module);
            walk(&room, &round, false)
        };
        let mut nows = with(1, Fault::DischargeValve { level_db: 0.0 });
        nows[2] = with(3, Fault::DischargeValve { level_db: 0.0 }).remove(2);
        let settings = JudgeSettings { order: settings.order.clone(), ..JudgeSettings::default() };
        let clips = judge_all(&goods, &nows, &settings).unwrap().clips;
        for m in [1, 3] {
            let clip = clips.iter().find(|c| c.module == Some(m)).unwrap();
            assert!(clip.departure.unwrap() > 2.0, "{clip:?}");
            assert!(!clip.reading.contains("shows nothing of its own"), "{clip:?}");
        }
    }
}
