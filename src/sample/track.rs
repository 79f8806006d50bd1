//! The crank: a speed and its wander in, the angle at every moment out.

use super::noise::{Draw, Slow, to_index};

/// Turns of the crank over a clip, known at the edges of short blocks and straight between them.
#[derive(Debug, Clone)]
pub(super) struct Track {
    pub(super) block_len: usize,
    pub(super) n_samples: usize,
    pub(super) sample_rate_hz: f64,
    /// Turns since module 1 last started its discharge stroke before the clip; one more value than blocks.
    pub(super) turns: Vec<f64>,
}

impl Track {
    /// # Arguments
    /// - `drift`: largest departure of the speed from `spm`, relative.
    /// - `ripple`: relative speed ripple three times a turn, from the torque of the three modules.
    pub(super) fn new(
        draw: &mut Draw,
        spm: f64,
        drift: f64,
        ripple: f64,
        duration_s: f64,
        sample_rate_hz: f64,
        start_turn: Option<f64>,
    ) -> Self {
        let n_samples = to_index((duration_s * sample_rate_hz).round()).max(1);
        // About 1.3 ms: half a degree at the usual speeds.
        let block_len = to_index((sample_rate_hz / 750.0).round()).max(1);
        let n_blocks = n_samples.div_ceil(block_len);
        let block_s = block_len as f64 / sample_rate_hz;
        let start = draw.unit();
        let wander = wander(draw, n_blocks, block_s);
        let ripple_phase = draw.unit();
        let mut turns = Vec::with_capacity(n_blocks + 1);
        let mut turn = start_turn.unwrap_or(start);
        turns.push(turn);
        for w in &wander {
            let r = ripple * libm::cos(std::f64::consts::TAU * (3.0 * turn + ripple_phase));
            turn += spm / 60.0 * block_s * (1.0 + drift * w + r);
            turns.push(turn);
        }
        Self { block_len, n_samples, sample_rate_hz, turns }
    }

    pub(super) fn n_blocks(&self) -> usize {
        self.turns.len() - 1
    }

    /// Samples of block `b` as a range.
    pub(super) fn range(&self, b: usize) -> std::ops::Range<usize> {
        b * self.block_len..((b + 1) * self.block_len).min(self.n_samples)
    }

    /// Turns at a time in samples (may have a fraction).
    pub(super) fn turns_at(&self, sample: f64) -> f64 {
        let x = sample / self.block_len as f64;
        let b = to_index(x).min(self.n_blocks() - 1);
        self.turns[b] + (x - b as f64) * (self.turns[b + 1] - self.turns[b])
    }

    /// Turns at the end of the clip.
    pub(super) fn end(&self) -> f64 {
        self.turns_at(self.n_samples as f64)
    }

    /// Mean strokes a minute over the clip.
    pub(super) fn spm_mean(&self) -> f64 {
        (self.end() - self.turns[0]) / (self.n_samples as f64 / self.sample_rate_hz) * 60.0
    }

    /// Time in samples at which the crank has made `turn` turns; outside the clip the edge speed goes on.
    pub(super) fn sample_at(&self, turn: f64) -> f64 {
        let b = self.turns.partition_point(|t| *t <= turn).clamp(1, self.n_blocks()) - 1;
        let x = b as f64 + (turn - self.turns[b]) / (self.turns[b + 1] - self.turns[b]);
        x * self.block_len as f64
    }
}

/// Slow wander of the speed, one value a block, never beyond +-1: a ramp, a few slow swings and a random walk.
fn wander(draw: &mut Draw, n_blocks: usize, block_s: f64) -> Vec<f64> {
    let ramp = draw.normal();
    let swings: Vec<(f64, f64, f64)> =
        (0..3).map(|_| (0.5 * draw.normal(), draw.log_between(4.0, 45.0), draw.unit())).collect();
    let mut slow = Slow::new(draw, 4.0, block_s);
    let reach = draw.between(0.45, 1.0);
    let mut raw: Vec<f64> = (0..n_blocks)
        .map(|b| {
            let t = b as f64 * block_s;
            let place = 2.0 * b as f64 / n_blocks as f64 - 1.0;
            let swing: f64 =
                swings.iter().map(|(a, period_s, p)| a * libm::sin(std::f64::consts::TAU * (t / period_s + p))).sum();
            ramp * place + swing + 0.3 * slow.step(draw)
        })
        .collect();
    // The walk is white over the blocks' own scale only in its steps; three short averages leave no jerk.
    smooth(&mut raw, to_index(0.25 / block_s).max(1));
    let mean = raw.iter().sum::<f64>() / n_blocks as f64;
    let peak = raw.iter().map(|x| (x - mean).abs()).fold(1e-9, f64::max);
    raw.iter_mut().for_each(|x| *x = (*x - mean) / peak * reach);
    raw
}

/// Forward and backward first-order low pass.
fn smooth(x: &mut [f64], len: usize) {
    let k = 1.0 / len as f64;
    let Some(&first) = x.first() else { return };
    let mut y = first;
    for v in x.iter_mut() {
        y += k * (*v - y);
        *v = y;
    }
    for v in x.iter_mut().rev() {
        y += k * (*v - y);
        *v = y;
    }
}

#[cfg(test)]
mod tests {
    use super::super::noise::Source;
    use super::*;

    fn track(seed: u64, drift: f64) -> Track {
        Track::new(&mut Draw::new(seed, Source::Track, 0), 75.0, drift, 0.002, 30.0, 48_000.0, None)
    }

    #[test]
    fn speed_stays_within_the_drift_and_uses_it() {
        for seed in 0..20 {
            let t = track(seed, 0.03);
            let block_min = t.block_len as f64 / t.sample_rate_hz / 60.0;
            let off: Vec<f64> = t.turns.windows(2).map(|w| (w[1] - w[0]) / block_min / 75.0 - 1.0).collect();
            let most = off.iter().fold(0.0_f64, |a, x| a.max(x.abs()));
            // The torque ripple of 0.2 % comes on top.
            assert!(most <= 0.0321 && most > 0.01, "{most}");
        }
    }

    #[test]
    fn speed_changes_without_jumps() {
        let t = track(3, 0.03);
        let speed: Vec<f64> = t.turns.windows(2).map(|w| w[1] - w[0]).collect();
        for w in speed.windows(2) {
            assert!((w[1] / w[0] - 1.0).abs() < 5e-4);
        }
    }

    #[test]
    fn time_and_turns_are_each_others_inverse() {
        let t = track(4, 0.03);
        for sample in [0.0, 1.5, 63.9, 64.0, 700_000.25, 1_439_999.0] {
            assert!((t.sample_at(t.turns_at(sample)) - sample).abs() < 1e-6);
        }
    }
}
