//! Samples to band powers over short frames.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, OnceLock};

use realfft::{RealFftPlanner, RealToComplex};

use super::bands::{N_BAND, band_edges_hz, usable_bands};
use super::window::hann;

/// Length of a frame in seconds: 512 samples at 48 kHz. Long enough for 94 Hz lines, short enough for 5 degrees of crank.
pub const FRAME_S: f64 = 512.0 / 48_000.0;
/// Step between frames in seconds.
pub const HOP_S: f64 = 0.005;

/// Band powers of a clip, frame by frame.
#[derive(Debug, Clone)]
pub struct BandFrames {
    /// Mean square per band and frame, unit of the samples squared; row-major, shape `(n_frames, N_BAND)`.
    /// Bands at or above `n_usable` are 0.
    pub power: Vec<f32>,
    /// Bands that the sample rate carries.
    pub n_usable: usize,
    /// Frames a second.
    pub frame_rate_hz: f64,
    /// Time of the centre of frame 0 in seconds from the first sample.
    pub first_centre_s: f64,
}

impl BandFrames {
    /// Number of frames.
    #[must_use]
    pub fn n_frames(&self) -> usize {
        self.power.len() / N_BAND
    }

    /// Time of a frame's centre in seconds from the first sample.
    #[must_use]
    pub fn centre_s(&self, frame: usize) -> f64 {
        self.first_centre_s + frame as f64 / self.frame_rate_hz
    }
}

/// One band as spectral lines: whole lines `lo..hi`, and a share of the lines just outside.
#[derive(Debug, Clone, Copy)]
struct Lines {
    lo: usize,
    hi: usize,
    share_below: f32,
    share_above: f32,
}

/// Everything about the frames that depends on the sample rate alone: planned once, shared by all threads.
pub struct FramePlan {
    fft: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    lines: Vec<Lines>,
    scale: f32,
    hop: f64,
    sample_rate_hz: f64,
}

impl std::fmt::Debug for FramePlan {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("FramePlan").field("sample_rate_hz", &self.sample_rate_hz).finish_non_exhaustive()
    }
}

/// Smallest even length at or above `n` whose only prime factors are 2, 3 and 5: fast for any FFT.
fn fast_len(n: usize) -> usize {
    (n.max(2)..)
        .find(|&m| {
            let mut k = m;
            for p in [2, 3, 5] {
                while k.is_multiple_of(p) {
                    k /= p;
                }
            }
            k == 1 && m % 2 == 0
        })
        .unwrap_or(n)
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "positions of spectral lines, all small and positive"
)]
impl FramePlan {
    /// Plans frames for a sample rate.
    #[must_use]
    pub fn new(sample_rate_hz: f64) -> Self {
        let frame_len = ((FRAME_S * sample_rate_hz).round() as usize).max(8);
        let n_fft = fast_len(frame_len);
        let window: Vec<f32> = hann(frame_len, 0.0).into_iter().map(|w| w as f32).collect();
        let energy: f64 = window.iter().map(|&w| f64::from(w) * f64::from(w)).sum();
        let edges = band_edges_hz();
        let line_hz = sample_rate_hz / n_fft as f64;
        // Line k stands for k - 0.5 .. k + 0.5 of the line spacing; a band takes the share of a line that lies inside it.
        let lines = (0..usable_bands(&edges, sample_rate_hz))
            .map(|b| {
                let from = edges[b] / line_hz + 0.5;
                let to = edges[b + 1] / line_hz + 0.5;
                let (lo, hi) = (from.ceil() as usize, to.floor() as usize);
                if lo > hi {
                    Lines { lo: lo.max(1), hi: lo.max(1), share_below: (to - from) as f32, share_above: 0.0 }
                } else {
                    Lines {
                        lo: lo.max(1),
                        hi: hi.max(1),
                        share_below: (lo as f64 - from) as f32,
                        share_above: (to - hi as f64) as f32,
                    }
                }
            })
            .collect();
        Self {
            fft: RealFftPlanner::new().plan_fft_forward(n_fft),
            window,
            lines,
            scale: (2.0 / (n_fft as f64 * energy)) as f32,
            hop: HOP_S * sample_rate_hz,
            sample_rate_hz,
        }
    }

    /// The plan for a sample rate, made once a process.
    #[must_use]
    pub fn shared(sample_rate_hz: f64) -> Arc<Self> {
        static PLANS: OnceLock<Mutex<HashMap<u64, Arc<FramePlan>>>> = OnceLock::new();
        let mut plans = match PLANS.get_or_init(Mutex::default).lock() {
            Ok(guard) => guard,
            Err(poisoned) => poisoned.into_inner(),
        };
        Arc::clone(plans.entry(sample_rate_hz.to_bits()).or_insert_with(|| Arc::new(Self::new(sample_rate_hz))))
    }

    /// Frame length in samples.
    #[must_use]
    pub fn frame_len(&self) -> usize {
        self.window.len()
    }

    /// Bands that the sample rate reaches; the others are 0 in every frame.
    #[must_use]
    pub fn n_usable(&self) -> usize {
        self.lines.len()
    }

    /// First sample of a frame.
    #[must_use]
    pub fn frame_start(&self, frame: usize) -> usize {
        (frame as f64 * self.hop).round() as usize
    }

    /// Number of whole frames in `n_samples`.
    #[must_use]
    pub fn n_frames(&self, n_samples: usize) -> usize {
        if n_samples < self.frame_len() {
            return 0;
        }
        let mut n = ((n_samples - self.frame_len()) as f64 / self.hop) as usize + 2;
        while n > 0 && self.frame_start(n - 1) + self.frame_len() > n_samples {
            n -= 1;
        }
        n
    }

    /// Band powers of every whole frame.
    ///
    /// # Formula
    /// Hann frame `w x`, unscaled FFT `X`; the power of a band is `sum 2 |X_k|^2 / (n_fft sum w^2)` over its lines: the
    /// mean square of the signal within the band (Welch's scaling, P. D. Welch 1967).
    ///
    /// # Arguments
    /// - `samples`: shape `(n_samples,)`, finite.
    #[must_use]
    pub fn band_frames(&self, samples: &[f32]) -> BandFrames {
        let n_frames = self.n_frames(samples.len());
        let mut power = vec![0.0_f32; n_frames * N_BAND];
        let mut input = self.fft.make_input_vec();
        let mut spectrum = self.fft.make_output_vec();
        let mut scratch = self.fft.make_scratch_vec();
        let top = self.lines.iter().map(|l| l.hi + 1).max().unwrap_or(0).min(spectrum.len());
        let mut line_power = vec![0.0_f32; spectrum.len()];
        let frame_len = self.frame_len();
        for (frame, row) in power.chunks_exact_mut(N_BAND).enumerate() {
            let start = self.frame_start(frame);
            let chunk = &samples[start..start + frame_len];
            for ((slot, &x), &w) in input.iter_mut().zip(chunk).zip(&self.window) {
                *slot = x * w;
            }
            input[frame_len..].fill(0.0);
            if self.fft.process_with_scratch(&mut input, &mut spectrum, &mut scratch).is_err() {
                continue;
            }
            for (p, c) in line_power[..top].iter_mut().zip(&spectrum[..top]) {
                *p = c.re * c.re + c.im * c.im;
            }
            for (slot, l) in row.iter_mut().zip(&self.lines) {
                let whole = sum4(&line_power[l.lo.min(l.hi)..l.hi]);
                let edges = line_power[l.lo - 1] * l.share_below + line_power[l.hi] * l.share_above;
                *slot = (whole + edges) * self.scale;
            }
        }
        BandFrames {
            power,
            n_usable: self.n_usable(),
            frame_rate_hz: 1.0 / HOP_S,
            first_centre_s: 0.5 * frame_len as f64 / self.sample_rate_hz,
        }
    }
}

/// Sum in four lanes: a fixed order (so a fixed result) that the compiler can vectorise.
fn sum4(x: &[f32]) -> f32 {
    let mut lanes = [0.0_f32; 4];
    let chunks = x.chunks_exact(4);
    let rest: f32 = chunks.remainder().iter().sum();
    for c in chunks {
        for (lane, v) in lanes.iter_mut().zip(c) {
            *lane += v;
        }
    }
    (lanes[0] + lanes[1]) + (lanes[2] + lanes[3]) + rest
}

#[cfg(test)]
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "small test signals")]
mod tests {
    use super::*;

    fn tone(freq_hz: f64, rate: f64, n: usize) -> Vec<f32> {
        (0..n).map(|i| (2.0 * std::f64::consts::PI * freq_hz * i as f64 / rate).sin() as f32).collect()
    }

    #[test]
    fn a_tone_puts_its_mean_square_into_its_band() {
        for rate in [8_000.0, 16_000.0, 44_100.0, 48_000.0, 96_000.0, 192_000.0] {
            let plan = FramePlan::new(rate);
            let edges = band_edges_hz();
            let band = 12;
            let f = 0.5 * (edges[band] + edges[band + 1]);
            let frames = plan.band_frames(&tone(f, rate, rate as usize));
            let n = frames.n_frames() as f64;
            let mean = frames.power.iter().map(|&p| f64::from(p)).sum::<f64>() / n;
            // Half of the squared amplitude; the Hann window leaks less than one per cent past all bands together.
            assert!((mean - 0.5).abs() < 0.01, "{rate}: {mean}");
            let own = frames.power.iter().skip(band).step_by(N_BAND).map(|&p| f64::from(p)).sum::<f64>() / n;
            assert!(own > 0.5 * 0.5, "{rate}: {own}");
        }
    }

    #[test]
    fn band_powers_of_white_noise_add_up_to_its_power_in_band() {
        let mut state = 1_u64;
        let x: Vec<f32> = (0..480_000)
            .map(|_| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                ((state >> 33) as f64 / (1_u64 << 31) as f64 * 2.0 - 1.0) as f32
            })
            .collect();
        let frames = FramePlan::new(48_000.0).band_frames(&x);
        let mean: f64 = frames.power.iter().map(|&p| f64::from(p)).sum::<f64>() / frames.n_frames() as f64;
        // Uniform noise: variance 1/3 over 24 kHz, of which the bands cover 19.9 kHz.
        let expected = 19_900.0 / 24_000.0 / 3.0;
        assert!((mean / expected - 1.0).abs() < 0.01, "{mean} {expected}");
    }

    #[test]
    fn frames_cover_the_clip_and_no_more() {
        let plan = FramePlan::new(44_100.0);
        for n in [0, 1, 469, 470, 471, 690, 691, 44_100] {
            let k = plan.n_frames(n);
            if k > 0 {
                assert!(plan.frame_start(k - 1) + plan.frame_len() <= n);
            }
            assert!(plan.frame_start(k) + plan.frame_len() > n);
        }
    }
}
