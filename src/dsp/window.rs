//! The window of every spectrum here.

/// Hann window, `0.5 - 0.5 cos(2 pi (k + shift) / n)`, shape `(n,)`.
///
/// # Arguments
/// - `shift`: 0 for the periodic window of spectra, whose first sample is 0; 0.5 for one that is the same from both ends and 0 at neither.
pub(crate) fn hann(n: usize, shift: f64) -> Vec<f64> {
    // The cosine of `libm`, so that a window has the same bits on every machine.
    let angle = |k: usize| 2.0 * std::f64::consts::PI * (k as f64 + shift) / n as f64;
    (0..n).map(|k| 0.5 - 0.5 * libm::cos(angle(k))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shifted_copies_of_both_add_up_to_one() {
        for shift in [0.0, 0.5] {
            let w = hann(64, shift);
            assert!((0..32).all(|k| (w[k] + w[k + 32] - 1.0).abs() < 1e-15), "{shift}");
        }
        let (periodic, even) = (hann(64, 0.0), hann(64, 0.5));
        assert!(periodic[0].abs() < 1e-15 && (periodic[32] - 1.0).abs() < 1e-15);
        assert!(even[0] > 0.0 && (0..32).all(|k| (even[k] - even[63 - k]).abs() < 1e-15));
    }
}
