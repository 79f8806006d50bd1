//! Candidate stroke rates from the modulation spectrum of the band levels.

use std::sync::{Arc, LazyLock, Mutex};

use realfft::{RealFftPlanner, RealToComplex};

use super::feature::{Feature, N_GROUP};
use crate::dsp::window::hann;

/// Slowest and fastest stroke rate looked for without a hint, in strokes a minute.
pub const RATE_SPAN_SPM: (f64, f64) = (20.0, 160.0);
/// Length of an analysis window in seconds: short enough that a drift of 3 % in half a minute does not smear a harmonic.
const WINDOW_S: f64 = 10.0;
/// Step between windows in seconds.
const STEP_S: f64 = 2.5;
/// Step of the rate grid, relative.
const GRID: f64 = 0.002;
/// Harmonics summed.
const HARMONICS: usize = 10;
/// Highest modulation frequency used, in Hz.
const TOP_HZ: f64 = 45.0;

/// A candidate: its rate in Hz at the centre of each analysis window.
#[derive(Debug, Clone)]
pub(super) struct Path {
    /// Rate in Hz, one a window.
    pub rate_hz: Vec<f64>,
    /// Centre of each window in seconds.
    pub centre_s: Vec<f64>,
}

impl Path {
    /// Turns since time 0, integrating the rate (linear between window centres).
    #[must_use]
    pub(super) fn phase(&self, times: &Times) -> Vec<f64> {
        let mut turns = 0.0;
        let after = |&(k, u): &(usize, f64)| {
            let now = turns;
            let next = self.rate_hz[(k + 1).min(self.rate_hz.len() - 1)];
            turns += (self.rate_hz[k] + u * (next - self.rate_hz[k])) / times.sample_rate_hz;
            now
        };
        times.at.iter().map(after).collect()
    }
}

/// Where evenly spaced times lie among the centres of the analysis windows, which are the same for all paths.
#[derive(Debug)]
pub(super) struct Times {
    sample_rate_hz: f64,
    /// The centre before, and how far on the way to the next: 0 before the first, 1 after the last.
    at: Vec<(usize, f64)>,
}

impl Times {
    /// `n` times from 0 on among the centres of `path`.
    #[must_use]
    pub(super) fn new(path: &Path, n: usize, sample_rate_hz: f64) -> Self {
        let centre_s = &path.centre_s;
        let last = centre_s.len() - 1;
        let mut k = 0;
        let place = |i: usize| {
            let t = i as f64 / sample_rate_hz;
            while k + 1 < last && t > centre_s[k + 1] {
                k += 1;
            }
            let u = if last == 0 { 0.0 } else { (t - centre_s[k]) / (centre_s[k + 1] - centre_s[k]) };
            (k, u.clamp(0.0, 1.0))
        };
        Self { sample_rate_hz, at: (0..n).map(place).collect() }
    }
}

/// Up to `most` candidate paths within `span_hz`, best first.
///
/// # Formula
/// Per window: power spectra of the groups, summed, over their local median; `H(f) = sum over harmonics k of
/// ln(1 + P(k f) / median)`, less its mean (a harmonic sum, after M. R. Schroeder, J. Acoust. Soc. Am. 43 (1968) 829).
/// A candidate is a peak of the sum over windows; a dynamic programme then follows it from window to window.
#[must_use]
pub(super) fn candidates(feature: &Feature, span_hz: (f64, f64), most: usize) -> Vec<Path> {
    let Some(scores) = Scores::new(feature, span_hz) else { return Vec::new() };
    // A drift lets the peak wander from window to window: each may contribute its best within 1.5 %.
    let reach = 7;
    let mut total = vec![0.0; scores.grid_hz.len()];
    for h in &scores.by_window {
        for (sum, best) in total.iter_mut().zip(best_within(h, reach)) {
            *sum += best;
        }
    }
    let mut taken: Vec<usize> = Vec::new();
    while taken.len() < most {
        let free = (0..total.len()).filter(|i| taken.iter().all(|j| i.abs_diff(*j) > 2 * reach));
        // Of equals the first.
        let Some(best) = free.reduce(|a, b| if total[b] > total[a] { b } else { a }) else { break };
        taken.push(best);
    }
    taken.into_iter().map(|i| scores.follow(i)).collect()
}

/// The largest of each value and the `reach` values on both sides.
fn best_within(x: &[f64], reach: usize) -> Vec<f64> {
    let mut out = vec![f64::MIN; x.len() + 2 * reach];
    out[reach..reach + x.len()].copy_from_slice(x);
    // The best of 2, 4, 8 ... from each place on; then of two such stretches that overlap.
    let mut done = 1;
    while done < 2 * reach + 1 {
        let step = done.min(2 * reach + 1 - done);
        for i in 0..out.len() - step {
            out[i] = if out[i + step] > out[i] { out[i + step] } else { out[i] };
        }
        done += step;
    }
    out.truncate(x.len());
    out
}

/// The transform of a length: planning costs as much as ten of them, so each is planned once a process.
fn planned(n_fft: usize) -> Arc<dyn RealToComplex<f32>> {
    static PLANNER: LazyLock<Mutex<RealFftPlanner<f32>>> = LazyLock::new(Mutex::default);
    let mut planner = match PLANNER.lock() {
        Ok(guard) => guard,
        Err(poisoned) => poisoned.into_inner(),
    };
    planner.plan_fft_forward(n_fft)
}

/// Where the harmonics of one rate lie among the lines of a spectrum: the same in every window.
struct Comb {
    n: usize,
    /// The line below each harmonic, and how far it lies on the way to the next.
    at: [(usize, f32); HARMONICS],
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "line counts")]
impl Comb {
    /// Of a rate that is `spacing` lines, up to `top_line`.
    fn new(spacing: f64, top_line: usize) -> Self {
        let at = std::array::from_fn(|k| {
            let line = (k + 1) as f64 * spacing;
            (line as usize, (line - (line as usize) as f64) as f32)
        });
        Self { n: HARMONICS.min((top_line as f64 / spacing) as usize), at }
    }

    /// Sum of the power at the harmonics, each less `mean`.
    fn sum(&self, power: &[f32], mean: f64) -> f64 {
        self.at[..self.n].iter().map(|&(i, u)| f64::from(power[i] + u * (power[i + 1] - power[i])) - mean).sum()
    }
}

/// Harmonic sums of all windows over the rate grid.
struct Scores {
    grid_hz: Vec<f64>,
    by_window: Vec<Vec<f64>>,
    centre_s: Vec<f64>,
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "frame and line counts")]
impl Scores {
    fn new(feature: &Feature, span_hz: (f64, f64)) -> Option<Self> {
        let rate = feature.rate_hz;
        let n = feature.x.len();
        let len = ((WINDOW_S * rate) as usize).min(n);
        if len < 16 || span_hz.0 <= 0.0 || span_hz.1 <= span_hz.0 {
            return None;
        }
        let n_fft = (2 * len).next_power_of_two().max(4096);
        let fft = planned(n_fft);
        let window: Vec<f32> = hann(len, 0.5).into_iter().map(|w| w as f32).collect();
        let (mut input, mut spectrum, mut scratch) =
            (fft.make_input_vec(), fft.make_output_vec(), fft.make_scratch_vec());
        let hop = ((STEP_S * rate) as usize).max(1);
        let top_line = ((TOP_HZ * n_fft as f64 / rate) as usize).min(spectrum.len() - 2);
        let steps = ((span_hz.1 / span_hz.0).ln() / GRID).ceil() as usize + 1;
        let grid_hz: Vec<f64> = (0..steps).map(|i| span_hz.0 * (GRID * i as f64).exp()).collect();
        let combs: Vec<Comb> = grid_hz.iter().map(|&f| Comb::new(f * n_fft as f64 / rate, top_line)).collect();
        let mut by_window = Vec::new();
        let mut centre_s = Vec::new();
        let mut start = 0;
        while start + len <= n {
            let mut power = vec![0.0_f32; top_line + 2];
            for g in 0..N_GROUP {
                for (i, slot) in input[..len].iter_mut().enumerate() {
                    *slot = window[i] * feature.x[start + i][g];
                }
                input[len..].fill(0.0);
                if fft.process_with_scratch(&mut input, &mut spectrum, &mut scratch).is_err() {
                    continue;
                }
                for (p, c) in power.iter_mut().zip(&spectrum) {
                    *p += c.norm_sqr();
                }
            }
            whiten(&mut power, (2.0 * n_fft as f64 / rate) as usize);
            let mean = power.iter().map(|&p| f64::from(p)).sum::<f64>() / power.len() as f64;
            by_window.push(combs.iter().map(|comb| comb.sum(&power, mean)).collect());
            centre_s.push((start as f64 + 0.5 * len as f64) / rate);
            start += hop;
        }
        Some(Self { grid_hz, by_window, centre_s })
    }

    /// The best path through the windows near grid point `at` (dynamic programming, at most 1 % a step).
    fn follow(&self, at: usize) -> Path {
        const REACH: usize = 20;
        const STEP: usize = 5;
        let n = self.grid_hz.len();
        let (lo, hi) = (at.saturating_sub(REACH), (at + REACH + 1).min(n));
        let width = hi - lo;
        let mut best: Vec<f64> = self.by_window[0][lo..hi].to_vec();
        let mut back: Vec<Vec<usize>> = Vec::new();
        for h in &self.by_window[1..] {
            let mut next = vec![f64::MIN; width];
            let mut from = vec![0; width];
            for (i, slot) in next.iter_mut().enumerate() {
                let first = i.saturating_sub(STEP);
                for (j, b) in best[first..(i + STEP + 1).min(width)].iter().enumerate().map(|(k, b)| (first + k, b)) {
                    let step = i.abs_diff(j) as f64;
                    let v = b - 0.1 * step * step;
                    if v > *slot {
                        *slot = v;
                        from[i] = j;
                    }
                }
                *slot += h[lo + i];
            }
            best = next;
            back.push(from);
        }
        let mut i = (0..width).max_by(|&a, &b| best[a].total_cmp(&best[b])).unwrap_or(0);
        let mut path = vec![i];
        for from in back.iter().rev() {
            i = from[i];
            path.push(i);
        }
        path.reverse();
        Path { rate_hz: path.into_iter().map(|i| self.grid_hz[lo + i]).collect(), centre_s: self.centre_s.clone() }
    }
}

/// Replaces a power spectrum by `ln(1 + power / local median)`, the median taken in blocks of `block` lines.
fn whiten(power: &mut [f32], block: usize) {
    let block = block.max(8);
    let mut medians: Vec<f32> = Vec::new();
    for chunk in power.chunks(block) {
        let mut sorted = chunk.to_vec();
        let mid = sorted.len() / 2;
        medians.push(*sorted.select_nth_unstable_by(mid, f32::total_cmp).1);
    }
    let floor = medians.iter().copied().fold(0.0_f32, f32::max) * 1e-6 + f32::MIN_POSITIVE;
    for (chunk, &m) in power.chunks_mut(block).zip(&medians) {
        for p in chunk {
            *p = (*p / m.max(floor)).ln_1p();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_best_within_reach_is_the_largest_of_the_neighbours() {
        let x: Vec<f64> = (0..50).map(|i| (f64::from(i) * 1.7).sin()).collect();
        for reach in [1, 2, 3, 7, 10] {
            for (i, best) in best_within(&x, reach).into_iter().enumerate() {
                let near = &x[i.saturating_sub(reach)..(i + reach + 1).min(x.len())];
                let plain = near.iter().copied().fold(f64::MIN, f64::max);
                assert!((best - plain).abs() <= 0.0, "{i} within {reach}: {best} {plain}");
            }
        }
    }
}
