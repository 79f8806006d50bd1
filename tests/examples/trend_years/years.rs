//! Made-up years of rounds: what the drift chart promises, counted.
//!
//! Healthy departures are skewed and a round resembles the one before (same crew, same way of placing the sensor). They are made as a
//! first-order autoregressive normal series taken through the distribution of healthy departures.

use rand_pcg::Pcg64;
use rand_pcg::rand_core::Rng as _;

use seatsong::inside::robust::{normal_tail, normal_upper_quantile};
use seatsong::inside::score::trend::rank_chart;

/// Middle and far end of healthy departures: median 0.48 as seen in the trial rooms, 1.0 once in a hundred by definition.
const HEALTHY: [(f64, f64); 2] = [(0.5, 0.48), (0.01, 1.0)];

/// How departures of one spot come about.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriftModel {
    /// Correlation of a healthy round with the one before, 0 to below 1.
    pub lag1: f64,
    /// What this spot's healthy departures are shifted by and multiplied with: no spot scatters exactly like the pool.
    pub spot: [f64; 2],
    /// Departure for each dB of a leak's excess.
    pub departure_per_db: f64,
    /// Growth of the leak in dB a day; 0 is a healthy pump.
    pub growth_db_a_day: f64,
    /// Rounds a day.
    pub rounds_a_day: f64,
    /// Healthy rounds before the leak begins.
    pub healthy_rounds: usize,
}

impl Default for DriftModel {
    /// Six rounds a day; a leak of 2 dB in its own band and arc reaches the limit (own assumption).
    fn default() -> Self {
        Self {
            lag1: 0.3,
            spot: [0.0, 1.0],
            departure_per_db: 0.5,
            growth_db_a_day: 0.0,
            rounds_a_day: 6.0,
            healthy_rounds: 120,
        }
    }
}

/// Departure, and the score of the leak's own filter in units of departure, of `n` rounds, oldest first.
///
/// The departure is the larger of what a healthy clip gives and what the leak's own filter gives (the loudest of many filters speaks:
/// `score/limit.rs`), so that a small leak does not show at all: `max(healthy, departure_per_db excess + noise)`, the noise of one filter
/// being normal with a standard deviation of 0.2 and as correlated as the rest.
#[must_use]
pub fn departures_and_scores(model: &DriftModel, n: usize, seed: u64) -> Vec<(f64, f64)> {
    let mut random = Pcg64::new(u128::from(seed), 0xd81f);
    let keep = (1.0 - model.lag1 * model.lag1).max(0.0).sqrt();
    // Location and scale of the Gumbel distribution through the two known points.
    let unit = HEALTHY.map(|(tail, _)| gumbel(tail));
    let scale = (HEALTHY[1].1 - HEALTHY[0].1) / (unit[1] - unit[0]);
    let location = HEALTHY[0].1 - scale * unit[0];
    let mut state = [normal(&mut random), normal(&mut random)];
    (0..n)
        .map(|i| {
            for s in &mut state {
                *s = model.lag1 * *s + keep * normal(&mut random);
            }
            let healthy = location + scale * gumbel(normal_tail(state[0]));
            let leak_days = i.saturating_sub(model.healthy_rounds) as f64 / model.rounds_a_day;
            let excess_db = model.growth_db_a_day * leak_days;
            let own = model.departure_per_db * excess_db + 0.2 * state[1];
            // Before the leak the own filter is one of the many whose loudest `healthy` is.
            let loudest = if excess_db > 0.0 { healthy.max(own) } else { healthy };
            (model.spot[0] + model.spot[1] * loudest, own)
        })
        .collect()
}

/// The value that a standard Gumbel variable (the largest of many) exceeds with chance `tail`.
fn gumbel(tail: f64) -> f64 {
    -(-(-tail).ln_1p()).ln()
}

fn normal(random: &mut Pcg64) -> f64 {
    let u = ((random.next_u64() >> 11) as f64 + 0.5) / (1_u64 << 53) as f64;
    normal_upper_quantile(u).unwrap_or(0.0)
}

/// Announcements that begin: by the chart of the departures or by that of the finer scores, whichever speaks.
///
/// # Arguments
/// - `series`: departure and score of each round, oldest first.
#[must_use]
pub fn announcements(series: &[(f64, f64)], k: f64, h: f64) -> usize {
    let on = announced(series, k, h);
    (0..on.len()).filter(|&i| on[i] && (i == 0 || !on[i - 1])).count()
}

/// Whether a drift is announced at each round, by either chart.
#[must_use]
pub fn announced(series: &[(f64, f64)], k: f64, h: f64) -> Vec<bool> {
    let chart = |of: &dyn Fn(&(f64, f64)) -> f64| {
        let rounds: Vec<(f64, bool)> = series.iter().map(|p| (of(p), true)).collect();
        rank_chart(&rounds, k, h)
    };
    let (departure, score) = (chart(&|p| p.0), chart(&|p| p.1));
    departure.iter().zip(&score).map(|(a, b)| a.announced || b.announced).collect()
}

/// False announcements in a healthy year of one spot, the mean of `years` years that each begin anew (a part was changed).
///
/// Departures and scores are made independent of each other: two charts that see the same would call less often.
#[must_use]
pub fn false_a_year(model: &DriftModel, k: f64, h: f64, years: u32, seed: u64) -> f64 {
    let healthy = DriftModel { growth_db_a_day: 0.0, ..*model };
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some rounds a day")]
    let rounds = (365.0 * healthy.rounds_a_day).clamp(0.0, 1e6) as usize;
    let of_year = |y: u32| departures_and_scores(&healthy, rounds, seed.wrapping_add(u64::from(y)));
    let total: usize = (0..years).map(|y| announcements(&of_year(y), k, h)).sum();
    total as f64 / f64::from(years.max(1))
}

/// When the chart and when the single verdict spoke of one leak, in rounds from its beginning.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Race {
    /// The charts' announcement.
    pub chart: Option<usize>,
    /// The last of the first `in_a_row` rounds running whose departure is above 1.
    pub verdict: Option<usize>,
}

/// Looks for the first announcement and the first verdict at or after round `from` of a series.
///
/// # Arguments
/// - `series`: departure and finer score of each round, oldest first, in or out of a trial.
/// - `from`: round at which the leak begins.
/// - `k`, `h`: the charts; `in_a_row`: rounds above 1.0 running that count as a verdict, at least 1.
#[must_use]
pub fn race(series: &[(f64, f64)], from: usize, k: f64, h: f64, in_a_row: usize) -> Race {
    let chart = announced(series, k, h).iter().skip(from).position(|on| *on);
    let mut run = 0;
    let verdict = series.iter().skip(from).position(|(departure, _)| {
        run = if *departure > 1.0 { run + 1 } else { 0 };
        run >= in_a_row.max(1)
    });
    Race { chart, verdict }
}
