//! What the entries of a tour say together.

use jiff::Timestamp;

use super::error::refused;
use super::tour::just_after;
use super::{Book, BookError, CheckRow, OperatingPoint, PumpRow};
use crate::pump::PumpError;
use crate::score::ClipVerdict;
use crate::tour::cross::{self, Circuit, Precharge, Remark, Seen};
use crate::tour::{Outcome, Sheet, Tour};
use crate::units::Dimension;

impl Book {
    /// What the readings of a pump say together at `at`, with those of the tour up to then.
    ///
    /// # Errors
    /// What the database says.
    pub fn remarks(
        &self,
        pump: &PumpRow,
        sheet: &Sheet,
        tour: &Tour,
        at: Timestamp,
        verdicts: &[ClipVerdict],
    ) -> Result<Vec<Remark>, BookError> {
        let from = sheet.compared_from(at);
        let rows = self.checks(Some(pump), from, just_after(at))?;
        let points = self.points(pump, from, at)?;
        let units = pump.data.units;
        let show = move |pa: f64| Dimension::Pressure.show(pa, units);
        let rules = &sheet.rules;
        let mut out = Vec::new();
        // The newest entry of a check in this tour, and those before it.
        let split = |check: &str| {
            let all: Vec<&CheckRow> = rows.iter().filter(|r| r.check == check && r.module.is_none()).collect();
            let newest = all.iter().rposition(|r| tour.holds(r.at) && !matches!(r.outcome, Outcome::Skipped { .. }))?;
            Some((all[newest], all[..newest].to_vec()))
        };
        let value = |row: &CheckRow, ask: &str| row.answers.iter().find(|a| a.ask == ask).and_then(|a| a.si);
        if let Some((now, before)) = split("gauges")
            && let (Some(p), Some(s)) = (value(now, "pump"), value(now, "standpipe"))
        {
            let share = |r: &&CheckRow| {
                let (p, s) = (value(r, "pump")?, value(r, "standpipe")?);
                (s > 0.0 && p > 0.0).then_some((p - s) / s)
            };
            let shares: Vec<f64> = before.iter().filter_map(share).collect();
            out.extend(cross::gauges(p, s, value(now, "console"), &shares, rules, &show));
        }
        if let Some((now, before)) = split("oil-pressure")
            && let (Some(b), Some(a)) = (value(now, "before"), value(now, "after"))
        {
            let drops: Vec<f64> =
                before.iter().filter_map(|r| Some(value(r, "before")? - value(r, "after")?)).collect();
            out.push(cross::filter(b, a, &drops, rules, &show));
        }
        let running = points.iter().rev().find(|p| tour.holds(p.at)).map(|p| p.circuit.pa);
        if let Some((now, _)) = split("relief-valve")
            && let Some(setting) = value(now, "setting")
        {
            let typed = split("liner-rating").and_then(|(r, _)| value(r, "rating"));
            // The lower of plate and entry: the stricter.
            let rating = match (pump.rating_pa(), typed) {
                (Some(a), Some(b)) => Some(a.min(b)),
                (a, b) => a.or(b),
            };
            out.extend(cross::relief(setting, rating, None, running, rules, &show));
        }
        if let Some((now, before)) = split("precharge") {
            let of = |r: &CheckRow| Some(Precharge { gauge_pa: value(r, "precharge")?, gas_k: value(r, "gas")? });
            if let Some(p) = of(now) {
                let earlier: Vec<Precharge> = before.iter().filter_map(|r| of(r)).collect();
                let limits = sheet.limits_of("precharge", "precharge");
                let said: Result<_, PumpError> = cross::precharge(p, &earlier, limits, running, rules, &show);
                out.extend(said.map_err(|e| refused(e.to_string()))?);
            }
        }
        if let Some(now) = points.iter().rposition(|p| tour.holds(p.at)) {
            let same = |p: &&OperatingPoint| p.liner_m == points[now].liner_m;
            let before: Vec<Circuit> = points[..now].iter().filter(same).map(|p| p.circuit).collect();
            out.push(cross::circuit(&points[now].circuit, &before, rules));
        }
        let mut seen = Seen::default();
        for (check, read) in [("liner-wash", Seen::in_wash as fn(&str) -> Seen), ("oil-level", Seen::in_oil)] {
            let words = split(check).map(|(r, _)| r.answers.iter().filter(|a| a.kind == "attention"));
            for a in words.into_iter().flatten() {
                let more = read(&a.words);
                seen.mud_in_wash |= more.mud_in_wash;
                seen.oil_in_wash |= more.oil_in_wash;
                seen.water_in_oil |= more.water_in_oil;
                seen.metal_in_oil |= more.metal_in_oil;
            }
        }
        // Where nobody has judged just now, what the book holds of the tour's last round counts.
        out.extend(if verdicts.is_empty() {
            cross::returns_with(seen, &self.hissing(pump, tour, at)?)
        } else {
            cross::returns(seen, verdicts)
        });
        Ok(out)
    }
}
