//! Frames on a crank angle: the robust mean over strokes, with or without a second rhythm taken out.

use crate::dsp::bands::N_BAND;
use crate::dsp::frames::BandFrames;
use crate::map::swings::swings;
use crate::stroke::part_of_turn;

/// Angle bins of a folded map before it is turned to its final origin: 2.5 degrees each.
pub const N_FINE: usize = 144;

/// Rounds of the robust mean; the limit on a frame follows the mean, which settles by then.
const MEAN_ROUNDS: usize = 4;
/// Rounds of the two-rhythm fit.
const TWO_ROUNDS: usize = 12;
/// A power that stands for nothing: keeps ratios finite in digital silence.
const TINY: f32 = 1e-24;

/// Mean power and spread over strokes of one rhythm.
#[derive(Debug, Clone)]
pub struct FoldedMap {
    /// Robust mean power, shape `(N_FINE, N_BAND)`, row-major, unit of the samples squared; 0 where no frame fell.
    pub power: Vec<f32>,
    /// Spread over strokes in dB (root mean square of the frames' levels about the mean), same shape.
    pub spread_db: Vec<f32>,
    /// Bands that carry data.
    pub n_usable: usize,
    /// The main ways in which the strokes differ from the mean, up to [`N_SWING`](super::N_SWING) of shape `(SWING_BANDS, SWING_ANGLES)` one after the
    /// other, dB for a stroke one standard deviation off, on the origin of `power`; empty where too few strokes were heard.
    pub swings: Vec<f32>,
}

/// Largest ratio of a frame's power to the mean that still counts in full.
///
/// A band with `k` independent samples a frame scatters like a gamma variable of shape `k`; the limit lies about four
/// standard deviations up, so honest scatter passes and a dropped spanner does not.
fn ratio_limits(edges_hz: &[f64]) -> [f32; N_BAND] {
    // The Hann frame's effective length is 1 / (1.5 lines).
    let effective_s = crate::dsp::frames::FRAME_S / 1.5;
    std::array::from_fn(|b| {
        let k = ((edges_hz[b + 1] - edges_hz[b]) * effective_s).max(1.0);
        #[expect(clippy::cast_possible_truncation, reason = "a ratio near 1..6")]
        {
            (1.5 + 4.0 / k.sqrt()) as f32
        }
    })
}

/// Robust mean over strokes of the frames' band powers at each crank angle.
///
/// # Formula
/// `A = mean over frames of min(P, c A)`, iterated from the geometric mean; `c` from the band's degrees of freedom.
///
/// # Arguments
/// - `phase`: turns at each frame's centre, length `frames.n_frames()`; not-a-number leaves a frame out.
/// - `level_db`: the frames' levels in dB, shape `(n_frames, N_BAND)`.
#[must_use]
pub fn fold(frames: &BandFrames, level_db: &[f32], phase: &[f64], edges_hz: &[f64]) -> FoldedMap {
    let limits = ratio_limits(edges_hz);
    let bins: Vec<Option<usize>> = phase.iter().map(|&p| p.is_finite().then(|| part_of_turn(p, N_FINE))).collect();
    let mut count = [0.0_f32; N_FINE];
    let mut log_sum = vec![0.0_f32; N_FINE * N_BAND];
    for (row, &bin) in level_db.chunks_exact(N_BAND).zip(&bins) {
        if let Some(bin) = bin {
            count[bin] += 1.0;
            for (s, &x) in log_sum[bin * N_BAND..(bin + 1) * N_BAND].iter_mut().zip(row) {
                *s += x;
            }
        }
    }
    let mut mean = log_sum;
    for (cells, &n) in mean.chunks_exact_mut(N_BAND).zip(&count) {
        for m in cells {
            *m = if n > 0.0 { 10.0_f32.powf(*m / (10.0 * n)) } else { 0.0 };
        }
    }
    let mut sum = vec![0.0_f32; N_FINE * N_BAND];
    for _ in 0..MEAN_ROUNDS {
        sum.fill(0.0);
        for (row, &bin) in frames.power.chunks_exact(N_BAND).zip(&bins) {
            let Some(bin) = bin else { continue };
            let at = bin * N_BAND..(bin + 1) * N_BAND;
            for (((s, &m), &p), &c) in sum[at.clone()].iter_mut().zip(&mean[at]).zip(row).zip(&limits) {
                *s += p.min(c * m);
            }
        }
        for ((cells, sums), &n) in mean.chunks_exact_mut(N_BAND).zip(sum.chunks_exact(N_BAND)).zip(&count) {
            if n > 0.0 {
                for (m, &s) in cells.iter_mut().zip(sums) {
                    *m = s / n;
                }
            }
        }
    }
    let spread_db = spread(level_db, &bins, &count, &mean);
    let swings = swings(frames, phase, &limits, |i, power| {
        let Some(bin) = bins[i] else { return false };
        for (p, m) in power.iter_mut().zip(&mean[bin * N_BAND..(bin + 1) * N_BAND]) {
            *p = m.max(TINY);
        }
        true
    });
    let mut map = FoldedMap { power: mean, spread_db, n_usable: frames.n_usable, swings };
    fill_gaps(&mut map, &count);
    map
}

/// Root mean square of the frames' levels about the mean level of their cell, in dB.
fn spread(level_db: &[f32], bins: &[Option<usize>], count: &[f32; N_FINE], mean: &[f32]) -> Vec<f32> {
    let mean_db: Vec<f32> = mean.iter().map(|&m| 10.0 * m.max(TINY).log10()).collect();
    let mut sum = vec![0.0_f32; N_FINE * N_BAND];
    for (row, &bin) in level_db.chunks_exact(N_BAND).zip(bins) {
        let Some(bin) = bin else { continue };
        let at = bin * N_BAND..(bin + 1) * N_BAND;
        for ((s, &m), &x) in sum[at.clone()].iter_mut().zip(&mean_db[at]).zip(row) {
            let d = (x - m).clamp(-20.0, 20.0);
            *s += d * d;
        }
    }
    for (cells, &n) in sum.chunks_exact_mut(N_BAND).zip(count) {
        for s in cells {
            *s = if n > 0.0 { (*s / n).sqrt() } else { 0.0 };
        }
    }
    sum
}

/// Gives an angle without a frame the mean of its nearest neighbours with one (few strokes, or a very steady speed).
fn fill_gaps(map: &mut FoldedMap, count: &[f32; N_FINE]) {
    if count.iter().all(|&n| n > 0.0) || count.iter().all(|&n| n <= 0.0) {
        return;
    }
    let filled = |step: usize, from: usize| (1..N_FINE).map(|k| (from + k * step) % N_FINE).find(|&j| count[j] > 0.0);
    for bin in (0..N_FINE).filter(|&b| count[b] <= 0.0) {
        if let (Some(up), Some(down)) = (filled(1, bin), filled(N_FINE - 1, bin)) {
            for b in 0..N_BAND {
                map.power[bin * N_BAND + b] = 0.5 * (map.power[up * N_BAND + b] + map.power[down * N_BAND + b]);
                map.spread_db[bin * N_BAND + b] =
                    0.5 * (map.spread_db[up * N_BAND + b] + map.spread_db[down * N_BAND + b]);
            }
        }
    }
}

/// Splits the frames' powers into this rhythm's map and a second rhythm's, and returns the first.
///
/// # Formula
/// `P(t) ~ A[angle(t)] + B[other angle(t)]`, gamma likelihood (Itakura-Saito divergence) by the multiplicative updates
/// of C. Fevotte, N. Bertin, J.-L. Durrieu, Neural Computation 21 (2009) 793-830, with each frame's power limited to `c` times
/// the model as in [`fold`]. What both could carry (the steady part of B) is given to A.
///
/// # Arguments
/// - `phase`, `other`: turns of the two rhythms at each frame; not-a-number leaves a frame out.
/// - `start`: the plain fold, where the fit begins.
#[must_use]
pub fn fold_two(
    frames: &BandFrames,
    level_db: &[f32],
    phase: &[f64],
    other: &[f64],
    start: &FoldedMap,
    edges_hz: &[f64],
) -> FoldedMap {
    let limits = ratio_limits(edges_hz);
    let bins: Vec<Option<(usize, usize)>> = phase
        .iter()
        .zip(other)
        .map(|(&p, &q)| (p.is_finite() && q.is_finite()).then(|| (part_of_turn(p, N_FINE), part_of_turn(q, N_FINE))))
        .collect();
    let mut count = [0.0_f32; N_FINE];
    for (bin, _) in bins.iter().flatten() {
        count[*bin] += 1.0;
    }
    let mut a: Vec<f32> = start.power.iter().map(|&p| (0.6 * p).max(TINY)).collect();
    // B starts even round its turn, at the rest of each band's quiet level.
    let mut b = vec![0.0_f32; N_FINE * N_BAND];
    for band in 0..N_BAND {
        let quiet = (0..N_FINE).map(|k| start.power[k * N_BAND + band]).fold(f32::MAX, f32::min);
        for k in 0..N_FINE {
            b[k * N_BAND + band] = (0.4 * quiet).max(TINY);
        }
    }
    let (mut num_a, mut den_a) = (vec![0.0_f32; N_FINE * N_BAND], vec![0.0_f32; N_FINE * N_BAND]);
    let (mut num_b, mut den_b) = (num_a.clone(), den_a.clone());
    for _ in 0..TWO_ROUNDS {
        for v in [&mut num_a, &mut den_a, &mut num_b, &mut den_b] {
            v.fill(0.0);
        }
        for (row, bin) in frames.power.chunks_exact(N_BAND).zip(&bins) {
            let Some((i, j)) = *bin else { continue };
            let (at_a, at_b) = (i * N_BAND..(i + 1) * N_BAND, j * N_BAND..(j + 1) * N_BAND);
            let (row_a, row_b) = (&a[at_a.clone()], &b[at_b.clone()]);
            let (na, da) = (&mut num_a[at_a.clone()], &mut den_a[at_a]);
            let (nb, db) = (&mut num_b[at_b.clone()], &mut den_b[at_b]);
            for k in 0..N_BAND {
                let model = row_a[k] + row_b[k];
                let inv = 1.0 / model;
                let pull = row[k].min(limits[k] * model) * inv * inv;
                na[k] += pull;
                da[k] += inv;
                nb[k] += pull;
                db[k] += inv;
            }
        }
        for ((x, &n), &d) in a.iter_mut().zip(&num_a).zip(&den_a) {
            if d > 0.0 {
                *x = (*x * (n / d).sqrt()).max(TINY);
            }
        }
        for ((x, &n), &d) in b.iter_mut().zip(&num_b).zip(&den_b) {
            if d > 0.0 {
                *x = (*x * (n / d).sqrt()).max(TINY);
            }
        }
    }
    let swings = swings(frames, phase, &limits, |i, power| {
        let Some((at_a, at_b)) = bins[i] else { return false };
        let rows = a[at_a * N_BAND..(at_a + 1) * N_BAND].iter().zip(&b[at_b * N_BAND..(at_b + 1) * N_BAND]);
        for (p, (a, b)) in power.iter_mut().zip(rows) {
            *p = a + b;
        }
        true
    });
    for band in 0..N_BAND {
        let steady = (0..N_FINE).map(|k| b[k * N_BAND + band]).fold(f32::MAX, f32::min);
        for k in 0..N_FINE {
            a[k * N_BAND + band] += steady;
        }
    }
    let only_a: Vec<Option<usize>> = bins.iter().map(|b| b.map(|(i, _)| i)).collect();
    let spread_db = spread(level_db, &only_a, &count, &a);
    let mut map = FoldedMap { power: a, spread_db, n_usable: frames.n_usable, swings };
    fill_gaps(&mut map, &count);
    map
}
