//! Clips of low sample rates: do healthy clips stay within the limit, and what is still found?

use std::collections::BTreeMap;
use std::io::Write;

use rayon::prelude::*;
use seatsong::clip::Clip;
use seatsong::dsp::bands::{band_edges_hz, usable_bands};
use seatsong::map::{AnalyseSettings, analyse};
use seatsong::sample::{ClipSpec, Condition, Fault, Room, RoomSettings, RoundSpec};
use seatsong::score::{Item, JudgeSettings, judge_all};
use serde_json::{Value, json};

use crate::figures::Share;
use crate::make::{Maker, beside_db};
use crate::plan::{first_round, louder};

/// Rates in Hz, and by how much the made-up room's rate is divided for each.
const RATES: [(f64, usize); 9] =
    [(500.0, 8), (800.0, 5), (1000.0, 4), (1500.0, 4), (2000.0, 2), (2400.0, 2), (3000.0, 2), (4000.0, 1), (8000.0, 1)];
/// Healthy rounds to be judged.
const HEALTHY: u64 = 6;

/// What came of one rate.
#[derive(Debug, Clone, Copy, Default, serde::Serialize)]
struct Count {
    judged: Share,
    drifting: Share,
    departed: Share,
    worst: f64,
    leaks: Share,
    knocks: Share,
}

/// Every `by`-th sample behind a windowed sinc that lets through what the new rate carries.
fn divided(x: &[f32], by: usize) -> Vec<f32> {
    if by == 1 {
        return x.to_vec();
    }
    let half = 16 * by as i64;
    let taps: Vec<f64> = (-half..=half)
        .map(|k| {
            let t = k as f64 * 0.95 / by as f64;
            let sinc = if k == 0 { 1.0 } else { (std::f64::consts::PI * t).sin() / (std::f64::consts::PI * t) };
            sinc * 0.95 / by as f64 * (0.5 + 0.5 * (std::f64::consts::PI * k as f64 / half as f64).cos())
        })
        .collect();
    (0..x.len())
        .step_by(by)
        .map(|i| {
            let at = |k: i64| usize::try_from(i as i64 + k).ok().and_then(|j| x.get(j)).map_or(0.0, |&v| f64::from(v));
            (-half..=half).zip(&taps).map(|(k, t)| t * at(k)).sum::<f64>() as f32
        })
        .collect()
}

/// The walks: good rounds, healthy ones, three leaks and three knocks; with a module each.
fn wishes(room: &Room, base: u64, condition: Condition, good: u64) -> Vec<(RoundSpec, u32, String)> {
    let mut out = Vec::new();
    for r in 0..good {
        (1..=3).for_each(|m| out.push((condition.round(base + r, room), m, format!("good {r}"))));
    }
    for r in 0..HEALTHY {
        (1..=3).for_each(|m| out.push((condition.round(base + 100 + r, room), m, format!("healthy {r}"))));
    }
    let leak = 3.0;
    let faults = [
        Fault::SuctionValve { level_db: leak },
        Fault::DischargeValve { level_db: leak },
        Fault::Piston { level_db: leak },
        Fault::Knock { level_db: 0.0 },
        Fault::Knock { level_db: 0.0 },
        Fault::LateClosing { deg: 10.0, harder_db: 2.0 },
    ];
    for (k, fault) in faults.into_iter().enumerate() {
        let mut round = condition.round(base + 1000 + k as u64, room);
        round.fault_module = k as u32 % 3 + 1;
        round.fault = Some(louder(fault, beside_db(room, &round, round.fault_module)));
        out.push((round.clone(), round.fault_module, format!("fault {k}")));
    }
    out
}

/// Runs the mode and prints its table.
pub(crate) fn run(
    out: &mut impl Write,
    maker: &Maker<'_>,
    seeds: std::ops::Range<u64>,
    conditions: &[Condition],
) -> anyhow::Result<Value> {
    let edges = band_edges_hz();
    let mut counts: BTreeMap<(usize, usize), Count> = BTreeMap::new();
    for (c, &condition) in conditions.iter().enumerate() {
        for seed in seeds.clone() {
            let settings = RoomSettings::drawn(seed);
            let room = Room::new(seed, &settings)?;
            let wishes = wishes(&room, first_round(seed, condition), condition, maker.size.good);
            for (at, &(rate, by)) in RATES.iter().enumerate() {
                eprint!("\r  room {seed} {} {rate} Hz     ", condition.name());
                let items = maker.kept_or(&format!("narrow-{rate}"), seed, condition, wishes.len(), &|| {
                    wishes
                        .par_iter()
                        .map(|(round, module, walk)| {
                            let pulse = walk == "good 0";
                            let made_hz = rate * by as f64;
                            let spec = ClipSpec { sample_rate_hz: made_hz, pulse, ..round.clip(*module) };
                            let rec = room.record(&spec)?;
                            let pulse = rec
                                .pulse
                                .map(|p| p.chunks(by).map(|c| c.iter().fold(0.0, |a: f32, &b| a.max(b))).collect());
                            let clip = Clip::in_memory("made-up.wav", divided(&rec.samples, by), rate, pulse);
                            Ok(Item {
                                file: walk.clone(),
                                module: Some(*module),
                                round: Some(walk.clone()),
                                console_spm: None,
                                pressure: Some(round.pressure),
                                analysis: analyse(&clip, &AnalyseSettings::default()),
                            })
                        })
                        .collect()
                })?;
                let (good, now): (Vec<Item>, Vec<Item>) =
                    items.into_iter().partition(|i| i.round.as_deref().is_some_and(|r| r.starts_with("good")));
                let good: Vec<Item> = good.into_iter().filter(|g| g.analysis.refusal().is_none()).collect();
                let judge = JudgeSettings { order: settings.order.clone(), ..JudgeSettings::default() };
                let count = counts.entry((c, at)).or_default();
                let Ok(outcome) = judge_all(&good, &now, &judge) else {
                    count.judged.count(false);
                    continue;
                };
                for (v, item) in outcome.clips.iter().zip(&now) {
                    let healthy = item.round.as_deref().is_some_and(|r| r.starts_with("healthy"));
                    count.judged.count(v.departure.is_some());
                    let Some(d) = v.departure else { continue };
                    if healthy {
                        count.drifting.count(d > 1.0);
                        count.departed.count(d > 2.0);
                        count.worst = count.worst.max(d);
                    } else if item.file < "fault 3".to_owned() {
                        count.leaks.count(d > 1.0);
                    } else {
                        count.knocks.count(d > 1.0);
                    }
                }
            }
        }
    }
    eprintln!();
    writeln!(out, "low sample rates, {} rooms from seed {}", seeds.end - seeds.start, seeds.start)?;
    writeln!(
        out,
        "  {:<10} {:>7} {:>6} {:>7} {:>11} {:>15} {:>9} {:>6} {:>9} {:>14}",
        "", "rate Hz", "bands", "to Hz", "judged", "healthy past 1", "departed", "worst", "leaks", "knocks, shifts"
    )?;
    let mut rows = Vec::new();
    for ((c, at), count) in counts {
        let rate = RATES[at].0;
        let n = usable_bands(&edges, rate);
        let of = |s: Share| format!("{} of {}", s.hits, s.of);
        writeln!(
            out,
            "  {:<10} {rate:>7} {n:>6} {:>7.0} {:>11} {:>15} {:>9} {:>6.2} {:>9} {:>14}",
            conditions[c].name(),
            edges[n],
            of(count.judged),
            of(count.drifting),
            of(count.departed),
            count.worst,
            of(count.leaks),
            of(count.knocks)
        )?;
        rows.push(json!({"condition": conditions[c].name(), "rate_hz": rate, "bands": n, "counts": count}));
    }
    Ok(json!({"schema": "seatsong.trial-narrow/1", "rows": rows}))
}
