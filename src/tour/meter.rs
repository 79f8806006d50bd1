//! A pump's stroke counter as its log and the rounds give it: hours and strokes between any two instants, however long the log.

use jiff::Timestamp;

use super::parts::{PartError, Run, RunLog, Speed, hours_between, in_order};

/// Running-hours entries with their mean speeds and what was run before each.
#[derive(Debug, Clone, PartialEq)]
pub struct Meter {
    logs: Vec<Span>,
    /// Whether any speed is known: without one strokes are not.
    speeds: bool,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Span {
    log: RunLog,
    spm: f64,
    /// Hours, strokes and covered hours before it.
    before: [f64; 3],
}

impl Meter {
    /// From a pump's entries and the speeds seen.
    ///
    /// Strokes of an entry are its hours times the mean speed seen within it, else the last speed before it, else the first after it.
    ///
    /// # Errors
    /// As [`in_order`].
    pub fn new(logs: &[RunLog], speeds: &[Speed]) -> Result<Self, PartError> {
        let mut seen: Vec<Speed> = speeds.to_vec();
        seen.sort_by_key(|s| s.at);
        let mut sums = vec![0.0];
        for s in &seen {
            sums.push(sums[sums.len() - 1] + s.spm);
        }
        let speed = |log: &RunLog| {
            let (from, to) = (seen.partition_point(|s| s.at < log.from), seen.partition_point(|s| s.at <= log.to));
            if to > from {
                return (sums[to] - sums[from]) / (to - from) as f64;
            }
            from.checked_sub(1).and_then(|k| seen.get(k)).or_else(|| seen.first()).map_or(0.0, |s| s.spm)
        };
        let mut before = [0.0; 3];
        let logs = in_order(logs)?
            .into_iter()
            .map(|log| {
                let span = Span { log, spm: speed(&log), before };
                before[0] += log.hours;
                before[1] += log.hours * 60.0 * span.spm;
                before[2] += hours_between(log.from, log.to);
                span
            })
            .collect();
        Ok(Self { logs, speeds: !seen.is_empty() })
    }

    /// Hours, strokes and covered hours from the beginning of the log until an instant.
    fn until(&self, at: Timestamp) -> [f64; 3] {
        let next = self.logs.partition_point(|s| s.log.from < at);
        let Some(last) = next.checked_sub(1).map(|k| &self.logs[k]) else { return [0.0; 3] };
        let span = hours_between(last.log.from, last.log.to);
        let inside = hours_between(last.log.from, at.min(last.log.to));
        let hours = if span > 0.0 { last.log.hours * inside / span } else { 0.0 };
        [last.before[0] + hours, last.before[1] + hours * 60.0 * last.spm, last.before[2] + inside]
    }

    /// What was run between two instants. Hours of an entry that only partly lies within are shared out evenly over it.
    ///
    /// # Errors
    /// [`PartError::Backwards`].
    pub fn between(&self, from: Timestamp, to: Timestamp) -> Result<Run, PartError> {
        if to < from {
            return Err(PartError::Backwards { fitted: from, out: to });
        }
        let (a, b) = (self.until(from), self.until(to));
        let [hours, strokes, covered_h] = [0, 1, 2].map(|k| (b[k] - a[k]).max(0.0));
        let span = hours_between(from, to);
        // An idle entry adds no strokes, whether or not a speed is known.
        let strokes = (self.speeds || hours <= 0.0).then_some(strokes);
        Ok(Run { hours, strokes, covered: if span > 0.0 { (covered_h / span).min(1.0) } else { 1.0 } })
    }

    /// Strokes from the beginning of the log until an instant; `None` before its first entry, or while no speed is known. What no entry
    /// covers adds nothing.
    #[must_use]
    pub fn strokes_at(&self, at: Timestamp) -> Option<f64> {
        let begun = self.logs.first().is_some_and(|s| s.log.from <= at);
        (begun && self.speeds).then(|| self.until(at)[1])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(hour: i64) -> Timestamp {
        Timestamp::from_second(1_900_000_000 + 3600 * hour).unwrap()
    }

    /// The same by going through every entry, as the formula reads.
    fn slowly(from: i64, to: i64, logs: &[(i64, i64, f64)], speeds: &[(i64, f64)]) -> [f64; 3] {
        let mut out = [0.0; 3];
        for &(a, b, hours) in logs {
            let inside = (b.min(to) - a.max(from)) as f64;
            if inside <= 0.0 {
                continue;
            }
            let part = hours * inside / (b - a) as f64;
            let within: Vec<f64> = speeds.iter().filter(|s| a <= s.0 && s.0 <= b).map(|s| s.1).collect();
            let spm = if within.is_empty() {
                let before = speeds.iter().filter(|s| s.0 < a).max_by_key(|s| s.0);
                before.or_else(|| speeds.iter().min_by_key(|s| s.0)).unwrap().1
            } else {
                within.iter().sum::<f64>() / within.len() as f64
            };
            out[0] += part;
            out[1] += part * 60.0 * spm;
            out[2] += inside;
        }
        out
    }

    #[test]
    fn sums_are_those_of_every_entry() {
        let logs: Vec<(i64, i64, f64)> =
            (0..40).map(|k| (12 * k + i64::from(k % 5 == 0), 12 * k + 12, f64::from((k % 12) as i32) * 0.9)).collect();
        let speeds: Vec<(i64, f64)> = (0..60).map(|k| (7 * k + 30, 60.0 + f64::from((k * 13 % 29) as i32))).collect();
        let made: Vec<RunLog> = logs.iter().map(|&(a, b, hours)| RunLog { from: at(a), to: at(b), hours }).collect();
        let seen: Vec<Speed> = speeds.iter().map(|&(t, spm)| Speed { at: at(t), spm }).collect();
        let meter = Meter::new(&made, &seen).unwrap();
        for from in (-20..500).step_by(17) {
            for to in (from..520).step_by(23) {
                let run = meter.between(at(from), at(to)).unwrap();
                let want = slowly(from, to, &logs, &speeds);
                assert!((run.hours - want[0]).abs() < 1e-9, "{from} {to}");
                assert!((run.strokes.unwrap() - want[1]).abs() < 1e-5, "{from} {to}");
            }
        }
        assert_eq!(meter.strokes_at(at(-5)), None, "before the log nothing is counted");
        assert!((meter.strokes_at(at(490)).unwrap() - slowly(-100, 490, &logs, &speeds)[1]).abs() < 1e-5);
        assert_eq!(Meter::new(&made, &[]).unwrap().strokes_at(at(100)), None, "no speed, no strokes");
    }
}
