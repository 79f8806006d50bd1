//! Axes of the pictures: logarithmic frequency, tick labels, ranges of levels.

use crate::clip::Scale;

/// A logarithmic frequency axis over `top..bottom` of a panel (low frequencies at the bottom).
#[derive(Debug, Clone, Copy)]
pub(super) struct FreqAxis {
    low_hz: f64,
    high_hz: f64,
    top: f64,
    bottom: f64,
}

impl FreqAxis {
    /// `low_hz` and `high_hz` are positive and ascending (checked by the callers).
    pub(super) fn new(low_hz: f64, high_hz: f64, top: f64, bottom: f64) -> Self {
        Self { low_hz, high_hz, top, bottom }
    }

    /// Height of a frequency on the page, clamped to the panel.
    pub(super) fn y(&self, freq_hz: f64) -> f64 {
        let part = (freq_hz.max(self.low_hz) / self.low_hz).ln() / (self.high_hz / self.low_hz).ln();
        self.bottom - part.min(1.0) * (self.bottom - self.top)
    }

    /// Frequency at a height on the page.
    pub(super) fn freq_hz(&self, y: f64) -> f64 {
        self.low_hz * (self.high_hz / self.low_hz).powf((self.bottom - y) / (self.bottom - self.top))
    }

    /// Labelled frequencies within the axis: 10, 30, 100, 300 Hz, 1, 3, 10, 30, 100 kHz.
    pub(super) fn ticks(&self) -> Vec<(f64, String)> {
        (1..=5)
            .flat_map(|decade| [10_f64.powi(decade), 3.0 * 10_f64.powi(decade)])
            .filter(|f| (self.low_hz * 0.999..=self.high_hz * 1.001).contains(f))
            .map(|f| (f, freq_label(f)))
            .collect()
    }
}

/// `300 Hz`, `3 kHz`.
pub(super) fn freq_label(freq_hz: f64) -> String {
    if freq_hz < 1000.0 { format!("{freq_hz:.0} Hz") } else { format!("{} kHz", (freq_hz / 100.0).round() / 10.0) }
}

/// Unit of levels of a clip.
pub(super) fn level_unit(scale: Scale) -> &'static str {
    match scale {
        Scale::FullScale => "dB re full scale",
        Scale::MetrePerSecond2 => "dB re 1 m/s²",
        Scale::Pascal => "dB re 20 µPa",
    }
}

/// The value below which the share `q` (0 to 1) of the finite values lie; `None` without any.
pub(super) fn quantile(values: impl IntoIterator<Item = f32>, q: f64) -> Option<f64> {
    let mut finite: Vec<f64> = values.into_iter().filter(|v| v.is_finite()).map(f64::from).collect();
    finite.sort_by(f64::total_cmp);
    let last = finite.len().checked_sub(1)?;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 <= q <= 1")]
    let index = (q.clamp(0.0, 1.0) * last as f64).round() as usize;
    finite.get(index).copied()
}

/// Bottom and top of a level scale: the loudest value rounded up to 5 dB, down to the quietest, 20 to 60 dB in all.
pub(super) fn level_range(values: impl IntoIterator<Item = f32> + Clone) -> Option<[f64; 2]> {
    let loudest = quantile(values.clone(), 0.999)?;
    let quietest = quantile(values, 0.02)?;
    let top = (loudest / 5.0).ceil() * 5.0;
    let bottom = ((quietest / 5.0).floor() * 5.0).clamp(top - 60.0, top - 20.0);
    Some([bottom, top])
}

/// Half-width of a difference scale: at least 6 dB, so that the scatter of a healthy module stays pale.
pub(super) fn change_limit(values: impl IntoIterator<Item = f32>) -> f64 {
    let largest = quantile(values.into_iter().map(f32::abs), 0.995).unwrap_or(0.0);
    [6.0, 9.0, 12.0, 18.0, 24.0].into_iter().find(|limit| largest <= *limit).unwrap_or(36.0)
}

/// Ticks from `low` to `high` at the step of 1, 2, 3, 5, 6, 10, 15, 20 that gives at most `most` of them.
pub(super) fn even_ticks(low: f64, high: f64, most: usize) -> Vec<f64> {
    let steps = [0.1, 0.2, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1800.0, 3600.0];
    let span = high - low;
    let step = steps.into_iter().find(|s| span / s < most as f64).unwrap_or(7200.0_f64.max(span));
    let first = (low / step - 1e-9).ceil();
    (0..=most).map(|k| (first + k as f64) * step).filter(|t| *t <= high + 1e-9 * span).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frequency_axis_is_logarithmic_and_inverts() {
        let axis = FreqAxis::new(100.0, 10_000.0, 0.0, 400.0);
        assert!((axis.y(1000.0) - 200.0).abs() < 1e-9);
        assert!((axis.y(1.0) - 400.0).abs() < 1e-9 && axis.y(1e6).abs() < 1e-9);
        assert!((axis.freq_hz(axis.y(3200.0)) - 3200.0).abs() < 1e-6);
        let labels: Vec<String> = axis.ticks().into_iter().map(|t| t.1).collect();
        assert_eq!(labels, ["100 Hz", "300 Hz", "1 kHz", "3 kHz", "10 kHz"]);
    }

    #[test]
    fn ranges_skip_cells_without_data() {
        assert_eq!(level_range([f32::NAN, f32::NAN]), None);
        let [low, high] = level_range([-61.0, -33.0, f32::NAN, -42.0]).unwrap();
        assert!((low + 65.0).abs() < 1e-9 && (high + 30.0).abs() < 1e-9, "{low} {high}");
        assert!((change_limit([0.5, f32::NAN, -0.4]) - 6.0).abs() < 1e-9);
        assert!((change_limit([0.5, -8.0]) - 9.0).abs() < 1e-9);
    }

    #[test]
    fn ticks_are_few_and_round() {
        assert_eq!(even_ticks(-65.0, -30.0, 8), [-65.0, -60.0, -55.0, -50.0, -45.0, -40.0, -35.0, -30.0]);
        assert_eq!(even_ticks(0.0, 31.0, 8), [0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0]);
        assert!(even_ticks(0.0, 0.0, 5).len() <= 6);
    }
}
