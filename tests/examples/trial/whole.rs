//! Whole rounds with strong leaks: the neighbours hear them, and the right module must still be named.

use std::io::Write;

use seatsong::inside::report::words::worst_first;
use seatsong::inside::sample::{Condition, Room, RoomSettings};
use seatsong::inside::score::{ClipVerdict, Item, JudgeSettings, judge_all};
use serde_json::{Value, json};

use crate::figures::Share;
use crate::make::Maker;
use crate::plan::{Job, Kind, first_round, good_jobs, leaks};

/// Levels of the leaks in dB: from where cross-talk begins to alarm the next modules to where it must.
const LEVELS_DB: [f64; 4] = [-3.0, 0.0, 3.0, 6.0];

/// What came of one level.
#[derive(Debug, Clone, Copy, Default, serde::Serialize)]
struct Count {
    /// Rounds in which any module alarms.
    alarms: Share,
    /// Of those, rounds in which the leaking module is ranked first.
    right: Share,
    /// Neighbours (two a round) that still alarm after what they hear was taken out.
    beside: Share,
    /// Neighbours whose reading says from which module it is heard.
    told: Share,
    /// Of those, the ones that name the leaking module.
    told_right: Share,
}

/// The rounds with leaks of a room under a condition: each kind at each level, the module changing.
fn leaking(seed: u64, condition: Condition, room: &Room, repeats: u64) -> Vec<Job> {
    let mut out = Vec::new();
    let mut n = 0_u64;
    for repeat in 0..repeats {
        for level_db in LEVELS_DB {
            for wrong in leaks(level_db) {
                let mut round = condition.round(first_round(seed, condition) + 3000 + n, room);
                round.fault = Some(wrong.fault);
                round.fault_module = u32::try_from((n + seed + repeat) % 3).unwrap_or(0) + 1;
                for module in 1..=3 {
                    let kind = if module == round.fault_module { Kind::Faulty(wrong) } else { Kind::Beside(wrong) };
                    out.push(Job { round: round.clone(), walk: format!("leaking {n}"), module, kind, pulse: false });
                }
                n += 1;
            }
        }
    }
    out
}

fn count(counts: &mut [Count], jobs: &[Job], clips: &[ClipVerdict]) {
    for (walk, verdicts) in jobs.chunks(3).zip(clips.chunks(3)) {
        let source = walk[0].round.fault_module;
        let (Kind::Faulty(wrong) | Kind::Beside(wrong)) = walk[0].kind else { continue };
        let Some(at) = LEVELS_DB.iter().position(|l| wrong.level == Some(*l)) else { continue };
        let c = &mut counts[at];
        let alarm = verdicts.iter().any(|v| v.departure.is_some_and(|d| d > 1.0));
        c.alarms.count(alarm);
        if alarm {
            c.right.count(worst_first(verdicts).first().is_some_and(|&k| verdicts[k].module == Some(source)));
        }
        for v in verdicts.iter().filter(|v| v.module != Some(source)) {
            c.beside.count(v.departure.is_some_and(|d| d > 1.0));
            c.told.count(v.heard_from.is_some());
            if let Some(from) = v.heard_from {
                c.told_right.count(from == source);
            }
        }
    }
}

/// Runs the mode and prints its table.
pub(crate) fn run(
    out: &mut impl Write,
    maker: &Maker<'_>,
    seeds: std::ops::Range<u64>,
    conditions: &[Condition],
) -> anyhow::Result<Value> {
    let (mut all, mut rows) = (Share::default(), Vec::new());
    writeln!(out, "whole rounds with leaks at one module, {} rooms", seeds.end - seeds.start)?;
    writeln!(
        out,
        "  {:<10} {:>6} {:>7} {:>7} {:>13} {:>17} {:>15} {:>10}",
        "", "level", "rounds", "alarms", "right module", "neighbour alarms", "heard from told", "told right"
    )?;
    for &condition in conditions {
        let mut counts = [Count::default(); LEVELS_DB.len()];
        for seed in seeds.clone() {
            let settings = RoomSettings::drawn(seed);
            let room = Room::new(seed, &settings)?;
            let goods = good_jobs(seed, condition, &room, maker.size.good);
            let goods = maker.named(&format!("good{}", maker.size.good), seed, condition, &room, &goods)?;
            let jobs = leaking(seed, condition, &room, maker.size.repeats);
            let nows = maker.named(&format!("whole{}", maker.size.repeats), seed, condition, &room, &jobs)?;
            let usable: Vec<Item> = goods.into_iter().filter(|g| g.analysis.refusal().is_none()).collect();
            let outcome =
                judge_all(&usable, &nows, &JudgeSettings { order: settings.order, ..JudgeSettings::default() })?;
            count(&mut counts, &jobs, &outcome.clips);
        }
        for (level, c) in LEVELS_DB.iter().zip(&counts) {
            let of = |s: Share| format!("{} of {}", s.hits, s.of);
            writeln!(
                out,
                "  {:<10} {level:>3.0} dB {:>7} {:>7} {:>13} {:>17} {:>15} {:>10}",
                condition.name(),
                c.alarms.of,
                c.alarms.hits,
                of(c.right),
                of(c.beside),
                of(c.told),
                of(c.told_right)
            )?;
            all.add(c.right);
            rows.push(json!({"condition": condition.name(), "level_db": level, "counts": c}));
        }
    }
    let [low, high] = all.interval();
    writeln!(
        out,
        "  right module in {} of {} alarms = {:.1} % (95 % interval {low:.1} to {high:.1} %); promised >= 98 %",
        all.hits,
        all.of,
        all.per_cent()
    )?;
    Ok(json!({"schema": "seatsong.trial-whole/1", "right_module": all, "rows": rows}))
}
