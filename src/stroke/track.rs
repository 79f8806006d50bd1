//! Follows one rhythm through a clip, and says how much of the sound goes with it.

use super::feature::{Feature, N_GROUP};
use super::{part_of_turn, wander};

/// Angle bins while following: 5 degrees each.
pub(super) const BINS: usize = 72;
/// Rounds of map, alignment, smoothing.
const ROUNDS: usize = 4;
/// Stiffness of the phase curve: measured lag variance over the variance of the stroke-to-stroke change of speed
/// (3 degrees of scatter against 0.6 degrees a stroke squared).
const STIFFNESS: f64 = 25.0;

/// Largest move in turns below which the phase has settled: half a degree, a fifth of a bin of the finest map.
const SETTLED: f64 = 0.5 / 360.0;
/// Lock from which a looser curve is tried.
const SURE: f64 = 0.5;
/// Stiffness of the looser curve, relative.
const LOOSER: f64 = 0.02;
/// Gain in strength after a round below which a looser curve is given up.
const PROMISING: f64 = 1.02;
/// Gain in strength that a looser curve must bring.
const WORTH: f64 = 1.1;
/// Scatter of the strokes about the steady curve, in turns, from which they are followed one by one: pumps keep within 4 degrees.
const STRAY: f64 = 5.0 / 360.0;
/// Gain in strength that following the strokes one by one must bring; on pumps it brings up to 1.13 (measured).
const WANDERS: f64 = 1.25;

/// One rhythm followed through a clip.
#[derive(Debug, Clone)]
pub struct Rhythm {
    /// Turns at each feature frame, from an arbitrary origin, ascending.
    pub phase: Vec<f64>,
    /// Mean strokes a minute over the clip.
    pub spm: f64,
    /// Map strength: variance of the feature that goes with the angle, from two halves of the strokes, 0 to about 1.
    pub strength: f64,
    /// How well two halves of the strokes agree, 0 to 1.
    pub lock: f64,
}

/// Angle bins of even strokes, then those of odd ones.
const CELLS: usize = 2 * BINS;
/// Frames whose cells are found at a time.
const AT_ONCE: usize = 64;

/// Sums of a feature by angle for even and odd strokes.
pub(super) struct HalfMaps {
    sum: [[f32; N_GROUP]; CELLS],
    count: [f32; CELLS],
}

/// Frames that follow each other in one cell.
#[derive(Clone, Copy, Default)]
struct Run {
    cell: usize,
    count: f32,
    sum: [f32; N_GROUP],
}

impl HalfMaps {
    pub(super) fn new(rows: &[[f32; N_GROUP]], phase: &[f64], ratio: f64) -> Self {
        let mut maps = Self { sum: [[0.0; N_GROUP]; CELLS], count: [0.0; CELLS] };
        let mut cells = [0; AT_ONCE];
        let mut runs = [Run::default(); AT_ONCE];
        let mut run = Run::default();
        for (rows, phase) in rows.chunks(AT_ONCE).zip(phase.chunks(AT_ONCE)) {
            for (cell, &p) in cells.iter_mut().zip(phase) {
                *cell = part_of_turn(0.5 * (p * ratio), CELLS);
            }
            // Without a branch: where a run ends can't be guessed, and a wrong guess costs more than these sums.
            let mut ended = 0;
            for (row, &cell) in rows.iter().zip(&cells) {
                runs[ended] = run;
                let goes_on = cell == run.cell;
                ended += usize::from(!goes_on);
                let kept = f32::from(u8::from(goes_on));
                run.cell = cell;
                run.count = kept * run.count + 1.0;
                for (s, &v) in run.sum.iter_mut().zip(row) {
                    *s = kept * *s + v;
                }
            }
            for run in &runs[..ended] {
                maps.put(run);
            }
        }
        maps.put(&run);
        maps
    }

    fn put(&mut self, run: &Run) {
        self.count[run.cell] += run.count;
        for (s, &v) in self.sum[run.cell].iter_mut().zip(&run.sum) {
            *s += v;
        }
    }

    /// Mean of each cell less the mean over the turn; 0 where no frame fell.
    fn halves(&self) -> [[[f64; N_GROUP]; BINS]; 2] {
        [0, BINS].map(|from| {
            let mut out = [[0.0; N_GROUP]; BINS];
            let mut mean = [0.0; N_GROUP];
            for (slot, (sum, &n)) in out.iter_mut().zip(self.sum[from..].iter().zip(&self.count[from..])) {
                let n = n.max(1.0);
                for g in 0..N_GROUP {
                    slot[g] = f64::from(sum[g] / n);
                    mean[g] += slot[g];
                }
            }
            for slot in &mut out {
                for g in 0..N_GROUP {
                    slot[g] -= mean[g] / BINS as f64;
                }
            }
            out
        })
    }

    /// Strength (mean product of the halves) and lock (their correlation).
    fn agreement(&self) -> (f64, f64) {
        let [even, odd] = self.halves();
        // Group by group, so that the groups add side by side.
        let (mut ab, mut aa, mut bb) = ([0.0; N_GROUP], [0.0; N_GROUP], [0.0; N_GROUP]);
        for (x, y) in even.iter().zip(&odd) {
            for g in 0..N_GROUP {
                ab[g] += x[g] * y[g];
                aa[g] += x[g] * x[g];
                bb[g] += y[g] * y[g];
            }
        }
        let [ab, aa, bb] = [ab, aa, bb].map(|sums| sums.iter().sum::<f64>());
        let strength = ab / (BINS * N_GROUP) as f64;
        let lock = if aa > 0.0 && bb > 0.0 { (ab / (aa * bb).sqrt()).clamp(0.0, 1.0) } else { 0.0 };
        (strength.max(0.0), lock)
    }

    /// Mean map of both halves, each group's mean taken out.
    pub(super) fn mean(&self) -> Vec<[f32; N_GROUP]> {
        let mut out = vec![[0.0_f32; N_GROUP]; BINS];
        for (k, slot) in out.iter_mut().enumerate() {
            let n = (self.count[k] + self.count[BINS + k]).max(1.0);
            for (g, v) in slot.iter_mut().enumerate() {
                *v = (self.sum[k][g] + self.sum[BINS + k][g]) / n;
            }
        }
        let mut mean = [0.0_f32; N_GROUP];
        for row in &out {
            for (m, v) in mean.iter_mut().zip(row) {
                *m += v;
            }
        }
        for row in &mut out {
            for (v, m) in row.iter_mut().zip(mean) {
                *v -= m / BINS as f32;
            }
        }
        out
    }
}

/// Strength of the map that a phase times `ratio` gives.
#[must_use]
pub(super) fn strength(rows: &[[f32; N_GROUP]], phase: &[f64], ratio: f64) -> f64 {
    HalfMaps::new(rows, phase, ratio).agreement().0
}

/// Follows a rhythm from a first phase curve: each stroke's lag against the mean map, smoothed, a few rounds.
///
/// # Arguments
/// - `phase`: turns at each frame, as a rate path gives them.
#[must_use]
pub(super) fn follow(feature: &Feature, mut phase: Vec<f64>) -> Rhythm {
    let mut stray = 0.0;
    for round in 0..ROUNDS {
        let map = HalfMaps::new(&feature.x, &phase, 1.0).mean();
        let reach = if round < 2 { 12 } else { 6 };
        let Some(fit) = realign(feature, &mut phase, &map, reach, if round == 0 { 4.0 } else { 1.0 }) else { break };
        stray = fit.stray;
        if round > 0 && fit.moved < SETTLED {
            break;
        }
    }
    let steady = finish(feature, phase);
    if steady.lock < SURE {
        return steady;
    }
    let steady = looser(feature, steady);
    if stray < STRAY {
        return steady;
    }
    let wandering = wander::wander(feature, steady.phase.clone());
    if wandering.strength > WANDERS * steady.strength { wandering } else { steady }
}

/// The rhythm followed by a looser curve, if that explains clearly more.
fn looser(feature: &Feature, steady: Rhythm) -> Rhythm {
    let mut loose = steady.phase.clone();
    for round in 0..ROUNDS {
        let maps = HalfMaps::new(&feature.x, &loose, 1.0);
        if round > 0 && maps.agreement().0 < PROMISING * steady.strength {
            return steady;
        }
        realign(feature, &mut loose, &maps.mean(), 12, LOOSER);
    }
    let loose = finish(feature, loose);
    if loose.strength > WORTH * steady.strength { loose } else { steady }
}

/// Follows a rhythm on another feature of the same clip (the sound less the second rhythm) from a phase already good.
#[must_use]
pub(super) fn polish(feature: &Feature, mut phase: Vec<f64>) -> Rhythm {
    let map = HalfMaps::new(&feature.x, &phase, 1.0).mean();
    realign(feature, &mut phase, &map, 6, 1.0);
    finish(feature, phase)
}

/// Strength, lock and mean rate of a finished phase curve.
#[must_use]
pub(super) fn finish(feature: &Feature, phase: Vec<f64>) -> Rhythm {
    let (strength, lock) = HalfMaps::new(&feature.x, &phase, 1.0).agreement();
    let n = phase.len();
    let spm = if n > 1 { 60.0 * (phase[n - 1] - phase[0]) * feature.rate_hz / (n - 1) as f64 } else { 0.0 };
    Rhythm { phase, spm, strength, lock }
}

/// The feature less what goes with a rhythm.
#[must_use]
pub(super) fn without(feature: &Feature, rhythm: &Rhythm) -> Feature {
    let map = HalfMaps::new(&feature.x, &rhythm.phase, 1.0).mean();
    let mut rest = feature.clone();
    for (row, &p) in rest.x.iter_mut().zip(&rhythm.phase) {
        for (v, &m) in row.iter_mut().zip(&map[part_of_turn(p, BINS)]) {
            *v -= m;
        }
    }
    rest
}

/// What a round of alignment did.
struct Fit {
    /// Largest move of the curve in turns.
    moved: f64,
    /// Scatter of the strokes about the curve in turns (root mean square, by weight).
    stray: f64,
}

/// One round: lag of each stroke against `map`, smoothed into the phase.
///
/// Returns how it went; `None` if there are too few strokes.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "whole strokes and bins of a clip")]
fn realign(feature: &Feature, phase: &mut [f64], map: &[[f32; N_GROUP]], reach: usize, stiffer: f64) -> Option<Fit> {
    let (Some(&first), Some(&last)) = (phase.first(), phase.last()) else { return None };
    let (from, to) = (first.floor() as i64, last.floor() as i64);
    let n_seg = (to - from + 1).max(0) as usize;
    if n_seg < 3 {
        return None;
    }
    let lags = 2 * reach + 1;
    // The map with its ends repeated: each lag is then a stretch of it.
    let wide: Vec<[f32; N_GROUP]> = (0..BINS + 2 * reach).map(|k| map[(k + BINS - reach) % BINS]).collect();
    let mut curve = vec![vec![0.0_f64; lags]; n_seg];
    let mut frame = 0;
    for (seg, curve) in curve.iter_mut().enumerate() {
        let mut seg_sum = [[0.0_f32; N_GROUP]; BINS];
        let end = (from + seg as i64 + 1) as f64;
        while frame < phase.len() && phase[frame] < end {
            for (s, &v) in seg_sum[part_of_turn(phase[frame], BINS)].iter_mut().zip(&feature.x[frame]) {
                *s += v;
            }
            frame += 1;
        }
        // A lag of +1 bin: the stroke comes one bin later than the phase says.
        for (c, part) in curve.iter_mut().rev().zip(wide.windows(BINS)) {
            // Group by group, so that the groups add side by side in one vector register.
            let mut sums = [0.0_f32; N_GROUP];
            for (s, m) in seg_sum.iter().zip(part) {
                for g in 0..N_GROUP {
                    sums[g] += s[g] * m[g];
                }
            }
            *c = f64::from(sums.iter().sum::<f32>());
        }
    }
    let smooth = |seg: usize, l: usize| {
        let before = curve[seg.saturating_sub(1)][l];
        let after = curve[(seg + 1).min(n_seg - 1)][l];
        0.5 * curve[seg][l] + 0.25 * (before + after)
    };
    let mut lag = vec![0.0; n_seg];
    let mut weight = vec![0.0; n_seg];
    for seg in 0..n_seg {
        let values: Vec<f64> = (0..lags).map(|l| smooth(seg, l)).collect();
        let Some(peak) = (0..lags).max_by(|&a, &b| values[a].total_cmp(&values[b])) else { continue };
        if peak == 0 || peak == lags - 1 || values[peak] <= 0.0 {
            continue;
        }
        let (a, b, c) = (values[peak - 1], values[peak], values[peak + 1]);
        let bend = a - 2.0 * b + c;
        let offset = if bend < 0.0 { 0.5 * (a - c) / bend } else { 0.0 };
        lag[seg] = (peak as f64 - reach as f64 + offset) / BINS as f64;
        weight[seg] = -bend;
    }
    let mean_weight = weight.iter().sum::<f64>() / n_seg as f64;
    if mean_weight <= 0.0 {
        return None;
    }
    for w in &mut weight {
        // One stroke with a loud clank must not outvote the rest.
        *w = (*w / mean_weight).min(2.0);
    }
    let curve = whittaker(&lag, &weight, STIFFNESS * stiffer);
    for p in phase.iter_mut() {
        let at = (*p - from as f64 - 0.5).clamp(0.0, (n_seg - 1) as f64);
        let i = (at as usize).min(n_seg - 2);
        let u = at - i as f64;
        *p -= curve[i] + u * (curve[i + 1] - curve[i]);
    }
    let about = lag.iter().zip(&curve).zip(&weight).map(|((l, c), w)| w * (l - c) * (l - c)).sum::<f64>();
    Some(Fit {
        moved: curve.iter().fold(0.0, |m, c| f64::max(m, c.abs())),
        stray: (about / weight.iter().sum::<f64>()).sqrt(),
    })
}

/// Smooth curve through weighted values: `min sum w (y - z)^2 + stiffness sum (second difference of z)^2`.
///
/// E. T. Whittaker, Proc. Edinburgh Math. Soc. 41 (1923) 63; solved as a band matrix of width 2 (LDL').
#[must_use]
pub fn whittaker(y: &[f64], w: &[f64], stiffness: f64) -> Vec<f64> {
    let n = y.len();
    if n < 3 {
        return y.to_vec();
    }
    // A tiny pull to zero keeps the matrix positive where weights vanish.
    let mut d: Vec<f64> = w.iter().map(|w| w + 1e-9).collect();
    let mut e = vec![0.0; n];
    let mut f = vec![0.0; n];
    for i in 0..n - 2 {
        for (k, c) in [(0, 1.0), (1, 4.0), (2, 1.0)] {
            d[i + k] += stiffness * c;
        }
        e[i] += -2.0 * stiffness;
        e[i + 1] += -2.0 * stiffness;
        f[i] += stiffness;
    }
    let mut z: Vec<f64> = y.iter().zip(w).map(|(y, w)| y * w).collect();
    for i in 0..n {
        if i + 1 < n {
            let m = e[i] / d[i];
            d[i + 1] -= m * e[i];
            if i + 2 < n {
                e[i + 1] -= m * f[i];
            }
            z[i + 1] -= m * z[i];
            e[i] = m;
        }
        if i + 2 < n {
            let m = f[i] / d[i];
            d[i + 2] -= m * f[i];
            z[i + 2] -= m * z[i];
            f[i] = m;
        }
    }
    for i in (0..n).rev() {
        z[i] /= d[i];
        if i + 1 < n {
            z[i] -= e[i] * z[i + 1];
        }
        if i + 2 < n {
            z[i] -= f[i] * z[i + 2];
        }
    }
    z
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whittaker_keeps_a_straight_line_and_bridges_a_gap() {
        let y: Vec<f64> = (0..20).map(|i| 1.0 + 0.5 * f64::from(i)).collect();
        let mut w = vec![1.0; 20];
        w[7] = 0.0;
        let mut with_gap = y.clone();
        with_gap[7] = 100.0;
        for (z, y) in whittaker(&with_gap, &w, 50.0).iter().zip(&y) {
            assert!((z - y).abs() < 1e-5, "{z} {y}");
        }
    }

    #[test]
    fn whittaker_solves_its_normal_equations() {
        let y = [0.3, -1.0, 2.0, 0.5, 0.0, 4.0, -2.0, 1.0];
        let w = [1.0, 0.5, 2.0, 0.0, 1.0, 1.0, 0.3, 1.0];
        let z = whittaker(&y, &w, 3.0);
        let n = y.len();
        for i in 0..n {
            let mut g = (w[i] + 1e-9) * z[i] - w[i] * y[i];
            for j in 0..n - 2 {
                let second = z[j] - 2.0 * z[j + 1] + z[j + 2];
                for (k, c) in [(0, 1.0), (1, -2.0), (2, 1.0)] {
                    if j + k == i {
                        g += 3.0 * c * second;
                    }
                }
            }
            assert!(g.abs() < 1e-9, "{i} {g}");
        }
    }
}
