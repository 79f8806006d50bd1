//! Plain figures of a stretch of samples.

/// Root mean square, unit of `x`. `None` when empty.
#[must_use]
pub fn rms(x: &[f64]) -> Option<f64> {
    (!x.is_empty()).then(|| (x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64).sqrt())
}

/// Largest magnitude, unit of `x`. `None` when empty.
#[must_use]
pub fn peak(x: &[f64]) -> Option<f64> {
    x.iter().map(|v| v.abs()).max_by(f64::total_cmp)
}

/// Peak over rms, as a ratio. `None` when empty or all zero.
#[must_use]
pub fn crest_factor(x: &[f64]) -> Option<f64> {
    let rms = rms(x)?;
    (rms > 0.0).then_some(peak(x)? / rms)
}

/// Kurtosis (fourth central moment over the squared variance, both over `n`; 3 for a normal sample, nothing subtracted).
///
/// `None` when empty or when all values are equal.
#[must_use]
pub fn kurtosis(x: &[f64]) -> Option<f64> {
    if x.is_empty() {
        return None;
    }
    let n = x.len() as f64;
    let mean = x.iter().sum::<f64>() / n;
    let (mut m2, mut m4) = (0.0, 0.0);
    for v in x {
        let d2 = (v - mean) * (v - mean);
        m2 += d2;
        m4 += d2 * d2;
    }
    (m2 > 0.0).then(|| n * m4 / (m2 * m2))
}

/// Mean of the whole periods of `x`, each `period_len` samples long; what does not repeat with the period falls by `10 lg N` dB.
///
/// The plain synchronous average, with nothing robust about it: one clank stays in it by its Nth part. Samples after the last whole
/// period are left out. Shape `(period_len,)`; `None` when the length is zero or no whole period is there.
#[must_use]
pub fn average_periods(x: &[f64], period_len: usize) -> Option<Vec<f64>> {
    if period_len == 0 || x.len() < period_len {
        return None;
    }
    let mut mean = vec![0.0; period_len];
    let periods = x.chunks_exact(period_len);
    let n = periods.len() as f64;
    for period in periods {
        for (sum, v) in mean.iter_mut().zip(period) {
            *sum += v;
        }
    }
    for sum in &mut mean {
        *sum /= n;
    }
    Some(mean)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_and_silence_have_no_shape() {
        assert_eq!(rms(&[]), None);
        assert_eq!(peak(&[]), None);
        assert_eq!(kurtosis(&[]), None);
        assert_eq!(crest_factor(&[]), None);
        assert_eq!(crest_factor(&[0.0, 0.0]), None);
        assert_eq!(kurtosis(&[1.0, 1.0]), None);
        assert_eq!(rms(&[0.0, 0.0]), Some(0.0));
    }
}
