//! The trend of a module: departures and excess of its rounds in, a slope, a drift chart, a projection and a sentence out.
//!
//! | module | does |
//! | --- | --- |
//! | [`ranks`] | the chart that announces a slow drift |
//! | [`mod@line`] | slope with its interval, and when it reaches a limit |
//! | [`words`] | what a derrickman reads |
//!
//! Nothing here knows the clock, files or the book. The method is explained in `notebooks-free-docs/trend.md`.

pub mod line;
pub mod ranks;
pub mod words;

use serde::Serialize;

pub use line::{Crossing, Pace, Slope};

/// Seconds in a day.
pub const DAY_S: f64 = 86_400.0;

/// One round of one module as the book knows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrendRound {
    /// When, in seconds since 1970 UTC.
    pub time_s: i64,
    /// Strokes the pump has made until then, where counted.
    pub strokes: Option<f64>,
    /// Departure; `None` if unjudged.
    pub departure: Option<f64>,
    /// Excess in dB, where there is one.
    pub excess_db: Option<f64>,
    /// A finer witness for the drift chart, higher = worse: [`crate::score::Scored::hiss_sd`]. The departure is the loudest of many
    /// filters and hides a small leak until it is louder than all of them. `None`: judged before there was one.
    pub hiss_sd: Option<f64>,
    /// Accepted as known good: serves as reference and is not watched. Its departure must come from a baseline without it, else give
    /// `None`: a round judged by itself looks better than any later one can.
    pub good: bool,
}

/// A change of part: the series begins anew.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PartMark {
    /// When, in seconds since 1970 UTC; rounds at that second or later belong to the new part.
    pub time_s: i64,
    /// Strokes the pump had made by then, where counted.
    pub strokes: Option<f64>,
    /// What was changed, in a word or two for the picture.
    pub text: String,
}

/// Everything about one module that a trend is made from.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TrendInput {
    /// Module number, if known.
    pub module: Option<u32>,
    /// Rounds in any order.
    pub rounds: Vec<TrendRound>,
    /// Changes of part in any order.
    pub marks: Vec<PartMark>,
    /// What to look at, in words (the part after "Next:" of the last verdict's reading); `None`: a general advice.
    pub look_at: Option<String>,
}

/// How a trend is made.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TrendSettings {
    /// Allowance of the drift chart in normal scores.
    pub allowance: f64,
    /// Limit of the drift chart in normal scores.
    pub limit: f64,
    /// Confidence of the slope's interval.
    pub confidence: f64,
    /// Days that the slope of a quiet module is taken over.
    pub recent_days: f64,
}

impl Default for TrendSettings {
    /// The charts of `false_announcements_stay_below_one_a_pump_year` (`tests/core/trends.rs`): both together make 0.25 false announcements
    /// a module and year at six rounds a day and a lag-1 correlation of 0.3; three modules stay below one a year.
    fn default() -> Self {
        Self { allowance: 0.75, limit: 9.0, confidence: 0.95, recent_days: 14.0 }
    }
}

/// What the trend says about a module.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum TrendState {
    /// Fewer than [`FEW`] judged rounds since the last change of part.
    Few,
    /// No drift announced.
    Steady,
    /// Drift announced, and the pace is sure enough to be told.
    Creeping,
    /// Drift announced: higher than before, without a sure pace.
    Raised,
    /// The line has passed the departure of 2.
    Beyond,
}

/// Judged rounds below which nothing is said: a rank among seven can't stand out.
pub const FEW: usize = 8;
/// Departure of the limit.
pub const LIMIT: f64 = 1.0;
/// Departure at which a module is `departed`.
pub const DEPARTED: f64 = 2.0;

/// One judged round of the series.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TrendPoint {
    /// Seconds since 1970 UTC.
    pub time_s: i64,
    /// Strokes until then.
    pub strokes: Option<f64>,
    /// Departure.
    pub departure: f64,
    /// Excess in dB.
    pub excess_db: Option<f64>,
    /// How much it hisses, in standard deviations of its good clips, where the book knows.
    pub hiss_sd: Option<f64>,
    /// Accepted as known good.
    pub good: bool,
    /// Number of changes of part before it.
    pub segment: usize,
    /// The higher of the drift charts' sums over their limit: above 1 a drift is announced.
    pub chart: f64,
}

/// What a drift was announced by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Witness {
    /// The departures.
    Departure,
    /// The hiss alone, which shows a leak before any single verdict can.
    Hiss,
    /// Both.
    Both,
}

/// Result of [`trend`].
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trend {
    /// Name and version of this object.
    pub schema: &'static str,
    /// Module number, if known.
    pub module: Option<u32>,
    /// What the trend says.
    pub state: TrendState,
    /// The same in plain words.
    pub sentence: String,
    /// Judged rounds since the last change of part.
    pub rounds: usize,
    /// Days from the first of them to the last.
    pub days: f64,
    /// When the announced drift began, seconds since 1970 UTC; `None` if none is announced.
    pub since_s: Option<i64>,
    /// What announced it.
    pub by: Option<Witness>,
    /// Departure over time: since the drift began, or over the last days of a quiet module.
    pub pace: Option<Pace>,
    /// Departure over time since the last change of part.
    pub long_run: Option<Slope>,
    /// Excess in dB a day over the same rounds as `pace`.
    pub excess_a_day: Option<Slope>,
    /// Hiss in standard deviations a day over the same rounds as `pace`.
    pub hiss_a_day: Option<Slope>,
    /// When departure 1.0 is reached at this pace; `None` = no trend, or passed already.
    pub to_limit: Option<Crossing>,
    /// When departure 2.0 is reached at this pace.
    pub to_departed: Option<Crossing>,
    /// Correlation of a round's score with the one before, since the last change of part (60 rounds or more): the promise of the chart
    /// is made for 0.3.
    pub lag1: Option<f64>,
    /// The settings used.
    pub settings: TrendSettings,
    /// Changes of part within the series, oldest first.
    pub marks: Vec<PartMark>,
    /// All judged rounds, oldest first.
    pub points: Vec<TrendPoint>,
}

/// Makes the trend of one module.
///
/// Rounds without a (finite) departure are left out. Settings out of range fall back to the default ones.
#[must_use]
pub fn trend(input: &TrendInput, settings: &TrendSettings) -> Trend {
    let settings = usable(settings);
    let mut marks = input.marks.clone();
    marks.sort_by(|a, b| a.time_s.cmp(&b.time_s).then_with(|| a.text.cmp(&b.text)));
    let mut points = judged(&input.rounds, &marks);
    chart_all(&mut points, &settings);
    let last_segment = marks.len();
    let first = points.partition_point(|p| p.segment < last_segment);
    let now = &points[first..];
    let charts = Charts::of(now, &settings);
    let (onset, by) = charts.last();
    let pace = match onset {
        Some(at) => line::pace(&now[at..], settings.confidence),
        None => line::pace(recent(now, settings.recent_days), settings.confidence),
    };
    let told = if onset.is_some() { pace.as_ref() } else { None };
    let state = state_of(now, onset, told);
    let to = |goal: f64| told.and_then(|p| p.crossing(goal, now.last()?));
    let mut out = Trend {
        schema: "seatsong.trend/1",
        module: input.module,
        state,
        sentence: String::new(),
        rounds: now.len(),
        days: span_days(now),
        since_s: onset.and_then(|at| now.get(at)).map(|p| p.time_s),
        by,
        excess_a_day: line::excess_a_day(
            onset.map_or_else(|| recent(now, settings.recent_days), |at| &now[at..]),
            settings.confidence,
        ),
        hiss_a_day: line::hiss_a_day(
            onset.map_or_else(|| recent(now, settings.recent_days), |at| &now[at..]),
            settings.confidence,
        ),
        to_limit: to(LIMIT),
        to_departed: to(DEPARTED),
        long_run: line::long_run(now, settings.confidence),
        pace,
        lag1: lag1(&charts.departure, now),
        settings,
        marks,
        points: Vec::new(),
    };
    out.sentence = words::sentence(&out, now, input.look_at.as_deref());
    out.points = points;
    out
}

fn usable(s: &TrendSettings) -> TrendSettings {
    let d = TrendSettings::default();
    let or = |x: f64, ok: bool, default: f64| if ok { x } else { default };
    TrendSettings {
        allowance: or(s.allowance, s.allowance > 0.0 && s.allowance <= 3.0, d.allowance),
        limit: or(s.limit, s.limit > 0.0 && s.limit.is_finite(), d.limit),
        confidence: or(s.confidence, s.confidence > 0.0 && s.confidence < 1.0, d.confidence),
        recent_days: or(s.recent_days, s.recent_days > 0.0 && s.recent_days.is_finite(), d.recent_days),
    }
}

fn judged(rounds: &[TrendRound], marks: &[PartMark]) -> Vec<TrendPoint> {
    let finite = |x: Option<f64>| x.filter(|v| v.is_finite());
    let mut points: Vec<TrendPoint> = rounds
        .iter()
        .filter_map(|r| {
            Some(TrendPoint {
                time_s: r.time_s,
                strokes: finite(r.strokes),
                departure: finite(r.departure)?,
                excess_db: finite(r.excess_db),
                hiss_sd: finite(r.hiss_sd),
                good: r.good,
                segment: marks.partition_point(|m| m.time_s <= r.time_s),
                chart: 0.0,
            })
        })
        .collect();
    // By value within a second, so that the order of the input changes nothing.
    points.sort_by(|a, b| {
        let hiss = |p: &TrendPoint| p.hiss_sd.unwrap_or(f64::NEG_INFINITY);
        let by_value = a.departure.total_cmp(&b.departure).then(hiss(a).total_cmp(&hiss(b)));
        a.time_s.cmp(&b.time_s).then(by_value).then(a.good.cmp(&b.good))
    });
    points
}

/// The charts of one stretch between changes of part: of the departures, and of the hiss of those rounds that have it.
struct Charts {
    departure: Vec<ranks::ChartStep>,
    hiss: Vec<ranks::ChartStep>,
    /// For each step of `hiss` its round.
    at: Vec<usize>,
}

impl Charts {
    fn of(points: &[TrendPoint], settings: &TrendSettings) -> Self {
        let run = |rounds: Vec<(f64, bool)>| ranks::rank_chart(&rounds, settings.allowance, settings.limit);
        let departure = run(points.iter().map(|p| (p.departure, !p.good)).collect());
        let heard = |(i, p): (usize, &TrendPoint)| p.hiss_sd.map(|h| (i, (h, !p.good)));
        let (at, rounds): (Vec<usize>, Vec<(f64, bool)>) = points.iter().enumerate().filter_map(heard).unzip();
        Self { departure, hiss: run(rounds), at }
    }

    /// First round of the climb that is announced at the last round, and by what.
    fn last(&self) -> (Option<usize>, Option<Witness>) {
        let by = |steps: &[ranks::ChartStep]| steps.last().filter(|s| s.announced).and_then(|s| s.onset);
        let (departure, hiss) = (by(&self.departure), by(&self.hiss).map(|k| self.at[k]));
        match (departure, hiss) {
            (Some(a), Some(b)) => (Some(a.min(b)), Some(Witness::Both)),
            (Some(a), None) => (Some(a), Some(Witness::Departure)),
            (None, Some(b)) => (Some(b), Some(Witness::Hiss)),
            (None, None) => (None, None),
        }
    }

    /// The higher sum after each round.
    fn sums(&self) -> Vec<f64> {
        let mut out: Vec<f64> = self.departure.iter().map(|s| s.sum).collect();
        let (mut next, mut held) = (0, 0.0_f64);
        for (i, sum) in out.iter_mut().enumerate() {
            if self.at.get(next) == Some(&i) {
                held = self.hiss[next].sum;
                next += 1;
            }
            // A round without a hiss of its own leaves that chart where it was.
            *sum = sum.max(held);
        }
        out
    }
}

fn chart_all(points: &mut [TrendPoint], settings: &TrendSettings) {
    for part in points.chunk_by_mut(|a, b| a.segment == b.segment) {
        let sums = Charts::of(part, settings).sums();
        for (point, sum) in part.iter_mut().zip(sums) {
            point.chart = sum / settings.limit;
        }
    }
}

fn recent(points: &[TrendPoint], days: f64) -> &[TrendPoint] {
    let Some(last) = points.last() else { return points };
    let from = points.partition_point(|p| (last.time_s - p.time_s) as f64 > days * DAY_S);
    &points[from..]
}

pub(crate) fn span_days(points: &[TrendPoint]) -> f64 {
    match (points.first(), points.last()) {
        (Some(a), Some(b)) => (b.time_s - a.time_s) as f64 / DAY_S,
        _ => 0.0,
    }
}

fn state_of(now: &[TrendPoint], onset: Option<usize>, told: Option<&Pace>) -> TrendState {
    if onset.is_none() {
        return if now.len() < FEW { TrendState::Few } else { TrendState::Steady };
    }
    if line::level(now) > DEPARTED {
        TrendState::Beyond
    } else if told.is_some_and(|p| p.per_day.low > 0.0) {
        TrendState::Creeping
    } else {
        TrendState::Raised
    }
}

/// Lag-1 correlation of the scores of watched rounds before an announcement.
fn lag1(steps: &[ranks::ChartStep], points: &[TrendPoint]) -> Option<f64> {
    let quiet = steps.iter().zip(points).filter(|(s, p)| !p.good && !s.announced);
    let z: Vec<f64> = quiet.map(|(s, _)| s.score).collect();
    if z.len() < 60 {
        return None;
    }
    let mean = z.iter().sum::<f64>() / z.len() as f64;
    let total: f64 = z.iter().map(|v| (v - mean).powi(2)).sum();
    let next: f64 = z.windows(2).map(|w| (w[0] - mean) * (w[1] - mean)).sum();
    (total > 0.0).then_some(next / total)
}
