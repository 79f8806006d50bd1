//! Scores of one spot's clips against its model: every filter, each on its own healthy scale.

use crate::baseline::Model;
use crate::map::N_ANGLE;
use crate::score::bank::{Family, Whitener, families};
use crate::score::{Pattern, cleaned};

/// Clips that the family's mean square counts for against a filter's own.
const PRIOR_CLIPS: f64 = 12.0;
/// The same for knocks: their short filters each have their own event under them and differ more.
const PRIOR_CLIPS_SHORT: f64 = 4.0;
/// Weight of another module's healthy score against a clip's own.
const OTHERS_WEIGHT: f64 = 0.5;
/// Ridge of the healthy residuals in the directions' Gram matrix, in squared whitened units. Two dozen residuals are mostly chance: weighed fully
/// they take more of a leak's score than of the healthy clips' scatter.
const RIDGE: f64 = 8000.0;
/// Ridge of the strokes' ways, in the same units: runs differ along them with about a fifth of what strokes do.
const SWING_RIDGE: f64 = 30.0;
/// Clips that the usual spread of the hiss statistic counts for, and that spread.
const HISS_PRIOR: (f64, f64) = (4.0, 0.7);
/// Directions taken from healthy residuals, at most.
const MOST_DIRECTIONS: usize = 32;

/// Best filter of each family for one clip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Best {
    /// Score on the filter's own healthy scale.
    pub score: f64,
    /// Filter.
    pub filter: usize,
}

/// All filters of one model, with their norms and the nuisance directions taken out.
#[derive(Debug)]
pub struct Bank {
    /// Whitening of this spot.
    pub white: Whitener,
    /// Filter families.
    pub families: Vec<Family>,
    norms: Vec<Vec<f64>>,
    directions: Vec<Vec<f64>>,
    /// `t' Sigma^-1 d` for each family and direction.
    overlaps: Vec<Vec<Vec<f64>>>,
    gram: Vec<Vec<f64>>,
    /// Of each direction.
    ridge: Vec<f64>,
}

/// Scores of every filter before its healthy scale, per family, and the rest's log energy.
#[derive(Debug, Clone)]
pub struct Raw {
    families: Vec<Vec<f64>>,
    log_energy: f64,
}

/// What a clip's residual scores.
#[derive(Debug, Clone, PartialEq)]
pub struct Scored {
    /// Best filter of every family; the omnibus last.
    pub best: Vec<Best>,
    /// How much the clip hisses through one half of the turn against the good clips, in their standard deviations: made for the trend.
    ///
    /// A mean over all hiss filters of one half instead of the loudest of all filters: it has a sign, is not cut off at 0 and averages
    /// down over rounds, so a leak that is far below every limit still lifts it a little in every round. `None` where the clips carry no
    /// band in which a leak hisses.
    pub hiss_sd: Option<f64>,
}

/// A bank with the healthy scale of each of its filters.
#[derive(Debug)]
pub struct Scorer {
    /// The filters.
    pub bank: Bank,
    scales: Vec<Vec<f64>>,
    /// Best score of each family (and the omnibus last) for each good clip, against the others.
    pub healthy: Vec<Vec<Best>>,
    /// Mean log energy of the healthy residuals' rest, and its spread.
    energy: (f64, f64),
    /// Filters whose mean is one hiss: a family and ranges of its filters; `None` where no filter is for a hiss.
    hiss: Option<(usize, Vec<Vec<usize>>)>,
    /// Mean and spread of the good clips' hiss statistic.
    hiss_scale: (f64, f64),
}

/// Solves `(gram + diag(ridge)) x = g` (Cholesky).
#[must_use]
pub fn solve(gram: &[Vec<f64>], g: &[f64], ridge: &[f64]) -> Vec<f64> {
    let m = gram.len();
    let mut l = vec![vec![0.0; m]; m];
    for i in 0..m {
        for j in 0..=i {
            let mut s = gram[i][j] + if i == j { ridge[i] } else { 0.0 };
            s -= dot(&l[i][..j], &l[j][..j]);
            l[i][j] = if i == j { s.max(1e-12).sqrt() } else { s / l[j][j] };
        }
    }
    let mut y = vec![0.0; m];
    for i in 0..m {
        let s: f64 = (0..i).map(|k| l[i][k] * y[k]).sum();
        y[i] = (g[i] - s) / l[i][i];
    }
    for i in (0..m).rev() {
        let s: f64 = (i + 1..m).map(|k| l[k][i] * y[k]).sum();
        y[i] = (y[i] - s) / l[i][i];
    }
    y
}

/// A healthy residual as a smooth direction: less its bands' offset and floor, averaged over neighbouring cells.
fn smooth(model: &Model, residual: &[f64]) -> Vec<f64> {
    let clean = cleaned(model, residual);
    let mut across = vec![0.0; clean.len()];
    for b in 0..model.n_usable {
        for a in 0..N_ANGLE {
            let at = |d: usize| clean[b * N_ANGLE + (a + N_ANGLE + d - 1) % N_ANGLE];
            across[b * N_ANGLE + a] = 0.25 * at(0) + 0.5 * at(1) + 0.25 * at(2);
        }
    }
    let mut out = vec![0.0; clean.len()];
    for b in 0..model.n_usable {
        let (lo, hi) = (b.saturating_sub(2), (b + 3).min(model.n_usable));
        for a in 0..N_ANGLE {
            out[b * N_ANGLE + a] = (lo..hi).map(|k| across[k * N_ANGLE + a]).sum::<f64>() / (hi - lo) as f64;
        }
    }
    out
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

impl Bank {
    /// Prepares the filters of a model.
    ///
    /// # Arguments
    /// - `directions`: healthy residuals in dB, shape `(N_BAND, N_ANGLE)` each; at most 32 are used.
    /// - `n_band`: bands to use.
    #[must_use]
    pub fn new(model: &Model, mut directions: Vec<Vec<f64>>, edges_hz: &[f64], n_band: usize, absolute: bool) -> Self {
        let white = Whitener::new(model, n_band);
        let families = families(model, edges_hz, n_band, absolute);
        directions.truncate(MOST_DIRECTIONS);
        directions = directions.iter().map(|d| smooth(model, d)).collect();
        let mut ridge = vec![RIDGE; directions.len()];
        directions.extend(model.swings.iter().map(|d| smooth(model, d)));
        ridge.resize(directions.len(), SWING_RIDGE);
        let whitened: Vec<Vec<f64>> = directions.iter().map(|d| white.apply(d)).collect();
        let gram: Vec<Vec<f64>> = directions.iter().map(|d| whitened.iter().map(|w| dot(d, w)).collect()).collect();
        let (norms, overlaps) =
            families.iter().map(|f| (f.norms(&white), whitened.iter().map(|w| f.numerators(w)).collect())).unzip();
        Self { white, families, norms, directions, overlaps, gram, ridge }
    }

    /// A residual less what a hiss over an arc could have added to it, fitted band by band, never negative.
    #[must_use]
    pub fn without_arc(&self, residual: &[f64], arc: (usize, usize)) -> Vec<f64> {
        let mut out = residual.to_vec();
        let Some(hiss) = self.families.iter().find(|f| f.pattern == Pattern::Hiss) else { return out };
        let whitened = self.white.apply(residual);
        for b in 0..self.white.n_band {
            let cells = hiss.on_arc(arc, b);
            let mut unit = vec![0.0; residual.len()];
            for &(a, v) in &cells {
                unit[b * N_ANGLE + a] = v;
            }
            let norm = dot(&unit, &self.white.apply(&unit));
            let strength = cells.iter().map(|&(a, v)| v * whitened[b * N_ANGLE + a]).sum::<f64>() / norm.max(1e-9);
            if strength > 0.0 {
                for (a, v) in cells {
                    out[b * N_ANGLE + a] -= strength * v;
                }
            }
        }
        out
    }

    /// Scores a residual (already divided by its leverage factor) with every filter.
    #[must_use]
    pub fn raw(&self, residual: &[f64]) -> Raw {
        let whitened = self.white.apply(residual);
        let g: Vec<f64> = self.directions.iter().map(|d| dot(d, &whitened)).collect();
        let alpha = solve(&self.gram, &g, &self.ridge);
        let log_energy = (dot(residual, &whitened) - dot(&alpha, &g)).max(1e-9).ln();
        let families = self
            .families
            .iter()
            .zip(&self.norms)
            .zip(&self.overlaps)
            .map(|((f, norms), overlaps)| {
                let mut explained = vec![0.0; f.len()];
                for (overlap, alpha) in overlaps.iter().zip(&alpha) {
                    for (e, o) in explained.iter_mut().zip(overlap) {
                        *e += o * alpha;
                    }
                }
                f.numerators(&whitened)
                    .into_iter()
                    .zip(explained)
                    .zip(norms)
                    .map(|((z, e), n)| (z - e) / n.sqrt())
                    .collect()
            })
            .collect();
        Raw { families, log_energy }
    }
}

impl Scorer {
    /// Puts each filter on its healthy scale.
    ///
    /// # Formula
    /// `scale^2 = (K pool + sum own z^2 + w sum others' z^2) / (K + n + w m)`: a filter's own healthy scores, those of the same
    /// filter at the other modules (same crank angle, so same events under it), and the family's mean square.
    ///
    /// # Arguments
    /// - `bank`: filters of the model of all good clips.
    /// - `left_out`: each good clip scored by a bank that has not seen it.
    /// - `others`: the same for the other modules, if they share the crank's angle.
    /// - `widening`: factor by which a new clip may lie further off than the good clips do, where these are of too few rounds to tell; their
    ///   scales are then at least what the model expects of them, so that clips that are all the same do not make a limit of nothing.
    #[must_use]
    pub fn new(bank: Bank, left_out: &[Raw], others: &[&Raw], widening: Option<f64>) -> Self {
        let n = left_out.len() as f64;
        let mean = left_out.iter().map(|r| r.log_energy).sum::<f64>() / n;
        let var = left_out.iter().map(|r| (r.log_energy - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
        let energy = (mean, (0.5 * var + 0.5 * 0.04).sqrt());
        let mut healthy = vec![Vec::new(); left_out.len()];
        let hiss = hiss_groups(&bank.families);
        let mut hisses = vec![0.0; left_out.len()];
        let mut scales = Vec::new();
        let weight = OTHERS_WEIGHT * others.len() as f64;
        for f in 0..bank.families.len() {
            let t = bank.families[f].len();
            let sum_over = |raws: &mut dyn Iterator<Item = &Raw>| {
                let mut sums = vec![0.0; t];
                for r in raws {
                    for (s, z) in sums.iter_mut().zip(&r.families[f]) {
                        *s += z * z;
                    }
                }
                sums
            };
            let own = sum_over(&mut left_out.iter());
            let beside = sum_over(&mut others.iter().copied());
            let pool = own.iter().sum::<f64>() / (t as f64 * n);
            let prior = if bank.families[f].pattern == Pattern::Knock { PRIOR_CLIPS_SHORT } else { PRIOR_CLIPS };
            let scale = |own: f64, n: f64, beside: f64| {
                ((prior * pool + own + OTHERS_WEIGHT * beside) / (prior + n + weight)).max(1e-6).sqrt()
            };
            for ((raw, healthy), hissing) in left_out.iter().zip(&mut healthy).zip(&mut hisses) {
                let scores: Vec<f64> = raw.families[f]
                    .iter()
                    .zip(own.iter().zip(&beside))
                    .map(|(z, (q, b))| z / scale(q - z * z, n - 1.0, *b))
                    .collect();
                if let Some((_, groups)) = hiss.as_ref().filter(|h| h.0 == f) {
                    *hissing = loudest_group(groups, &scores);
                }
                healthy.push(highest(scores.into_iter()));
            }
            let widened = |s: f64| widening.map_or(s, |w| w * s.max(1.0));
            scales.push(own.iter().zip(&beside).map(|(&q, &b)| widened(scale(q, n, b))).collect());
        }
        for (raw, healthy) in left_out.iter().zip(&mut healthy) {
            healthy.push(Best { score: (raw.log_energy - energy.0) / energy.1, filter: 0 });
        }
        let mid = hisses.iter().sum::<f64>() / n.max(1.0);
        let sum: f64 = hisses.iter().map(|h| (h - mid).powi(2)).sum();
        let (prior, usual) = HISS_PRIOR;
        let hiss_scale = (mid, ((prior * usual * usual + sum) / (prior + (n - 1.0).max(0.0))).sqrt());
        let cells = ((bank.white.n_band * N_ANGLE) as f64).max(1.0);
        // An energy goes with the square.
        let energy = (widening.map_or(energy.0, |w| energy.0.max(cells.ln()) + 2.0 * w.ln()), energy.1);
        Self { bank, scales, healthy, energy, hiss, hiss_scale }
    }

    /// Scores a new clip's residual (already divided by its leverage factor).
    #[must_use]
    pub fn score(&self, residual: &[f64]) -> Scored {
        let raw = self.bank.raw(residual);
        let scaled: Vec<Vec<f64>> =
            raw.families.iter().zip(&self.scales).map(|(z, s)| z.iter().zip(s).map(|(z, s)| z / s).collect()).collect();
        let hiss_sd = self
            .hiss
            .as_ref()
            .map(|(family, groups)| (loudest_group(groups, &scaled[*family]) - self.hiss_scale.0) / self.hiss_scale.1);
        let mut best: Vec<Best> = scaled.into_iter().map(|scores| highest(scores.into_iter())).collect();
        best.push(Best { score: (raw.log_energy - self.energy.0) / self.energy.1, filter: 0 });
        Scored { best, hiss_sd }
    }
}

/// Which filters make one hiss: those of each half of the module's own turn, or, where angles are relative, of each half-turn from any
/// start.
fn hiss_groups(families: &[Family]) -> Option<(usize, Vec<Vec<usize>>)> {
    let hisses = |f: &(usize, &Family)| f.1.pattern == Pattern::Hiss && f.1.share > 0.0;
    let (at, family) = families.iter().enumerate().find(hisses)?;
    let mut by_start: std::collections::BTreeMap<usize, Vec<usize>> = std::collections::BTreeMap::new();
    for t in 0..family.len() {
        let ((start, len), _) = family.filter(t);
        // The arcs of one half start within 15 degrees of each other.
        let key = if family.arcs.len() <= 8 { start / (N_ANGLE / 2) } else { start };
        if (5 * N_ANGLE / 12..=7 * N_ANGLE / 12).contains(&len) || family.arcs.len() <= 8 {
            by_start.entry(key).or_default().push(t);
        }
    }
    Some((at, by_start.into_values().collect()))
}

/// The largest of the groups' mean scores; 0 without groups.
fn loudest_group(groups: &[Vec<usize>], scores: &[f64]) -> f64 {
    let mean = |g: &Vec<usize>| g.iter().map(|&t| scores[t]).sum::<f64>() / g.len().max(1) as f64;
    groups.iter().map(mean).max_by(f64::total_cmp).unwrap_or(0.0)
}

fn highest(scores: impl Iterator<Item = f64>) -> Best {
    scores
        .enumerate()
        .map(|(filter, score)| Best { score, filter })
        .max_by(|a, b| a.score.total_cmp(&b.score))
        .unwrap_or(Best { score: 0.0, filter: 0 })
}
