//! Real transforms: frame powers, Welch's density, the analytic signal.

use ndarray::Array2;
use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

use super::{Ends, Window};

/// Why a spectrum can't be made.
#[derive(Debug, Clone, thiserror::Error, PartialEq)]
#[non_exhaustive]
pub enum SpectrumError {
    /// The signal is shorter than one frame.
    #[error("{got} samples are fewer than one frame of {need}; use a longer recording or a shorter frame")]
    TooShort {
        /// Samples given.
        got: usize,
        /// Samples in a frame.
        need: usize,
    },
    /// Frame or hop of zero samples.
    #[error("frame length and hop must be at least one sample")]
    ZeroLength,
    /// The sample rate is not above zero.
    #[error("sample rate {got} Hz is not above zero")]
    SampleRate {
        /// What was given.
        got: f64,
    },
}

/// What the powers of a frame mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scaling {
    /// Unit squared per Hz: integrates to the mean square of noise.
    Density,
    /// Unit squared: half the squared amplitude of a tone in the middle of a bin.
    Power,
}

/// One-sided spectrum over frequency.
#[derive(Debug, Clone, PartialEq)]
pub struct Density {
    /// Frequencies of the bins in Hz, shape `(n_bin,)`.
    pub freq_hz: Vec<f64>,
    /// Power of each bin, unit as in [`Scaling`], shape `(n_bin,)`.
    pub power: Vec<f64>,
    /// Spacing of the bins in Hz.
    pub bin_hz: f64,
}

/// One-sided power spectra of frames along a signal.
#[derive(Debug, Clone, PartialEq)]
pub struct FramePowers {
    /// Frequencies of the rows in Hz, shape `(n_bin,)`.
    pub freq_hz: Vec<f64>,
    /// Middle of each frame in s, shape `(n_frame,)`.
    pub time_s: Vec<f64>,
    /// Shape `(n_bin, n_frame)`, unit as in [`Scaling`].
    pub power: Array2<f64>,
}

/// Unscaled transform of a real signal: bins `0..=n / 2`. `None` when empty.
#[must_use]
pub fn real_spectrum(x: &[f64]) -> Option<Vec<Complex<f64>>> {
    if x.is_empty() {
        return None;
    }
    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(x.len());
    let (mut input, mut output) = (x.to_vec(), fft.make_output_vec());
    fft.process(&mut input, &mut output).ok()?;
    Some(output)
}

/// One-sided powers of the frames of `x`: whole frames only, no mean taken off, no padding.
///
/// Does what `scipy.signal.spectrogram(x, rate, window, frame_len, frame_len - hop_len, detrend=False, mode="psd")` does.
///
/// # Arguments
/// - `x`: shape `(n_samples,)`.
/// - `window`: periodic form is used.
/// - `frame_len`, `hop_len`: in samples.
///
/// # Formula
/// `c |FFT(w x)|^2`, `c = 1 / (rate sum(w^2))` for [`Scaling::Density`], `1 / sum(w)^2` for [`Scaling::Power`]; twice that for bins
/// that stand for two frequencies (all but 0 and, for even frames, Nyquist).
///
/// # Errors
/// [`SpectrumError`] when the signal is shorter than a frame, a length is zero, or the sample rate is not above zero.
#[expect(clippy::missing_panics_doc, reason = "the buffers are made by the plan that takes them")]
pub fn frame_powers(
    x: &[f64],
    sample_rate_hz: f64,
    window: Window,
    frame_len: usize,
    hop_len: usize,
    scaling: Scaling,
) -> Result<FramePowers, SpectrumError> {
    if frame_len == 0 || hop_len == 0 {
        return Err(SpectrumError::ZeroLength);
    }
    if !(sample_rate_hz > 0.0 && sample_rate_hz.is_finite()) {
        return Err(SpectrumError::SampleRate { got: sample_rate_hz });
    }
    if x.len() < frame_len {
        return Err(SpectrumError::TooShort { got: x.len(), need: frame_len });
    }
    let w = window.samples(frame_len, Ends::Periodic);
    let scale = match scaling {
        Scaling::Density => 1.0 / (sample_rate_hz * w.iter().map(|w| w * w).sum::<f64>()),
        Scaling::Power => w.iter().sum::<f64>().powi(2).recip(),
    };
    let n_bin = frame_len / 2 + 1;
    let n_frame = (x.len() - frame_len) / hop_len + 1;
    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(frame_len);
    let (mut input, mut output, mut scratch) = (fft.make_input_vec(), fft.make_output_vec(), fft.make_scratch_vec());
    let mut power = Array2::zeros((n_bin, n_frame));
    for frame in 0..n_frame {
        let start = frame * hop_len;
        for ((to, from), w) in input.iter_mut().zip(&x[start..start + frame_len]).zip(&w) {
            *to = from * w;
        }
        fft.process_with_scratch(&mut input, &mut output, &mut scratch).expect("buffers were made by this plan");
        for (bin, z) in output.iter().enumerate() {
            let alone = bin == 0 || 2 * bin == frame_len;
            power[(bin, frame)] = scale * z.norm_sqr() * if alone { 1.0 } else { 2.0 };
        }
    }
    Ok(FramePowers {
        freq_hz: (0..n_bin).map(|k| k as f64 * sample_rate_hz / frame_len as f64).collect(),
        time_s: (0..n_frame)
            .map(|i| (i * hop_len) as f64 / sample_rate_hz + 0.5 * frame_len as f64 / sample_rate_hz)
            .collect(),
        power,
    })
}

/// Welch's power spectral density: the mean of [`frame_powers`] over frames that overlap by half (IEEE Trans. Audio Electroacoust.
/// 15, 1967, 70-73).
///
/// Does what `scipy.signal.welch(x, rate, window, frame_len, detrend=False)` does.
///
/// # Errors
/// As [`frame_powers`].
pub fn welch(x: &[f64], sample_rate_hz: f64, window: Window, frame_len: usize) -> Result<Density, SpectrumError> {
    let hop_len = frame_len - frame_len / 2;
    let frames = frame_powers(x, sample_rate_hz, window, frame_len, hop_len, Scaling::Density)?;
    let n_frame = frames.time_s.len() as f64;
    Ok(Density {
        power: frames.power.rows().into_iter().map(|row| row.sum() / n_frame).collect(),
        freq_hz: frames.freq_hz,
        bin_hz: sample_rate_hz / frame_len as f64,
    })
}

/// The analytic signal of `x`: `x` as the real part, its Hilbert transform as the imaginary part. Shape as `x`, empty when empty.
///
/// Taken over the whole signal at once, which is treated as one period (as `scipy.signal.hilbert`).
#[must_use]
#[expect(
    clippy::missing_panics_doc,
    reason = "lengths come from the forward plan, and the two bins that must be real are zero"
)]
pub fn analytic_signal(x: &[f64]) -> Vec<Complex<f64>> {
    let n = x.len();
    let Some(mut spectrum) = real_spectrum(x) else {
        return Vec::new();
    };
    // The Hilbert transform turns every positive frequency by -90 degrees; 0 and Nyquist have no turned partner.
    for (bin, z) in spectrum.iter_mut().enumerate() {
        *z = if bin == 0 || 2 * bin == n { Complex::new(0.0, 0.0) } else { Complex::new(z.im, -z.re) };
    }
    let fft = RealFftPlanner::<f64>::new().plan_fft_inverse(n);
    let mut turned = fft.make_output_vec();
    fft.process(&mut spectrum, &mut turned).expect("lengths fit and the real bins are real");
    x.iter().zip(turned).map(|(&re, im)| Complex::new(re, im / n as f64)).collect()
}

/// Envelope of `x`: the magnitude of its [`analytic_signal`], unit of `x`. Shape as `x`.
#[must_use]
pub fn envelope(x: &[f64]) -> Vec<f64> {
    analytic_signal(x).into_iter().map(Complex::norm).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn bad_input_is_told_not_computed() {
        let x = [0.0; 8];
        let frames = |x: &[f64], rate, frame, hop| frame_powers(x, rate, Window::Hann, frame, hop, Scaling::Density);
        assert_eq!(frames(&x, 1.0, 0, 1), Err(SpectrumError::ZeroLength));
        assert_eq!(frames(&x, 1.0, 4, 0), Err(SpectrumError::ZeroLength));
        assert_eq!(frames(&x, 1.0, 9, 4), Err(SpectrumError::TooShort { got: 8, need: 9 }));
        assert!(matches!(frames(&x, f64::NAN, 4, 4), Err(SpectrumError::SampleRate { .. })));
        assert!(matches!(welch(&x, 0.0, Window::Hann, 4), Err(SpectrumError::SampleRate { .. })));
        assert_eq!(welch(&x, 1.0, Window::Hann, 0), Err(SpectrumError::ZeroLength));
        assert!(envelope(&[]).is_empty());
        assert_eq!(envelope(&[2.0]), [2.0]);
    }

    #[test]
    fn transform_agrees_with_the_plain_sum_at_every_small_length() {
        for n in 1..40usize {
            let x: Vec<f64> = (0..n).map(|k| ((k * k + 3 * k) % 7) as f64 - 2.5).collect();
            let got = real_spectrum(&x).unwrap();
            assert_eq!(got.len(), n / 2 + 1);
            for (bin, z) in got.iter().enumerate() {
                let want: Complex<f64> = x
                    .iter()
                    .enumerate()
                    .map(|(k, v)| Complex::from_polar(*v, -TAU * (k * bin) as f64 / n as f64))
                    .sum();
                assert!((z - want).norm() < 1e-10 * n as f64, "n {n} bin {bin}");
            }
        }
    }

    #[test]
    fn power_scaling_gives_half_the_squared_amplitude_of_a_tone() {
        for window in [Window::Rectangular, Window::Hann, Window::BlackmanHarris] {
            let x: Vec<f64> = (0..1024).map(|k| 3.0 * (TAU * 16.0 * f64::from(k) / 256.0).cos()).collect();
            let p = frame_powers(&x, 256.0, window, 256, 64, Scaling::Power).unwrap();
            assert!(p.power.row(16).iter().all(|v| (v - 4.5).abs() < 1e-10));
        }
    }

    #[test]
    fn density_integrates_to_the_mean_square() {
        let mut state = 1u32;
        let x: Vec<f64> = (0..65_536)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                f64::from(state) / 2f64.powi(31) - 1.0
            })
            .collect();
        let d = welch(&x, 8000.0, Window::Hann, 512).unwrap();
        let total: f64 = d.power.iter().sum::<f64>() * d.bin_hz;
        let mean_square = x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64;
        assert!((total / mean_square - 1.0).abs() < 0.01, "{total} {mean_square}");
    }
}
