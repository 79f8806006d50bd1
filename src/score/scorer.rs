//! Scores of one spot's clips against its model: every filter, each on its own healthy scale.

use rayon::prelude::*;

use crate::baseline::Model;
use crate::score::bank::{Family, Whitener, families};

/// Clips that the family's mean square counts for against a filter's own.
const PRIOR_CLIPS: f64 = 8.0;
/// Directions taken from healthy residuals, at most.
const MOST_DIRECTIONS: usize = 32;

/// A healthy residual that may serve as a nuisance direction.
#[derive(Debug, Clone)]
pub struct Direction {
    /// Residual in dB, shape `(N_BAND, N_ANGLE)`.
    pub residual: Vec<f64>,
    /// The round it comes from: clips of one round share their day.
    pub round: usize,
}

/// Best filter of each family for one clip.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Best {
    /// Score on the filter's own healthy scale.
    pub score: f64,
    /// Filter.
    pub filter: usize,
}

/// All filters of one spot, with their norms and healthy scales.
#[derive(Debug)]
pub struct Scorer {
    /// Whitening of this spot.
    pub white: Whitener,
    /// Filter families.
    pub families: Vec<Family>,
    norms: Vec<Vec<f64>>,
    scales: Vec<Vec<f64>>,
    directions: Vec<Direction>,
    /// `t' Sigma^-1 d` for each family, filter-major over directions.
    overlaps: Vec<Vec<f64>>,
    gram: Vec<Vec<f64>>,
    /// Best score of each family (and the omnibus last) for each good clip, against the others.
    pub healthy: Vec<Vec<Best>>,
    /// Mean log energy of the healthy residuals' rest, and its spread.
    energy: (f64, f64),
    ridge: f64,
}

/// Solves `(gram[j][j] + ridge) x = g` over the directions `use_j` (Cholesky), zero elsewhere.
fn solve(gram: &[Vec<f64>], g: &[f64], ridge: f64, used: &[usize]) -> Vec<f64> {
    let m = used.len();
    let mut l = vec![vec![0.0; m]; m];
    for i in 0..m {
        for j in 0..=i {
            let mut s = gram[used[i]][used[j]] + if i == j { ridge } else { 0.0 };
            for k in 0..j {
                s -= l[i][k] * l[j][k];
            }
            l[i][j] = if i == j { s.max(1e-12).sqrt() } else { s / l[j][j] };
        }
    }
    let mut y = vec![0.0; m];
    for i in 0..m {
        let s: f64 = (0..i).map(|k| l[i][k] * y[k]).sum();
        y[i] = (g[used[i]] - s) / l[i][i];
    }
    for i in (0..m).rev() {
        let s: f64 = (i + 1..m).map(|k| l[k][i] * y[k]).sum();
        y[i] = (y[i] - s) / l[i][i];
    }
    let mut out = vec![0.0; gram.len()];
    for (&u, v) in used.iter().zip(y) {
        out[u] = v;
    }
    out
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(x, y)| x * y).sum()
}

impl Scorer {
    /// Prepares a spot.
    ///
    /// # Arguments
    /// - `rounds`: the round of each of the model's good clips.
    /// - `others`: residuals of other modules on the same (absolute) angle.
    /// - `n_band`: bands to use.
    #[must_use]
    pub fn new(model: &Model, rounds: &[usize], others: &[Direction], edges_hz: &[f64], n_band: usize) -> Self {
        let white = Whitener::new(model, n_band);
        let families = families(model, edges_hz, n_band);
        let mut directions: Vec<Direction> = model
            .residuals
            .iter()
            .zip(rounds)
            .map(|(r, &round)| Direction { residual: r.clone(), round })
            .collect();
        directions.truncate(MOST_DIRECTIONS);
        for d in others {
            if directions.len() < MOST_DIRECTIONS {
                directions.push(d.clone());
            }
        }
        let whitened: Vec<Vec<f64>> = directions.par_iter().map(|d| white.apply(&d.residual)).collect();
        let gram: Vec<Vec<f64>> =
            directions.iter().map(|d| whitened.iter().map(|w| dot(&d.residual, w)).collect()).collect();
        let ridge = std::env::var("SS_RIDGE").ok().and_then(|v| v.parse().ok()).unwrap_or(200.0);
        let per_family: Vec<(Vec<f64>, Vec<f64>)> = families
            .par_iter()
            .map(|f| {
                let m = directions.len();
                let mut overlap = vec![0.0; f.len() * m];
                for (j, w) in whitened.iter().enumerate() {
                    for (t, z) in f.numerators(w).into_iter().enumerate() {
                        overlap[t * m + j] = z;
                    }
                }
                (f.norms(&white), overlap)
            })
            .collect();
        let (norms, overlaps): (Vec<_>, Vec<_>) = per_family.into_iter().unzip();
        let mut scorer = Self {
            white,
            families,
            norms,
            scales: Vec::new(),
            directions,
            overlaps,
            gram,
            healthy: Vec::new(),
            energy: (0.0, 1.0),
            ridge,
        };
        scorer.calibrate(&model.residuals, rounds);
        scorer
    }

    /// Score of every filter before its healthy scale, per family, and the rest's log energy.
    fn raw(&self, residual: &[f64], not_round: Option<usize>) -> (Vec<Vec<f64>>, f64) {
        let whitened = self.white.apply(residual);
        let g: Vec<f64> = self.directions.iter().map(|d| dot(&d.residual, &whitened)).collect();
        let used: Vec<usize> =
            (0..self.directions.len()).filter(|&j| Some(self.directions[j].round) != not_round).collect();
        let alpha = solve(&self.gram, &g, self.ridge, &used);
        let m = self.directions.len();
        let energy = (dot(residual, &whitened) - dot(&alpha, &g)).max(1e-9).ln();
        let scores = self
            .families
            .iter()
            .zip(&self.norms)
            .zip(&self.overlaps)
            .map(|((f, norms), overlap)| {
                f.numerators(&whitened)
                    .into_iter()
                    .zip(norms)
                    .zip(overlap.chunks_exact(m.max(1)))
                    .map(|((z, n), o)| (z - dot(o, &alpha)) / n.sqrt())
                    .collect()
            })
            .collect();
        (scores, energy)
    }

    fn calibrate(&mut self, residuals: &[Vec<f64>], rounds: &[usize]) {
        let all: Vec<(Vec<Vec<f64>>, f64)> =
            residuals.par_iter().zip(rounds).map(|(r, &round)| self.raw(r, Some(round))).collect();
        let n = all.len() as f64;
        let logs: Vec<f64> = all.iter().map(|a| a.1).collect();
        let mean = logs.iter().sum::<f64>() / n;
        let var = logs.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / (n - 1.0).max(1.0);
        self.energy = (mean, (0.5 * var + 0.5 * 0.04).sqrt());
        self.healthy = vec![Vec::new(); all.len()];
        for f in 0..self.families.len() {
            let t = self.families[f].len();
            let squares: Vec<f64> = (0..t).map(|t| all.iter().map(|a| a.0[f][t].powi(2)).sum()).collect();
            let pool = squares.iter().sum::<f64>() / (t as f64 * n);
            let scale = |sum: f64, n: f64| ((PRIOR_CLIPS * pool + sum) / (PRIOR_CLIPS + n)).max(1e-6).sqrt();
            self.scales.push(squares.iter().map(|&s| scale(s, n)).collect());
            for (c, a) in all.iter().enumerate() {
                let z = &a.0[f];
                let best = (0..t)
                    .map(|t| Best { score: z[t] / scale(squares[t] - z[t] * z[t], n - 1.0), filter: t })
                    .max_by(|a, b| a.score.total_cmp(&b.score))
                    .unwrap_or(Best { score: 0.0, filter: 0 });
                self.healthy[c].push(best);
            }
        }
        for (c, l) in logs.iter().enumerate() {
            self.healthy[c].push(Best { score: (l - mean) / self.energy.1, filter: 0 });
        }
    }

    /// Best filter of every family for a new clip's residual (already divided by its leverage factor); the omnibus last.
    #[must_use]
    pub fn score(&self, residual: &[f64]) -> Vec<Best> {
        let (all, energy) = self.raw(residual, None);
        let mut out: Vec<Best> = all
            .iter()
            .zip(&self.scales)
            .map(|(z, s)| {
                z.iter()
                    .zip(s)
                    .enumerate()
                    .map(|(t, (z, s))| Best { score: z / s, filter: t })
                    .max_by(|a, b| a.score.total_cmp(&b.score))
                    .unwrap_or(Best { score: 0.0, filter: 0 })
            })
            .collect();
        out.push(Best { score: (energy - self.energy.0) / self.energy.1, filter: 0 });
        out
    }
}
