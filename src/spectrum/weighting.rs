//! Frequency weightings A, C and Z.

use crate::units::FLOOR_DB;

/// Frequency weighting of a sound level meter (IEC 61672-1:2013, annex E).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Weighting {
    /// As the ear at low levels; hearing-conservation rules use it.
    A,
    /// Nearly flat; for peaks.
    C,
    /// Flat.
    Z,
}

impl Weighting {
    /// Weighting at `freq_hz` in dB, 0 at 1 kHz.
    ///
    /// At zero, negative and not-a-number frequencies, where A and C pass nothing, the answer is [`FLOOR_DB`].
    ///
    /// # Formula
    /// `C = 20 lg(f4^2 f^2 / ((f^2 + f1^2) (f^2 + f4^2))) - C1000`,
    /// `A = 20 lg(f4^2 f^4 / ((f^2 + f1^2) sqrt((f^2 + f2^2) (f^2 + f3^2)) (f^2 + f4^2))) - A1000`, the poles from
    /// [`Weighting::poles_hz`].
    #[must_use]
    pub fn at_db(self, freq_hz: f64) -> f64 {
        match self {
            Self::Z => 0.0,
            Self::A | Self::C if freq_hz > 0.0 => {
                (self.unnormalised_db(freq_hz) - self.unnormalised_db(1000.0)).max(FLOOR_DB)
            }
            Self::A | Self::C => FLOOR_DB,
        }
    }

    /// The four pole frequencies in Hz, worked out from the defining corner frequencies of annex E (definition from memory; the
    /// values agree with those printed in the `acoustics` 0.2.6 and `librosa` 0.11.0 packages).
    #[must_use]
    pub fn poles_hz() -> [f64; 4] {
        let reference2 = 1000f64.powi(2);
        let low2 = 10f64.powf(3.0); // fL = 10^1.5 Hz, squared
        let high2 = 10f64.powf(7.8); // fH = 10^3.9 Hz, squared
        let corner = 10f64.powf(2.45);
        let d = std::f64::consts::FRAC_1_SQRT_2; // -3 dB at fL and fH
        let b = (reference2 + low2 * high2 / reference2 - d * (low2 + high2)) / (1.0 - d);
        let c = low2 * high2;
        let root = (b * b - 4.0 * c).sqrt();
        let f1 = (0.5 * (-b - root)).sqrt();
        let f4 = (0.5 * (-b + root)).sqrt();
        let f2 = 0.5 * (3.0 - 5f64.sqrt()) * corner;
        let f3 = 0.5 * (3.0 + 5f64.sqrt()) * corner;
        [f1, f2, f3, f4]
    }

    /// Level at 1 kHz before normalising, in dB: the constants A1000 and C1000 of the standard; 0 for Z.
    #[must_use]
    pub fn normalisation_db(self) -> f64 {
        self.unnormalised_db(1000.0)
    }

    fn unnormalised_db(self, freq_hz: f64) -> f64 {
        let [f1, f2, f3, f4] = Self::poles_hz().map(|f| f * f);
        // As a product of ratios each at most 1, so that no frequency overflows.
        let f = freq_hz * freq_hz;
        let c = (f4 / (f + f4)) * (f / (f + f1));
        match self {
            Self::Z => 0.0,
            Self::C => 20.0 * c.log10(),
            Self::A => 20.0 * (c * ((f / (f + f2)) * (f / (f + f3))).sqrt()).log10(),
        }
    }
}
