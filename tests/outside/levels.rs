//! Frequency weightings, decibels, calibration (CHECKS.md section 1) and fractional-octave bands (section 2).

use std::f64::consts::TAU;

use seatsong::spectrum::{
    OCTAVE_RATIO, Weighting, Window, amplitude_to_db, band, band_levels_db, bands, db_to_amplitude, nominal_octaves_hz,
    nominal_third_octaves_hz, power_to_db, rms, welch,
};
use seatsong::units::REFERENCE_PA;

use crate::near;

/// Nominal Hz, A table, A formula, C table, C formula.
///
/// Table columns: IEC 61672-1 as in `acoustics` 0.2.6 (PyPI) data/iec_61672_1_2013.csv; the same in GOST 17187-2010 table 2 and at
/// lichtbeeldgeluid.nl/geluid/tabellen. Formula columns: computed from the poles.
const WEIGHTINGS: [(f64, f64, f64, f64, f64); 34] = [
    (10.0, -70.4, -70.430, -14.3, -14.330),
    (12.5, -63.4, -63.371, -11.2, -11.249),
    (16.0, -56.7, -56.688, -8.5, -8.531),
    (20.0, -50.5, -50.452, -6.2, -6.240),
    (25.0, -44.7, -44.703, -4.4, -4.405),
    (31.5, -39.4, -39.440, -3.0, -3.010),
    (40.0, -34.6, -34.630, -2.0, -1.999),
    (50.0, -30.2, -30.228, -1.3, -1.294),
    (63.0, -26.2, -26.194, -0.8, -0.818),
    (80.0, -22.5, -22.504, -0.5, -0.504),
    (100.0, -19.1, -19.143, -0.3, -0.300),
    (125.0, -16.1, -16.098, -0.2, -0.169),
    (160.0, -13.4, -13.350, -0.1, -0.085),
    (200.0, -10.9, -10.870, 0.0, -0.033),
    (250.0, -8.6, -8.630, 0.0, 0.000),
    (315.0, -6.6, -6.611, 0.0, 0.019),
    (400.0, -4.8, -4.808, 0.0, 0.029),
    (500.0, -3.2, -3.233, 0.0, 0.033),
    (630.0, -1.9, -1.900, 0.0, 0.029),
    (800.0, -0.8, -0.824, 0.0, 0.019),
    (1000.0, 0.0, 0.000, 0.0, 0.000),
    (1250.0, 0.6, 0.591, 0.0, -0.033),
    (1600.0, 1.0, 0.981, -0.1, -0.085),
    (2000.0, 1.2, 1.200, -0.2, -0.169),
    (2500.0, 1.3, 1.271, -0.3, -0.300),
    (3150.0, 1.2, 1.199, -0.5, -0.504),
    (4000.0, 1.0, 0.970, -0.8, -0.818),
    (5000.0, 0.5, 0.549, -1.3, -1.294),
    (6300.0, -0.1, -0.121, -2.0, -1.999),
    (8000.0, -1.1, -1.111, -3.0, -3.010),
    (10_000.0, -2.5, -2.492, -4.4, -4.405),
    (12_500.0, -4.3, -4.318, -6.2, -6.240),
    (16_000.0, -6.6, -6.603, -8.5, -8.531),
    (20_000.0, -9.3, -9.317, -11.2, -11.249),
];

#[test]
fn a_and_c_tables_at_all_exact_frequencies() {
    for (i, (nominal, a_table, a_formula, c_table, c_formula)) in (-20..).zip(WEIGHTINGS) {
        // The table holds at the exact base-10 frequency: at the label it would be up to 0.27 dB off (trap T6).
        let hz = band(3, i).unwrap().mid_hz;
        near("exact frequency", hz / nominal, 1.0, 0.02);
        near(&format!("A at {nominal}, table"), Weighting::A.at_db(hz), a_table, 0.051);
        near(&format!("C at {nominal}, table"), Weighting::C.at_db(hz), c_table, 0.051);
        near(&format!("A at {nominal}, formula"), Weighting::A.at_db(hz), a_formula, 0.000_501);
        near(&format!("C at {nominal}, formula"), Weighting::C.at_db(hz), c_formula, 0.000_501);
        near("Z", Weighting::Z.at_db(hz), 0.0, 0.0);
    }
    // Trap T6, computed: the value at the nominal label is a different one.
    near("A at 16 Hz sharp", Weighting::A.at_db(16.0), -56.422, 0.0005);
}

#[test]
fn poles_and_normalisation_w1_to_w5() {
    // W1: `acoustics` 0.2.6, iec_61672_1_2013.py. W2: `librosa` 0.11.0 core/convert.py. W3: computed from the annex-E definition
    // (definition from memory). W4: `acoustics` 0.2.6.
    let printed = [20.60, 107.7, 737.9, 12_194.0];
    let full = [20.598_997, 107.652_65, 737.862_23, 12_194.217];
    let defined = [20.598_997, 107.652_649, 737.862_231, 12_194.217_148];
    for (i, pole) in Weighting::poles_hz().into_iter().enumerate() {
        near("W1", pole / printed[i], 1.0, 5e-4);
        near("W2", pole / full[i], 1.0, 1e-5);
        near("W3", pole / defined[i], 1.0, 1e-6);
    }
    near("W4 A1000", Weighting::A.normalisation_db(), -2.000, 0.001);
    near("W4 C1000", Weighting::C.normalisation_db(), -0.062, 0.001);
    near("W4 A1000, full", Weighting::A.normalisation_db(), -1.999_66, 1e-5);
    near("W4 C1000, full", Weighting::C.normalisation_db(), -0.061_90, 1e-5);
    // W5, the formula written out plainly with the W2 poles (`acoustics` 0.2.6, eq. E.6).
    let [p1, p2, p3, p4] = full;
    for f in [15.0f64, 440.0, 1000.0, 3333.0, 19_000.0] {
        let f2 = f * f;
        let top = p4 * p4 * f2 * f2;
        let bottom = (f2 + p1 * p1) * ((f2 + p2 * p2) * (f2 + p3 * p3)).sqrt() * (f2 + p4 * p4);
        near("W5", Weighting::A.at_db(f), 20.0 * (top / bottom).log10() + 1.999_66, 1e-4);
    }
}

#[test]
fn calibration_w7_to_w12() {
    let sine =
        |amplitude: f64| -> Vec<f64> { (0..4800).map(|k| amplitude * (TAU * f64::from(k) / 48.0).sin()).collect() };
    let level = |amplitude: f64| amplitude_to_db(rms(&sine(amplitude)).unwrap(), REFERENCE_PA);
    // W7, W8: `acoustics` 0.2.6 sdist, tests/standards/test_iec_61672_1_2013.py.
    near("W7", level(1.0), 91.0, 0.05);
    near("W7, computed", level(1.0), 90.97, 0.005);
    near("W8", level(4.0), 103.01, 0.05);
    // W9 to W11: by definition of the decibel re 20 uPa.
    near("W9", db_to_amplitude(94.0, REFERENCE_PA), 1.002_374, 1e-6);
    near("W10", db_to_amplitude(114.0, REFERENCE_PA), 10.023_74, 1e-5);
    near("W11", amplitude_to_db(1.0, REFERENCE_PA), 93.9794, 1e-4);
    // W12: table of the standard.
    near("W12 A", Weighting::A.at_db(1000.0), 0.0, 0.01);
    near("W12 C", Weighting::C.at_db(1000.0), 0.0, 0.01);
}

#[test]
fn band_edges_b1_to_b14() {
    // `acoustics` 0.2.6 standards/iec_61260_1_2014.py; `PyOctaveBand` 2.0.0 frequencies.py; the rest by definition.
    near("B1", OCTAVE_RATIO, 1.995_262_315, 1e-9);
    let g = OCTAVE_RATIO;
    for (b, f) in [(1, 1.0), (2, 2.0), (3, 3.0), (6, 6.0), (12, 12.0)] {
        for x in [-14, -9, 0, 1, 9, 13] {
            let got = band(b, x).unwrap();
            let exponent = if b % 2 == 1 { f64::from(x) / f } else { f64::from(2 * x + 1) / (2.0 * f) };
            near("B2, B3", got.mid_hz / (1000.0 * g.powf(exponent)), 1.0, 1e-12);
            near("B4 low", got.low_hz / got.mid_hz, g.powf(-0.5 / f), 1e-12);
            near("B4 high", got.high_hz / got.mid_hz, g.powf(0.5 / f), 1e-12);
            near("B14", got.high_hz / band(b, x + 1).unwrap().low_hz, 1.0, 1e-12);
        }
    }
    let third = band(3, 0).unwrap();
    near("B5 low", third.low_hz / third.mid_hz, 0.891_250_9, 1e-7);
    near("B5 high", third.high_hz / third.mid_hz, 1.122_018_5, 1e-7);
    near("B6", band(3, 1).unwrap().mid_hz / third.mid_hz, 1.258_925_4, 1e-7);
    near("B7", (third.high_hz - third.low_hz) / third.mid_hz, 0.230_767_5, 1e-6);
    let octave = band(1, 0).unwrap();
    near("B8", octave.high_hz / octave.mid_hz, 1.412_537_5, 1e-7);
    for (id, x, mid, low, high) in [
        ("B9", -9, 125.893, 112.202, 141.254), // midband also in the oeler.com glossary: 125.89
        ("B10", 0, 1000.0, 891.251, 1122.018),
        ("B11", 9, 7943.282, 7079.458, 8912.509),
    ] {
        let got = band(3, x).unwrap();
        near(id, got.mid_hz, mid, 0.001);
        near(id, got.low_hz, low, 0.001);
        near(id, got.high_hz, high, 0.001);
    }
}

#[test]
fn nominal_frequencies_b12_b13() {
    // `acoustics` 0.2.6.
    let thirds = [
        25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0,
        1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0, 10_000.0, 12_500.0, 16_000.0,
        20_000.0,
    ];
    let octaves = [31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0];
    let got = bands(3, 24.0, 20_000.0);
    assert_eq!(got.len(), thirds.len());
    for ((band, nominal), listed) in got.iter().zip(thirds).zip(nominal_third_octaves_hz()) {
        near("B12", band.nominal_hz().unwrap(), nominal, 1e-9);
        near("B12", listed, nominal, 1e-9);
    }
    assert_eq!(nominal_octaves_hz().len(), octaves.len());
    for ((band, nominal), listed) in bands(1, 31.0, 16_000.0).iter().zip(octaves).zip(nominal_octaves_hz()) {
        near("B13", band.nominal_hz().unwrap(), nominal, 1e-9);
        near("B13", listed, nominal, 1e-9);
    }
}

#[test]
fn ranges_without_bands_are_empty() {
    assert!(bands(0, 100.0, 200.0).is_empty());
    assert!(bands(3, 200.0, 100.0).is_empty());
    assert!(bands(3, 0.0, 100.0).is_empty());
    assert!(bands(3, 100.0, f64::INFINITY).is_empty());
    assert!(bands(1, 1400.0, 1500.0).is_empty());
    assert_eq!(band(0, 1), None);
}

#[test]
fn a_tone_lands_in_its_band_with_its_level() {
    // By construction: 0.5 amplitude is 9.03 dB below full scale; white noise rises by 1 dB a third octave.
    let x: Vec<f64> = (0..48_000).map(|k| 0.5 * (TAU * 1000.0 * f64::from(k) / 48_000.0).sin()).collect();
    let third = bands(3, 100.0, 10_000.0);
    let density = welch(&x, 48_000.0, Window::BlackmanHarris, 4800).unwrap();
    let levels = band_levels_db(&density, &third, 1.0);
    for (b, level) in third.iter().zip(&levels) {
        if b.index == 0 {
            near("tone", *level, power_to_db(0.125, 1.0), 0.001);
        } else {
            assert!(*level < -80.0, "{} Hz: {level}", b.mid_hz);
        }
    }
    let hiss = welch(&crate::noise(480_000, 3), 48_000.0, Window::Hann, 4800).unwrap();
    let levels = band_levels_db(&hiss, &third, 1.0);
    // Noise of mean square 1/3 spread evenly over 24 kHz.
    for (b, level) in third.iter().zip(&levels) {
        near("white noise", *level, power_to_db((b.high_hz - b.low_hz) / 24_000.0 / 3.0, 1.0), 0.8);
    }
}
