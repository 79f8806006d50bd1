//! Second-order filters: coefficients from a corner and a quality, one sample in, one out.

/// Second-order filter (direct form II transposed); designs after R. Bristow-Johnson's "Cookbook formulae for audio
/// EQ biquad filter coefficients" (from memory).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Biquad {
    b: [f64; 3],
    a: [f64; 2],
    z: [f64; 2],
}

impl Biquad {
    fn normalised(b: [f64; 3], a: [f64; 3]) -> Self {
        Self { b: [b[0] / a[0], b[1] / a[0], b[2] / a[0]], a: [a[1] / a[0], a[2] / a[0]], z: [0.0; 2] }
    }

    /// (cosine, alpha) of a corner; corners are kept below 0.46 of the sample rate.
    fn corner(freq_hz: f64, q: f64, rate_hz: f64) -> (f64, f64) {
        let w = std::f64::consts::TAU * (freq_hz / rate_hz).clamp(1e-5, 0.46);
        (libm::cos(w), libm::sin(w) / (2.0 * q))
    }

    /// A corner of this quality; 0.707 is that of a second-order Butterworth.
    pub(crate) fn low_pass(freq_hz: f64, q: f64, rate_hz: f64) -> Self {
        let (c, al) = Self::corner(freq_hz, q, rate_hz);
        Self::normalised([(1.0 - c) / 2.0, 1.0 - c, (1.0 - c) / 2.0], [1.0 + al, -2.0 * c, 1.0 - al])
    }

    /// A corner of this quality; 0.707 is that of a second-order Butterworth.
    pub(crate) fn high_pass(freq_hz: f64, q: f64, rate_hz: f64) -> Self {
        let (c, al) = Self::corner(freq_hz, q, rate_hz);
        Self::normalised([f64::midpoint(1.0, c), -1.0 - c, f64::midpoint(1.0, c)], [1.0 + al, -2.0 * c, 1.0 - al])
    }

    /// Peak gain 1 at the centre.
    pub(crate) fn band_pass(freq_hz: f64, q: f64, rate_hz: f64) -> Self {
        let (c, al) = Self::corner(freq_hz, q, rate_hz);
        Self::normalised([al, 0.0, -al], [1.0 + al, -2.0 * c, 1.0 - al])
    }

    /// A bell of `gain_db` at the centre, 1 far from it.
    pub(crate) fn peaking(freq_hz: f64, q: f64, gain_db: f64, rate_hz: f64) -> Self {
        let (c, al) = Self::corner(freq_hz, q, rate_hz);
        let g = libm::pow(10.0, gain_db / 40.0);
        Self::normalised([1.0 + al * g, -2.0 * c, 1.0 - al * g], [1.0 + al / g, -2.0 * c, 1.0 - al / g])
    }

    /// The next sample.
    #[inline]
    pub(crate) fn step(&mut self, x: f64) -> f64 {
        let y = self.b[0] * x + self.z[0];
        self.z[0] = self.b[1] * x - self.a[0] * y + self.z[1];
        self.z[1] = self.b[2] * x - self.a[1] * y;
        y
    }

    /// Runs `N` filters one after the other, in one pass: the processor overlaps them.
    pub(crate) fn run_chain<const N: usize>(filters: &mut [Self; N], x: &mut [f64]) {
        let mut chain = *filters;
        for v in x {
            let mut y = *v;
            for filter in &mut chain {
                y = filter.step(y);
            }
            *v = y;
        }
        *filters = chain;
    }

    /// Multiplies the output by `gain`.
    pub(crate) fn scale(&mut self, gain: f64) {
        self.b.iter_mut().for_each(|b| *b *= gain);
    }

    /// Lets everything through unchanged.
    pub(crate) fn open() -> Self {
        Self { b: [1.0, 0.0, 0.0], a: [0.0; 2], z: [0.0; 2] }
    }

    /// Complex response at `freq_hz` as (real, imaginary).
    pub(crate) fn response(&self, freq_hz: f64, rate_hz: f64) -> (f64, f64) {
        let w = std::f64::consts::TAU * freq_hz / rate_hz;
        let (c1, s1) = (libm::cos(w), -libm::sin(w));
        let (c2, s2) = (libm::cos(2.0 * w), -libm::sin(2.0 * w));
        let num = (self.b[0] + self.b[1] * c1 + self.b[2] * c2, self.b[1] * s1 + self.b[2] * s2);
        let den = (1.0 + self.a[0] * c1 + self.a[1] * c2, self.a[0] * s1 + self.a[1] * s2);
        let d = den.0 * den.0 + den.1 * den.1;
        ((num.0 * den.0 + num.1 * den.1) / d, (num.1 * den.0 - num.0 * den.1) / d)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filters_do_to_a_sine_what_their_response_says() {
        let rate = 48_000.0;
        for filter in [
            Biquad::low_pass(900.0, 0.7, rate),
            Biquad::high_pass(2500.0, 1.3, rate),
            Biquad::band_pass(1200.0, 2.0, rate),
            Biquad::peaking(1500.0, 0.8, 6.0, rate),
        ] {
            let (re, im) = filter.response(1500.0, rate);
            let mut chain = [filter];
            // 1500 Hz is 32 samples a cycle: whole cycles after the settling.
            let mut x: Vec<f64> =
                (0..48_000).map(|i| libm::sin(std::f64::consts::TAU * 1500.0 * f64::from(i) / rate)).collect();
            Biquad::run_chain(&mut chain, &mut x);
            let power = x[16_000..].iter().map(|v| v * v).sum::<f64>() / 32_000.0;
            assert!((power - 0.5 * (re * re + im * im)).abs() < 1e-9);
        }
    }
}
