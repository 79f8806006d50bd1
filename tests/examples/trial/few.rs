//! Good clips of one or two rounds: how often does a healthy clip then alarm, and is a strong leak still heard?
//!
//! Clips of one round are alike in what no later round has again. Three ways in which that comes about: rounds that were all given one name
//! (`named alike`), a sensor set down anew for each clip (`set down anew`), and one long recording cut into pieces (`one recording`).

use std::collections::BTreeMap;
use std::io::Write;

use rayon::prelude::*;
use seatsong::inside::clip::Clip;
use seatsong::inside::map::{AnalyseSettings, analyse};
use seatsong::inside::sample::{ClipSpec, Condition, Fault, Room, RoomSettings, RoundSpec};
use seatsong::inside::score::{Item, JudgeSettings, judge_all};
use serde_json::{Value, json};

use crate::figures::Share;
use crate::make::{Maker, beside_db};
use crate::plan::{first_round, louder};

/// Shorter and of a lower rate than other clips of the trial, for the time they take.
const CLIP_S: f64 = 20.0;
/// The same, in Hz.
const RATE_HZ: f64 = 24_000.0;
/// Good clips a module.
const GOOD: usize = 8;
/// Healthy rounds to be judged.
const HEALTHY: u64 = 4;
/// Level of the leaks, dB: loud enough that nobody must miss them.
const LEAK_DB: f64 = 3.0;

/// Rounds and clips a round of each baseline that is tried.
const TRIED: [(&str, usize, usize); 10] = [
    ("named alike", 1, 8),
    ("named alike", 2, 4),
    ("set down anew", 1, 8),
    ("set down anew", 2, 4),
    ("set down anew", 1, 3),
    ("one recording", 1, 8),
    ("one recording", 2, 4),
    ("one recording", 1, 3),
    ("rounds", 3, 1),
    ("rounds", 8, 1),
];

/// What came of one of them.
#[derive(Debug, Clone, Copy, Default, serde::Serialize)]
struct Count {
    drifting: Share,
    departed: Share,
    leak: Share,
    worst: f64,
    least_chance: f64,
}

fn spec_of(round: &RoundSpec, module: u32, pulse: bool) -> ClipSpec {
    ClipSpec { sample_rate_hz: RATE_HZ, duration_s: CLIP_S, pulse, ..round.clip(module) }
}

/// Clips of one recording, cut one after the other.
fn made(room: &Room, spec: &ClipSpec, n: usize, round: &RoundSpec) -> anyhow::Result<Vec<Item>> {
    let whole = ClipSpec { duration_s: n as f64 * CLIP_S, ..spec.clone() };
    let rec = room.record(&whole)?;
    let len = (CLIP_S * RATE_HZ) as usize;
    Ok((0..n)
        .map(|k| {
            let at = k * len..(k + 1) * len;
            let pulse = rec.pulse.as_ref().map(|p| p[at.clone()].to_vec());
            let clip = Clip::in_memory(rec.samples[at].to_vec(), RATE_HZ, pulse);
            Item {
                file: format!("module {}", spec.module),
                module: Some(spec.module),
                round: None,
                console_spm: None,
                pressure: Some(round.pressure),
                analysis: analyse(&clip, &AnalyseSettings::default()),
            }
        })
        .collect())
}

/// Good clips of a way, by round and then module and clip.
fn goods(
    room: &Room,
    base: u64,
    condition: Condition,
    way: &str,
    rounds: usize,
    clips: usize,
) -> anyhow::Result<Vec<Item>> {
    let mut wishes: Vec<(RoundSpec, ClipSpec, usize)> = Vec::new();
    let alike = matches!(way, "named alike" | "rounds");
    for r in 0..rounds {
        let first = condition.round(base + if alike { (r * clips) as u64 } else { r as u64 }, room);
        for module in 1..=3 {
            match way {
                "one recording" => wishes.push((first.clone(), spec_of(&first, module, r == 0), clips)),
                "set down anew" => {
                    for k in 0..clips {
                        let other = RoundSpec { seed: base + 5000 + (r * 100 + k) as u64, ..first.clone() };
                        let day_seed = first.clip(module).day_seed;
                        let spec = ClipSpec { day_seed, ..spec_of(&other, module, r == 0 && k == 0) };
                        wishes.push((first.clone(), spec, 1));
                    }
                }
                _ => {
                    for k in 0..clips {
                        let round = condition.round(base + (r * clips + k) as u64, room);
                        wishes.push((round.clone(), spec_of(&round, module, r == 0 && k == 0), 1));
                    }
                }
            }
        }
    }
    let per_round = wishes.len() / rounds;
    let made: Vec<Vec<Item>> =
        wishes.par_iter().map(|(round, spec, n)| made(room, spec, *n, round)).collect::<anyhow::Result<_>>()?;
    Ok(made
        .into_iter()
        .enumerate()
        .flat_map(|(k, items)| {
            items.into_iter().map(move |i| Item { round: Some(format!("good {}", k / per_round)), ..i })
        })
        .collect())
}

/// Healthy rounds, then one with each leak at each module in turn.
fn nows(room: &Room, base: u64, condition: Condition) -> anyhow::Result<Vec<Item>> {
    let healthy = (0..HEALTHY).map(|r| condition.round(base + 100 + r, room));
    let leaks = [
        Fault::SuctionValve { level_db: LEAK_DB },
        Fault::DischargeValve { level_db: LEAK_DB },
        Fault::Piston { level_db: LEAK_DB },
    ];
    let leaking = leaks.into_iter().zip(1..).map(|(fault, module)| {
        let mut round = condition.round(base + 1000 + u64::from(module), room);
        round.fault = Some(louder(fault, beside_db(room, &round, module)));
        round.fault_module = module;
        round
    });
    let mut wishes: Vec<(RoundSpec, u32, String)> = Vec::new();
    for (r, round) in healthy.chain(leaking).enumerate() {
        let own = round.fault.map(|_| round.fault_module);
        for module in (1..=3).filter(|m| own.is_none_or(|o| o == *m)) {
            wishes.push((round.clone(), module, format!("now {r}")));
        }
    }
    let items: Vec<Vec<Item>> = wishes
        .par_iter()
        .map(|(round, module, walk)| {
            let items = made(room, &spec_of(round, *module, false), 1, round)?;
            Ok(items.into_iter().map(|i| Item { round: Some(walk.clone()), ..i }).collect())
        })
        .collect::<anyhow::Result<_>>()?;
    Ok(items.into_iter().flatten().collect())
}

/// Runs the mode and prints its table.
pub(crate) fn run(
    out: &mut impl Write,
    maker: &Maker<'_>,
    seeds: std::ops::Range<u64>,
    conditions: &[Condition],
) -> anyhow::Result<Value> {
    let mut counts: BTreeMap<(usize, usize), Count> = BTreeMap::new();
    for (c, &condition) in conditions.iter().enumerate() {
        for seed in seeds.clone() {
            let settings = RoomSettings::drawn(seed);
            let room = Room::new(seed, &settings)?;
            let base = first_round(seed, condition);
            let n_now = HEALTHY as usize * 3 + 3;
            let now = maker.kept_or("few-now", seed, condition, n_now, &|| nows(&room, base, condition))?;
            for (w, &(way, rounds, clips)) in TRIED.iter().enumerate() {
                let name = format!("few-{}-{rounds}-{clips}", way.replace(' ', "-"));
                let good = maker.kept_or(&name, seed, condition, 3 * rounds * clips, &|| {
                    goods(&room, base, condition, way, rounds, clips)
                })?;
                eprint!("\r  room {seed} {} {way} {rounds} x {clips}      ", condition.name());
                let usable: Vec<Item> = good.into_iter().filter(|g| g.analysis.refusal().is_none()).collect();
                let judge = JudgeSettings { order: settings.order.clone(), ..JudgeSettings::default() };
                let outcome = judge_all(&usable, &now, &judge)?;
                let count = counts.entry((c, w)).or_insert(Count { least_chance: 1.0, ..Count::default() });
                for (k, v) in outcome.clips.iter().enumerate() {
                    let Some(d) = v.departure else { continue };
                    if k < HEALTHY as usize * 3 {
                        count.drifting.count(d > 1.0);
                        count.departed.count(d > 2.0);
                        count.worst = count.worst.max(d);
                        count.least_chance = count.least_chance.min(v.false_alarm.unwrap_or(1.0));
                    } else {
                        count.leak.count(d > 1.0);
                    }
                }
            }
        }
    }
    eprintln!();
    let n = seeds.end - seeds.start;
    writeln!(out, "few rounds, {n} rooms from seed {}, {GOOD} good clips a module at most", seeds.start)?;
    writeln!(
        out,
        "  {:<10} {:<14} {:>6} {:>6} {:>15} {:>10} {:>7} {:>13} {:>12}",
        "", "good clips", "rounds", "clips", "healthy past 1", "departed", "worst", "least chance", "leaks found"
    )?;
    let mut rows = Vec::new();
    for ((c, w), count) in counts {
        let (way, rounds, clips) = TRIED[w];
        let of = |s: Share| format!("{} of {}", s.hits, s.of);
        writeln!(
            out,
            "  {:<10} {way:<14} {rounds:>6} {clips:>6} {:>15} {:>10} {:>7.2} {:>13.4} {:>12}",
            conditions[c].name(),
            of(count.drifting),
            of(count.departed),
            count.worst,
            count.least_chance,
            of(count.leak),
        )?;
        let name = conditions[c].name();
        rows.push(json!({"condition": name, "way": way, "rounds": rounds, "clips": clips, "counts": count}));
    }
    Ok(json!({"schema": "seatsong.trial-few/1", "rows": rows}))
}
