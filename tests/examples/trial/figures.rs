//! Shares with intervals, ranks, quantiles.

use statrs::distribution::{Beta, ContinuousCDF};

/// A count out of how many.
#[derive(Debug, Clone, Copy, Default, PartialEq, serde::Serialize)]
pub(crate) struct Share {
    /// How many.
    pub(crate) hits: u32,
    /// Out of how many.
    pub(crate) of: u32,
}

impl Share {
    /// Counts one more.
    pub(crate) fn count(&mut self, hit: bool) {
        self.of += 1;
        self.hits += u32::from(hit);
    }

    /// Adds another's counts.
    pub(crate) fn add(&mut self, other: Self) {
        self.of += other.of;
        self.hits += other.hits;
    }

    /// The share in per cent; not-a-number of nothing.
    pub(crate) fn per_cent(self) -> f64 {
        100.0 * f64::from(self.hits) / f64::from(self.of)
    }

    /// The 95 % interval in per cent (C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404-413): exact, so never too narrow.
    ///
    /// Takes the counts as independent; clips of one room and one walk are related, so the truth is a little wider.
    pub(crate) fn interval(self) -> [f64; 2] {
        let (k, n) = (f64::from(self.hits), f64::from(self.of));
        let quantile = |a: f64, b: f64, p: f64| Beta::new(a, b).map_or(f64::NAN, |d| 100.0 * d.inverse_cdf(p));
        let lower = if self.hits == 0 { 0.0 } else { quantile(k, n - k + 1.0, 0.025) };
        let upper = if self.hits == self.of { 100.0 } else { quantile(k + 1.0, n - k, 0.975) };
        [lower, upper]
    }
}

/// Chance that a faulty clip departs further than a healthy one, ties by half (area under the ROC curve); `None` of nothing.
pub(crate) fn auc(healthy: &[f64], faulty: &[f64]) -> Option<f64> {
    if healthy.is_empty() || faulty.is_empty() {
        return None;
    }
    let mut sorted = healthy.to_vec();
    sorted.sort_by(f64::total_cmp);
    let wins: f64 = faulty
        .iter()
        .map(|f| {
            let below = sorted.partition_point(|h| h < f);
            let not_above = sorted.partition_point(|h| h <= f);
            0.5 * (below + not_above) as f64
        })
        .sum();
    Some(wins / (healthy.len() * faulty.len()) as f64)
}

/// Middle and largest of some values; `None` of nothing.
pub(crate) fn median_and_most(x: &[f64]) -> Option<(f64, f64)> {
    let mut sorted = x.to_vec();
    sorted.sort_by(f64::total_cmp);
    let (mid, last) = (sorted.len() / 2, sorted.last().copied()?);
    Some((0.5 * (sorted[mid] + sorted[(sorted.len() - 1) / 2]), last))
}
