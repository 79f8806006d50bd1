//! The sample rate of a table from its time column, and how even that column is.

/// A step longer than this many usual steps is a gap.
const GAP_STEPS: f64 = 2.5;
/// Unevenness (rms of the steps beyond the resolution, in steps) from which the reader is told.
const UNEVEN: f64 = 0.1;
/// Unevenness from which the column is no clock.
const GROSSLY_UNEVEN: f64 = 0.5;
/// Share of gaps from which the column is no clock.
const GROSS_GAPS: f64 = 0.01;

/// The usual step of a time column in seconds, or `None` if it does not advance.
///
/// Median of the slopes over an eighth of the rows: times rounded to the last place, single gaps and repeats do nothing, while
/// the median of neighbouring steps would be wrong by the rounding (1/3200 s written with four decimals).
fn usual_step(times: &[f64]) -> Option<f64> {
    let lag = (times.len() / 8).max(1);
    let mut slopes: Vec<f64> = times.windows(lag + 1).map(|w| (w[lag] - w[0]) / lag as f64).collect();
    slopes.sort_unstable_by(f64::total_cmp);
    let step = slopes.get(slopes.len() / 2).copied()?;
    (step.is_finite() && step > 0.0).then_some(step)
}

/// Follows a time column.
#[derive(Debug, Clone)]
pub(super) struct Clock {
    step_s: f64,
    resolution_s: f64,
    first: Option<f64>,
    last: f64,
    n: u64,
    gap_s: f64,
    uneven: f64,
    n_back: u64,
    /// Rows before which rows are missing.
    pub(super) gaps: Vec<u64>,
}

/// What a time column is worth.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Worth {
    Even,
    /// Somewhat uneven; the rms in per cent of a step.
    Uneven(f64),
    /// No clock; why.
    Useless(String),
}

impl Clock {
    fn new(step_s: f64, resolution_s: f64) -> Self {
        Self {
            step_s,
            resolution_s,
            first: None,
            last: 0.0,
            n: 0,
            gap_s: 0.0,
            uneven: 0.0,
            n_back: 0,
            gaps: Vec::new(),
        }
    }

    /// Takes the time of the next row; `None` where it can't be read.
    pub(super) fn push(&mut self, time: Option<f64>) {
        let expected = self.last + self.step_s;
        let time = match (time.filter(|t| t.is_finite()), self.first) {
            (Some(time), Some(_)) => time,
            (None, Some(_)) => expected,
            (time, None) => {
                let time = time.unwrap_or(0.0);
                self.first = Some(time);
                self.last = time;
                self.n = 1;
                return;
            }
        };
        let step = time - self.last;
        // Each end of the step is rounded by up to half the last place.
        let slack = 1.01 * self.resolution_s + 1.0e-9 * time.abs();
        if step < -slack {
            self.n_back += 1;
            self.gap_s += step - self.step_s;
            self.gaps.push(self.n);
        } else if step > GAP_STEPS * self.step_s + slack {
            self.gap_s += step - self.step_s;
            self.gaps.push(self.n);
        } else {
            let off = ((step - self.step_s).abs() - slack).max(0.0) / self.step_s;
            self.uneven += off * off;
        }
        self.last = time;
        self.n += 1;
    }

    /// A clock for these times, the first of a column; `None` if they do not advance.
    ///
    /// The step is refined over the whole stretch, gaps left out.
    pub(super) fn from_head(times: &[f64], resolution_s: f64) -> Option<Self> {
        let mut rough = Self::new(usual_step(times)?, resolution_s);
        for &time in times {
            rough.push(Some(time));
        }
        let step_s = if matches!(rough.worth(), Worth::Useless(_)) { rough.step_s } else { 1.0 / rough.rate_hz() };
        Some(Self::new(step_s, resolution_s))
    }

    /// This clock before its first time, with times that count `unit` seconds.
    pub(super) fn in_unit(&self, unit: f64) -> Self {
        Self::new(self.step_s * unit, self.resolution_s * unit)
    }

    /// The usual step in seconds.
    pub(super) fn step_s(&self) -> f64 {
        self.step_s
    }

    /// The mean rate over the whole column in Hz, gaps left out; a whole number where the resolution allows it.
    pub(super) fn rate_hz(&self) -> f64 {
        let span = self.last - self.first.unwrap_or(0.0) - self.gap_s;
        if self.n < 2 || !span.is_finite() || span <= 0.0 {
            return 1.0 / self.step_s;
        }
        let rate = (self.n - 1) as f64 / span;
        let doubt = rate * (self.resolution_s / span).min(0.01) + 1.0e-9 * rate;
        if (rate - rate.round()).abs() <= doubt { rate.round() } else { rate }
    }

    /// What the column was worth.
    pub(super) fn worth(&self) -> Worth {
        let n = self.n.max(2) as f64;
        let rms = (self.uneven / (n - 1.0)).sqrt();
        let gaps = self.gaps.len() as f64 / n;
        if self.n_back > 0 && self.n_back as f64 > 1.0e-4 * n {
            Worth::Useless(format!("it runs backwards {} times", self.n_back))
        } else if gaps > GROSS_GAPS {
            Worth::Useless(format!("it jumps {} times in {} rows", self.gaps.len(), self.n))
        } else if rms > GROSSLY_UNEVEN {
            Worth::Useless(format!("its steps scatter by {:.0} % of a step", 100.0 * rms))
        } else if rms > UNEVEN {
            Worth::Uneven(100.0 * rms)
        } else {
            Worth::Even
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn clock_of(times: &[f64], resolution_s: f64) -> Clock {
        let mut clock = Clock::from_head(times, resolution_s).unwrap();
        for &t in times {
            clock.push(Some(t));
        }
        clock
    }

    #[test]
    fn rounding_of_the_times_does_not_bend_the_rate() {
        let times: Vec<f64> = (0..20_000).map(|i| (f64::from(i) / 3200.0 * 1.0e4).round() / 1.0e4).collect();
        let clock = clock_of(&times, 1.0e-4);
        assert!((clock.rate_hz() - 3200.0).abs() < 1.0e-6, "{}", clock.rate_hz());
        assert_eq!(clock.worth(), Worth::Even);
    }

    #[test]
    fn a_gap_is_found_and_left_out_of_the_rate() {
        let times: Vec<f64> =
            (0..20_000).map(|i| f64::from(i) / 1000.0 + if i >= 12_345 { 0.5 } else { 0.0 }).collect();
        let clock = clock_of(&times, 1.0e-3);
        assert_eq!(clock.gaps, [12_345]);
        assert!((clock.rate_hz() - 1000.0).abs() < 1.0e-6);
    }

    #[test]
    fn uneven_columns_are_told_and_gross_ones_refused() {
        let wobble = |size: f64| -> Vec<f64> {
            (0..5000).map(|i| (f64::from(i) + size * (f64::from(i) * 1.7).sin()) / 1000.0).collect()
        };
        assert_eq!(clock_of(&wobble(0.01), 1.0e-9).worth(), Worth::Even);
        assert!(matches!(clock_of(&wobble(0.2), 1.0e-9).worth(), Worth::Uneven(_)));
        assert!(matches!(clock_of(&wobble(0.9), 1.0e-9).worth(), Worth::Useless(_)));
    }

    #[test]
    fn times_in_whole_seconds_still_give_the_rate() {
        let times: Vec<f64> = (0..30_000).map(|i| (f64::from(i) / 1000.0).floor()).collect();
        let clock = clock_of(&times, 1.0);
        assert!((clock.rate_hz() / 1000.0 - 1.0).abs() < 0.04);
        assert_eq!(clock.worth(), Worth::Even);
        assert_eq!(usual_step(&[1.0; 9]), None);
    }
}
