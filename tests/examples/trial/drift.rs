//! Drift mode: a leak grows by half a decibel a day, and the trend must speak before the single verdict does.
//!
//! Economical: of each room a pool of healthy rounds is made and analysed, and of each the leak's sound alone is folded on the same
//! phase. Powers of independent sounds add, so the map at any level of the leak is the healthy one plus the leak's, scaled; a few clips
//! with the leak really in them are judged beside, to see that this holds. Series of rounds are drawn from the pool.

use std::io::Write;

use rand_pcg::Pcg64;
use rand_pcg::rand_core::Rng as _;
use rayon::prelude::*;
use seatsong::inside::clip::{Code, Finding};
use seatsong::inside::dsp::bands::band_edges_hz;
use seatsong::inside::dsp::frames::FramePlan;
use seatsong::inside::map::{Analysis, fold};
use seatsong::inside::robust::{normal_tail, normal_upper_quantile};
use seatsong::inside::sample::{Condition, Room, RoomSettings};
use seatsong::inside::score::trend::{TrendInput, TrendRound, TrendSettings, trend};
use seatsong::inside::score::{Item, JudgeSettings, judge_all};
use seatsong::inside::stroke::levels_db;
use serde_json::{Value, json};

use crate::figures::{Share, median_and_most};
use crate::make::{Maker, beside_db};
use crate::plan::{Job, Kind, Wrong, first_round, floor_db, good_jobs, leaks, louder};

/// Levels at which the pool is judged, about the condition's floor, dB; between them scores are interpolated.
const LEVELS_DB: std::ops::RangeInclusive<i32> = -16..=6;
/// Level at which a leak begins, about the condition's floor, dB: 16 dB below what must be found, nothing hears it.
const BEGINS_DB: f64 = -16.0;
/// Level of the leak whose sound is folded alone, about the floor, dB: loud enough to stand out of rounding.
const FOLDED_DB: f64 = 6.0;
/// Clips with the leak really in them, a room, and their level about the floor, dB.
const REAL: usize = 4;
const REAL_DB: f64 = -2.0;
/// Growth in dB a day; rounds a day; healthy rounds before.
const GROWTH_DB_A_DAY: f64 = 0.5;
const ROUNDS_A_DAY: f64 = 6.0;
const HEALTHY: usize = 60;
/// Series of each room.
const SERIES: u64 = 60;
/// Healthy years of each room, and the correlation of a round with the one before.
const YEARS: u64 = 40;
const LAG1: f64 = 0.3;

/// Departure and hiss of a pool's rounds, `[level][round]`; the first level is no leak.
struct Pool {
    scores: Vec<Vec<(f64, f64)>>,
    /// Differences of departure and hiss between mixed and real clips.
    real: Vec<(f64, f64)>,
}

/// When each witness spoke, in days from the beginning of the leak; `None`: not within the series.
#[derive(Default)]
struct Race {
    chart: Vec<f64>,
    /// Rounds past 1.0, two running past 1.0, past 2.0.
    rivals: [Vec<f64>; 3],
    /// In how many the chart was first.
    first: [u32; 3],
    /// Announcements before there was a leak.
    early: u32,
    false_years: Vec<f64>,
}

fn uniform(random: &mut Pcg64) -> f64 {
    ((random.next_u64() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
}

fn normal(random: &mut Pcg64) -> f64 {
    normal_upper_quantile(uniform(random)).unwrap_or(0.0)
}

/// The leak of a room: its module and kind.
fn leak_of(seed: u64, condition: Condition, level_db: f64) -> (u32, Wrong) {
    let kinds = leaks(level_db);
    (u32::try_from(seed % 3).unwrap_or(0) + 1, kinds[((seed / 3 + condition as u64) % 3) as usize])
}

/// Healthy rounds at the leaking module, and of each the leak's sound alone in a map of its own.
fn pool_items(maker: &Maker<'_>, seed: u64, condition: Condition, room: &Room, n: usize) -> anyhow::Result<Vec<Item>> {
    let (module, wrong) = leak_of(seed, condition, floor_db(condition) + FOLDED_DB);
    let beside = beside_db(room, &condition.round(seed, room), module);
    let scratch = tempfile::tempdir()?;
    let made: Vec<(Vec<Item>, Vec<Item>)> = (0..n)
        .into_par_iter()
        .map(|k| {
            let mut round = condition.round(first_round(seed, condition) + 5000 + k as u64, room);
            round.fault_module = module;
            let job = Job { round, walk: format!("day {k}"), module, kind: Kind::Healthy, pulse: false };
            // One leak: the same gap sounds the same from day to day.
            let healthy = seatsong::inside::sample::ClipSpec { fault_seed: seed, ..job.round.clip(module) };
            let leaking =
                seatsong::inside::sample::ClipSpec { fault: Some(louder(wrong.fault, beside)), ..healthy.clone() };
            let path = scratch.path().join(format!("{k}.wav"));
            let (mut item, _) = maker.analysed(room, &job, &healthy, &path, true)?;
            let (with, without) = (room.record(&leaking)?, room.record(&healthy)?);
            let alone: Vec<f32> = with.samples.iter().zip(&without.samples).map(|(a, b)| a - b).collect();
            let frames = FramePlan::shared(with.sample_rate_hz).band_frames(&alone);
            let level = levels_db(&frames);
            let mut leak = item.clone();
            for take in &mut leak.analysis.takes {
                let phase = take.phase.take().unwrap_or_default();
                if phase.len() == frames.n_frames() {
                    take.map.power = fold(&frames, &level, &phase, &band_edges_hz()).power;
                } else {
                    // Only a part of the clip was used (a clank at its limit): its phase is not the leak's.
                    item.analysis.findings.push(Finding::refuse(Code::PartUsed, "left out of the pool"));
                }
            }
            for take in &mut item.analysis.takes {
                take.phase = None;
            }
            let mut out = vec![item, leak];
            if k < REAL {
                let fault = louder(wrong.fault, beside + REAL_DB - FOLDED_DB);
                let spec = seatsong::inside::sample::ClipSpec { fault: Some(fault), ..healthy };
                out.push(maker.analysed(room, &job, &spec, &path, false)?.0);
            }
            let _ = std::fs::remove_file(&path);
            eprint!("\r  room {seed} {}: pool {k} ", condition.name());
            let real = out.split_off(2);
            Ok((out, real))
        })
        .collect::<anyhow::Result<_>>()?;
    eprintln!();
    let (pairs, real): (Vec<Vec<Item>>, Vec<Vec<Item>>) = made.into_iter().unzip();
    Ok(pairs.into_iter().chain(real).flatten().collect())
}

/// A healthy clip with its leak mixed in at `db` re the folded level.
fn mixed(healthy: &Item, leak: &Item, db: f64, name: String) -> Item {
    let gain = 10.0_f64.powf(0.1 * db) as f32;
    let mut analysis: Analysis = healthy.analysis.clone();
    for (take, alone) in analysis.takes.iter_mut().zip(&leak.analysis.takes) {
        for (p, l) in take.map.power.iter_mut().zip(&alone.map.power) {
            *p += gain * l;
        }
    }
    Item { round: Some(name), analysis, ..healthy.clone() }
}

fn judged(maker: &Maker<'_>, seed: u64, condition: Condition, n: usize) -> anyhow::Result<Option<Pool>> {
    let settings = RoomSettings::drawn(seed);
    let room = Room::new(seed, &settings)?;
    let goods = good_jobs(seed, condition, &room, maker.size.good);
    let goods = maker.named(&format!("good{}", maker.size.good), seed, condition, &room, &goods)?;
    let goods: Vec<Item> = goods.into_iter().filter(|g| g.analysis.refusal().is_none()).collect();
    let name = format!("drift{n}");
    let real_n = REAL.min(n);
    let items =
        maker.kept_or(&name, seed, condition, 2 * n + real_n, &|| pool_items(maker, seed, condition, &room, n))?;
    let (pairs, real) = items.split_at(2 * n);
    let mut nows = Vec::new();
    let levels: Vec<Option<f64>> = std::iter::once(None).chain(LEVELS_DB.map(|l| Some(f64::from(l)))).collect();
    for level in &levels {
        for (k, pair) in pairs.chunks(2).enumerate() {
            let db = level.map_or(f64::NEG_INFINITY, |l| l - FOLDED_DB);
            nows.push(mixed(&pair[0], &pair[1], db, format!("{level:?} {k}")));
        }
    }
    for (k, pair) in pairs.chunks(2).take(real_n).enumerate() {
        nows.push(mixed(&pair[0], &pair[1], REAL_DB - FOLDED_DB, format!("mixed {k}")));
    }
    nows.extend(real.iter().enumerate().map(|(k, r)| Item { round: Some(format!("real {k}")), ..r.clone() }));
    let outcome = judge_all(&goods, &nows, &JudgeSettings { order: settings.order, ..JudgeSettings::default() })?;
    let all: Vec<Option<(f64, f64)>> = outcome.clips.iter().map(|c| c.departure.zip(c.hiss_sd)).collect();
    // A clip that is unjudged at any level is left out at all.
    let whole: Vec<usize> = (0..n).filter(|k| (0..levels.len()).all(|l| all[l * n + k].is_some())).collect();
    if whole.len() < n / 2 {
        return Ok(None);
    }
    let scores = (0..levels.len()).map(|l| whole.iter().filter_map(|k| all[l * n + k]).collect()).collect();
    let at = levels.len() * n;
    let pair = |k: usize| all[at + k].zip(all[at + real_n + k]);
    let real = (0..real_n).filter_map(pair).map(|(m, r)| (m.0 - r.0, m.1 - r.1)).collect();
    Ok(Some(Pool { scores, real }))
}

impl Pool {
    /// Departure and hiss of round `k` with a leak `db` about the floor; `None`: no leak.
    fn at(&self, k: usize, db: Option<f64>) -> (f64, f64) {
        let Some(db) = db else { return self.scores[0][k] };
        let from = f64::from(*LEVELS_DB.start());
        let place = (db - from).clamp(0.0, (self.scores.len() - 2) as f64 - 1e-9);
        let (i, t) = (place as usize, place.fract());
        let (a, b) = (self.scores[1 + i][k], self.scores[2 + i][k]);
        (a.0 + t * (b.0 - a.0), a.1 + t * (b.1 - a.1))
    }

    fn race(&self, seed: u64, settings: &TrendSettings, out: &mut Race) {
        let mut random = Pcg64::new(u128::from(seed), 0xd21f);
        let n = self.scores[0].len();
        let last_db = f64::from(*LEVELS_DB.end());
        let leaking = ((last_db - BEGINS_DB) / GROWTH_DB_A_DAY * ROUNDS_A_DAY) as usize;
        let series: Vec<(f64, f64)> = (0..HEALTHY + leaking)
            .map(|i| {
                let k = ((uniform(&mut random) * n as f64) as usize).min(n - 1);
                let days = |i: usize| (i - HEALTHY) as f64 / ROUNDS_A_DAY;
                self.at(k, (i >= HEALTHY).then(|| BEGINS_DB + GROWTH_DB_A_DAY * days(i)))
            })
            .collect();
        let t = trend(&input(&series), settings);
        let chart: Vec<bool> = t.points.iter().map(|p| p.chart > 1.0).collect();
        out.early += u32::from(chart[..HEALTHY].iter().any(|c| *c));
        let day = |at: Option<usize>| at.map_or(f64::INFINITY, |k| k as f64 / ROUNDS_A_DAY);
        // An announcement of before would be no merit.
        let spoke = day((HEALTHY..chart.len()).position(|i| chart[i] && !chart[HEALTHY - 1]));
        let past = |i: usize, limit: f64| series[HEALTHY + i].0 > limit;
        let rivals = [
            (0..leaking).position(|i| past(i, 1.0)),
            (1..leaking).position(|i| past(i, 1.0) && past(i - 1, 1.0)).map(|i| i + 1),
            (0..leaking).position(|i| past(i, 2.0)),
        ]
        .map(day);
        out.chart.push(spoke);
        for (r, rival) in rivals.into_iter().enumerate() {
            out.first[r] += u32::from(spoke < rival);
            out.rivals[r].push(rival);
        }
    }

    /// Announcements in a healthy year that begins without any knowledge of the spot.
    fn healthy_year(&self, seed: u64, settings: &TrendSettings) -> f64 {
        let mut random = Pcg64::new(u128::from(seed), 0x4ea1);
        let n = self.scores[0].len();
        // Departure and hiss of one clip go together: by the rank of its hiss, ties of the pool broken by a hair.
        let mut order: Vec<usize> = (0..n).collect();
        order.sort_by(|a, b| self.scores[0][*a].1.total_cmp(&self.scores[0][*b].1));
        let keep = (1.0 - LAG1 * LAG1).sqrt();
        let mut state = normal(&mut random);
        let series: Vec<(f64, f64)> = (0..(365.0 * ROUNDS_A_DAY) as usize)
            .map(|_| {
                state = LAG1 * state + keep * normal(&mut random);
                let place = (1.0 - normal_tail(state)) * n as f64;
                let (d, h) = self.scores[0][order[(place as usize).min(n - 1)]];
                let hair = 1e-6 * place.fract();
                (d + hair, h + hair)
            })
            .collect();
        let t = trend(&input(&series), settings);
        let on: Vec<bool> = t.points.iter().map(|p| p.chart > 1.0).collect();
        (0..on.len()).filter(|&i| on[i] && (i == 0 || !on[i - 1])).count() as f64
    }
}

fn input(series: &[(f64, f64)]) -> TrendInput {
    let rounds = series
        .iter()
        .enumerate()
        .map(|(i, (departure, hiss))| TrendRound {
            time_s: (i as f64 * 86_400.0 / ROUNDS_A_DAY) as i64,
            strokes: None,
            departure: Some(*departure),
            excess_db: None,
            hiss_sd: Some(*hiss),
            good: false,
        })
        .collect();
    TrendInput { rounds, ..TrendInput::default() }
}

/// Runs the mode and prints its table.
pub(crate) fn run(
    out: &mut impl Write,
    maker: &Maker<'_>,
    seeds: std::ops::Range<u64>,
    conditions: &[Condition],
    pool: usize,
) -> anyhow::Result<Value> {
    let settings = TrendSettings::default();
    writeln!(
        out,
        "a leak that grows {GROWTH_DB_A_DAY} dB a day from {BEGINS_DB} dB below the floor level, {ROUNDS_A_DAY} rounds a day, {HEALTHY} healthy rounds before;\n\
         {} rooms, a pool of {pool} rounds in each, {SERIES} series; days from the beginning are medians; first = series in which the trend spoke first",
        seeds.end - seeds.start
    )?;
    let mut rows = Vec::new();
    for &condition in conditions {
        let (mut race, mut real) = (Race::default(), Vec::new());
        let mut rooms = 0;
        for seed in seeds.clone() {
            let Some(pool) = judged(maker, seed, condition, pool)? else {
                writeln!(out, "  {} room {seed}: too many clips without a verdict, left out", condition.name())?;
                continue;
            };
            rooms += 1;
            (0..SERIES).for_each(|s| pool.race(seed * 1000 + s, &settings, &mut race));
            race.false_years.extend(
                (0..YEARS).into_par_iter().map(|y| pool.healthy_year(seed * 1000 + y, &settings)).collect::<Vec<_>>(),
            );
            real.extend(pool.real);
        }
        let n = race.chart.len();
        let mid = |days: &[f64]| median_and_most(days).map_or(f64::NAN, |m| m.0);
        let a_year = race.false_years.iter().sum::<f64>() / race.false_years.len().max(1) as f64;
        let spoke = mid(&race.chart);
        writeln!(
            out,
            "  {:<10} {rooms} rooms, {n} series: trend after {spoke:.1} d ({:+.1} dB about the floor)",
            condition.name(),
            BEGINS_DB + GROWTH_DB_A_DAY * spoke
        )?;
        for (name, r) in [("past 1.0", 0), ("two running past 1.0", 1), ("departed (past 2.0)", 2)] {
            let share = Share { hits: race.first[r], of: n as u32 };
            writeln!(
                out,
                "    single verdict {name:<21} after {:>5.1} d; trend first in {} of {n} = {:.1} %",
                mid(&race.rivals[r]),
                race.first[r],
                share.per_cent()
            )?;
        }
        let off =
            |f: &dyn Fn(&(f64, f64)) -> f64| median_and_most(&real.iter().map(|d| f(d).abs()).collect::<Vec<_>>());
        let (dep, hiss) = (off(&|d| d.0), off(&|d| d.1));
        writeln!(
            out,
            "    false announcements {a_year:.2} a module and healthy year at lag-1 {LAG1}; {} of {n} series announced within {HEALTHY} healthy rounds;\n    \
             mixed against {} real clips: departure off by {:.2} (median; most {:.2}), hiss by {:.2} sd (most {:.2})",
            race.early,
            real.len(),
            dep.map_or(f64::NAN, |d| d.0),
            dep.map_or(f64::NAN, |d| d.1),
            hiss.map_or(f64::NAN, |d| d.0),
            hiss.map_or(f64::NAN, |d| d.1),
        )?;
        out.flush()?;
        rows.push(json!({"condition": condition.name(), "rooms": rooms, "series": n, "trend_days": spoke,
            "rival_days": race.rivals.each_ref().map(|r| Some(mid(r)).filter(|d| d.is_finite())), "trend_first": race.first,
            "false_a_module_year": a_year, "early": race.early}));
    }
    Ok(json!({"schema": "seatsong.trial-drift/1", "rows": rows}))
}
