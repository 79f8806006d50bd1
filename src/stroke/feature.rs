//! What the stroke is looked for in: a few coarse band levels, freed of gain and slow change.

use crate::dsp::bands::N_BAND;
use crate::dsp::frames::BandFrames;

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

/// First band of each group, and the end of the last: groups of about as many bands, empty ones at the end where bands are few.
#[must_use]
pub(crate) fn group_edges(n_usable: usize) -> [usize; N_GROUP + 1] {
    let groups = N_GROUP.min(n_usable);
    std::array::from_fn(|g| if g < groups { g * n_usable / groups } else { n_usable })
}

/// Sums of the levels over each group of bands, shape `(n_frames, N_GROUP)`, dB.
///
/// # Arguments
/// - `level_db`: as from [`levels_db`].
/// - `n_usable`: bands that carry data.
#[must_use]
pub fn group_sums(level_db: &[f32], n_usable: usize) -> Vec<[f32; N_GROUP]> {
    let edges = group_edges(n_usable);
    let sums = |row: &[f32]| std::array::from_fn(|g| row[edges[g]..edges[g + 1]].iter().sum());
    level_db.chunks_exact(N_BAND).map(sums).collect()
}

impl Feature {
    /// Groups the usable bands and frees them of slow change.
    ///
    /// # Arguments
    /// - `sums`: as from [`group_sums`].
    #[must_use]
    pub fn from_frames(frames: &BandFrames, sums: &[[f32; N_GROUP]]) -> Self {
        let edges = group_edges(frames.n_usable);
        let sizes: [f32; N_GROUP] = std::array::from_fn(|g| (edges[g + 1] - edges[g]).max(1) as f32);
        let x = sums.iter().map(|row| std::array::from_fn(|g| row[g] / sizes[g])).collect();
        let mut feature = Self { x, rate_hz: frames.frame_rate_hz };
        feature.normalise(TREND_S);
        feature
    }

    /// A feature from any evenly sampled signal: one live group.
    #[cfg(not(product))]
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
        // All groups side by side, which lets the compiler use vector registers.
        let mut cumulative = Vec::with_capacity(n + 1);
        let mut sum = [0.0_f64; N_GROUP];
        cumulative.push(sum);
        for row in &self.x {
            for (s, &v) in sum.iter_mut().zip(row) {
                *s += f64::from(v);
            }
            cumulative.push(sum);
        }
        for (i, row) in self.x.iter_mut().enumerate() {
            let (lo, hi) = (i.saturating_sub(half), (i + half + 1).min(n));
            let length = (hi - lo) as f64;
            for ((v, from), to) in row.iter_mut().zip(cumulative[lo]).zip(cumulative[hi]) {
                #[expect(clippy::cast_possible_truncation, reason = "a level in dB")]
                let mean = ((to - from) / length) as f32;
                *v -= mean;
            }
        }
        let mut scale = [0.0_f32; N_GROUP];
        for (g, scale) in scale.iter_mut().enumerate() {
            let mut sizes: Vec<f32> = self.x.iter().step_by(4).map(|row| row[g].abs()).collect();
            if sizes.is_empty() {
                continue;
            }
            let mid = sizes.len() / 2;
            let mad = *sizes.select_nth_unstable_by(mid, f32::total_cmp).1;
            // Half of the values equal (digital silence): nothing to follow in this group.
            *scale = if mad > 1e-6 { 1.0 / (1.4826 * mad) } else { 0.0 };
        }
        for row in &mut self.x {
            for (v, scale) in row.iter_mut().zip(scale) {
                *v = (*v * scale).clamp(-CLIP, CLIP);
            }
        }
    }
}
