//! Documents of the tour as other programs and the page read them: one shape for the command and the phone.

use jiff::Timestamp;
use serde_json::{Value, json};

use super::{Book, BookError, ConcernRow, JobRow, PartRow, PumpRow};
use crate::tour::parts::{PartKind, Run, Side, groups};
use crate::tour::work::NOT_A_CLEARANCE;
use crate::tour::{Item, LifeError, Sheet, Tour, early, kaplan_meier};

/// What is due: `due --json`.
#[must_use]
pub fn due_document(sheet: &Sheet, own: bool, tour: &Tour, at: Timestamp, items: &[Item]) -> Value {
    json!({
        "schema": "seatsong.due/1", "at": at, "tour": [tour.start, tour.end], "zone": sheet.plan.zone_name(),
        "own_sheet": own, "checks": items,
    })
}

/// A part: an entry of `part list --json`.
#[must_use]
pub fn part_document(row: &PartRow, run: &Run) -> Value {
    let p = &row.part;
    json!({
        "module": p.place.module, "kind": p.place.kind, "side": p.place.side, "fitted_at": p.fitted,
        "out_at": p.out.map(|o| o.0), "why": p.out.map(|o| o.1), "condition": row.condition, "photo": row.photo,
        "hours": run.hours, "strokes": run.strokes, "covered": run.covered,
    })
}

/// A concern: an entry of `concern list --json`.
#[must_use]
pub fn concern_document(c: &ConcernRow) -> Value {
    let closed = c.closed.as_ref().map(|(t, why)| json!({"at": t, "why": why}));
    json!({"number": c.id, "words": c.words, "since": c.since, "by": c.by, "closed": closed})
}

/// A job: an entry of `work list --json`.
#[must_use]
pub fn job_document(j: &JobRow) -> Value {
    json!({
        "number": j.id, "what": j.words, "stage": j.job.stage(), "entries": j.job.entries(),
        "unconfirmed": j.job.unconfirmed(), "remark": NOT_A_CLEARANCE,
    })
}

/// How long parts of one kind and place last, or that they end too soon, in words and as an entry of `part life --json`.
#[derive(Debug, Clone, PartialEq)]
pub struct LifeLine {
    /// A sentence.
    pub words: String,
    /// The entry.
    pub document: Value,
}

impl Book {
    /// How long parts last by kind and place, and which wear out too soon.
    ///
    /// # Errors
    /// What the database says; [`BookError::Spoilt`] for lives that can't be counted.
    pub fn lives(&self, pump: &PumpRow, at: Timestamp) -> Result<Vec<LifeLine>, BookError> {
        let spoilt = |e: LifeError| BookError::Spoilt {
            what: format!("the lives of the parts of {}", pump.data.name),
            why: e.to_string(),
        };
        let parts: Vec<_> = self.part_runs(pump, at)?.into_iter().map(|(r, run)| (r.part, run)).collect();
        let mut out = Vec::new();
        for kind in PartKind::ALL {
            let sides: &[Option<Side>] =
                if kind.has_side() { &[Some(Side::Suction), Some(Side::Discharge)] } else { &[None] };
            for side in sides {
                let groups = groups(&parts, &pump.data.name, kind, *side);
                for group in &groups {
                    let curve = kaplan_meier(&group.lives, 0.95).map_err(spoilt)?;
                    let hours = |x: Option<f64>| x.map_or_else(|| "not reached".to_owned(), |h| format!("{h:.0} h"));
                    let ([low, high], [q1, q3]) = (curve.median_interval(), curve.quartiles());
                    let words = format!(
                        "{}: {} lives, {} worn out; median {} (95 %: {} to {}), half of them {} to {}; {:.0} h run in all",
                        group.name,
                        curve.lives,
                        curve.ended,
                        hours(curve.median()),
                        hours(low),
                        hours(high),
                        hours(q1),
                        hours(q3),
                        curve.run
                    );
                    let document = json!({
                        "name": group.name, "lives": curve.lives, "worn_out": curve.ended, "median_h": curve.median(),
                        "median_interval_h": [low, high], "quartiles_h": [q1, q3], "run_h": curve.run,
                    });
                    out.push(LifeLine { words, document });
                }
                for e in early(&groups, "h").map_err(spoilt)? {
                    let document = json!({"name": e.name, "early": true, "chance": e.p, "text": e.text});
                    out.push(LifeLine { words: format!("EARLY: {}", e.text), document });
                }
            }
        }
        Ok(out)
    }
}
