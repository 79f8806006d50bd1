//! The drift chart as it runs against published average run lengths.
//!
//! The chart turns each round into the normal score of its rank among the earlier ones; on independent rounds behind a long reference those
//! scores are standard normal values, and the chart is the one-sided CUSUM of the tables. "via spc" = quoted with its paper in the example
//! file of the R package `spc` (xcusum.arl).

use seatsong::inside::robust::normal_upper_quantile;
use seatsong::inside::score::trend::rank_chart;

use crate::{near, noise};

/// Rounds that only serve as reference, watched rounds, and charts that are run.
const REFERENCE: usize = 2000;
const WATCHED: usize = 1000;
const CHARTS: u32 = 2000;

/// Mean number of watched rounds until the chart speaks, `shift` standard deviations up from the first of them.
fn run_length(k: f64, h: f64, shift: f64) -> f64 {
    let total: usize = (0..CHARTS)
        .map(|seed| {
            let rounds: Vec<(f64, bool)> = noise(REFERENCE + WATCHED, 1 + 7919 * seed)
                .iter()
                .enumerate()
                .map(|(i, u)| {
                    let watched = i >= REFERENCE;
                    let x = normal_upper_quantile(0.5 * (1.0 - u)).unwrap_or(0.0);
                    (x + if watched { shift } else { 0.0 }, watched)
                })
                .collect();
            let spoke = rank_chart(&rounds, k, h)[REFERENCE..].iter().position(|step| step.announced);
            1 + spoke.expect("a run of ten times the mean")
        })
        .sum();
    total as f64 / f64::from(CHARTS)
}

/// Q6: k 0.5, h 3: Brook & Evans 1972 (117.59 and 3.75), Waldmann 1986 (17.35), via spc (seen, computed).
#[test]
fn run_lengths_q6() {
    // Run lengths scatter by about their own mean without a shift, and by less with one: four standard errors of 2000 charts.
    for (shift, want, tolerance) in [(0.0, 117.60, 10.5), (0.5, 17.35, 1.2), (1.5, 3.75, 0.15)] {
        near(&format!("shift {shift}"), run_length(0.5, 3.0, shift), want, tolerance);
    }
}
