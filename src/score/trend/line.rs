//! Slope of a series with its interval, and when the line reaches a departure.

use serde::Serialize;

use super::{DAY_S, TrendPoint};
use crate::robust::{TheilSen, median, theil_sen};

/// Rounds that a pace needs: from fewer, Sen's interval takes in every pair.
pub const LEAST: usize = 6;
/// Lag-1 correlation that the intervals allow for at least; healthy rounds are never taken for independent.
pub const LAG1: f64 = 0.3;
/// A line is not drawn further ahead than this many times the span it was seen over.
pub const AHEAD: f64 = 3.0;

/// A Theil-Sen slope with its confidence interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Slope {
    /// Median slope, unit of the series over the unit of its clock.
    pub slope: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
    /// Rounds it was made from.
    pub rounds: usize,
}

/// How fast the departure moves.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Pace {
    /// Departure a day.
    pub per_day: Slope,
    /// Departure a million strokes, if six rounds or more have them.
    pub per_million_strokes: Option<Slope>,
    /// Middle of the rounds: median time, seconds since 1970 UTC.
    pub mid_time_s: f64,
    /// Median strokes.
    pub mid_strokes: Option<f64>,
    /// Median departure, through which the line runs.
    pub mid_departure: f64,
    /// Days from the first round to the last.
    pub days: f64,
}

/// When a line reaches a departure, counted from the last round.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Crossing {
    /// The departure reached.
    pub departure: f64,
    /// Soonest, likeliest and latest, days; `None` = later than three times the span that the line was seen over, or never.
    pub days: [Option<f64>; 3],
    /// The same in strokes, where they are counted.
    pub strokes: Option<[Option<f64>; 3]>,
}

impl Pace {
    /// Departure of the line at a time.
    #[must_use]
    pub fn at(&self, time_s: f64) -> f64 {
        self.mid_departure + self.per_day.slope * (time_s - self.mid_time_s) / DAY_S
    }

    /// When the line reaches `departure`, seen from the `last` round; `None` = no trend (the interval takes in 0), or it is past that already.
    ///
    /// The lines of the interval's ends run through the same middle: the interval is that of the slope alone.
    #[must_use]
    pub fn crossing(&self, departure: f64, last: &TrendPoint) -> Option<Crossing> {
        if self.per_day.low <= 0.0 || self.at(last.time_s as f64) >= departure {
            return None;
        }
        let gap = departure - self.mid_departure;
        let ahead = |s: &Slope, passed: f64, span: f64| {
            [s.high, s.slope, s.low].map(|v| {
                let left = (gap / v - passed).max(0.0);
                (v > 0.0 && left <= AHEAD * span).then_some(left)
            })
        };
        let days = ahead(&self.per_day, (last.time_s as f64 - self.mid_time_s) / DAY_S, self.days);
        let strokes = match (&self.per_million_strokes, self.mid_strokes, last.strokes) {
            (Some(s), Some(mid), Some(now)) => {
                // The span in strokes is about twice the way from its middle to now.
                let passed = (now - mid) / 1e6;
                Some(ahead(s, passed, 2.0 * passed.max(0.0)).map(|x| x.map(|millions| millions * 1e6)))
            }
            _ => None,
        };
        Some(Crossing { departure, days, strokes })
    }
}

/// Pace of the departures; `None` with fewer than [`LEAST`] rounds or all at one time.
#[must_use]
pub fn pace(points: &[TrendPoint], confidence: f64) -> Option<Pace> {
    if points.len() < LEAST {
        return None;
    }
    let start = points[0].time_s;
    let days: Vec<f64> = points.iter().map(|p| (p.time_s - start) as f64 / DAY_S).collect();
    let y: Vec<f64> = points.iter().map(|p| p.departure).collect();
    let per_day = slope(&days, &y, confidence)?;
    let (strokes, by_stroke): (Vec<f64>, Vec<f64>) =
        points.iter().filter_map(|p| p.strokes.map(|s| (s / 1e6, p.departure))).unzip();
    let counted = strokes.len() >= LEAST;
    Some(Pace {
        per_day,
        per_million_strokes: if counted { slope(&strokes, &by_stroke, confidence) } else { None },
        mid_time_s: start as f64 + DAY_S * median(&days)?,
        mid_strokes: if counted { median(&strokes).map(|m| m * 1e6) } else { None },
        mid_departure: median(&y)?,
        days: days[days.len() - 1],
    })
}

/// Slope of the departures over days; `None` as [`pace`].
#[must_use]
pub fn long_run(points: &[TrendPoint], confidence: f64) -> Option<Slope> {
    over_days(points.iter().map(|p| (p.time_s, p.departure)).collect(), confidence)
}

/// Slope of the excess in dB a day over those rounds that have one; `None` as [`pace`].
#[must_use]
pub fn excess_a_day(points: &[TrendPoint], confidence: f64) -> Option<Slope> {
    over_days(points.iter().filter_map(|p| p.excess_db.map(|e| (p.time_s, e))).collect(), confidence)
}

/// Slope of the hiss in standard deviations a day over those rounds that have one; `None` as [`pace`].
#[must_use]
pub fn hiss_a_day(points: &[TrendPoint], confidence: f64) -> Option<Slope> {
    over_days(points.iter().filter_map(|p| p.hiss_sd.map(|h| (p.time_s, h))).collect(), confidence)
}

fn over_days(series: Vec<(i64, f64)>, confidence: f64) -> Option<Slope> {
    let start = series.first()?.0;
    let (days, y): (Vec<f64>, Vec<f64>) = series.into_iter().map(|(t, v)| ((t - start) as f64 / DAY_S, v)).unzip();
    slope(&days, &y, confidence)
}

/// Theil-Sen slope whose interval allows for a lag-1 correlation of the residuals, [`LAG1`] at least and 0.8 at most.
fn slope(x: &[f64], y: &[f64], confidence: f64) -> Option<Slope> {
    if x.len() < LEAST {
        return None;
    }
    let ratio = |r: f64| (1.0 + r) / (1.0 - r);
    let first = theil_sen(x, y, confidence, ratio(LAG1)).ok()?;
    let r = lag1_of_residuals(x, y, &first);
    let TheilSen { slope, low, high, .. } =
        if r > LAG1 { theil_sen(x, y, confidence, ratio(r.min(0.8))).ok()? } else { first };
    Some(Slope { slope, low, high, rounds: x.len() })
}

fn lag1_of_residuals(x: &[f64], y: &[f64], line: &TheilSen) -> f64 {
    let e: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - line.intercept - line.slope * x).collect();
    let total: f64 = e.iter().map(|v| v * v).sum();
    // From few rounds the figure is mostly chance: it counts in full from thirty on.
    let known = (e.len() as f64 / 30.0).min(1.0);
    if total > 0.0 { known * e.windows(2).map(|w| w[0] * w[1]).sum::<f64>() / total } else { 0.0 }
}

/// Departure that the last rounds have: the median of the last five.
#[must_use]
pub fn level(points: &[TrendPoint]) -> f64 {
    let last: Vec<f64> = points.iter().rev().take(5).map(|p| p.departure).collect();
    median(&last).unwrap_or(0.0)
}

/// How far up the last rounds are: the median hiss of the last five, or their departure where no hiss is known; `None` without rounds.
#[must_use]
pub fn loudness(points: &[TrendPoint]) -> Option<f64> {
    let last = || points.iter().rev().take(5);
    let hiss: Vec<f64> = last().filter_map(|p| p.hiss_sd).collect();
    median(&hiss).or_else(|| median(&last().map(|p| p.departure).collect::<Vec<_>>()))
}
