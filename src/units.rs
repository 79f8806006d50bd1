//! Units of the project and the conversions between them. Names end in the unit; conversions are `a_to_b`.
//!
//! [`number::typed`] and [`parse_quantity`] read everything that a person types, [`number::in_file`] the numbers in files.
//!
//! Numbers and text in, numbers in SI (or the named unit) out. Defined factors (inch, pound, gallon, bar, standard gravity) are exact
//! to the last digit of an `f64`; they are those of NIST SP 811 (from memory), and each follows from the inch, the pound and the
//! gallon, as the tests below work out.

/// Pascal in one pound-force per square inch.
pub const PA_PER_PSI: f64 = 6_894.757_293_168_361;
/// Pascal in one bar.
pub const PA_PER_BAR: f64 = 1e5;
/// Pascal in one kilogram-force per square centimetre.
pub const PA_PER_KGF_CM2: f64 = 98_066.5;
/// Pascal in one standard atmosphere.
pub const PA_PER_ATM: f64 = 101_325.0;
/// Cubic metres in one oilfield barrel (42 US gallons).
pub const M3_PER_BBL: f64 = 0.158_987_294_928;
/// Cubic metres in one US gallon (231 cubic inches).
pub const M3_PER_GAL: f64 = 0.003_785_411_784;
/// Metres in one inch.
pub const M_PER_IN: f64 = 0.0254;
/// Metres in one foot.
pub const M_PER_FT: f64 = 0.3048;
/// kg/m3 in one pound per US gallon, the driller's mud weight.
pub const KG_M3_PER_PPG: f64 = 0.453_592_37 / M3_PER_GAL;
/// Newton in one pound-force.
pub const N_PER_LBF: f64 = 4.448_221_615_260_5;
/// Watt in one mechanical horsepower (550 foot-pounds a second).
pub const W_PER_HP: f64 = 745.699_871_582_270_2;
/// m/s2 in one standard gravity (exact; 3rd General Conference on Weights and Measures, 1901).
pub const M_S2_PER_G: f64 = 9.806_65;
/// Reference of sound pressure levels in air, in Pa (ISO 1683; IEC 61672-1).
pub const REFERENCE_PA: f64 = 20e-6;
/// Kelvin at 0 degrees Celsius.
pub const KELVIN_AT_0_C: f64 = 273.15;

/// Writes linear conversions.
macro_rules! linear {
    ($($name:ident, $factor:expr, $from:literal, $to:literal;)*) => {$(
        #[doc = concat!("Converts ", $from, " to ", $to, ".")]
        #[must_use]
        pub fn $name(x: f64) -> f64 {
            x * $factor
        }
    )*};
}

// The worked examples of handbooks are in psi; what the program reads goes through `Dimension`.
#[cfg(test)]
linear! {
    psi_to_pa, PA_PER_PSI, "psi", "Pa";
}

linear! {
    bar_to_pa, PA_PER_BAR, "bar", "Pa";
    spm_to_hz, 1.0 / 60.0, "strokes a minute", "Hz (crank turns a second)";
}

/// Writes linear conversions from SI.
macro_rules! linear_from {
    ($($name:ident, $factor:expr, $from:literal, $to:literal;)*) => {$(
        #[doc = concat!("Converts ", $from, " to ", $to, ".")]
        #[must_use]
        pub fn $name(x: f64) -> f64 {
            x / $factor
        }
    )*};
}

linear_from! {
    pa_to_psi, PA_PER_PSI, "Pa", "psi";
    pa_to_bar, PA_PER_BAR, "Pa", "bar";
    m3_to_bbl, M3_PER_BBL, "m3", "oilfield barrels";
    m3_per_s_to_gpm, M3_PER_GAL / 60.0, "m3/s", "US gallons a minute";
    m3_per_s_to_lpm, 1e-3 / 60.0, "m3/s", "litres a minute";
    w_to_hp, W_PER_HP, "W", "mechanical horsepower";
}

/// Lowest level that the decibel functions return: what they answer for zero, negative and not-a-number input.
///
/// Digital silence is then a finite level that can be averaged, drawn and written to JSON. 24-bit audio ends near -144 dB re full
/// scale, and f32 rounding noise of one FFT bin near -180.
pub const FLOOR_DB: f64 = -200.0;

/// Level of a power-like quantity (power, mean square, energy) in dB re `reference`.
///
/// # Formula
/// `max(10 lg(power / reference), FLOOR_DB)`; [`FLOOR_DB`] for zero, negative and not-a-number.
#[must_use]
pub fn power_to_db(power: f64, reference: f64) -> f64 {
    floor_db(10.0 * (power / reference).log10())
}

/// Level of an amplitude-like quantity (rms pressure, acceleration) in dB re `reference`.
///
/// # Formula
/// `max(20 lg(amplitude / reference), FLOOR_DB)`; [`FLOOR_DB`] for zero, negative and not-a-number.
#[must_use]
pub fn amplitude_to_db(amplitude: f64, reference: f64) -> f64 {
    floor_db(20.0 * (amplitude / reference).log10())
}

/// Amplitude of a level, unit of `reference`: `reference 10^(level / 20)`.
#[must_use]
pub fn db_to_amplitude(level_db: f64, reference: f64) -> f64 {
    reference * 10f64.powf(level_db / 20.0)
}

fn floor_db(level_db: f64) -> f64 {
    // `max` answers the other operand for not-a-number, which is the stated answer.
    level_db.max(FLOOR_DB)
}

pub mod number;
mod quantity;
mod speed;
pub use number::NumberError;
pub use quantity::{
    CubicMetre, Dimension, KgPerM3, Metre, Newton, Pascal, QuantityError, Unit, UnitSystem, parse_quantity,
};
pub use speed::{console_can_show, console_spm, running_hours};

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: f64, want: f64, rel: f64) {
        assert!((got - want).abs() <= rel * want.abs(), "got {got}, want {want}");
    }

    // NIST SP 811, from memory; the worked-out column here is computed from inch, pound and gallon.
    #[test]
    fn factors_follow_from_inch_pound_and_gallon() {
        close(M3_PER_GAL, 231.0 * 0.0254f64.powi(3), 1e-15);
        close(M3_PER_BBL, 42.0 * M3_PER_GAL, 1e-15);
        close(N_PER_LBF, 0.453_592_37 * 9.806_65, 1e-15);
        close(PA_PER_PSI, N_PER_LBF / (0.0254 * 0.0254), 1e-14);
        close(W_PER_HP, 550.0 * 0.3048 * N_PER_LBF, 1e-14);
    }

    #[test]
    fn units_table_of_section_12() {
        close(M3_PER_BBL * 1e3, 158.987_294_928, 1e-12);
        close(M3_PER_GAL * 1e3, 3.785_411_784, 1e-12);
        close(PA_PER_PSI, 6_894.757_293_168, 1e-12);
        close(KG_M3_PER_PPG, 119.826_427, 1e-8);
        close(N_PER_LBF, 4.448_221_615_260_5, 1e-12);
        close(W_PER_HP, 745.699_871_582_270_2, 1e-15);
    }

    #[test]
    fn there_and_back_is_the_same() {
        for x in [1e-6, 0.37, 72.0, 5_555.0, 1e9] {
            close(pa_to_psi(psi_to_pa(x)), x, 1e-15);
            close(pa_to_bar(bar_to_pa(x)), x, 1e-15);
        }
        close(spm_to_hz(72.0), 1.2, 1e-15);
    }

    #[test]
    fn silence_has_a_finite_level() {
        for x in [0.0, -1.0, f64::NAN, 1e-300] {
            assert!((power_to_db(x, 1.0) - FLOOR_DB).abs() < 1e-12);
            assert!((amplitude_to_db(x, 1.0) - FLOOR_DB).abs() < 1e-12);
        }
        assert!((power_to_db(100.0, 1.0) - 20.0).abs() < 1e-12);
        assert!((amplitude_to_db(100.0, 1.0) - 40.0).abs() < 1e-12);
        assert!((amplitude_to_db(db_to_amplitude(94.0, REFERENCE_PA), REFERENCE_PA) - 94.0).abs() < 1e-12);
    }
}
