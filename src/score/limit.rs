//! The limit that a healthy clip passes once in a hundred, from the healthy clips' own scores.

use crate::score::Best;

/// Clips that the usual spread of a family's best score counts for.
const PRIOR_CLIPS: f64 = 10.0;
/// Usual spread of the best score of a family over healthy clips (the largest of many related normal scores).
const PRIOR_SPREAD: f64 = 0.55;
/// Scale of the upper tail in units of the spread: `sqrt(6) / pi` of a Gumbel variable.
const GUMBEL: f64 = 0.779_696_8;
const EULER: f64 = 0.577_215_7;
/// No smaller chance is claimed than the healthy clips could ever support.
const LEAST_CHANCE: f64 = 1e-6;

/// Null distribution of the combined score.
#[derive(Debug, Clone)]
pub struct Limit {
    /// Mean and spread of each family's best score over healthy clips.
    families: Vec<(f64, f64)>,
    /// Mean and spread of the largest standardised family score.
    whole: (f64, f64),
    /// Standardised score at a chance of one in a hundred.
    at: f64,
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
    /// Standardised score.
    pub score: f64,
}

fn mean_spread(x: &[f64], prior_spread: f64) -> (f64, f64) {
    let n = x.len().max(1) as f64;
    let mean = x.iter().sum::<f64>() / n;
    let sum: f64 = x.iter().map(|v| (v - mean).powi(2)).sum();
    // The mean of few clips is uncertain itself: a new clip scatters about it by sqrt(1 + 1/n) more.
    let var = (PRIOR_CLIPS * prior_spread * prior_spread + sum) / (PRIOR_CLIPS + n - 1.0);
    (mean, (var * (1.0 + 1.0 / n)).sqrt())
}

impl Limit {
    /// From the healthy clips' best scores, shape `(clips, families)`.
    #[must_use]
    pub fn new(healthy: &[&[Best]]) -> Self {
        let n_family = healthy.iter().map(|h| h.len()).min().unwrap_or(0);
        let families: Vec<(f64, f64)> = (0..n_family)
            .map(|f| mean_spread(&healthy.iter().map(|h| h[f].score).collect::<Vec<_>>(), PRIOR_SPREAD))
            .collect();
        let largest: Vec<f64> = healthy
            .iter()
            .map(|h| {
                families.iter().zip(h.iter()).map(|((m, s), b)| (b.score - m) / s).fold(f64::MIN, f64::max)
            })
            .collect();
        let whole = mean_spread(&largest, 0.9);
        let mut limit = Self { families, whole, at: 0.0 };
        limit.at = limit.quantile(0.01);
        limit
    }

    /// Gumbel upper quantile.
    fn quantile(&self, chance: f64) -> f64 {
        let scale = GUMBEL * self.whole.1;
        let location = self.whole.0 - EULER * scale;
        location - scale * (-(-chance).ln_1p()).ln()
    }

    /// Combines a clip's family scores.
    #[must_use]
    pub fn combine(&self, best: &[Best]) -> Combined {
        let (family, score) = self
            .families
            .iter()
            .zip(best)
            .enumerate()
            .map(|(f, ((m, s), b))| (f, (b.score - m) / s))
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap_or((0, 0.0));
        // On the scale of the family that stands out: its score over the score at the limit.
        let (m, s) = self.families.get(family).copied().unwrap_or((1.0, 1.0));
        let base = m.max(1.0);
        let departure = ((base + s * score) / (base + s * self.at)).max(0.0);
        let scale = GUMBEL * self.whole.1;
        let location = self.whole.0 - EULER * scale;
        let false_alarm = -(-(-(score - location) / scale).exp()).exp_m1();
        Combined { departure, false_alarm: false_alarm.clamp(LEAST_CHANCE, 1.0), family, score }
    }
}
