//! The limit that a healthy clip passes once in a hundred, from the healthy clips' own scores.

use crate::robust::{t_tail, t_upper_quantile};
use crate::score::Best;

/// The chance that `departure` 1.0 stands for.
const LIMIT_CHANCE: f64 = 0.01;
/// Clips that the usual spread of a family's best score counts for: it differs little from room to room, and a room's own few clips hardly foretell it.
const PRIOR_CLIPS: f64 = 30.0;
/// Usual spread of the best score of a family over healthy clips (the largest of many related normal scores).
const PRIOR_SPREAD: f64 = 0.62;
/// A family's best score is taken for the largest of this many independent normal ones: its filters overlap strongly.
const INDEPENDENT: f64 = 10.0;
/// Mean of the largest of ten standard normal values (a test computes it).
const LARGEST_MEAN: f64 = 1.538_753;
/// Standard deviation of the largest of ten standard normal values (a test computes it).
const LARGEST_SD: f64 = 0.586_808;
/// No smaller chance is claimed than the healthy clips could ever support.
const LEAST_CHANCE: f64 = 1e-4;

/// Degrees of freedom of the tail: location and scale come from few rounds (the clips of one round are related), so it is heavier
/// than a normal one. Of 1760 healthy clips of 21 made-up rooms 11 passed the limit (with 16 degrees 15, with 33 of them 35), and 91 % of
/// 126 hisses at the floor level in calm were found (92, 96 %).
const TAIL_FREEDOM: f64 = 14.0;
/// Spreads of the best score from departure 0 to 1: puts `departure` near score over limit.
const SPREADS: f64 = 7.1;

/// One family's null distribution.
#[derive(Debug, Clone, Copy)]
struct Null {
    /// Location and scale of the normal scores whose largest of [`INDEPENDENT`] the best is.
    location: f64,
    scale: f64,
    /// The family's share of the false-alarm chance.
    share: f64,
    /// Score at departure 1.
    limit: f64,
    /// Score from departure 0 to departure 1.
    unit: f64,
}

impl Null {
    /// The largest of [`INDEPENDENT`] normal values with this mean and standard deviation.
    fn new(mean: f64, sd: f64, share: f64) -> Self {
        let scale = sd / LARGEST_SD;
        let location = mean - LARGEST_MEAN * scale;
        // 1 - (1 - q)^n = chance, for q.
        let q = -((-LIMIT_CHANCE * share).ln_1p() / INDEPENDENT).exp_m1();
        let limit = location + scale * t_upper_quantile(q, TAIL_FREEDOM).unwrap_or(f64::INFINITY);
        Self { location, scale, share, limit, unit: SPREADS * sd }
    }

    /// Chance that a healthy clip's best of this family is above `score`, over the family's share.
    fn chance(&self, score: f64) -> f64 {
        let q = t_tail((score - self.location) / self.scale, TAIL_FREEDOM).unwrap_or(1.0).min(1.0 - 1e-12);
        -(INDEPENDENT * (-q).ln_1p()).exp_m1() / self.share
    }

    /// Departure of a score.
    fn departure(&self, score: f64) -> f64 {
        (1.0 + (score - self.limit) / self.unit).max(0.0)
    }
}

/// Null distribution of each family's best score over healthy clips.
#[derive(Debug, Clone)]
pub struct Limit {
    families: Vec<Null>,
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
                Null::new(mean, var.sqrt(), share / total)
            })
            .collect();
        Self { families }
    }

    /// Departure of one family alone.
    #[must_use]
    pub fn departure_of(&self, family: usize, best: &[Best]) -> f64 {
        match (self.families.get(family), best.get(family)) {
            (Some(null), Some(b)) => null.departure(b.score),
            _ => 0.0,
        }
    }

    /// Combines a clip's family scores: the family of the smallest chance speaks (Bonferroni over the shares).
    #[must_use]
    pub fn combine(&self, best: &[Best]) -> Combined {
        let (family, chance) = self
            .families
            .iter()
            .zip(best)
            .map(|(null, b)| null.chance(b.score))
            .enumerate()
            .min_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap_or((0, 1.0));
        let departure = self.departure_of(family, best);
        Combined { departure, false_alarm: chance.clamp(LEAST_CHANCE, 1.0), family }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::robust::normal_tail;

    /// Mean and standard deviation of the largest of ten standard normal values, by summing its density.
    #[test]
    fn the_largest_of_ten_has_these_moments() {
        let step = 1e-3;
        let (mut m0, mut m1, mut m2) = (0.0, 0.0, 0.0);
        for i in -8000..8000 {
            let x = (f64::from(i) + 0.5) * step;
            let density = (-0.5 * x * x).exp() / (2.0 * std::f64::consts::PI).sqrt();
            let p = 10.0 * (1.0 - normal_tail(x)).powi(9) * density * step;
            m0 += p;
            m1 += p * x;
            m2 += p * x * x;
        }
        assert!((m0 - 1.0).abs() < 1e-6, "{m0}");
        assert!((m1 - LARGEST_MEAN).abs() < 1e-5, "{m1}");
        assert!(((m2 - m1 * m1).sqrt() - LARGEST_SD).abs() < 1e-5, "{}", (m2 - m1 * m1).sqrt());
    }

    #[test]
    fn departure_1_is_a_chance_of_one_in_a_hundred() {
        for share in [1.0, 0.46, 0.01] {
            let null = Null::new(2.0, 0.7, share);
            assert!((null.departure(null.limit) - 1.0).abs() < 1e-12);
            assert!((null.chance(null.limit) / LIMIT_CHANCE - 1.0).abs() < 1e-6, "{}", null.chance(null.limit));
            assert!(null.chance(null.limit + 0.1) < LIMIT_CHANCE);
        }
    }
}
