//! The model of one spot's good clips: mean, slopes on the operating point, nuisance, spread between runs.

use crate::baseline::align::N_CELL;
use crate::baseline::swing;
use crate::dsp::bands::N_BAND;
use crate::map::N_ANGLE;
use crate::robust::median_mut;

/// One good clip, turned to the spot's common origin.
#[derive(Debug, Clone)]
pub struct GoodClip {
    /// Levels in dB, shape `(N_BAND, N_ANGLE)`.
    pub level_db: Vec<f64>,
    /// Covariates: logarithms of speed and, where all good clips have it, of pressure.
    pub point: Vec<f64>,
    /// How its strokes differ, see [`crate::map::FoldedMap::swings`], turned like the levels.
    pub swings: Vec<f32>,
}

/// Mean, slopes, nuisance and spread of one spot.
#[derive(Debug, Clone)]
pub struct Model {
    /// Mean level about each band's own level, dB, shape `(N_BAND, N_ANGLE)`.
    pub mean: Vec<f64>,
    /// Mean level of each band, dB.
    pub band_db: Vec<f64>,
    /// Slope of every cell on each standardised covariate, dB.
    pub slopes: Vec<Vec<f64>>,
    /// Centre and scale of each covariate.
    pub covariates: Vec<(f64, f64)>,
    /// Span of each standardised covariate over the good clips, one unit wider on both sides: the slopes are carried no further.
    pub reach: Vec<(f64, f64)>,
    /// Inverse of the ridged covariance of the covariates, for the leverage of a new point.
    pub inverse: Vec<Vec<f64>>,
    /// Variance between runs, dB squared, shape `(N_BAND, N_ANGLE)`.
    pub variance: Vec<f64>,
    /// Share of each cell's power that is the band's quiet level, 0 to 1, shape `(N_BAND, N_ANGLE)`.
    pub quiet: Vec<f64>,
    /// Variance of a band's offset (gain and tone colour) between runs, dB squared.
    pub offset_var: Vec<f64>,
    /// Variance of a band's floor change between runs, dB squared.
    pub floor_var: Vec<f64>,
    /// Each good clip against what the others predict for it, in units of a new clip's scatter: `(y - prediction) / sqrt(1 - h)`.
    pub residuals: Vec<Vec<f64>>,
    /// Number of bands that all good clips carry.
    pub n_usable: usize,
    /// The main ways in which the strokes of the good clips differ, dB for a stroke one standard deviation off, shape `(N_BAND, N_ANGLE)` each.
    pub swings: Vec<Vec<f64>>,
}

/// Equivalent clips that the smoothed variance counts for against a cell's own.
const PRIOR_CLIPS: f64 = 8.0;
/// Smallest variance of a cell, dB squared: what the finite number of strokes alone leaves.
const LEAST_VAR: f64 = 0.002;
/// Variance of a cell between rounds, dB squared, where the good clips are of too few rounds to tell. It is not seen in a cell alone (median 0.16
/// within and between rounds of made-up rooms) but in what neighbouring cells have in common: with 0.6 of 24 healthy clips judged by eight
/// pieces of one recording 7 passed the limit where events change most from day to day, with 1.5 two, with 3 none.
const USUAL_VAR: f64 = 2.0;
/// The same of a band's offset and of its floor: the largest of medians over the bands of six spots, eight rounds each.
const USUAL_OFFSET_VAR: f64 = 4.0;
/// See [`USUAL_OFFSET_VAR`].
const USUAL_FLOOR_VAR: f64 = 0.5;
/// Ridge factors tried for the slopes, in units of the number of clips; the last is "no slope".
const RIDGES: [f64; 6] = [0.1, 0.3, 1.0, 3.0, 10.0, f64::INFINITY];

impl Model {
    /// Fits the model.
    ///
    /// # Arguments
    /// - `clips`: at least 2; one tells nothing of how clips scatter.
    /// - `n_usable`: bands that all of them carry.
    #[must_use]
    pub fn fit(clips: &[GoodClip], n_usable: usize) -> Self {
        let n = clips.len();
        let nf = n as f64;
        let design = Design::new(clips);
        let mut variance = vec![1.0; N_CELL];
        let mut offset_var = vec![4.0; N_BAND];
        let mut floor_var = vec![0.1; N_BAND];
        let mut best = None;
        for _ in 0..3 {
            // Offsets: weighted band means; the rest is fitted cell by cell.
            let offsets: Vec<Vec<f64>> = clips.iter().map(|c| band_means(&c.level_db, &variance)).collect();
            let rows: Vec<Vec<f64>> = clips
                .iter()
                .zip(&offsets)
                .map(|(c, o)| (0..N_CELL).map(|i| c.level_db[i] - o[i / N_ANGLE]).collect())
                .collect();
            let fit = design.fit(&rows, &variance, n_usable);
            let band_db: Vec<f64> = (0..N_BAND).map(|b| offsets.iter().map(|o| o[b]).sum::<f64>() / nf).collect();
            let quiet = quiet_share(&fit.mean);
            // What gain, colour and floor changes leave of the residuals is the spread of the cells.
            let mut sum = vec![0.0; N_CELL];
            let mut floors = vec![vec![0.0; N_BAND]; n];
            for (c, e) in fit.residuals.iter().enumerate() {
                for b in 0..n_usable {
                    let at = b * N_ANGLE..(b + 1) * N_ANGLE;
                    let (offset, floor) = nuisance_of(
                        &e[at.clone()],
                        &variance[at.clone()],
                        &quiet[at.clone()],
                        offset_var[b],
                        floor_var[b],
                    );
                    floors[c][b] = floor;
                    for i in at {
                        let d = e[i] - offset - floor * quiet[i];
                        sum[i] += d * d;
                    }
                }
            }
            let freedom = (nf - 1.0 - fit.parameters).max(1.0);
            let own: Vec<f64> = sum.iter().map(|s| s / freedom * (nf - 1.0) / nf).collect();
            let smooth = smoothed(&own);
            variance = (0..N_CELL)
                .map(|i| ((PRIOR_CLIPS * smooth[i] + freedom * own[i]) / (PRIOR_CLIPS + freedom)).max(LEAST_VAR))
                .collect();
            offset_var = pooled(&offsets, &band_db, 0.3);
            floor_var = pooled(&floors, &vec![0.0; N_BAND], 0.05);
            best = Some((fit, band_db, quiet, offsets));
        }
        let Some((fit, band_db, quiet, offsets)) = best else { unreachable!("the loop above runs three times") };
        let residuals = fit
            .residuals
            .iter()
            .zip(&offsets)
            .zip(&fit.leverage)
            .map(|((e, o), &h)| {
                let f = 1.0 / (1.0 - h).max(0.05).sqrt();
                (0..N_CELL).map(|i| (e[i] + (o[i / N_ANGLE] - band_db[i / N_ANGLE])) * f).collect()
            })
            .collect();
        let swings = swing::pooled(clips.iter().map(|c| c.swings.as_slice()), &variance, n_usable);
        Self {
            mean: fit.mean,
            band_db,
            slopes: fit.slopes,
            reach: design.reach(),
            covariates: design.covariates,
            inverse: fit.inverse,
            variance,
            quiet,
            offset_var,
            floor_var,
            residuals,
            n_usable,
            swings,
        }
    }

    /// The same model where its clips are of too few rounds to tell how bands' levels differ between rounds: at least as much as usual.
    #[must_use]
    pub fn of_few_rounds(mut self) -> Self {
        self.offset_var.iter_mut().for_each(|v| *v = v.max(USUAL_OFFSET_VAR));
        self.floor_var.iter_mut().for_each(|v| *v = v.max(USUAL_FLOOR_VAR));
        self
    }

    /// By how much a clip of another round may lie further off than these clips do from each other, where they are of too few rounds to tell:
    /// `sqrt(1 + usual variance between rounds / median variance of a cell)`.
    #[must_use]
    pub fn between_rounds(&self) -> f64 {
        let mut cells = self.variance[..self.n_usable * N_ANGLE].to_vec();
        let own = median_mut(&mut cells).unwrap_or(LEAST_VAR);
        (1.0 + USUAL_VAR / own).sqrt()
    }

    /// What a clip at an operating point should read: levels in dB, and the factor by which its scatter exceeds one run's.
    ///
    /// Beyond [`Self::reach`] the point at its edge is taken: a slope learnt over a per cent of pressure must not be carried over
    /// ten, as when a wash itself lowers the pressure.
    #[must_use]
    pub fn predict(&self, point: &[f64]) -> (Vec<f64>, f64) {
        let x: Vec<f64> = self
            .covariates
            .iter()
            .zip(&self.reach)
            .zip(point)
            .map(|((&(c, s), &(lo, hi)), p)| ((p - c) / s).clamp(lo, hi))
            .collect();
        let mut out: Vec<f64> = (0..N_CELL).map(|i| self.mean[i] + self.band_db[i / N_ANGLE]).collect();
        for (slope, &x) in self.slopes.iter().zip(&x) {
            for (o, s) in out.iter_mut().zip(slope) {
                *o += s * x;
            }
        }
        let mut h = 1.0 / self.residuals.len() as f64;
        for i in 0..x.len() {
            for j in 0..x.len() {
                h += x[i] * self.inverse[i][j] * x[j];
            }
        }
        (out, (1.0 + h).sqrt())
    }
}

/// Covariates of the good clips, standardised.
struct Design {
    covariates: Vec<(f64, f64)>,
    x: Vec<Vec<f64>>,
}

/// Result of a cell-by-cell fit.
struct Fit {
    mean: Vec<f64>,
    slopes: Vec<Vec<f64>>,
    residuals: Vec<Vec<f64>>,
    leverage: Vec<f64>,
    inverse: Vec<Vec<f64>>,
    /// Effective number of slopes.
    parameters: f64,
}

impl Design {
    fn new(clips: &[GoodClip]) -> Self {
        let n = clips.len() as f64;
        let p = clips.iter().map(|c| c.point.len()).min().unwrap_or(0);
        let covariates: Vec<(f64, f64)> = (0..p)
            .map(|k| {
                let mean = clips.iter().map(|c| c.point[k]).sum::<f64>() / n;
                let var = clips.iter().map(|c| (c.point[k] - mean).powi(2)).sum::<f64>() / n;
                // Half a per cent of speed or pressure is no span to learn a slope from.
                (mean, var.sqrt().max(0.005))
            })
            .collect();
        let x =
            clips.iter().map(|c| covariates.iter().zip(&c.point).map(|(&(m, s), p)| (p - m) / s).collect()).collect();
        Self { covariates, x }
    }

    /// Span of each covariate, one unit wider on both sides.
    fn reach(&self) -> Vec<(f64, f64)> {
        (0..self.covariates.len())
            .map(|k| {
                let (lo, hi) = self.x.iter().fold((0.0, 0.0), |(lo, hi), x| (f64::min(lo, x[k]), f64::max(hi, x[k])));
                (lo - 1.0, hi + 1.0)
            })
            .collect()
    }

    /// Ridge fit of all cells; the ridge is the one with the least leave-one-out error over all cells.
    fn fit(&self, rows: &[Vec<f64>], variance: &[f64], n_usable: usize) -> Fit {
        let n = rows.len();
        let p = self.covariates.len();
        let mut mean = vec![0.0; N_CELL];
        for r in rows {
            for (m, v) in mean.iter_mut().zip(r) {
                *m += v / n as f64;
            }
        }
        let centred: Vec<Vec<f64>> = rows.iter().map(|r| r.iter().zip(&mean).map(|(v, m)| v - m).collect()).collect();
        // X'y of every cell, once.
        let xy: Vec<Vec<f64>> = (0..p)
            .map(|k| {
                let mut out = vec![0.0; N_CELL];
                for (x, r) in self.x.iter().zip(&centred) {
                    for (o, v) in out.iter_mut().zip(r) {
                        *o += x[k] * v;
                    }
                }
                out
            })
            .collect();
        let used = n_usable * N_ANGLE;
        let weight: Vec<f64> = variance[..used].iter().map(|v| 1.0 / v).collect();
        let mut best: Option<(f64, Fit)> = None;
        for ridge in RIDGES {
            if p == 0 && ridge.is_finite() || n < 5 && ridge.is_finite() {
                continue;
            }
            let inverse = self.inverse(ridge * n as f64);
            let slopes: Vec<Vec<f64>> =
                (0..p).map(|k| (0..N_CELL).map(|i| (0..p).map(|j| inverse[k][j] * xy[j][i]).sum()).collect()).collect();
            let mut leverage = Vec::with_capacity(n);
            let mut residuals = Vec::with_capacity(n);
            let mut error = 0.0;
            for (x, r) in self.x.iter().zip(&centred) {
                let mut h = 1.0 / n as f64;
                for i in 0..p {
                    for j in 0..p {
                        h += x[i] * inverse[i][j] * x[j];
                    }
                }
                let mut explained = vec![0.0; N_CELL];
                for (slope, x) in slopes.iter().zip(x) {
                    for (sum, s) in explained.iter_mut().zip(slope) {
                        *sum += s * x;
                    }
                }
                let e: Vec<f64> = r.iter().zip(&explained).map(|(r, explained)| r - explained).collect();
                error += weighted_square(&e[..used], &weight) / (1.0 - h).max(0.05).powi(2);
                leverage.push(h.min(0.95));
                residuals.push(e);
            }
            let parameters = leverage.iter().sum::<f64>() - 1.0;
            if best.as_ref().is_none_or(|(e, _)| error < *e) {
                best = Some((error, Fit { mean: mean.clone(), slopes, residuals, leverage, inverse, parameters }));
            }
        }
        match best {
            Some((_, fit)) => fit,
            None => unreachable!("the infinite ridge is always tried"),
        }
    }

    /// `(X'X + ridge I)^-1`; zero for an infinite ridge. At most two covariates.
    fn inverse(&self, ridge: f64) -> Vec<Vec<f64>> {
        let p = self.covariates.len();
        if !ridge.is_finite() || p == 0 {
            return vec![vec![0.0; p]; p];
        }
        let s = |i: usize, j: usize| self.x.iter().map(|x| x[i] * x[j]).sum::<f64>() + if i == j { ridge } else { 0.0 };
        if p == 1 {
            return vec![vec![1.0 / s(0, 0)]];
        }
        let (a, b, d) = (s(0, 0), s(0, 1), s(1, 1));
        let det = a * d - b * b;
        vec![vec![d / det, -b / det], vec![-b / det, a / det]]
    }
}

/// `sum weight x^2`, over one band and all angles at a time side by side.
fn weighted_square(x: &[f64], weight: &[f64]) -> f64 {
    let mut sums = [0.0; N_ANGLE];
    for (x, weight) in x.chunks_exact(N_ANGLE).zip(weight.chunks_exact(N_ANGLE)) {
        for ((sum, x), w) in sums.iter_mut().zip(x).zip(weight) {
            *sum += w * x * x;
        }
    }
    sums.iter().sum()
}

/// Mean of each band's cells, weighted by the inverse of their variance.
#[must_use]
pub fn band_means(level_db: &[f64], variance: &[f64]) -> Vec<f64> {
    level_db
        .chunks_exact(N_ANGLE)
        .zip(variance.chunks_exact(N_ANGLE))
        .map(|(y, v)| {
            let (s, w) = y.iter().zip(v).fold((0.0, 0.0), |(s, w), (y, v)| (s + y / v, w + 1.0 / v));
            s / w
        })
        .collect()
}

/// Share of each cell's power that is its band's quiet level (the tenth part of the turn that is quietest).
fn quiet_share(mean: &[f64]) -> Vec<f64> {
    let mut out = Vec::with_capacity(N_CELL);
    for band in mean.chunks_exact(N_ANGLE) {
        let mut sorted = band.to_vec();
        sorted.sort_by(f64::total_cmp);
        let quiet = sorted[N_ANGLE / 10];
        out.extend(band.iter().map(|m| 10.0_f64.powf(0.1 * (quiet - m)).min(1.0)));
    }
    out
}

/// Offset and floor change of one band of a residual, shrunk by their prior variances.
#[must_use]
pub fn nuisance_of(e: &[f64], variance: &[f64], quiet: &[f64], offset_var: f64, floor_var: f64) -> (f64, f64) {
    let (mut s11, mut s12, mut s22) = (1.0 / offset_var, 0.0, 1.0 / floor_var);
    let (mut r1, mut r2) = (0.0, 0.0);
    for ((e, v), q) in e.iter().zip(variance).zip(quiet) {
        let w = 1.0 / v;
        s11 += w;
        s12 += w * q;
        s22 += w * q * q;
        r1 += w * e;
        r2 += w * e * q;
    }
    let det = s11 * s22 - s12 * s12;
    ((s22 * r1 - s12 * r2) / det, (s11 * r2 - s12 * r1) / det)
}

/// Mean over the neighbourhood of each cell: two bands and three columns to each side, the turn closed.
fn smoothed(v: &[f64]) -> Vec<f64> {
    let mut out = vec![0.0; N_CELL];
    for b in 0..N_BAND {
        let (lo, hi) = (b.saturating_sub(2), (b + 3).min(N_BAND));
        for a in 0..N_ANGLE {
            let mut sum = 0.0;
            for bb in lo..hi {
                for d in 0..5 {
                    sum += v[bb * N_ANGLE + (a + N_ANGLE + d - 2) % N_ANGLE];
                }
            }
            out[b * N_ANGLE + a] = sum / (5 * (hi - lo)) as f64;
        }
    }
    out
}

/// Variance of per-band values between clips, smoothed over five bands, never below `least` squared.
fn pooled(values: &[Vec<f64>], mean: &[f64], least: f64) -> Vec<f64> {
    let n = values.len() as f64;
    let own: Vec<f64> = (0..N_BAND)
        .map(|b| values.iter().map(|v| (v[b] - mean[b]).powi(2)).sum::<f64>() / (n - 1.0).max(1.0))
        .collect();
    (0..N_BAND)
        .map(|b| {
            let (lo, hi) = (b.saturating_sub(2), (b + 3).min(N_BAND));
            let m = own[lo..hi].iter().sum::<f64>() / (hi - lo) as f64;
            (0.5 * own[b] + 0.5 * m).max(least * least)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slopes_are_not_carried_far_beyond_the_good_clips() {
        // Levels that rise with the pressure within a span of one per cent.
        let clip = |k: f64| GoodClip {
            level_db: (0..N_CELL).map(|i| if i % N_ANGLE < 10 { 5.0 + 100.0 * k } else { 0.0 }).collect(),
            point: vec![(70.0_f64).ln(), (200.0 * (1.0 + k)).ln()],
            swings: Vec::new(),
        };
        let model = Model::fit(&(0..8).map(|i| clip(0.01 * f64::from(i) / 7.0)).collect::<Vec<_>>(), 31);
        let at = |bar: f64| model.predict(&[(70.0_f64).ln(), bar.ln()]);
        let (near, far) = (at(199.5), at(150.0));
        assert!(near.0[0] < at(201.0).0[0] - 0.2, "within the span the slope counts: {} {}", near.0[0], at(201.0).0[0]);
        assert!((far.0[0] - near.0[0]).abs() < 1.0, "{} {}", far.0[0], near.0[0]);
        assert!(far.1 < 2.0, "{}", far.1);
    }
}
