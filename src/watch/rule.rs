//! Alarm only after `k` of the last `n` windows: the rule itself, and how often it cries wolf.
//!
//! The last `n` outcomes are the state of a Markov chain, the alarm an absorbing state: finite Markov chain embedding of the scan statistic
//! (J. C. Fu, "Distribution of the scan statistic for a sequence of bistate trials", J. Appl. Probab. 38 (2001) 908-916; the method: J. C. Fu,
//! M. V. Koutras, J. Am. Stat. Assoc. 89 (1994) 1050-1058, from memory). Exact for independent windows and for windows of which each depends
//! on the one before.

use std::collections::{BTreeMap, VecDeque};

use serde::Serialize;
use statrs::distribution::{Beta, ContinuousCDF as _};

use crate::dsp::linear::solve;

/// An alarm is raised when `k` of the last `n` judged windows lie outside the limit, and is over when `n` in a row lie within.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct AlarmRule {
    k: u32,
    n: u32,
}

/// Largest `n`: the exact computation solves a set of equations in up to 2^n states.
pub const MOST_N: u32 = 10;

/// The text is no alarm rule.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "\"{text}\" is no alarm rule; write it like 3/5: alarm when 3 of the last 5 windows are outside, 1/1 to {MOST_N}/{MOST_N}"
)]
pub struct RuleError {
    /// What was typed.
    pub text: String,
}

impl std::str::FromStr for AlarmRule {
    type Err = RuleError;

    fn from_str(text: &str) -> Result<Self, RuleError> {
        let numbers = text.split_once('/').and_then(|(k, n)| Some((k.trim().parse().ok()?, n.trim().parse().ok()?)));
        numbers.and_then(|(k, n)| Self::new(k, n)).ok_or_else(|| RuleError { text: text.to_owned() })
    }
}

impl std::fmt::Display for AlarmRule {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}/{}", self.k, self.n)
    }
}

impl AlarmRule {
    /// `None` unless `1 <= k <= n <=` [`MOST_N`].
    #[must_use]
    pub fn new(k: u32, n: u32) -> Option<Self> {
        (1 <= k && k <= n && n <= MOST_N).then_some(Self { k, n })
    }

    /// Windows that are looked back on.
    #[must_use]
    pub fn n(self) -> u32 {
        self.n
    }

    /// Chance of at least one alarm within the first `windows` windows of a healthy spot.
    #[cfg(test)]
    fn chance_within(self, windows: u64, chances: &Chances) -> f64 {
        let states = self.quiet();
        let mut now = vec![0.0; states.len()];
        // Before the first window: as after a long quiet time, except that the first outcome follows none.
        let mut first = true;
        now[0] = 1.0;
        for _ in 0..windows {
            let mut next = vec![0.0; states.len()];
            for (&(_, [inside, outside], last_out), &p) in states.iter().zip(&now).filter(|(_, p)| **p > 0.0) {
                let out = if first { chances.outside } else { chances.next(last_out) };
                next[inside] += p * (1.0 - out);
                if let Some(to) = next.get_mut(outside) {
                    *to += p * out;
                }
            }
            now = next;
            first = false;
        }
        (1.0 - now.iter().sum::<f64>()).max(0.0)
    }

    /// Mean number of windows from one false alarm to the next on a healthy spot, all-clear included.
    #[must_use]
    pub fn windows_between(self, chances: &Chances) -> f64 {
        self.windows_to_alarm(chances) + self.windows_to_clear(chances)
    }

    /// Mean number of windows from a long quiet time to the alarm.
    #[must_use]
    pub fn windows_to_alarm(self, chances: &Chances) -> f64 {
        let states = self.quiet();
        let m = states.len();
        // (I - Q) h = 1, Q the moves among quiet states.
        let mut a = vec![0.0; m * m];
        let mut h = vec![1.0; m];
        for (i, &(_, [inside, outside], last_out)) in states.iter().enumerate() {
            a[i * m + i] += 1.0;
            let out = chances.next(last_out);
            a[i * m + inside] -= 1.0 - out;
            if outside < m {
                a[i * m + outside] -= out;
            }
        }
        solve(&mut a, &mut h);
        h[0]
    }

    /// Mean number of windows from the alarm until `n` in a row lie within.
    fn windows_to_clear(self, chances: &Chances) -> f64 {
        // T_j = 1 + (1 - p_j) T_(j+1) + p_j T_0 with j windows within already, T_n = 0: T_j = a_j + b_j T_0.
        let (mut a, mut b) = (0.0, 0.0);
        for j in (0..self.n).rev() {
            let out = chances.next(j == 0);
            a = 1.0 + (1.0 - out) * a;
            b = out + (1.0 - out) * b;
        }
        if b < 1.0 { a / (1.0 - b) } else { f64::INFINITY }
    }

    /// The states in which fewer than `k` of the last `n` lie outside: the outcomes as bits (the last is bit 0), where an outcome within and one
    /// outside lead to (past the end: the alarm), and whether the last lies outside. State 0 has all within.
    fn quiet(self) -> Vec<(u32, [usize; 2], bool)> {
        let all: Vec<u32> = (0..1_u32 << self.n).filter(|s| s.count_ones() < self.k).collect();
        let index: BTreeMap<u32, usize> = all.iter().enumerate().map(|(i, &s)| (s, i)).collect();
        let mask = (1_u32 << self.n) - 1;
        let to = |s: u32| index.get(&s).copied().unwrap_or(all.len());
        all.iter().map(|&s| (s, [to((s << 1) & mask), to((s << 1 | 1) & mask)], s & 1 == 1)).collect()
    }
}

/// How a healthy spot's windows fall.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Chances {
    /// Chance that a window lies outside the limit.
    pub outside: f64,
    /// Chance of that right after one that did: as `outside` if windows know nothing of each other.
    pub again: f64,
}

impl Chances {
    /// Windows that know nothing of each other.
    #[must_use]
    pub fn independent(outside: f64) -> Self {
        Self { outside, again: outside }
    }

    /// Chance that the next window lies outside, given the last; in the long run a share `outside` does.
    fn next(&self, last_out: bool) -> f64 {
        if last_out || self.outside >= 1.0 {
            return self.again;
        }
        (self.outside * (1.0 - self.again) / (1.0 - self.outside)).clamp(0.0, 1.0)
    }

    /// From what a book's watched windows did: a share of all, and a share of those right after one outside.
    ///
    /// # Arguments
    /// - `runs`: outcomes in order, one list an unbroken stretch of a spot; true = outside.
    ///
    /// # Returns
    /// The shares as they are, and what they may be at most (one-sided 95 % Clopper-Pearson bounds); `None` below [`LEAST_LINES`] windows.
    #[must_use]
    pub fn observed(runs: &[Vec<bool>]) -> Option<Observed> {
        let windows: usize = runs.iter().map(Vec::len).sum();
        let outside = runs.iter().flatten().filter(|o| **o).count();
        let pairs = || runs.iter().flat_map(|r| r.windows(2)).filter(|w| w[0]);
        let (after, again) = (pairs().count(), pairs().filter(|w| w[1]).count());
        if windows < LEAST_LINES {
            return None;
        }
        let share = outside as f64 / windows as f64;
        let most_outside = at_most(outside, windows);
        let most_again = at_most(again, after).max(most_outside);
        Some(Observed {
            windows,
            outside,
            after,
            again,
            seen: Self {
                outside: share,
                again: if after == 0 { share } else { (again as f64 / after as f64).max(share) },
            },
            at_most: Self { outside: most_outside, again: most_again },
        })
    }
}

/// Fewer watched windows than this say nothing of one in a hundred.
pub const LEAST_LINES: usize = 300;

/// What watched windows did.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Observed {
    /// Windows looked at.
    pub windows: usize,
    /// Of these, outside the limit.
    pub outside: usize,
    /// Windows right after one outside.
    pub after: usize,
    /// Of these, outside too.
    pub again: usize,
    /// Shares as they are.
    pub seen: Chances,
    /// Shares at most, 95 % sure each.
    pub at_most: Chances,
}

/// One-sided 95 % upper bound of a share (C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404-413).
fn at_most(hits: usize, of: usize) -> f64 {
    if hits >= of {
        return 1.0;
    }
    Beta::new(hits as f64 + 1.0, (of - hits) as f64).map_or(1.0, |b| b.inverse_cdf(0.95))
}

/// Share of healthy windows that lie outside the limit, by which the limit is set.
pub const NOMINAL: f64 = 0.01;
/// Days a month, on average.
const MONTH_S: f64 = 365.25 / 12.0 * 86_400.0;

/// False alarms a month of running, as computed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FalseAlarms {
    /// The rule.
    pub rule: AlarmRule,
    /// Windows a month of running without a pause, a spot.
    pub windows_a_month: f64,
    /// Spots.
    pub spots: usize,
    /// Alarms a month of all spots together if windows know nothing of each other and one in a hundred lies outside.
    pub independent: f64,
    /// The same if after a window outside every third is outside too.
    pub hanging_together: f64,
    /// The same with what this book's watched windows did; `None` while they are few.
    pub observed: Option<Observed>,
    /// Alarms a month with their shares as they are.
    pub as_observed: Option<f64>,
    /// The most alarms a month that the bounds of those shares allow.
    pub at_most: Option<f64>,
}

/// Chance of a window outside right after another, for the figure that shows what dependence does. An assumption, no measurement.
const EVERY_THIRD: f64 = 1.0 / 3.0;

impl FalseAlarms {
    /// Computes them.
    ///
    /// # Arguments
    /// - `window_s`: seconds a window.
    /// - `runs`: what the book's own watched windows did, see [`Chances::observed`].
    #[must_use]
    pub fn new(rule: AlarmRule, spots: usize, window_s: f64, runs: &[Vec<bool>]) -> Self {
        let windows_a_month = MONTH_S / window_s;
        let all = |c: &Chances| spots as f64 * windows_a_month / rule.windows_between(c);
        let observed = Chances::observed(runs);
        Self {
            rule,
            windows_a_month,
            spots,
            independent: all(&Chances::independent(NOMINAL)),
            hanging_together: all(&Chances { outside: NOMINAL, again: EVERY_THIRD }),
            as_observed: observed.filter(|o| o.outside > 0).map(|o| all(&o.seen)),
            at_most: observed.map(|o| worst(&o, &all)),
            observed,
        }
    }

    /// In plain words.
    #[must_use]
    pub fn words(&self) -> String {
        let mut out = format!(
            "alarm {}: a healthy pump running all month gives {} false alarms a month over {} sensor(s) if windows know nothing of each other, \
             {} if every third window after one outside is outside too",
            self.rule,
            figure(self.independent),
            self.spots,
            figure(self.hanging_together)
        );
        match (&self.observed, self.at_most) {
            (Some(o), Some(most)) => {
                let seen = self.as_observed.map_or(String::new(), |x| format!("{}, ", figure(x)));
                out += &format!(
                    "; from this book's {} watched windows ({} outside, {} of {} right after one outside): {seen}at most {}",
                    o.windows,
                    o.outside,
                    o.again,
                    o.after,
                    figure(most)
                );
            }
            _ => {
                out +=
                    &format!("; this book has fewer than {LEAST_LINES} watched windows to say how it is on this pump");
            }
        }
        out
    }
}

/// Most alarms that the bounds allow. Windows that all hang together make one long alarm, not many: the most lies somewhere in between.
fn worst(o: &Observed, all: &dyn Fn(&Chances) -> f64) -> f64 {
    let (outside, low) = (o.at_most.outside, o.at_most.outside);
    let high = o.at_most.again.min(MOST_AGAIN);
    (0..=8_u8).map(|j| all(&Chances { outside, again: low + (high - low) * f64::from(j) / 8.0 })).fold(0.0, f64::max)
}

/// Beyond this dependence alarms only get longer, for every rule (looked at from 1/1 to 10/10).
const MOST_AGAIN: f64 = 0.95;

/// Two figures.
fn figure(x: f64) -> String {
    match x {
        x if !x.is_finite() => "no finite number of".to_owned(),
        x if x >= 10.0 => format!("{x:.0}"),
        x if x >= 0.1 => format!("{x:.1}"),
        x if x >= 0.001 => format!("{x:.3}"),
        _ => "fewer than 0.001".to_owned(),
    }
}

/// The last windows of a spot, and whether an alarm stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AlarmState {
    rule: AlarmRule,
    last: VecDeque<bool>,
    on: bool,
}

/// What a window did to the alarm.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turn {
    /// It was raised, with so many of the last `n` outside.
    Raised(u32),
    /// It is over.
    Over,
}

impl AlarmState {
    /// Goes on from what the book knows: the last outcomes, oldest first, and whether an alarm stood.
    #[must_use]
    pub fn resumed(rule: AlarmRule, outcomes: &[bool], on: bool) -> Self {
        let keep = outcomes.len().saturating_sub(rule.n as usize);
        Self { rule, last: outcomes[keep..].iter().copied().collect(), on }
    }

    /// Whether an alarm stands.
    #[must_use]
    pub fn stands(&self) -> bool {
        self.on
    }

    /// Windows outside among the last `n`.
    #[must_use]
    pub fn outside(&self) -> u32 {
        self.last.iter().map(|&o| u32::from(o)).sum()
    }

    /// Takes a judged window. One that can't be judged is not shown to it.
    pub fn push(&mut self, outside: bool) -> Option<Turn> {
        self.last.push_back(outside);
        if self.last.len() > self.rule.n as usize {
            self.last.pop_front();
        }
        let count = self.outside();
        if !self.on && count >= self.rule.k {
            self.on = true;
            return Some(Turn::Raised(count));
        }
        if self.on && count == 0 && self.last.len() == self.rule.n as usize {
            self.on = false;
            return Some(Turn::Over);
        }
        None
    }

    /// Forgets the windows: the baseline is another one. A standing alarm goes on until it is over.
    pub fn forget(&mut self) {
        self.last.clear();
    }
}

#[cfg(test)]
#[path = "rule_tests.rs"]
mod tests;
