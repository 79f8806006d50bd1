//! The drift chart of one module: a one-sided CUSUM of the normal scores of sequential ranks.
//!
//! Each round's departure is ranked among all earlier rounds since the last change of part, and the rank is turned into the normal value
//! of the same chance. As long as nothing changes, the rank of the newest is as likely to be any other, whatever the distribution of
//! departures is and however few rounds there were: no mean and no spread is estimated, so none can be wrong, and skewed scores do nothing
//! (ranks of E. A. Parent 1965 and M. R. Reynolds 1975; sequential ranks in a CUSUM: D. McDonald, Naval Res. Logist. 37 (1990) 627-646; from
//! memory). What does matter is that a round resembles the one before; the limits are set for that by simulation (`tests/examples/trend_years`).

use crate::robust::normal_quantile;

/// One round on the drift chart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChartStep {
    /// Normal score of the round's rank among the earlier ones; 0 for rounds that only serve as reference.
    pub score: f64,
    /// The sum after this round, in normal scores.
    pub sum: f64,
    /// Whether the sum is above the limit.
    pub announced: bool,
    /// First round of the climb to this sum; `None` while the sum is 0.
    pub onset: Option<usize>,
}

/// Runs the chart over the departures of one stretch between changes of part, oldest first.
///
/// # Formula
/// `u = (rank - 1/2) / (m + 1)` among the m earlier rounds and itself (ties share their mean rank), `z` = normal quantile of `u`,
/// `sum = max(0, sum + z - k)`, announced above `h`. Rounds during an announcement do not join the earlier ones.
///
/// # Arguments
/// - `rounds`: departure and whether the round is watched; the others (known good) only serve as reference.
/// - `k`, `h`: allowance and limit in normal scores.
#[must_use]
pub fn rank_chart(rounds: &[(f64, bool)], k: f64, h: f64) -> Vec<ChartStep> {
    let mut sorted: Vec<f64> = rounds.iter().map(|r| r.0 + 0.0).collect();
    sorted.sort_unstable_by(f64::total_cmp);
    sorted.dedup_by(|a, b| a.total_cmp(b).is_eq());
    let mut seen = Counts(vec![0; sorted.len() + 1]);
    let (mut sum, mut onset, mut m) = (0.0_f64, None, 0_u32);
    let mut out = Vec::with_capacity(rounds.len());
    for (i, &(value, watched)) in rounds.iter().enumerate() {
        let place = sorted.partition_point(|v| v.total_cmp(&(value + 0.0)).is_lt());
        let mut score = 0.0;
        if watched {
            let below = seen.up_to(place);
            let equal = seen.up_to(place + 1) - below;
            let u = (f64::from(below) + 0.5 * f64::from(equal) + 0.5) / (f64::from(m) + 1.0);
            score = normal_quantile(u).unwrap_or(0.0);
            sum = (sum + score - k).max(0.0);
            onset = if sum > 0.0 { onset.or(Some(i)) } else { None };
        }
        let announced = sum > h;
        if !announced {
            seen.add(place);
            m += 1;
        }
        out.push(ChartStep { score, sum, announced, onset });
    }
    out
}

/// How many values were seen up to a place, updated and asked in `log n` (P. M. Fenwick, Softw. Pract. Exper. 24 (1994) 327-336).
struct Counts(Vec<u32>);

impl Counts {
    fn add(&mut self, place: usize) {
        let mut i = place + 1;
        while let Some(c) = self.0.get_mut(i) {
            *c += 1;
            i += i & i.wrapping_neg();
        }
    }

    /// Values at places below `end`.
    fn up_to(&self, end: usize) -> u32 {
        let (mut i, mut total) = (end, 0);
        while i > 0 {
            total += self.0[i];
            i &= i - 1;
        }
        total
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn scores_are_those_of_the_ranks_among_the_earlier_rounds() {
        let rounds = [(0.5, true), (0.7, true), (0.6, true), (0.7, true), (0.1, false), (0.2, true)];
        let chart = rank_chart(&rounds, 0.25, 100.0);
        // Ranks 1 of 1, 2 of 2, 2 of 3, mean of 3 and 4 of 4, none, 2 of 6.
        for (step, u) in chart.iter().zip([0.5, 0.75, 0.5, 0.75, 0.5, 0.25]) {
            assert!((step.score - normal_quantile(u).unwrap()).abs() < 1e-12, "{chart:?}");
        }
        assert_eq!(chart[1].onset, Some(1));
        assert!((chart[1].sum - (chart[1].score - 0.25)).abs() < 1e-12);
    }

    #[test]
    fn any_rising_transformation_leaves_the_chart_as_it_is() {
        let x: Vec<f64> = (0..200).map(|i| (f64::from(i * 7919 % 200) / 200.0) + 0.001).collect();
        let plain: Vec<_> = x.iter().map(|v| (*v, true)).collect();
        let skewed: Vec<_> = x.iter().map(|v| (v.powi(5) * 40.0 - 3.0, true)).collect();
        assert_eq!(rank_chart(&plain, 0.5, 4.0), rank_chart(&skewed, 0.5, 4.0));
    }

    #[test]
    fn equal_rounds_never_climb() {
        let chart = rank_chart(&[(0.5, true); 500], 0.5, 4.0);
        assert!(chart.iter().all(|s| s.sum <= 0.0 && !s.announced));
        assert!(rank_chart(&[], 0.5, 4.0).is_empty());
    }
}
