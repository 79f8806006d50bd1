//! Averaging, envelope, shape factors (CHECKS.md section 9): by construction and analytic values.

use std::f64::consts::{PI, TAU};

use seatsong::spectrum::{amplitude_to_db, average_periods, crest_factor, envelope, kurtosis, real_spectrum, rms};

use crate::{near, noise};

fn sine(n: usize, cycles: f64) -> Vec<f64> {
    (0..n).map(|k| (TAU * cycles * (k as f64 + 0.5) / n as f64).sin()).collect()
}

#[test]
fn noise_falls_by_10_lg_n_in_a_synchronous_average_e1_to_e4() {
    // E1: "Time Synchronous Averaging methodology", signal-processing Q&A stored at faqs.tips; E2 computed; E4 chi-square of the mean
    // square. The stroke is a known pattern; what is left after taking it off the average is noise only.
    let m = 2000;
    let stroke = sine(m, 7.0);
    let sigma = 1.0 / 3f64.sqrt(); // even noise in -1..1
    for (n, want_db) in [(4usize, 6.02), (10, 10.0), (16, 12.04), (25, 13.98), (50, 16.99), (100, 20.0)] {
        let hiss = noise(n * m, 40 + u32::try_from(n).unwrap());
        let x: Vec<f64> = hiss.iter().enumerate().map(|(k, v)| 5.0 * stroke[k % m] + v).collect();
        let average = average_periods(&x, m).unwrap();
        let left: Vec<f64> = average.iter().zip(&stroke).map(|(a, s)| a - 5.0 * s).collect();
        let expected = sigma / (n as f64).sqrt();
        near(&format!("E4, {n} strokes"), rms(&left).unwrap(), expected, 4.0 * sigma / (2.0 * (n * m) as f64).sqrt());
        let gain_db = amplitude_to_db(sigma, 1.0) - amplitude_to_db(rms(&left).unwrap(), 1.0);
        near(&format!("E2, {n} strokes"), gain_db, want_db, 0.3);
    }
}

#[test]
fn what_repeats_with_the_stroke_stays_e3() {
    let m = 500;
    let x: Vec<f64> = (0..40).flat_map(|_| sine(m, 3.0)).collect();
    let average = average_periods(&x, m).unwrap();
    near("E3", rms(&average).unwrap(), rms(&x).unwrap(), 1e-12);
    assert_eq!(average_periods(&x[..m - 1], m), None);
    assert_eq!(average_periods(&x, 0), None);
}

#[test]
fn kurtosis_and_crest_factor_e5_to_e8() {
    let n = 4000;
    let square: Vec<f64> = (0..n).map(|k| if k % 2 == 0 { 1.0 } else { -1.0 }).collect();
    // A ramp in the middle of its steps takes the values of a triangle, and those of an even distribution.
    let ramp = |n: usize| -> Vec<f64> { (0..n).map(|k| (2 * k + 1) as f64 / n as f64 - 1.0).collect() };
    near("E5 sine", kurtosis(&sine(n, 8.0)).unwrap(), 1.5, 1e-6);
    near("E6 square", kurtosis(&square).unwrap(), 1.0, 1e-6);
    near("E6 triangle and even", kurtosis(&ramp(n)).unwrap(), 1.8, 1e-6);
    // Sum of twelve even values: kurtosis 3 - 1.2 / 12 = 2.9 (by cumulants), sampled: 4 sqrt(24 / n).
    let draws = 20_000usize;
    let nearly_normal: Vec<f64> = noise(12 * draws, 9).chunks(12).map(|c| c.iter().sum()).collect();
    near("E6 nearly normal", kurtosis(&nearly_normal).unwrap(), 2.9, 4.0 * (24.0 / draws as f64).sqrt());

    // E8: peak over rms (openae features page; computed).
    let quarter: Vec<f64> = (0..n).map(|k| (TAU * 8.0 * k as f64 / n as f64).sin()).collect();
    near("E8 sine", crest_factor(&quarter).unwrap(), 2f64.sqrt(), 1e-6);
    near("E8 sine, dB", amplitude_to_db(crest_factor(&quarter).unwrap(), 1.0), 3.0103, 1e-4);
    near("E8 square", crest_factor(&square).unwrap(), 1.0, 1e-6);
    near("E8 triangle", crest_factor(&ramp(2_000_000)).unwrap(), 3f64.sqrt(), 1e-6);
}

#[test]
fn amplitude_modulation_e9_to_e13() {
    // E9: scipy 1.17.1 signal.hilbert documentation, envelope of an AM signal; E10 to E13 computed.
    let (n, rate) = (8000, 8000.0);
    for (m, want_rms, want_sideband_db, want_kurtosis) in
        [(0.2, 0.714_14, -20.000, 1.6156), (0.5, 0.750_00, -12.041, 2.1019), (0.8, 0.812_40, -7.959, 2.6460)]
    {
        let modulation = |k: i32| 1.0 + m * (TAU * 5.0 * f64::from(k) / rate).cos();
        let x: Vec<f64> = (0..n).map(|k| modulation(k) * (TAU * 1000.0 * f64::from(k) / rate).cos()).collect();
        let e = envelope(&x);
        for (k, got) in (0..n).zip(&e) {
            near("E9", *got, modulation(k), 1e-9);
        }
        let high = e.iter().copied().fold(f64::MIN, f64::max);
        let low = e.iter().copied().fold(f64::MAX, f64::min);
        near("E9 max", high, 1.0 + m, 1e-9);
        near("E9 min", low, 1.0 - m, 1e-9);
        near("E9 mean", e.iter().sum::<f64>() / f64::from(n), 1.0, 1e-9);
        near("E10", rms(&x).unwrap(), want_rms, 1e-5);
        let lines = real_spectrum(&x).unwrap();
        for side in [995, 1005] {
            near("E11", amplitude_to_db(lines[side].norm(), lines[1000].norm()), want_sideband_db, 0.001);
        }
        near("E12", kurtosis(&x).unwrap(), want_kurtosis, 1e-3);
        near("E13", (high - low) / (high + low), m, 1e-9);
    }
}

#[test]
fn envelope_of_a_turned_tone_does_not_depend_on_its_phase() {
    for eighth in 0..8 {
        let phase = PI * f64::from(eighth) / 4.0;
        let x: Vec<f64> = (0..1024).map(|k| (TAU * 50.0 * f64::from(k) / 1024.0 + phase).cos()).collect();
        assert!(envelope(&x).iter().all(|e| (e - 1.0).abs() < 1e-11));
    }
}
