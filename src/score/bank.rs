//! The bank of matched filters: what a leak, a knock, a shifted or a missing event adds to a healthy map.

use crate::baseline::{Model, N_CELL};
use crate::dsp::bands::N_BAND;
use crate::map::N_ANGLE;
use crate::score::Pattern;

/// Filters of one kind: a shape over the map, cut to arcs and weighted over bands.
#[derive(Debug, Clone)]
pub struct Family {
    /// What it stands for.
    pub pattern: Pattern,
    /// Part of the false-alarm chance that it may use, against the other families: most goes to what costs most when missed.
    pub share: f64,
    /// dB of change per unit strength, shape `(N_BAND, N_ANGLE)`.
    pub shape: Vec<f64>,
    /// Start column and number of columns.
    pub arcs: Vec<(usize, usize)>,
    /// Weights of the bands, each with its first and one-past-last band.
    pub spectra: Vec<Spectrum>,
}

/// Weights over bands.
#[derive(Debug, Clone)]
pub struct Spectrum {
    /// Weight of each band, 0 outside `lo..hi`.
    pub weight: [f64; N_BAND],
    /// First band.
    pub lo: usize,
    /// One past the last band.
    pub hi: usize,
}

/// Precision of each cell under the nuisance of its band: everything a filter's norm needs.
#[derive(Debug, Clone)]
pub struct Whitener {
    weight: Vec<f64>,
    quiet: Vec<f64>,
    /// Per band the 2 x 2 matrix `(prior + N'WN)^-1` as (11, 12, 22).
    inner: Vec<[f64; 3]>,
    /// Bands used.
    pub n_band: usize,
}

impl Whitener {
    /// From a model, with the first `n_band` bands.
    #[must_use]
    pub fn new(model: &Model, n_band: usize) -> Self {
        let weight: Vec<f64> =
            (0..N_CELL).map(|i| if i / N_ANGLE < n_band { 1.0 / model.variance[i] } else { 0.0 }).collect();
        let inner = (0..N_BAND)
            .map(|b| {
                let at = b * N_ANGLE..(b + 1) * N_ANGLE;
                let (mut s11, mut s12, mut s22) = (1.0 / model.offset_var[b], 0.0, 1.0 / model.floor_var[b]);
                for (w, q) in weight[at.clone()].iter().zip(&model.quiet[at]) {
                    s11 += w;
                    s12 += w * q;
                    s22 += w * q * q;
                }
                let det = s11 * s22 - s12 * s12;
                [s22 / det, -s12 / det, s11 / det]
            })
            .collect();
        Self { weight, quiet: model.quiet.clone(), inner, n_band }
    }

    /// `Sigma^-1 r`: the residual freed of its bands' offset and floor change and weighted by precision.
    #[must_use]
    pub fn apply(&self, r: &[f64]) -> Vec<f64> {
        let mut out = vec![0.0; N_CELL];
        for b in 0..self.n_band {
            let at = b * N_ANGLE..(b + 1) * N_ANGLE;
            let (mut r1, mut r2) = (0.0, 0.0);
            for i in at.clone() {
                r1 += self.weight[i] * r[i];
                r2 += self.weight[i] * r[i] * self.quiet[i];
            }
            let [m11, m12, m22] = self.inner[b];
            let (c1, c2) = (m11 * r1 + m12 * r2, m12 * r1 + m22 * r2);
            for i in at {
                out[i] = self.weight[i] * (r[i] - c1 - c2 * self.quiet[i]);
            }
        }
        out
    }
}

/// Arcs that are summed side by side, which lets the compiler use vector registers.
const LANES: usize = 8;
/// Bands whose running sums are made side by side.
const ROWS: usize = 4;

/// Something for every band and some arcs.
type Tile = [[f64; LANES]; N_BAND];

/// Sums of `x` over arcs for every band, [`LANES`] arcs a tile; what is left of the last tile is 0.
fn arc_sums(x: &[f64], arcs: &[(usize, usize)]) -> Vec<Tile> {
    let mut out = vec![[[0.0; LANES]; N_BAND]; arcs.len().div_ceil(LANES)];
    let mut cumulative = [[0.0; ROWS]; 2 * N_ANGLE + 1];
    for (k, bands) in x.chunks_exact(ROWS * N_ANGLE).enumerate() {
        let mut sum = [0.0; ROWS];
        for (a, after) in cumulative[1..].iter_mut().enumerate() {
            for (row, s) in sum.iter_mut().enumerate() {
                *s += bands[row * N_ANGLE + a % N_ANGLE];
            }
            *after = sum;
        }
        for (i, &(start, len)) in arcs.iter().enumerate() {
            let (from, to) = (&cumulative[start], &cumulative[start + len]);
            for row in 0..ROWS {
                out[i / LANES][ROWS * k + row][i % LANES] = to[row] - from[row];
            }
        }
    }
    out
}

impl Family {
    /// Number of filters.
    #[must_use]
    pub fn len(&self) -> usize {
        self.arcs.len() * self.spectra.len()
    }

    /// Whether there is no filter.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// `sum weight x` over the bands of every filter, arcs outer, spectra inner.
    fn weighed(&self, tiles: &[Tile], weight: impl Fn(f64) -> f64) -> Vec<f64> {
        let n = self.spectra.len();
        let mut out = vec![0.0; self.len()];
        for (tile, out) in tiles.iter().zip(out.chunks_mut(LANES * n)) {
            for (s, spectrum) in self.spectra.iter().enumerate() {
                let mut sums = [0.0; LANES];
                for (&w, x) in spectrum.weight[spectrum.lo..spectrum.hi].iter().zip(&tile[spectrum.lo..spectrum.hi]) {
                    let w = weight(w);
                    for (sum, x) in sums.iter_mut().zip(x) {
                        *sum += w * x;
                    }
                }
                for (slot, sum) in out[s..].iter_mut().step_by(n).zip(sums) {
                    *slot = sum;
                }
            }
        }
        out
    }

    /// `t' Sigma^-1 r` for every filter, arcs outer, spectra inner.
    #[must_use]
    pub fn numerators(&self, whitened: &[f64]) -> Vec<f64> {
        let x: Vec<f64> = self.shape.iter().zip(whitened).map(|(s, r)| s * r).collect();
        self.weighed(&arc_sums(&x, &self.arcs), |w| w)
    }

    /// `t' Sigma^-1 t` for every filter.
    #[must_use]
    pub fn norms(&self, w: &Whitener) -> Vec<f64> {
        let cell = |f: &dyn Fn(usize) -> f64| arc_sums(&(0..N_CELL).map(f).collect::<Vec<_>>(), &self.arcs);
        let mut full = cell(&|i| w.weight[i] * self.shape[i] * self.shape[i]);
        let u1 = cell(&|i| w.weight[i] * self.shape[i]);
        let u2 = cell(&|i| w.weight[i] * self.shape[i] * w.quiet[i]);
        for ((full, u1), u2) in full.iter_mut().zip(&u1).zip(&u2) {
            for (((full, u1), u2), [m11, m12, m22]) in full.iter_mut().zip(u1).zip(u2).zip(&w.inner) {
                for ((full, u1), u2) in full.iter_mut().zip(u1).zip(u2) {
                    *full -= m11 * u1 * u1 + 2.0 * m12 * u1 * u2 + m22 * u2 * u2;
                }
            }
        }
        let mut out = self.weighed(&full, |w| w * w);
        out.iter_mut().for_each(|n| *n = n.max(1e-9));
        out
    }

    /// Columns of an arc and what one unit of strength adds to a band there, in dB.
    #[must_use]
    pub fn on_arc(&self, arc: (usize, usize), band: usize) -> Vec<(usize, f64)> {
        (arc.0..arc.0 + arc.1).map(|k| (k % N_ANGLE, self.shape[band * N_ANGLE + k % N_ANGLE])).collect()
    }

    /// Arc and spectrum of filter `t`.
    #[must_use]
    pub fn filter(&self, t: usize) -> ((usize, usize), &Spectrum) {
        (self.arcs[t / self.spectra.len()], &self.spectra[t % self.spectra.len()])
    }
}

fn every(step: usize, widths: &[usize]) -> Vec<(usize, usize)> {
    widths.iter().flat_map(|&w| (0..N_ANGLE).step_by(step).map(move |s| (s, w))).collect()
}

/// Arcs that fill most of one half of the module's own turn.
fn halves() -> Vec<(usize, usize)> {
    let mut out = Vec::new();
    for start in [0, N_ANGLE / 2] {
        for late in [0, 3] {
            for len in [27, 33] {
                out.push(((start + late) % N_ANGLE, len));
            }
        }
    }
    out
}

/// Band index whose lower edge is nearest to a frequency.
fn band_at(edges_hz: &[f64], f: f64) -> usize {
    edges_hz.iter().take_while(|&&e| e < f * 0.97).count().min(N_BAND)
}

fn ranges(edges_hz: &[f64], from_hz: &[f64], to_hz: &[f64], n_band: usize) -> Vec<(usize, usize)> {
    let mut out = Vec::new();
    for &f in from_hz {
        for &t in to_hz {
            let (lo, hi) = (band_at(edges_hz, f), band_at(edges_hz, t).min(n_band));
            if hi >= lo + 2 && !out.contains(&(lo, hi)) {
                out.push((lo, hi));
            }
        }
    }
    out
}

fn flat(lo: usize, hi: usize) -> Spectrum {
    let mut weight = [0.0; N_BAND];
    weight[lo..hi].fill(1.0);
    Spectrum { weight, lo, hi }
}

/// One band that stands out of its neighbours on both sides.
fn narrow(n_band: usize) -> Vec<Spectrum> {
    (0..n_band)
        .map(|b| {
            let (lo, hi) = (b.saturating_sub(3), (b + 4).min(n_band));
            let mut weight = [0.0; N_BAND];
            weight[lo..hi].fill(-1.0 / (hi - lo - 1).max(1) as f64);
            weight[b] = 1.0;
            Spectrum { weight, lo, hi }
        })
        .collect()
}

/// Share of the omnibus, which answers to what no filter fits.
pub const OMNIBUS_SHARE: f64 = 0.3;

/// All families for a model that have filters: with few bands there is none for a hiss, and then none takes a share of the chance.
///
/// # Arguments
/// - `absolute`: whether the angles are the module's own; only then does its own half mean something.
#[must_use]
pub fn families(model: &Model, edges_hz: &[f64], n_band: usize, absolute: bool) -> Vec<Family> {
    let top = 25_000.0;
    // A jet's power against the band's own quiet level: equal in every band, or even in power density (then it
    // stands out where the healthy pump is quietest).
    let density: Vec<f64> = {
        let quiet_db: Vec<f64> = (0..N_BAND)
            .map(|b| {
                let mut s = model.mean[b * N_ANGLE..(b + 1) * N_ANGLE].to_vec();
                s.sort_by(f64::total_cmp);
                s[N_ANGLE / 10] + model.band_db[b] - 10.0 * (edges_hz[b + 1] - edges_hz[b]).log10()
            })
            .collect();
        quiet_db.iter().map(|q| 10.0_f64.powf(-0.1 * q)).collect()
    };
    let mut hiss_spectra = Vec::new();
    for (lo, hi) in ranges(edges_hz, &[800.0, 1_500.0, 2_500.0, 4_000.0, 6_500.0], &[6_000.0, 12_000.0, top], n_band) {
        hiss_spectra.push(flat(lo, hi));
        for power in [0.5, 1.0] {
            let most = density[lo..hi].iter().copied().fold(f64::MIN_POSITIVE, f64::max);
            let mut s = flat(lo, hi);
            for (w, d) in s.weight[lo..hi].iter_mut().zip(&density[lo..hi]) {
                *w = (d / most).powf(power);
            }
            hiss_spectra.push(s);
        }
    }
    let plain: Vec<Spectrum> =
        ranges(edges_hz, &[100.0, 500.0, 1_500.0, 4_000.0], &[1_500.0, 4_000.0, 10_000.0, top], n_band)
            .into_iter()
            .map(|(lo, hi)| flat(lo, hi))
            .collect();
    let quiet = model.quiet.clone();
    let mut out = vec![
        // A leak past a valve or a piston hisses through one half of its module's own turn.
        Family {
            pattern: Pattern::Hiss,
            share: if absolute { 5.0 } else { 0.0 },
            shape: quiet.clone(),
            arcs: halves(),
            spectra: hiss_spectra.clone(),
        },
        Family {
            pattern: Pattern::Hiss,
            share: if absolute { 0.4 } else { 6.5 },
            shape: quiet.clone(),
            arcs: every(3, &[12, 18, 24, 30, 36, 42]),
            spectra: hiss_spectra.clone(),
        },
        Family {
            pattern: Pattern::AllRound,
            share: 0.3,
            shape: quiet,
            arcs: vec![(0, N_ANGLE)],
            spectra: hiss_spectra,
        },
        Family {
            pattern: Pattern::Tone,
            share: 0.3,
            shape: vec![1.0; N_CELL],
            arcs: vec![(0, N_ANGLE)],
            spectra: narrow(n_band),
        },
        Family {
            pattern: Pattern::Knock,
            share: 0.4,
            shape: vec![1.0; N_CELL],
            arcs: every(1, &[2, 4, 6]),
            spectra: plain.clone(),
        },
    ];
    let level = |b: usize, a: isize| {
        let a = a.rem_euclid(N_ANGLE as isize) as usize;
        model.mean[b * N_ANGLE + a]
    };
    for columns in [-3_isize, -2, -1, 1, 2, 3] {
        #[expect(clippy::cast_possible_wrap, reason = "columns of one turn")]
        let shape = (0..N_CELL)
            .map(|i| {
                let (b, a) = (i / N_ANGLE, (i % N_ANGLE) as isize);
                level(b, a - columns) - level(b, a)
            })
            .collect();
        out.push(Family {
            pattern: Pattern::Shifted,
            share: 0.12,
            shape,
            arcs: every(2, &[6, 10]),
            spectra: plain.clone(),
        });
    }
    let missing = (0..N_CELL).map(|i| 10.0 * model.quiet[i].max(1e-6).log10()).collect();
    out.push(Family {
        pattern: Pattern::Missing,
        share: 0.7,
        shape: missing,
        arcs: every(2, &[4, 8, 12]),
        spectra: plain,
    });
    out.retain(|f| !f.is_empty());
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filters_side_by_side_are_what_their_formula_says() {
        let wave = |scale: f64| (0..N_CELL).map(|i| (i as f64 * scale).sin()).collect::<Vec<f64>>();
        let whitened = wave(0.21);
        let mut falling = flat(3, 20);
        for (k, w) in falling.weight[3..20].iter_mut().enumerate() {
            *w /= 1.0 + k as f64;
        }
        for arcs in [halves(), every(3, &[12, 30]), vec![(0, N_ANGLE)]] {
            let spectra = vec![flat(0, 5), falling.clone(), flat(10, N_BAND)];
            let family = Family { pattern: Pattern::Hiss, share: 1.0, shape: wave(0.37), arcs, spectra };
            for (t, sum) in family.numerators(&whitened).into_iter().enumerate() {
                let (arc, spectrum) = family.filter(t);
                let plain: f64 = (0..N_BAND)
                    .map(|b| {
                        let cells = family.on_arc(arc, b);
                        spectrum.weight[b] * cells.iter().map(|&(a, s)| s * whitened[b * N_ANGLE + a]).sum::<f64>()
                    })
                    .sum();
                assert!((sum - plain).abs() < 1e-9, "{t}: {sum} {plain}");
            }
        }
    }
}
