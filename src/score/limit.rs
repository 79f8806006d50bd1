//! The limit that a healthy clip passes once in a hundred, from the healthy clips' own scores.

use crate::score::{Best, Pattern};

/// The chance that `departure` 1.0 stands for.
pub const LIMIT_CHANCE: f64 = 0.01;
/// Clips that the usual spread of a family's best score counts for.
const PRIOR_CLIPS: f64 = 10.0;
/// Usual spread of the best score of a family over healthy clips (the largest of many related normal scores).
const PRIOR_SPREAD: f64 = 0.55;
/// Scale of a Gumbel variable in units of its standard deviation: `sqrt(6) / pi`.
const GUMBEL: f64 = 0.779_696_8;
/// Mean of a standard Gumbel variable.
const EULER: f64 = 0.577_215_7;
/// No smaller chance is claimed than the healthy clips could ever support.
const LEAST_CHANCE: f64 = 1e-6;

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

/// Share of the false-alarm chance that a family's filters may use: most goes to what costs most when missed.
fn share(pattern: Option<Pattern>) -> f64 {
    match pattern {
        Some(Pattern::Hiss) => 6.0,
        Some(Pattern::Knock) => 1.5,
        Some(Pattern::Shifted) => 1.0,
        Some(Pattern::Missing) => 1.0,
        Some(Pattern::AllRound) => 0.5,
        _ => 0.5,
    }
}

impl Limit {
    /// From the healthy clips' best scores.
    ///
    /// # Arguments
    /// - `healthy`: shape `(clips, families)`.
    /// - `patterns`: what each family stands for; `None` is the omnibus.
    #[must_use]
    pub fn new(healthy: &[&[Best]], patterns: &[Option<Pattern>]) -> Self {
        let n = healthy.len().max(1) as f64;
        let total: f64 = {
            let mut seen: Vec<Option<Pattern>> = patterns.to_vec();
            seen.dedup();
            seen.iter().map(|p| share(*p)).sum()
        };
        let families = patterns
            .iter()
            .enumerate()
            .map(|(f, p)| {
                let mean = healthy.iter().map(|h| h[f].score).sum::<f64>() / n;
                let sum: f64 = healthy.iter().map(|h| (h[f].score - mean).powi(2)).sum();
                // The mean of few clips is uncertain itself: a new clip scatters about it by sqrt(1 + 1/n) more.
                let var = (PRIOR_CLIPS * PRIOR_SPREAD * PRIOR_SPREAD + sum) / (PRIOR_CLIPS + n - 1.0) * (1.0 + 1.0 / n);
                let scale = GUMBEL * var.sqrt();
                let alike = patterns.iter().filter(|q| *q == p).count() as f64;
                (mean - EULER * scale, scale, share(*p) / total / alike)
            })
            .collect();
        Self { families }
    }

    /// Combines a clip's family scores: the family that lies furthest past its own limit speaks.
    #[must_use]
    pub fn combine(&self, best: &[Best]) -> Combined {
        let mut out = Combined { departure: 0.0, false_alarm: 1.0, family: 0 };
        for (f, (&(location, scale, share), b)) in self.families.iter().zip(best).enumerate() {
            let limit = location - scale * (-(-LIMIT_CHANCE * share).ln_1p()).ln();
            let departure = (b.score / limit.max(1.0)).max(0.0);
            if departure > out.departure {
                let chance = -(-(-(b.score - location) / scale).exp()).exp_m1() / share;
                out = Combined { departure, false_alarm: chance.clamp(LEAST_CHANCE, 1.0), family: f };
            }
        }
        out
    }
}
