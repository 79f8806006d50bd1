//! The limit that a healthy clip passes once in a hundred, from the healthy clips' own scores.

use crate::score::Best;

/// The chance that `departure` 1.0 stands for.
const LIMIT_CHANCE: f64 = 0.01;
/// Clips that the usual spread of a family's best score counts for.
const PRIOR_CLIPS: f64 = 10.0;
/// Usual spread of the best score of a family over healthy clips (the largest of many related normal scores).
const PRIOR_SPREAD: f64 = 0.55;
/// Scale of a Gumbel variable in units of its standard deviation: `sqrt(6) / pi`.
const GUMBEL: f64 = 0.779_696_8;
/// Mean of a standard Gumbel variable.
const EULER: f64 = 0.577_215_7;
/// No smaller chance is claimed than the healthy clips could ever support.
const LEAST_CHANCE: f64 = 1e-4;

/// Location over scale of a usual family's best score: puts `departure` near score over limit.
const HEALTHY: f64 = 4.5;

/// Null distribution of each family's best score over healthy clips.
#[derive(Debug, Clone)]
pub struct Limit {
    /// Location and scale of a Gumbel variable, and the family's share of the false-alarm chance.
    families: Vec<(f64, f64, f64)>,
}

/// A clip's combined score.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Combined {
    /// Departure: 1.0 at the limit.
    pub departure: f64,
    /// Chance that a healthy clip scores this high.
    pub false_alarm: f64,
    /// The family that stands out most.
    pub family: usize,
}

/// Scores with the wild ones brought in: one odd good clip must not widen the limit until it fits itself.
fn reined(mut scores: Vec<f64>) -> Vec<f64> {
    let mut sorted = scores.clone();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len();
    if n > 3 {
        let (mid, high) = (sorted[n / 2], sorted[(n - 1) * 21 / 25]);
        let cap = mid + 4.0 * (high - mid).max(PRIOR_SPREAD);
        for s in &mut scores {
            *s = s.min(cap);
        }
    }
    scores
}

impl Limit {
    /// From the healthy clips' best scores.
    ///
    /// # Arguments
    /// - `healthy`: shape `(clips, families)`.
    /// - `shares`: what part of the false-alarm chance each family may use; scaled to add up to 1.
    #[must_use]
    pub fn new(healthy: &[&[Best]], shares: &[f64]) -> Self {
        let n = healthy.len().max(1) as f64;
        let total: f64 = shares.iter().sum();
        let families = shares
            .iter()
            .enumerate()
            .map(|(f, share)| {
                let scores = reined(healthy.iter().map(|h| h[f].score).collect());
                let mean = scores.iter().sum::<f64>() / n;
                let sum: f64 = scores.iter().map(|s| (s - mean).powi(2)).sum();
                // The mean of few clips is uncertain itself: a new clip scatters about it by sqrt(1 + 1/n) more.
                let var = (PRIOR_CLIPS * PRIOR_SPREAD * PRIOR_SPREAD + sum) / (PRIOR_CLIPS + n - 1.0) * (1.0 + 1.0 / n);
                let scale = GUMBEL * var.sqrt();
                (mean - EULER * scale, scale, share / total)
            })
            .collect();
        Self { families }
    }

    /// `-ln` of the chance that a healthy clip's best score of a family is this high, over the family's share.
    fn surprise(&self, family: usize, score: f64) -> f64 {
        let Some(&(location, scale, share)) = self.families.get(family) else { return f64::MIN };
        let y = (score - location) / scale;
        // Upper tail of a Gumbel variable, 1 - exp(-exp(-y)); its logarithm is -y where that underflows.
        let minus_ln_tail = if y > 30.0 { y } else { -(-(-(-y).exp()).exp_m1()).ln() };
        minus_ln_tail + share.ln()
    }

    /// Departure that a surprise stands for: 1 at the limit's chance, and growing with the score as that over its limit.
    fn departure_at(surprise: f64) -> f64 {
        ((HEALTHY + surprise) / (HEALTHY - LIMIT_CHANCE.ln())).max(0.0)
    }

    /// Departure of one family alone.
    #[must_use]
    pub fn departure_of(&self, family: usize, best: &[Best]) -> f64 {
        best.get(family).map_or(0.0, |b| Self::departure_at(self.surprise(family, b.score)))
    }

    /// Combines a clip's family scores: the most surprising family speaks (Bonferroni over the families' shares).
    #[must_use]
    pub fn combine(&self, best: &[Best]) -> Combined {
        let (family, surprise) = best
            .iter()
            .enumerate()
            .map(|(f, b)| (f, self.surprise(f, b.score)))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap_or((0, 0.0));
        Combined {
            departure: Self::departure_at(surprise),
            false_alarm: (-surprise).exp().clamp(LEAST_CHANCE, 1.0),
            family,
        }
    }
}
