//! Octave and fractional-octave bands, base 10 (IEC 61260-1:2014).

use super::Density;
use crate::units::power_to_db;

/// Octave ratio of the base-10 system, `10^0.3`.
pub const OCTAVE_RATIO: f64 = 1.995_262_314_968_879_5;

/// One band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Number of the band; 0 holds (or, for even fractions, starts at) 1 kHz.
    pub index: i32,
    /// Exact midband frequency in Hz.
    pub mid_hz: f64,
    /// Lower edge in Hz.
    pub low_hz: f64,
    /// Upper edge in Hz.
    pub high_hz: f64,
}

impl Band {
    /// The frequency by which people call the band, for octaves and third octaves between 25 Hz and 20 kHz.
    #[must_use]
    pub fn nominal_hz(&self) -> Option<f64> {
        // Nominal values lie within 2.5 % of the exact ones, and third octaves 26 % apart.
        nominal_third_octaves_hz().into_iter().find(|nominal| (nominal / self.mid_hz).ln().abs() < 0.025)
    }
}

/// Band number `index` of the 1/`fraction` octave bands.
///
/// # Formula
/// Midband `1000 G^(index / b)` for odd `b`, `1000 G^((2 index + 1) / (2 b))` for even `b`; edges at `G^(-1/(2b))` and `G^(1/(2b))` of it.
/// Edges are worked out from the number, so that the upper edge of a band *is* the lower edge of the next.
///
/// `None` when `fraction` is 0.
#[must_use]
pub fn band(fraction: u32, index: i32) -> Option<Band> {
    if fraction == 0 {
        return None;
    }
    let twice_b = 2.0 * f64::from(fraction);
    // In halves of a band step, relative to 1 kHz.
    let mid = 2.0 * f64::from(index) + if fraction.is_multiple_of(2) { 1.0 } else { 0.0 };
    let at = |halves: f64| 1000.0 * 10f64.powf(0.3 * halves / twice_b);
    Some(Band { index, mid_hz: at(mid), low_hz: at(mid - 1.0), high_hz: at(mid + 1.0) })
}

/// All 1/`fraction` octave bands whose midband frequency lies within `low_hz..=high_hz`, ascending.
///
/// Empty when `fraction` is 0 or above 100, or when the range holds none.
#[must_use]
pub fn bands(fraction: u32, low_hz: f64, high_hz: f64) -> Vec<Band> {
    if fraction > 100 || !(low_hz > 0.0 && low_hz.is_finite() && high_hz.is_finite() && high_hz >= low_hz) {
        return Vec::new();
    }
    let number = |hz: f64| f64::from(fraction) * (hz / 1000.0).log10() / 0.3;
    #[expect(clippy::cast_possible_truncation, reason = "log10 of an f64 times 100 fits an i32")]
    let (first, last) = (number(low_hz).floor() as i32 - 1, number(high_hz).ceil() as i32 + 1);
    // Rounding of the limits (1258.925 for 10^3.1) must not lose a band.
    let (low, high) = (low_hz * (1.0 - 1e-6), high_hz * (1.0 + 1e-6));
    (first..=last).filter_map(|x| band(fraction, x)).filter(|b| b.mid_hz >= low && b.mid_hz <= high).collect()
}

/// Nominal third-octave frequencies from 25 Hz to 20 kHz, in Hz (ISO 266).
#[must_use]
pub fn nominal_third_octaves_hz() -> Vec<f64> {
    const DECADE: [f64; 10] = [100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0];
    let scaled = |factor: f64| DECADE.into_iter().map(move |f| f * factor);
    scaled(0.1)
        .chain(scaled(1.0))
        .chain(scaled(10.0))
        .chain(scaled(100.0))
        .filter(|f| (25.0..=20_000.0).contains(f))
        .collect()
}

/// Nominal octave frequencies from 31.5 Hz to 16 kHz, in Hz (ISO 266).
#[must_use]
pub fn nominal_octaves_hz() -> Vec<f64> {
    nominal_third_octaves_hz().into_iter().skip(1).step_by(3).collect()
}

/// Levels in dB re `reference` (a mean square) of `bands`, from a power spectral density.
///
/// Each bin's power is shared among the bands by the part of its width `df` about its frequency that lies in each, so no power is lost or counted twice.
/// Bands outside the density's range get [`FLOOR_DB`](crate::units::FLOOR_DB). Shape as `bands`.
#[must_use]
pub fn band_levels_db(density: &Density, bands: &[Band], reference: f64) -> Vec<f64> {
    let level = |b: &Band| {
        let power: f64 = density
            .freq_hz
            .iter()
            .zip(&density.power)
            .map(|(f, p)| {
                let low = (f - 0.5 * density.bin_hz).max(b.low_hz);
                let high = (f + 0.5 * density.bin_hz).min(b.high_hz);
                p * (high - low).max(0.0)
            })
            .sum();
        power_to_db(power, reference)
    };
    bands.iter().map(level).collect()
}
