//! A trend as a table in plain text: round by round, with the changes of part between them.

use std::fmt::Write as _;

use crate::score::trend::{Trend, TrendPoint};

/// The last `n` rounds of a trend, oldest first, a line each; a change of part stands between the rounds that it separates.
#[must_use]
pub fn table(t: &Trend, n: usize) -> String {
    let mut out = format!(
        "  {:<17} {:>9} {:>9} {:>8} {:>7} {:>7}\n",
        "round (UTC)", "strokes,M", "departure", "excess", "hiss", "drift"
    );
    let from = t.points.len().saturating_sub(n);
    let mut segment = t.points.get(from).map_or(0, |p| p.segment);
    for p in &t.points[from..] {
        for mark in t.marks.iter().take(p.segment).skip(segment) {
            let _ = writeln!(out, "  {:<17} {:>9} --- new: {}", time(mark.time_s), millions(mark.strokes), mark.text);
        }
        segment = p.segment;
        let _ = writeln!(out, "{}", line(p));
    }
    for mark in t.marks.iter().skip(segment) {
        let _ = writeln!(out, "  {:<17} {:>9} --- new: {}", time(mark.time_s), millions(mark.strokes), mark.text);
    }
    out.push_str("  excess in dB, hiss in standard deviations of the good rounds; drift is announced above 100 %; * = accepted as good\n");
    out
}

fn line(p: &TrendPoint) -> String {
    let or_none = |x: Option<f64>| x.map_or_else(|| "-".to_owned(), |v| format!("{v:+.1}"));
    format!(
        "{} {:<17} {:>9} {:>9.2} {:>8} {:>7} {:>5.0} %",
        if p.good { "*" } else { " " },
        time(p.time_s),
        millions(p.strokes),
        p.departure,
        or_none(p.excess_db),
        or_none(p.hiss_sd),
        100.0 * p.chart
    )
}

fn millions(strokes: Option<f64>) -> String {
    strokes.map_or_else(|| "-".to_owned(), |s| format!("{:.2}", s / 1e6))
}

fn time(s: i64) -> String {
    jiff::Timestamp::from_second(s).map_or_else(|_| "-".to_owned(), |t| t.strftime("%Y-%m-%d %H:%M").to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::score::trend::{PartMark, TrendInput, TrendRound, TrendSettings, trend};

    #[test]
    fn rounds_and_changes_of_part_stand_in_order_of_time() {
        let rounds = (0..5)
            .map(|i| TrendRound {
                time_s: 1_900_000_000 + 14_400 * i,
                strokes: Some(16_000.0 * i as f64),
                departure: Some(0.5),
                excess_db: Some(-0.2),
                hiss_sd: (i > 0).then_some(1.25),
                good: i == 0,
            })
            .collect();
        let mark = |time_s, text: &str| PartMark { time_s, strokes: Some(40_000.0), text: text.into() };
        let marks = vec![mark(1_900_000_000 + 2 * 14_400, "discharge seat"), mark(1_900_000_000 + 6 * 14_400, "liner")];
        let t = trend(&TrendInput { module: Some(2), rounds, marks, look_at: None }, &TrendSettings::default());
        let text = table(&t, 4);
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines.len(), 1 + 4 + 2 + 1, "{text}");
        assert!(lines[2].contains("0.04 --- new: discharge seat") && lines[6].ends_with("new: liner"), "{text}");
        assert!(
            lines[1].starts_with("  2030-03-17 21:46") && lines[1].contains("0.02") && lines[1].contains("+1.2"),
            "{text}"
        );
        assert!(table(&t, 9).lines().nth(1).unwrap().starts_with('*'), "the first one was accepted");
    }
}
