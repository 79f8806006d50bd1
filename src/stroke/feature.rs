//! What the stroke is looked for in: a few coarse band levels, freed of gain and slow change.

use crate::{bands::N_BAND, frames::BandFrames};

/// Coarse band groups of a feature.
pub const N_GROUP: usize = 8;
/// Length of the moving mean that is taken out, in seconds: longer than the slowest stroke (3 s), shorter than a gain change.
const TREND_S: f64 = 6.0;
/// Robust standard deviations beyond which a value counts no more.
const CLIP: f32 = 4.0;

/// Coarse band levels over time, each with mean near 0 and robust spread 1.
#[derive(Debug, Clone)]
pub struct Feature {
    /// Shape `(n, N_GROUP)`.
    pub x: Vec<[f32; N_GROUP]>,
    /// Values a second.
    pub rate_hz: f64,
}

/// Levels in dB of all frames and bands, shape `(n_frames, N_BAND)`; unusable bands are 0.
#[must_use]
pub fn levels_db(frames: &BandFrames) -> Vec<f32> {
    let mut out = vec![0.0_f32; frames.power.len()];
    for (row, p) in out.chunks_exact_mut(N_BAND).zip(frames.power.chunks_exact(N_BAND)) {
        for (o, &p) in row[..frames.n_usable].iter_mut().zip(p) {
            *o = 10.0 * std::f32::consts::LOG10_2 * p.max(1e-24).log2();
        }
    }
    out
}

impl Feature {
    /// Groups the usable bands and frees them of slow change.
    ///
    /// # Arguments
    /// - `level_db`: as from [`levels_db`].
    #[must_use]
    pub fn from_frames(frames: &BandFrames, level_db: &[f32]) -> Self {
        let n = frames.n_frames();
        let groups = N_GROUP.min(frames.n_usable);
        let mut x = vec![[0.0_f32; N_GROUP]; n];
        for g in 0..groups {
            let (lo, hi) = (g * frames.n_usable / groups, (g + 1) * frames.n_usable / groups);
            for (slot, row) in x.iter_mut().zip(level_db.chunks_exact(N_BAND)) {
                slot[g] = row[lo..hi].iter().sum::<f32>() / (hi - lo) as f32;
            }
        }
        let mut feature = Self { x, rate_hz: frames.frame_rate_hz };
        feature.normalise(TREND_S);
        feature
    }

    /// A feature from any evenly sampled signal: one live group.
    #[must_use]
    pub fn from_signal(signal: &[f32], rate_hz: f64) -> Self {
        let x = signal
            .iter()
            .map(|&v| {
                let mut row = [0.0; N_GROUP];
                row[0] = v;
                row
            })
            .collect();
        let mut feature = Self { x, rate_hz };
        feature.normalise(TREND_S);
        feature
    }

    /// The same at half the rate: means of neighbours, an odd last value left out.
    #[must_use]
    pub fn halved(&self) -> Self {
        let x = self.x.chunks_exact(2).map(|p| std::array::from_fn(|g| 0.5 * (p[0][g] + p[1][g]))).collect();
        Self { x, rate_hz: 0.5 * self.rate_hz }
    }

    /// Length in seconds.
    #[must_use]
    pub fn length_s(&self) -> f64 {
        self.x.len() as f64 / self.rate_hz
    }

    /// Takes out the moving mean over `trend_s` and scales each group to robust spread 1.
    fn normalise(&mut self, trend_s: f64) {
        let n = self.x.len();
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few hundred frames")]
        let half = ((0.5 * trend_s * self.rate_hz) as usize).max(1);
        for g in 0..N_GROUP {
            let mut cumulative = Vec::with_capacity(n + 1);
            let mut sum = 0.0_f64;
            cumulative.push(0.0);
            for row in &self.x {
                sum += f64::from(row[g]);
                cumulative.push(sum);
            }
            let mut sizes = Vec::with_capacity(n / 4 + 1);
            for i in 0..n {
                let (lo, hi) = (i.saturating_sub(half), (i + half + 1).min(n));
                #[expect(clippy::cast_possible_truncation, reason = "a level in dB")]
                let mean = ((cumulative[hi] - cumulative[lo]) / (hi - lo) as f64) as f32;
                self.x[i][g] -= mean;
                if i % 4 == 0 {
                    sizes.push(self.x[i][g].abs());
                }
            }
            if sizes.is_empty() {
                continue;
            }
            let mid = sizes.len() / 2;
            let mad = *sizes.select_nth_unstable_by(mid, f32::total_cmp).1;
            // Half of the values equal (digital silence): nothing to follow in this group.
            let scale = if mad > 1e-6 { 1.0 / (1.4826 * mad) } else { 0.0 };
            for row in &mut self.x {
                row[g] = (row[g] * scale).clamp(-CLIP, CLIP);
            }
        }
    }
}
