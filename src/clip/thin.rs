//! Thinned-out views of a stream of samples: evenly spread values, and the lowest frequencies.

/// Rumble is what lies below this, in Hz.
pub(super) const RUMBLE_HZ: f64 = 60.0;

/// Most values in a [`Spread`].
pub(super) const SPREAD_LEN: usize = 4096;

/// Keeps evenly spread values of a stream of unknown length: when full, every other one is dropped and the stride doubles.
#[derive(Debug)]
pub(super) struct Spread {
    pub(super) values: Vec<f32>,
    stride: u64,
    until_next: u64,
    /// Shifts each pick within its stride, so that no rhythm of the signal can fall in step with the picks.
    dither: u64,
}

impl Spread {
    pub(super) fn new() -> Self {
        Self { values: Vec::with_capacity(SPREAD_LEN), stride: 1, until_next: 0, dither: 1 }
    }

    pub(super) fn push(&mut self, frame: &[f32]) {
        let mut at = self.until_next;
        while let Some(&x) = usize::try_from(at).ok().and_then(|i| frame.get(i)) {
            if self.values.len() == SPREAD_LEN {
                let mut keep = false;
                self.values.retain(|_| {
                    keep = !keep;
                    keep
                });
                self.stride *= 2;
            }
            self.values.push(x);
            // Knuth's MMIX generator (from memory); any even scatter does.
            self.dither = self.dither.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let shift = if self.stride > 1 { (self.dither >> 33) % self.stride } else { 0 };
            // Mean step: half a stride plus half a stride of shift.
            at += 1 + self.stride / 2 + shift;
        }
        self.until_next = at - frame.len() as u64;
    }
}

/// Second-order Butterworth low-pass at [`RUMBLE_HZ`] on the signal averaged down to about 1 kHz.
#[derive(Debug)]
pub(super) struct LowPass {
    /// Samples averaged into one; 0 where the rate is too low to tell rumble from the rest.
    factor: usize,
    sum: f64,
    count: usize,
    offset: Option<f64>,
    b0: f64,
    a1: f64,
    a2: f64,
    z1: f64,
    z2: f64,
}

impl LowPass {
    pub(super) fn new(rate_hz: f64) -> Self {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "rates are 100 Hz to 1 MHz")]
        let factor = if rate_hz < 4.0 * RUMBLE_HZ { 0 } else { ((rate_hz / (16.0 * RUMBLE_HZ)) as usize).max(1) };
        let low_rate_hz = rate_hz / factor.max(1) as f64;
        // Bilinear transform with the cut-off prewarped.
        let k = (std::f64::consts::PI * RUMBLE_HZ / low_rate_hz).tan();
        let norm = 1.0 / (1.0 + std::f64::consts::SQRT_2 * k + k * k);
        Self {
            factor,
            sum: 0.0,
            count: 0,
            offset: None,
            b0: k * k * norm,
            a1: 2.0 * (k * k - 1.0) * norm,
            a2: (1.0 - std::f64::consts::SQRT_2 * k + k * k) * norm,
            z1: 0.0,
            z2: 0.0,
        }
    }

    /// Takes samples; gives the values of the averaged-down, filtered signal to `give`.
    pub(super) fn push(&mut self, mut samples: &[f32], mut give: impl FnMut(f64)) {
        if self.factor == 0 {
            return;
        }
        while !samples.is_empty() {
            let n = (self.factor - self.count).min(samples.len());
            self.sum += sum(&samples[..n]);
            self.count += n;
            samples = &samples[n..];
            if self.count < self.factor {
                return;
            }
            let mean = self.sum / self.count as f64;
            self.sum = 0.0;
            self.count = 0;
            // Starting from the first value, not from 0: an accelerometer's 1 g would ring through the first second.
            let v = mean - *self.offset.get_or_insert(mean);
            let y = self.b0 * v + self.z1;
            self.z1 = 2.0 * self.b0 * v - self.a1 * y + self.z2;
            self.z2 = self.b0 * v - self.a2 * y;
            give(y);
        }
    }
}

/// Sum side by side: one value at a time, each addition waits for the one before.
fn sum(x: &[f32]) -> f64 {
    let (chunks, rest) = x.as_chunks::<8>();
    let mut sums = [0.0; 8];
    for chunk in chunks {
        for (s, &x) in sums.iter_mut().zip(chunk) {
            *s += f64::from(x);
        }
    }
    sums.iter().sum::<f64>() + rest.iter().map(|&x| f64::from(x)).sum::<f64>()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spread_values_cover_the_whole_stream_evenly() {
        let mut spread = Spread::new();
        let ramp: Vec<f32> = (0..1_000_000).map(|i| i as f32 / 1.0e6).collect();
        for part in ramp.chunks(240) {
            spread.push(part);
        }
        let n = spread.values.len();
        assert!((SPREAD_LEN / 3..=SPREAD_LEN).contains(&n), "{n}");
        // Of an even ramp the k-th of n values is k/n.
        for (k, &value) in spread.values.iter().enumerate() {
            assert!((value - k as f32 / n as f32).abs() < 0.05, "{k} of {n}: {value}");
        }
    }

    #[test]
    fn the_low_pass_keeps_what_is_below_its_edge() {
        // Butterworth through the bilinear transform: 1 / (1 + (tan(pi f/fs) / tan(pi fc/fs))^4), after an average over
        // 50 samples: (sin(pi f/fs) / (pi f/fs))^2. Formulas of the textbook.
        for freq_hz in [10.0_f32, 60.0, 120.0, 240.0] {
            let x = std::f64::consts::PI * f64::from(freq_hz) / 960.0;
            let edge = std::f64::consts::PI * RUMBLE_HZ / 960.0;
            let wanted = (x.sin() / x).powi(2) / (1.0 + (x.tan() / edge.tan()).powi(4));
            let mut filter = LowPass::new(48_000.0);
            let mut values = Vec::new();
            let wave: Vec<f32> =
                (0..96_000).map(|i| (std::f32::consts::TAU * freq_hz * i as f32 / 48_000.0).sin()).collect();
            filter.push(&wave, |y| values.push(y));
            let settled = &values[values.len() / 2..];
            let mean = settled.iter().sum::<f64>() / settled.len() as f64;
            let power = 2.0 * settled.iter().map(|y| (y - mean).powi(2)).sum::<f64>() / settled.len() as f64;
            assert!((power / wanted - 1.0).abs() < 0.01, "{freq_hz} Hz: {power}");
        }
    }
}
