//! What the trend says of made-up series, and what its charts promise, counted over made-up years.

use seatsong::inside::score::trend::{
    DAY_S, PartMark, Trend, TrendInput, TrendRound, TrendSettings, TrendState, Witness, trend,
};

use crate::years::{DriftModel, announced, departures_and_scores, false_a_year, race};

const START_S: i64 = 1_700_000_000;

fn input(series: &[f64], per_day: f64) -> TrendInput {
    let rounds = series
        .iter()
        .enumerate()
        .map(|(i, d)| TrendRound {
            #[expect(clippy::cast_possible_truncation, reason = "some years of seconds")]
            time_s: START_S + (i as f64 * DAY_S / per_day) as i64,
            strokes: Some(i as f64 * 16_000.0),
            departure: Some(*d),
            excess_db: Some(2.0 * d),
            hiss_sd: None,
            good: false,
        })
        .collect();
    TrendInput { module: Some(2), rounds, ..TrendInput::default() }
}

fn departures(model: &DriftModel, n: usize, seed: u64) -> Vec<f64> {
    departures_and_scores(model, n, seed).into_iter().map(|p| p.0).collect()
}

fn made(series: &[f64]) -> Trend {
    trend(&input(series, 6.0), &TrendSettings::default())
}

#[test]
fn a_quiet_module_shows_no_drift() {
    let t = made(&departures(&DriftModel::default(), 240, 8));
    assert_eq!(t.state, TrendState::Steady);
    assert_eq!((t.to_limit, t.to_departed, t.since_s), (None, None, None));
    assert_eq!(t.sentence, "Module 2 shows no drift in 240 rounds so far.");
}

#[test]
fn a_last_round_past_the_limit_is_not_passed_over() {
    let mut series = departures(&DriftModel::default(), 240, 8);
    series.push(1.6);
    let t = made(&series);
    assert_eq!(t.state, TrendState::Steady);
    assert!(t.sentence.contains("past the limit (1.6): go by that verdict"), "{}", t.sentence);
}

#[test]
fn few_rounds_say_so() {
    let t = made(&[0.4, 0.5, 0.9]);
    assert_eq!(t.state, TrendState::Few);
    assert_eq!(t.sentence, "Module 2: 3 rounds so far, too few to tell a drift. Record at every round.");
    assert_eq!(made(&[]).state, TrendState::Few);
}

#[test]
fn a_slow_climb_is_announced_with_a_time_to_the_limit() {
    // 0.04 departures a day from day 20 on, over healthy scatter: at day 29 the line is at about 0.84 and 4 days from the limit.
    let mut series = departures(&DriftModel::default(), 174, 3);
    for (i, d) in series.iter_mut().enumerate() {
        *d = 0.48 + 0.35 * (*d - 0.48) + 0.04 * (i as f64 / 6.0 - 20.0).max(0.0);
    }
    let t = made(&series);
    assert_eq!(t.state, TrendState::Creeping, "{}", t.sentence);
    let pace = t.pace.unwrap();
    assert!(pace.per_day.low < 0.04 && pace.per_day.high > 0.04, "{pace:?}");
    let c = t.to_limit.unwrap();
    assert!(c.days[0].unwrap() < 4.5 && c.days[2].is_none_or(|d| d > 3.0), "{c:?}");
    let strokes = c.strokes.unwrap();
    // 96,000 strokes a day: both clocks say the same.
    assert!((strokes[1].unwrap() / 96_000.0 - c.days[1].unwrap()).abs() < 0.02, "{c:?}");
    assert!(
        t.sentence.starts_with("Module 2 has crept up for ")
            && t.sentence.contains("at this pace it reaches the limit (1) ")
    );
    assert!(!t.sentence.contains("broken"));
}

#[test]
fn a_step_is_raised_without_a_pace_or_with_a_slow_one() {
    let mut series = departures(&DriftModel::default(), 180, 5);
    for d in &mut series[120..] {
        *d += 0.6;
    }
    let t = made(&series);
    assert_eq!(t.state, TrendState::Raised, "{}", t.sentence);
    assert_eq!(t.to_departed, None);
}

#[test]
fn a_change_of_part_begins_anew() {
    let mut series = departures(&DriftModel::default(), 180, 5);
    for d in &mut series[60..120] {
        *d += 0.9;
    }
    let mut with = input(&series, 6.0);
    assert!(
        trend(&TrendInput { rounds: with.rounds[..120].to_vec(), ..with.clone() }, &TrendSettings::default())
            .since_s
            .is_some()
    );
    with.marks.push(PartMark { time_s: with.rounds[120].time_s, strokes: None, text: "suction valve".into() });
    let t = trend(&with, &TrendSettings::default());
    assert_eq!((t.state, t.rounds), (TrendState::Steady, 60), "{}", t.sentence);
    assert_eq!(t.points[119].segment, 0);
    assert_eq!(t.points[120].segment, 1);
    assert!(t.sentence.ends_with("60 rounds since the last change of part."));
}

#[test]
fn wild_input_never_panics_and_unjudged_rounds_are_left_out() {
    let mut odd = input(&[0.5, f64::NAN, f64::INFINITY, 0.6, 1e300, -1e300, 0.5, 0.5, 0.5, 0.5], 6.0);
    odd.rounds[4].strokes = Some(f64::NAN);
    odd.rounds[0].departure = None;
    for r in &mut odd.rounds[5..] {
        r.time_s = i64::from(i32::MAX);
    }
    let wild = TrendSettings { allowance: f64::NAN, limit: -1.0, confidence: 7.0, recent_days: 0.0 };
    let t = trend(&odd, &wild);
    assert_eq!(t.rounds, 7);
    assert_eq!(t.settings, TrendSettings::default());
}

#[test]
fn the_order_of_the_rounds_does_not_matter() {
    let one = input(&departures(&DriftModel::default(), 100, 1), 6.0);
    let mut other = one.clone();
    other.rounds.reverse();
    assert_eq!(trend(&one, &TrendSettings::default()), trend(&other, &TrendSettings::default()));
}

/// The promise: at most one false announcement a healthy year of a pump of three modules at six rounds a day, by both charts together,
/// although rounds resemble the one before (0.3), departures are skewed, each spot has its own scatter and nothing is known of it when the
/// year begins.
#[test]
fn false_announcements_stay_below_one_a_pump_year() {
    let s = TrendSettings::default();
    for (spot, seed) in [([0.0, 1.0], 11), ([0.15, 1.4], 11), ([-0.1, 0.6], 500)] {
        let model = DriftModel { spot, ..DriftModel::default() };
        let a_module = false_a_year(&model, s.allowance, s.limit, 150, seed);
        // 150 years at 0.25 know the mean to 0.04.
        assert!(a_module <= 0.33, "{a_module} a module and year, spot {spot:?}");
        assert!(a_module >= 0.05, "{a_module}: the charts hear nothing at all?");
    }
}

/// Years of few rounds: charts that must learn their own healthy scatter signal no more often in the first thirty days than later.
#[test]
fn the_first_days_are_not_worse_than_the_rest() {
    let s = TrendSettings::default();
    let count = |n: usize, from: usize, series: u64| -> f64 {
        let total: usize = (0..series)
            .map(|seed| {
                let made = departures_and_scores(&DriftModel::default(), n, seed);
                let on = announced(&made, s.allowance, s.limit);
                (from..n).filter(|&i| on[i] && !on[i - 1]).count()
            })
            .sum();
        total as f64 * 2190.0 / ((n - from) as f64 * series as f64)
    };
    // 2500 months of 180 rounds are 205 years.
    let young = count(181, 1, 2500);
    assert!(young <= 0.33, "{young} a year in the first month");
}

/// In how many of 200 leaks of half a dB a day the charts spoke before `in_a_row` rounds running were past the limit.
fn charts_first(in_a_row: usize, with_hiss: bool) -> usize {
    let s = TrendSettings::default();
    let leak = DriftModel { growth_db_a_day: 0.5, ..DriftModel::default() };
    let first = |seed: u64| {
        let mut made = departures_and_scores(&leak, 300, 9000 + seed);
        if !with_hiss {
            made.iter_mut().for_each(|p| p.1 = p.0);
        }
        let r = race(&made, leak.healthy_rounds, s.allowance, s.limit, in_a_row);
        r.chart.is_some_and(|c| r.verdict.is_none_or(|v| c < v))
    };
    (0..200).filter(|seed| first(*seed)).count()
}

#[test]
fn a_growing_leak_is_announced_before_the_verdict_is_sure() {
    let three = charts_first(3, false);
    assert!(three >= 150, "{three} of 200");
}

/// With the hiss alone as a second witness the trend is ahead of two rounds running as well.
#[test]
fn the_hiss_is_announced_sooner() {
    let (two, from_departure) = (charts_first(2, true), charts_first(2, false));
    assert!(two >= 180 && two > from_departure, "{two} and {from_departure} of 200");
}

/// Rounds that an earlier program judged have no hiss: the charts go on without them.
#[test]
fn a_rising_hiss_is_announced_by_itself_and_rounds_without_one_change_nothing() {
    let mut one = input(&departures(&DriftModel::default(), 120, 8), 6.0);
    for (i, r) in one.rounds.iter_mut().enumerate().skip(40) {
        r.hiss_sd = Some(i as f64);
    }
    let t = trend(&one, &TrendSettings::default());
    assert_eq!((t.state, t.by), (TrendState::Raised, Some(Witness::Hiss)), "{}", t.sentence);
    assert!(
        t.sentence.contains("hissed more than before") && t.sentence.contains("still within the limit"),
        "{}",
        t.sentence
    );
    assert!(t.hiss_a_day.unwrap().low > 0.0);
    for r in one.rounds.iter_mut().skip(80).step_by(2) {
        r.hiss_sd = None;
    }
    assert_eq!(trend(&one, &TrendSettings::default()).by, Some(Witness::Hiss));
    for r in &mut one.rounds {
        r.hiss_sd = None;
    }
    assert_eq!(trend(&one, &TrendSettings::default()).state, TrendState::Steady);
}

#[test]
fn ten_years_of_one_module_take_no_time() {
    let d = departures(&DriftModel::default(), 20_000, 2);
    let long = input(&d, 6.0);
    let start = std::time::Instant::now();
    let t = trend(&long, &TrendSettings::default());
    let took = start.elapsed();
    assert_eq!(t.long_run.unwrap().rounds, 20_000);
    // A release build takes a small part of this; the bound is for the dev profile on a shared core.
    assert!(took.as_secs_f64() < 2.0, "{took:?}");
}
