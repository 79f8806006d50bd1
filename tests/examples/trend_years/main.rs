//! Re-makes the figures of notebooks-free-docs/trend.md: false announcements of healthy years, and when made-up leaks are announced.
//!
//! usage: cargo run --release --example trend_years      (about 20 s; always the same figures)

use std::io::Write as _;

use seatsong::inside::score::trend::TrendSettings;

use years::{DriftModel, departures_and_scores, false_a_year, race};

mod years;

const LEAKS: u64 = 400;

fn main() -> std::io::Result<()> {
    let mut out = std::io::stdout().lock();
    let s = TrendSettings::default();
    for lag1 in [0.0, 0.2, 0.3, 0.4, 0.5, 0.6] {
        let model = DriftModel { lag1, ..DriftModel::default() };
        let a_year = false_a_year(&model, s.allowance, s.limit, 1000, 1);
        writeln!(out, "lag-1 correlation {lag1}: {a_year:.3} false announcements a module and year")?;
    }
    for (growth_db_a_day, healthy_rounds) in [(0.5, 12), (0.5, 30), (0.5, 120), (0.2, 120), (0.1, 120)] {
        let leak = DriftModel { growth_db_a_day, healthy_rounds, ..DriftModel::default() };
        writeln!(
            out,
            "\n{growth_db_a_day} dB a day after {healthy_rounds} healthy rounds; days are medians, n of {LEAKS} leaks"
        )?;
        for (name, own) in [("departure alone", false), ("departure and hiss", true)] {
            for in_a_row in 1..=3 {
                let (mut chart, mut verdict, mut first) = (Vec::new(), Vec::new(), 0);
                for seed in 0..LEAKS {
                    let mut series = departures_and_scores(&leak, healthy_rounds + 400, 40_000 + seed);
                    if !own {
                        series.iter_mut().for_each(|p| p.1 = p.0);
                    }
                    let r = race(&series, healthy_rounds, s.allowance, s.limit, in_a_row);
                    first += usize::from(r.chart.is_some_and(|c| r.verdict.is_none_or(|v| c < v)));
                    chart.push(r.chart.unwrap_or(usize::MAX));
                    verdict.push(r.verdict.unwrap_or(usize::MAX));
                }
                let days = |rounds: &mut Vec<usize>| {
                    rounds.sort_unstable();
                    rounds[rounds.len() / 2] as f64 / leak.rounds_a_day
                };
                let (c, v) = (days(&mut chart), days(&mut verdict));
                writeln!(
                    out,
                    "  trend on {name}: {c:.1} d; {in_a_row} running past 1.0: {v:.1} d; trend first in {first}"
                )?;
            }
        }
    }
    Ok(())
}
