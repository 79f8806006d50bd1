//! Windows and their figures of merit.

use std::f64::consts::TAU;

use super::real_spectrum;

/// Weighting of the samples of a frame before its transform.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Window {
    /// All ones.
    Rectangular,
    /// Triangle that does not reach zero at its ends.
    Triangular,
    /// 0.5 - 0.5 cos.
    Hann,
    /// 0.54 - 0.46 cos.
    Hamming,
    /// 0.42 - 0.50 cos + 0.08 cos 2.
    Blackman,
    /// Blackman-Harris, four terms, 92 dB (Harris, Proc. IEEE 66, 1978, 51-83).
    BlackmanHarris,
}

/// Where the two ends of a window lie.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ends {
    /// One period of an endless pattern, for spectra: the first sample of the next period is left out.
    Periodic,
    /// Both ends the same, for filters.
    Symmetric,
}

impl Window {
    /// The window of length `n`, peak at most 1. Shape `(n,)`; a window of one sample is `[1.0]`.
    #[must_use]
    pub fn samples(self, n: usize, ends: Ends) -> Vec<f64> {
        if n <= 1 {
            return vec![1.0; n];
        }
        // A periodic window is the symmetric one of one sample more, without its last.
        let whole = match ends {
            Ends::Periodic => n + 1,
            Ends::Symmetric => n,
        };
        (0..n).map(|k| self.at(k, whole)).collect()
    }

    /// Sample `k` of the symmetric window of length `n >= 2`.
    fn at(self, k: usize, n: usize) -> f64 {
        let sum_of_cosines = |terms: &[f64]| {
            let theta = TAU * k as f64 / (n - 1) as f64;
            terms.iter().enumerate().map(|(i, a)| a * (theta * i as f64).cos()).sum::<f64>()
        };
        match self {
            Self::Rectangular => 1.0,
            Self::Triangular => {
                let from_centre = (k as f64 - 0.5 * (n - 1) as f64).abs();
                let half = if n % 2 == 1 { 0.5 * (n + 1) as f64 } else { 0.5 * n as f64 };
                1.0 - from_centre / half
            }
            Self::Hann => sum_of_cosines(&[0.5, -0.5]),
            Self::Hamming => sum_of_cosines(&[0.54, -0.46]),
            Self::Blackman => sum_of_cosines(&[0.42, -0.50, 0.08]),
            Self::BlackmanHarris => sum_of_cosines(&[0.35875, -0.48829, 0.14128, -0.01168]),
        }
    }
}

/// Mean of the window: what it leaves of the amplitude of a tone in the middle of a bin. `None` when empty.
#[must_use]
pub fn coherent_gain(window: &[f64]) -> Option<f64> {
    (!window.is_empty()).then(|| window.iter().sum::<f64>() / window.len() as f64)
}

/// Equivalent noise bandwidth in bins: `n sum(w^2) / sum(w)^2`. `None` when the window is empty or sums to zero.
#[must_use]
pub fn enbw_bins(window: &[f64]) -> Option<f64> {
    let sum: f64 = window.iter().sum();
    let squares: f64 = window.iter().map(|w| w * w).sum();
    (sum != 0.0).then(|| window.len() as f64 * squares / (sum * sum))
}

/// Scalloping loss in dB, above zero: how much less a tone half-way between two bins gives than one in the middle of a bin.
///
/// `None` when the window is empty or sums to zero.
#[must_use]
pub fn scalloping_loss_db(window: &[f64]) -> Option<f64> {
    let n = window.len() as f64;
    let sum: f64 = window.iter().sum();
    let (mut re, mut im) = (0.0, 0.0);
    for (k, w) in window.iter().enumerate() {
        let (s, c) = (0.5 * TAU * k as f64 / n).sin_cos();
        re += w * c;
        im += w * s;
    }
    (sum != 0.0).then(|| -20.0 * (re.hypot(im) / sum.abs()).log10())
}

/// Level of the highest side lobe in dB re the main lobe, from a spectrum zero-padded to `pad` times the length (64 or more for
/// 0.1 dB).
///
/// The main lobe ends where the spectrum first rises again. `None` when the window is empty, sums to zero, or has no side lobe.
#[must_use]
pub fn highest_side_lobe_db(window: &[f64], pad: usize) -> Option<f64> {
    let mut padded = window.to_vec();
    padded.resize(window.len().checked_mul(pad.max(1))?, 0.0);
    let power: Vec<f64> = real_spectrum(&padded)?.iter().map(|z| z.norm_sqr()).collect();
    let first_rise = power.windows(2).position(|p| p[1] > p[0])?;
    let highest = power[first_rise..].iter().copied().max_by(f64::total_cmp)?;
    (power[0] > 0.0).then(|| 10.0 * (highest / power[0]).log10())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn short_windows_do_not_break() {
        for window in [Window::Rectangular, Window::Triangular, Window::Hann, Window::BlackmanHarris] {
            for ends in [Ends::Periodic, Ends::Symmetric] {
                assert!(window.samples(0, ends).is_empty());
                assert_eq!(window.samples(1, ends), [1.0]);
                for n in 2..40 {
                    let w = window.samples(n, ends);
                    assert_eq!(w.len(), n);
                    assert!(w.iter().all(|x| (-1e-4..=1.0 + 1e-12).contains(x)), "{window:?} {n}: {w:?}");
                }
            }
        }
        assert_eq!(enbw_bins(&[]), None);
        assert_eq!(coherent_gain(&[]), None);
        assert_eq!(scalloping_loss_db(&[0.0, 0.0]), None);
        assert_eq!(highest_side_lobe_db(&[], 64), None);
        assert_eq!(highest_side_lobe_db(&[1.0], 64), None);
    }

    #[test]
    fn symmetric_windows_read_the_same_from_both_ends() {
        for window in [Window::Triangular, Window::Hann, Window::Hamming, Window::Blackman, Window::BlackmanHarris] {
            for n in [7, 8] {
                let w = window.samples(n, Ends::Symmetric);
                let p = window.samples(n, Ends::Periodic);
                for k in 0..n {
                    assert!((w[k] - w[n - 1 - k]).abs() < 1e-14);
                    assert!((p[k] - window.samples(n + 1, Ends::Symmetric)[k]).abs() < 1e-14);
                }
            }
        }
    }
}
