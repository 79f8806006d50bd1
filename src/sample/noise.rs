//! Seeded draws, cheap noise and levels: a seed and a source in, numbers that never depend on another source out.
//!
//! Transcendental functions come from the `libm` crate and not from the system's mathematics library, so that the
//! same seed gives the same bytes on every machine.

use rand_pcg::Pcg64;
use rand_pcg::rand_core::Rng;

use crate::dsp::biquad::Biquad;

/// Every source of chance has its own stream, so that adding one (a fault, say) leaves all others as they were.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Source {
    Pump = 1,
    OtherPump,
    Paths,
    Reverb,
    RigVoice,
    Phone,
    Calibration,
    Track,
    OtherTrack,
    FlowNoise,
    Event,
    OtherFlowNoise,
    OtherEvent,
    OtherPath,
    Tones,
    RigNoise,
    Clanks,
    Colour,
    MicNoise,
    CrossTalk,
    DayEvents,
    DayRig,
    FaultVoice,
    FaultNoise,
    PulseNoise,
    Round,
    ClipInRound,
    #[cfg(not(product))]
    Room,
}

/// One stream of draws.
#[derive(Debug, Clone)]
pub(super) struct Draw {
    rng: Pcg64,
}

/// Spreads the bits of a counter (the finaliser of splitmix64, Steele, Lea and Flood 2014; constants from memory).
pub(super) fn mix(x: u64) -> u64 {
    let mut z = x.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

impl Draw {
    /// The stream of `source`, number `index` (module, event, ...), under `seed`.
    pub(super) fn new(seed: u64, source: Source, index: usize) -> Self {
        let a = mix(seed);
        let b = mix(a ^ (source as u64).wrapping_mul(0x1000_0000_01b3));
        let c = mix(b ^ (index as u64));
        let state = (u128::from(a) << 64) | u128::from(c);
        let stream = (u128::from(b) << 64) | u128::from(mix(c));
        Self { rng: Pcg64::new(state, stream) }
    }

    /// 64 random bits.
    pub(super) fn bits(&mut self) -> u64 {
        self.rng.next_u64()
    }

    /// Even over 0..1.
    pub(super) fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / 9_007_199_254_740_992.0
    }

    /// Even over `lo..hi`.
    pub(super) fn between(&mut self, lo: f64, hi: f64) -> f64 {
        lo + (hi - lo) * self.unit()
    }

    /// Even in the logarithm over `lo..hi`, both positive.
    pub(super) fn log_between(&mut self, lo: f64, hi: f64) -> f64 {
        libm::exp(self.between(libm::log(lo), libm::log(hi)))
    }

    /// Standard normal (Box and Muller 1958), cut at four deviations.
    pub(super) fn normal(&mut self) -> f64 {
        let u = 1.0 - self.unit();
        let v = self.unit();
        let r = (-2.0 * libm::log(u)).sqrt();
        (r * libm::cos(std::f64::consts::TAU * v)).clamp(-4.0, 4.0)
    }

    /// +1 or -1.
    pub(super) fn sign(&mut self) -> f64 {
        if self.bits() >> 63 == 0 { 1.0 } else { -1.0 }
    }

    /// Nearly normal noise of unit variance: the sum of four even numbers, which any filter makes normal.
    #[inline]
    pub(super) fn white(&mut self) -> f64 {
        let x = self.bits();
        let sum = (x & 0xffff) + ((x >> 16) & 0xffff) + ((x >> 32) & 0xffff) + (x >> 48);
        // Four even numbers over 0..65535: mean 131070, variance 4 (65536^2 - 1) / 12.
        (sum as f64 - 131_070.0) * (1.0 / 37_837.227)
    }
}

/// Amplitude ratio of a level in dB.
pub(super) fn db_to_amp(db: f64) -> f64 {
    libm::pow(10.0, db / 20.0)
}

/// Power ratio of a level in dB.
pub(super) fn db_to_power(db: f64) -> f64 {
    libm::pow(10.0, db / 10.0)
}

/// Level in dB of a power ratio.
pub(super) fn power_to_db(power: f64) -> f64 {
    10.0 * libm::log10(power.max(1e-30))
}

/// Nearest index of a non-negative number; huge numbers saturate.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped at zero, saturates above")]
pub(super) fn to_index(x: f64) -> usize {
    x.max(0.0) as usize
}

/// Nearest `f32`.
#[expect(clippy::cast_possible_truncation, reason = "samples are handed out in single precision")]
pub(super) fn narrow(x: f64) -> f32 {
    x as f32
}

/// A slow random walk that stays near zero: unit variance, correlation time `tau_s`, one step a call.
#[derive(Debug, Clone, Copy)]
pub(super) struct Slow {
    value: f64,
    keep: f64,
    kick: f64,
}

impl Slow {
    pub(super) fn new(draw: &mut Draw, tau_s: f64, step_s: f64) -> Self {
        let keep = libm::exp(-step_s / tau_s);
        Self { value: draw.normal(), keep, kick: (1.0 - keep * keep).sqrt() }
    }

    #[inline]
    pub(super) fn step(&mut self, draw: &mut Draw) -> f64 {
        self.value = self.keep * self.value + self.kick * draw.white();
        self.value
    }
}

/// Mean of the squares; 0 for an empty slice.
pub(super) fn mean_square(x: &[f64]) -> f64 {
    if x.is_empty() { 0.0 } else { x.iter().map(|v| v * v).sum::<f64>() / x.len() as f64 }
}

/// Mean square of what lies above 2.5 kHz (fourth-order Butterworth high pass).
pub(super) fn mean_square_above_2k5(x: &[f64], rate_hz: f64) -> f64 {
    if x.is_empty() {
        return 0.0;
    }
    // Pole Qs of the fourth-order Butterworth filter: 1 / (2 cos(pi/8)), 1 / (2 cos(3 pi/8)).
    let mut one = Biquad::high_pass(2500.0, 0.541_196_1, rate_hz);
    let mut two = Biquad::high_pass(2500.0, 1.306_563, rate_hz);
    let mut sum = 0.0;
    for &v in x {
        let y = two.step(one.step(v));
        sum += y * y;
    }
    sum / x.len() as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn white_noise_has_unit_variance_and_no_mean() {
        let mut d = Draw::new(1, Source::Pump, 0);
        let x: Vec<f64> = (0..400_000).map(|_| d.white()).collect();
        // Four standard errors: 1/sqrt(n) and sqrt((kurtosis - 1) / n) with kurtosis 2.7.
        assert!((x.iter().sum::<f64>() / 400_000.0).abs() < 4.0 * 0.001_59);
        assert!((mean_square(&x) - 1.0).abs() < 4.0 * 0.002_07);
    }

    #[test]
    fn streams_of_two_sources_indices_and_seeds_differ() {
        let first = |seed, source, index| Draw::new(seed, source, index).bits();
        let all = [
            first(1, Source::Pump, 0),
            first(1, Source::Pump, 1),
            first(1, Source::Tones, 0),
            first(2, Source::Pump, 0),
        ];
        for (i, a) in all.iter().enumerate() {
            assert!(all.iter().skip(i + 1).all(|b| a != b));
        }
    }

    #[test]
    fn power_above_2k5_is_that_of_the_fourth_order_butterworth() {
        // |H|^2 = 1 / (1 + (fc/f)^8) with the bilinear transform's warped frequencies.
        let warp = |f: f64| libm::tan(std::f64::consts::PI * f / 48_000.0);
        for f in [1200.0, 2500.0, 6000.0] {
            let x: Vec<f64> =
                (0..96_000).map(|i| libm::sin(std::f64::consts::TAU * f * f64::from(i) / 48_000.0)).collect();
            let want = 0.5 / (1.0 + libm::pow(warp(2500.0) / warp(f), 8.0));
            assert!((mean_square_above_2k5(&x, 48_000.0) / want - 1.0).abs() < 2e-3, "{f}");
        }
    }
}
