//! The trial's tables, in words and as JSON.

use std::collections::BTreeMap;
use std::io::Write;

use serde_json::{Value, json};

use crate::figures::{Share, auc, median_and_most};
use crate::plan::floor_db;
use crate::tally::{Group, Tally};

/// One promise and what came of it.
pub(crate) struct Floor {
    what: String,
    promised: String,
    got: String,
    met: Option<bool>,
}

fn share(s: Share) -> String {
    if s.of == 0 { "-".into() } else { format!("{:.0} %", s.per_cent()) }
}

fn number(x: Option<f64>, digits: usize) -> String {
    x.map_or_else(|| "-".into(), |x| format!("{x:.digits$}"))
}

fn counts(patterns: &BTreeMap<String, u32>) -> String {
    let mut all: Vec<(&String, &u32)> = patterns.iter().collect();
    all.sort_by(|a, b| b.1.cmp(a.1));
    all.iter().map(|(name, n)| format!("{n} {name}")).collect::<Vec<_>>().join(", ")
}

fn level(group: &Group) -> String {
    match (group.wrong.level, group.wrong.name) {
        (None, _) => String::new(),
        (Some(l), "late closing") => format!("{l:.0} deg"),
        (Some(l), _) => format!("{l:.0} dB"),
    }
}

/// One condition's table.
pub(crate) fn condition(out: &mut impl Write, t: &Tally) -> std::io::Result<()> {
    let [lo, hi] = t.false_alarms.interval();
    let n = t.false_alarms;
    writeln!(out, "\n{}", t.condition.name())?;
    write!(
        out,
        "  healthy: {} false alarms in {} clips = {:.1} % (95 % interval {lo:.1} to {hi:.1} %)",
        n.hits,
        n.of,
        n.per_cent()
    )?;
    writeln!(out, "{}", if n.hits > 0 { format!("; called {}", counts(&t.false_patterns)) } else { String::new() })?;
    if let Some((median, most)) = median_and_most(&t.healthy) {
        writeln!(out, "  healthy departures: median {median:.2}, largest {most:.2}")?;
    }
    if let Some((median, worst)) = median_and_most(&t.spm_errors) {
        writeln!(
            out,
            "  strokes/min: median error {:.3} %, worst {:.2} %; off by more than 5 %: {} of {}",
            100.0 * median,
            100.0 * worst,
            t.other_rhythm.hits,
            t.other_rhythm.of
        )?;
    }
    writeln!(
        out,
        "  {:<16} {:>7} {:>4}  {:>6} {:>6} {:>7}  {:>7} {:>6} {:>8}  told as",
        "fault", "level", "n", "AUC", "found", "median", "module", "half", "pattern"
    )?;
    let mut rows: Vec<(String, Group)> = t.groups.iter().map(|g| (g.wrong.name.to_owned(), g.clone())).collect();
    for step in [-3.0, 0.0, 3.0] {
        if let Some(g) = t.hiss(floor_db(t.condition) + step) {
            rows.push(("all hisses".into(), g));
        }
    }
    for (name, g) in rows {
        writeln!(
            out,
            "  {name:<16} {:>7} {:>4}  {:>6} {:>6} {:>7}  {:>7} {:>6} {:>8}  {}",
            level(&g),
            g.departures.len(),
            number(auc(&t.healthy, &g.departures), 3),
            share(g.found),
            number(median_and_most(&g.departures).map(|m| m.0), 2),
            share(g.right_module),
            share(g.right_half),
            share(g.right_pattern),
            counts(&g.patterns)
        )?;
    }
    if !t.unjudged.is_empty() || t.bad_good > 0 {
        writeln!(out, "  unjudged: {}; good clips that could not be used: {}", t.unjudged.len(), t.bad_good)?;
        for line in t.unjudged.iter().take(5) {
            writeln!(out, "    {line}")?;
        }
    }
    Ok(())
}

fn at_least(what: String, least: f64, got: Option<f64>, digits: usize, unit: &str) -> Floor {
    Floor {
        what,
        promised: format!(">= {least:.digits$}{unit}"),
        got: got.map_or_else(|| "-".into(), |g| format!("{g:.digits$}{unit}")),
        met: got.map(|g| g >= least),
    }
}

fn known(s: Share) -> Option<f64> {
    (s.of > 0).then(|| s.per_cent())
}

/// The promises, and what came of them.
pub(crate) fn floors(tallies: &[Tally], hinted: bool) -> Vec<Floor> {
    let mut out = Vec::new();
    for t in tallies {
        let name = t.condition.name();
        let n = t.false_alarms;
        let [lo, hi] = n.interval();
        out.push(Floor {
            what: format!("{name}: false alarms"),
            promised: "<= 2 %".into(),
            got: format!("{:.1} % ({lo:.1}-{hi:.1})", n.per_cent()),
            met: (n.of > 0).then(|| n.per_cent() <= 2.0),
        });
        let db = floor_db(t.condition);
        let (least_auc, least_found) = if name == "neighbour" { (0.97, 85.0) } else { (0.99, 90.0) };
        let at = t.hiss(db);
        let ranked = |g: &Option<Group>| g.as_ref().and_then(|g| auc(&t.healthy, &g.departures));
        out.push(at_least(format!("{name}: hiss {db:.0} dB, AUC"), least_auc, ranked(&at), 3, ""));
        out.push(at_least(
            format!("{name}: hiss {db:.0} dB, found"),
            least_found,
            at.and_then(|g| known(g.found)),
            0,
            " %",
        ));
        let up = t.hiss(db + 3.0);
        let module = up.as_ref().and_then(|g| known(g.right_module));
        out.push(at_least(format!("{name}: hiss {:.0} dB, right module", db + 3.0), 95.0, module, 0, " %"));
        let half = up.and_then(|g| known(g.right_half));
        out.push(at_least(format!("{name}: hiss {:.0} dB, right half", db + 3.0), 95.0, half, 0, " %"));
        for kind in ["knock", "late closing"] {
            let g = t.together(|w| w.name == kind);
            out.push(at_least(format!("{name}: {kind}, AUC"), 0.95, ranked(&g), 3, ""));
        }
        if let Some((median, worst)) = median_and_most(&t.spm_errors) {
            out.push(Floor {
                what: format!("{name}: strokes/min, median and worst error"),
                promised: "<= 0.1 %, <= 1 %".into(),
                got: format!("{:.3} %, {:.2} %", 100.0 * median, 100.0 * worst),
                met: Some(median <= 0.001 && worst <= 0.01),
            });
        }
    }
    let mut healthy = Share::default();
    let mut rhythm = Share::default();
    for t in tallies {
        healthy.add(t.false_alarms);
        rhythm.add(t.other_rhythm);
    }
    out.push(Floor {
        what: "healthy clips judged".into(),
        promised: ">= 500".into(),
        got: healthy.of.to_string(),
        met: Some(healthy.of >= 500),
    });
    if hinted {
        return out;
    }
    out.push(Floor {
        what: "harmonic errors without a hint".into(),
        promised: "0 in 1000 clips".into(),
        got: format!("{} in {}", rhythm.hits, rhythm.of),
        met: if rhythm.hits > 0 { Some(false) } else { (rhythm.of >= 1000).then_some(true) },
    });
    out
}

/// The sums over all conditions and the table of promises.
pub(crate) fn summary(out: &mut impl Write, tallies: &[Tally], floors: &[Floor]) -> std::io::Result<()> {
    let mut healthy = Share::default();
    for t in tallies {
        healthy.add(t.false_alarms);
    }
    let [lo, hi] = healthy.interval();
    writeln!(
        out,
        "\nall conditions: {} false alarms in {} healthy clips = {:.2} % (95 % interval {lo:.2} to {hi:.2} %, Clopper-Pearson)",
        healthy.hits,
        healthy.of,
        healthy.per_cent()
    )?;
    writeln!(out, "\n{:<46} {:>18} {:>20}", "promise", "promised", "got")?;
    for f in floors {
        let word = match f.met {
            Some(true) => "met",
            Some(false) => "NOT MET",
            None => "not tried",
        };
        writeln!(out, "{:<46} {:>18} {:>20}  {word}", f.what, f.promised, f.got)?;
    }
    Ok(())
}

/// Everything for other programs.
pub(crate) fn json(tallies: &[Tally], floors: &[Floor]) -> Value {
    let groups = |t: &Tally| -> Vec<Value> {
        let one = |g: &Group| {
            json!({"fault": g.wrong.name, "level": g.wrong.level, "clips": g.departures.len(),
                "auc": auc(&t.healthy, &g.departures), "found": g.found, "right_module": g.right_module,
                "right_half": g.right_half, "right_pattern": g.right_pattern, "told_as": g.patterns,
                "departures": g.departures})
        };
        t.groups.iter().map(one).collect()
    };
    let conditions: Vec<Value> = tallies
        .iter()
        .map(|t| {
            let spm = median_and_most(&t.spm_errors);
            json!({"condition": t.condition.name(), "false_alarms": t.false_alarms, "interval_per_cent": t.false_alarms.interval(),
                "false_patterns": t.false_patterns, "healthy_departures": t.healthy, "faults": groups(t),
                "spm_error_median": spm.map(|s| s.0), "spm_error_worst": spm.map(|s| s.1),
                "other_rhythm": t.other_rhythm, "unjudged": t.unjudged})
        })
        .collect();
    let floors: Vec<Value> =
        floors.iter().map(|f| json!({"what": f.what, "promised": f.promised, "got": f.got, "met": f.met})).collect();
    json!({"schema": "seatsong.trial/1", "conditions": conditions, "floors": floors})
}
