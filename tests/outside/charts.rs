//! Control charts: worked examples of the NIST/SEMATECH e-Handbook and published average run lengths (CHECKS.md section 8c).
//!
//! The data of both worked examples are from memory; their printed results are reproduced to the last digit, so data and results hang
//! together. "via spc" = quoted with its paper in the example files of the R package `spc` (xcusum.arl, xewma.arl).

use seatsong::score::trend::arl::{cusum_limit, cusum_one_sided, cusum_two_sided, ewma_two_sided};
use seatsong::score::trend::chart::{cusum, ewma};

use crate::near;

#[track_caller]
fn line(what: &str, got: &[f64], want: &[f64], tolerance: f64) {
    assert_eq!(got.len(), want.len(), "{what}");
    for (i, (g, w)) in got.iter().zip(want).enumerate() {
        near(&format!("{what} {}", i + 1), *g, *w, tolerance);
    }
}

/// e-Handbook 6.3.2.4; data from memory, output row and limits as printed.
#[test]
fn the_handbooks_ewma() {
    let x = [
        52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4,
        53.6, 52.1,
    ];
    let want = [
        50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92,
        50.73, 51.23, 51.94, 51.99,
    ];
    let got = ewma(&x, 50.0, 2.0539, 0.3, 3.0).unwrap();
    line("EWMA", &got.line, &want, 0.0051);
    near("upper limit", got.limits[1], 52.5884, 1e-4);
    near("lower limit", got.limits[0], 47.4115, 1.1e-4);
    assert!(got.outside.is_empty());
    assert!(ewma(&x, 50.0, 2.0539, 0.0, 3.0).is_none() && ewma(&x, 50.0, f64::NAN, 0.3, 3.0).is_none());
    // A point far out is found.
    assert_eq!(ewma(&[50.0, 70.0], 50.0, 2.0539, 0.3, 3.0).unwrap().outside, [1]);
}

/// e-Handbook 6.3.2.3; data and h from memory, sums as printed.
#[test]
fn the_handbooks_cusum() {
    let x = [
        324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150,
        328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
    ];
    let mut upper = vec![0.0; 12];
    upper[4] = 0.033;
    upper.extend([3.007, 4.940, 7.447, 10.630, 11.988, 14.445, 16.002, 19.035]);
    let mut lower = vec![0.0, 0.007, 0.0, 0.332, 0.0, 0.0, 0.558, 0.715, 0.173, 0.255, 0.312];
    lower.resize(20, 0.0);
    let got = cusum(&x, 325.0, 0.3175, 4.1959, 0.0);
    line("upper", &got.upper, &upper, 0.0051);
    line("lower", &got.lower, &lower, 0.0051);
    assert_eq!(got.first, Some(13), "the first signal is sample 14");
}

/// Q8: Lucas & Crosier 1982 table 5, as quoted on a book page (seen): one-sided with and without head start.
#[test]
fn a_head_start_signals_sooner() {
    let step = [0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6];
    let plain = cusum(&step, 0.0, 0.5, 5.0, 0.0);
    line("no head start", &plain.upper, &[0.3, 1.7, 2.6, 4.1, 4.7, 4.9, 7.0], 0.05);
    let quick = cusum(&step, 0.0, 0.5, 5.0, 2.5);
    line("head start", &quick.upper[..3], &[2.8, 4.2, 5.1], 0.05);
    near("head start, last", quick.upper[6], 9.5, 0.05);
    assert_eq!((plain.first, quick.first), (Some(6), Some(2)));
}

/// Half a unit of the last printed digit, and what the old tables' own arithmetic left open.
fn last_digit(printed: f64) -> f64 {
    if printed >= 100.0 {
        0.6
    } else if printed >= 10.0 {
        0.06
    } else {
        0.006
    }
}

#[test]
fn cusum_run_lengths() {
    // Q2: Lucas & Crosier 1982 table 1, via spc (seen, computed).
    let h4 = [
        (0.0, 168.0),
        (0.25, 74.2),
        (0.5, 26.6),
        (0.75, 13.3),
        (1.0, 8.38),
        (1.5, 4.75),
        (2.0, 3.34),
        (2.5, 2.62),
        (3.0, 2.19),
        (4.0, 1.71),
        (5.0, 1.31),
    ];
    for (shift, want) in h4 {
        near(&format!("Q2 {shift}"), cusum_two_sided(0.5, 4.0, shift).unwrap(), want, last_digit(want));
    }
    // Q4: textbook table, from memory, computed.
    let h5 = [
        (0.0, 465.0),
        (0.25, 139.0),
        (0.5, 38.0),
        (0.75, 17.0),
        (1.0, 10.4),
        (1.5, 5.75),
        (2.0, 4.01),
        (2.5, 3.11),
        (3.0, 2.57),
        (4.0, 2.01),
    ];
    for (shift, want) in h5 {
        near(&format!("Q4 {shift}"), cusum_two_sided(0.5, 5.0, shift).unwrap(), want, last_digit(want));
    }
    // Q5: the e-handbook prints 336 and 930, from memory; computed 335.4 and 930.9.
    near("Q5 h 4", cusum_one_sided(0.5, 4.0, 0.0, 0.0).unwrap(), 335.4, 0.1);
    near("Q5 h 5", cusum_one_sided(0.5, 5.0, 0.0, 0.0).unwrap(), 930.9, 0.1);
    // Q6: Brook & Evans 1972 (117.59, 3.75), Waldmann 1986 (17.35), via spc.
    for (shift, want) in [(0.0, 117.60), (0.5, 17.35), (1.5, 3.75)] {
        near(&format!("Q6 {shift}"), cusum_one_sided(0.5, 3.0, shift, 0.0).unwrap(), want, 0.02);
    }
    // Q7: the "370" setting, from memory, computed 368.6.
    near("Q7", cusum_two_sided(0.5, 4.77, 0.0).unwrap(), 368.6, 1.0);
    // And back: the limit for a run length (Q5).
    near("limit", cusum_limit(0.5, 930.9).unwrap(), 5.0, 1e-3);
    assert!(cusum_one_sided(0.5, 0.0, 0.0, 0.0).is_none() && cusum_limit(0.5, f64::NAN).is_none());
}

#[test]
fn ewma_run_lengths() {
    // Q9 and Q10: Lucas & Saccucci 1990 table 3, via spc.
    let q9 =
        [(0.0, 500.0), (0.25, 255.0), (0.5, 88.8), (0.75, 35.9), (1.0, 17.5), (1.5, 6.53), (2.0, 3.63), (3.0, 1.93)];
    for (shift, want) in q9 {
        near(&format!("Q9 {shift}"), ewma_two_sided(0.5, 3.071, shift).unwrap(), want, last_digit(want));
    }
    for (shift, want) in [(0.0, 500.0), (0.25, 76.7), (0.5, 29.3), (0.75, 17.6), (1.0, 12.6), (2.0, 5.99), (3.0, 4.03)]
    {
        near(&format!("Q10 {shift}"), ewma_two_sided(0.03, 2.437, shift).unwrap(), want, last_digit(want));
    }
    // Q11: a statistics manual's value via spc; Q12: computed.
    near("Q11", ewma_two_sided(0.25, 3.0, 1.0).unwrap(), 11.154_267_016, 1e-8);
    near("Q12", ewma_two_sided(0.2, 3.0, 0.0).unwrap(), 559.9, 0.1);
    near("Q12", ewma_two_sided(0.3, 3.0, 0.0).unwrap(), 465.6, 0.1);
    // Q1: an EWMA of weight 1 is the chart of single values.
    for (shift, want) in [(0.0, 370.40), (0.5, 155.22), (1.0, 43.90), (2.0, 6.30), (3.0, 2.00)] {
        near(&format!("Q1 {shift}"), ewma_two_sided(1.0, 3.0, shift).unwrap(), want, 0.01);
    }
}
