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
/// m/s2 in one standard gravity.
pub const M_S2_PER_G: f64 = 9.806_65;
/// Reference of sound pressure levels in air, in Pa.
pub const REFERENCE_PA: f64 = 20e-6;
/// Kelvin at 0 degrees Celsius.
pub const KELVIN_AT_0_C: f64 = 273.15;

/// Writes one linear conversion and its inverse.
macro_rules! linear {
    ($($there:ident, $back:ident, $factor:expr, $from:literal, $to:literal;)*) => {$(
        #[doc = concat!("Converts ", $from, " to ", $to, ".")]
        #[must_use]
        pub fn $there(x: f64) -> f64 {
            x * $factor
        }

        #[doc = concat!("Converts ", $to, " to ", $from, ".")]
        #[must_use]
        pub fn $back(x: f64) -> f64 {
            x / $factor
        }
    )*};
}

linear! {
    psi_to_pa, pa_to_psi, PA_PER_PSI, "psi", "Pa";
    bar_to_pa, pa_to_bar, PA_PER_BAR, "bar", "Pa";
    bbl_to_m3, m3_to_bbl, M3_PER_BBL, "oilfield barrels", "m3";
    gal_to_m3, m3_to_gal, M3_PER_GAL, "US gallons", "m3";
    gpm_to_m3_per_s, m3_per_s_to_gpm, M3_PER_GAL / 60.0, "US gallons a minute", "m3/s";
    lpm_to_m3_per_s, m3_per_s_to_lpm, 1e-3 / 60.0, "litres a minute", "m3/s";
    in_to_m, m_to_in, M_PER_IN, "inches", "m";
    in_to_mm, mm_to_in, 25.4, "inches", "mm";
    mm_to_m, m_to_mm, 1e-3, "mm", "m";
    ft_to_m, m_to_ft, M_PER_FT, "feet", "m";
    ppg_to_kg_per_m3, kg_per_m3_to_ppg, KG_M3_PER_PPG, "pounds per US gallon", "kg/m3";
    lbf_to_n, n_to_lbf, N_PER_LBF, "pounds-force", "N";
    hp_to_w, w_to_hp, W_PER_HP, "mechanical horsepower", "W";
    g_to_m_per_s2, m_per_s2_to_g, M_S2_PER_G, "standard gravities", "m/s2";
    spm_to_hz, hz_to_spm, 1.0 / 60.0, "strokes a minute", "Hz (crank turns a second)";
}

/// Converts degrees Celsius to kelvin.
#[must_use]
pub fn celsius_to_kelvin(t_c: f64) -> f64 {
    t_c + KELVIN_AT_0_C
}

/// Converts degrees Fahrenheit to kelvin.
#[must_use]
pub fn fahrenheit_to_kelvin(t_f: f64) -> f64 {
    (t_f + 459.67) / 1.8
}

/// Converts an angular speed in rad/s to strokes a minute (one stroke = one crank turn).
#[must_use]
pub fn rad_per_s_to_spm(omega: f64) -> f64 {
    omega * 60.0 / std::f64::consts::TAU
}

/// Converts strokes a minute (one stroke = one crank turn) to an angular speed in rad/s.
#[must_use]
pub fn spm_to_rad_per_s(spm: f64) -> f64 {
    spm * std::f64::consts::TAU / 60.0
}

/// Brings an angle in degrees into `0.0 <= angle < 360.0`.
///
/// An angle that is not finite comes back as 0.
#[must_use]
pub fn wrap_deg(angle_deg: f64) -> f64 {
    if !angle_deg.is_finite() {
        return 0.0;
    }
    let wrapped = angle_deg.rem_euclid(360.0);
    // A tiny negative angle rounds up to 360 exactly.
    if wrapped >= 360.0 { 0.0 } else { wrapped }
}

/// The smallest turn from `from_deg` to `to_deg`, in degrees, `-180.0 <= turn < 180.0`.
#[must_use]
pub fn turn_deg(from_deg: f64, to_deg: f64) -> f64 {
    wrap_deg(to_deg - from_deg + 180.0) - 180.0
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

/// Power of a level, unit of `reference`: `reference 10^(level / 10)`.
#[must_use]
pub fn db_to_power(level_db: f64, reference: f64) -> f64 {
    reference * 10f64.powf(level_db / 10.0)
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
    CubicMetre, CubicMetrePerSecond, Dimension, Kelvin, KgPerM3, Metre, Newton, NewtonMetre, Pascal, QuantityError,
    Unit, UnitSystem, parse_quantity,
};
pub use speed::{console_can_show, console_spm, running_hours};

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: f64, want: f64, rel: f64) {
        assert!((got - want).abs() <= rel * want.abs(), "got {got}, want {want}");
    }

    // CHECKS.md section 12: NIST SP 811, from memory; the worked-out column here is computed from inch, pound and gallon.
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
        close(bbl_to_m3(1.0) * 1e3, 158.987_294_928, 1e-12);
        close(gal_to_m3(1.0) * 1e3, 3.785_411_784, 1e-12);
        close(psi_to_pa(1.0), 6_894.757_293_168, 1e-12);
        close(bar_to_pa(1.0), 1e5, 0.0);
        close(in_to_mm(1.0), 25.4, 0.0);
        close(ppg_to_kg_per_m3(1.0), 119.826_427, 1e-8);
        close(ft_to_m(1.0), 0.3048, 0.0);
        close(lbf_to_n(1.0), 4.448_221_615_260_5, 1e-12);
        close(hp_to_w(1.0), 745.699_871_582_270_2, 1e-15);
        close(g_to_m_per_s2(1.0), 9.806_65, 0.0);
    }

    #[test]
    fn there_and_back_is_the_same() {
        for x in [1e-6, 0.37, 72.0, 5_555.0, 1e9] {
            close(pa_to_psi(psi_to_pa(x)), x, 1e-15);
            close(hz_to_spm(spm_to_hz(x)), x, 1e-15);
            close(kg_per_m3_to_ppg(ppg_to_kg_per_m3(x)), x, 1e-15);
            close(rad_per_s_to_spm(spm_to_rad_per_s(x)), x, 1e-15);
        }
        close(spm_to_hz(72.0), 1.2, 1e-15);
        close(fahrenheit_to_kelvin(32.0), celsius_to_kelvin(0.0), 1e-12);
    }

    #[test]
    fn angles_wrap_into_one_turn() {
        for (angle, want) in [(0.0, 0.0), (360.0, 0.0), (-90.0, 270.0), (725.0, 5.0), (f64::NAN, 0.0), (-1e-18, 0.0)] {
            let got = wrap_deg(angle);
            assert!((got - want).abs() < 1e-12 && (0.0..360.0).contains(&got), "{angle}: {got}");
        }
        for (from, to, want) in [(350.0, 10.0, 20.0), (10.0, 350.0, -20.0), (0.0, 180.0, -180.0)] {
            assert!((turn_deg(from, to) - want).abs() < 1e-12, "{from} to {to}");
        }
    }

    #[test]
    fn silence_has_a_finite_level() {
        for x in [0.0, -1.0, f64::NAN, 1e-300] {
            assert!((power_to_db(x, 1.0) - FLOOR_DB).abs() < 1e-12);
            assert!((amplitude_to_db(x, 1.0) - FLOOR_DB).abs() < 1e-12);
        }
        assert!((power_to_db(100.0, 1.0) - 20.0).abs() < 1e-12);
        assert!((amplitude_to_db(100.0, 1.0) - 40.0).abs() < 1e-12);
        assert!((power_to_db(db_to_power(-37.5, 4e-10), 4e-10) + 37.5).abs() < 1e-12);
        assert!((amplitude_to_db(db_to_amplitude(94.0, REFERENCE_PA), REFERENCE_PA) - 94.0).abs() < 1e-12);
    }
}
