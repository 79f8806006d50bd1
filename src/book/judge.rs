//! All modules of a round judged together against the rounds that were accepted, and what has changed since.

use std::collections::BTreeMap;

use rusqlite::{OptionalExtension as _, params};
use serde::Serialize;
use serde_json::{Value, json};

use super::baseline::in_site_unit;
use super::cache::{METHOD, Wanted};
use super::error::db;
use super::{Book, BookError, ClipRow, PumpRow, RoundRow, Stamp};
use crate::report::json::{Baselines, tidy, verdicts};
use crate::score::{
    BaselineInfo, ChangeMaps, ClipVerdict, Item, JudgeSettings, LEAST_ROUNDS, OddGood, OddOnes, PumpShape, SkippedGood,
    judge_all, n_rounds, odd_ones, unjudged,
};

/// Since when a change is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Since {
    /// The round before.
    LastRound,
    /// The last round at least a week before.
    Week,
    /// The first round of the module since its baseline was started anew, or of all.
    New,
}

/// What a module's verdict was then.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Change {
    /// Module.
    pub module: u32,
    /// Since when.
    pub since: Since,
    /// The round of then.
    pub round: i64,
    /// When it was walked.
    pub at: String,
    /// Its verdict.
    pub verdict: String,
    /// Its departure.
    pub departure: Option<f64>,
    /// Departure of now less that of then.
    pub change: Option<f64>,
}

/// Everything that is said of a round.
#[derive(Debug)]
pub struct RoundVerdict {
    /// The round.
    pub round: RoundRow,
    /// Its pump.
    pub pump: PumpRow,
    /// One a module that has a baseline.
    pub baselines: Vec<BaselineInfo>,
    /// One a clip, by module.
    pub clips: Vec<ClipVerdict>,
    /// Maps to draw, one a clip.
    pub maps: Vec<Option<ChangeMaps>>,
    /// Good clips that do not fit the others.
    pub odd_good: Vec<OddGood>,
    /// Good clips that can't be used.
    pub skipped: Vec<SkippedGood>,
    /// What has changed.
    pub changes: Vec<Change>,
    /// Modules against each other, where some have no baseline; the weaker witness.
    pub odd: Option<OddOnes>,
    /// Why they could not be compared with each other.
    pub odd_reason: Option<String>,
}

/// Round, time, state and departure of an earlier verdict.
type Then = (i64, String, String, Option<f64>);

/// A week in ms.
const WEEK_MS: i64 = 7 * 24 * 3_600_000;

impl RoundVerdict {
    /// The document of the JSON contract, with the round, the changes and the comparison among modules beside it.
    #[must_use]
    pub fn document(&self) -> Value {
        let mut document = verdicts(&self.baselines, Baselines::List, &self.clips, &self.odd_good, &self.skipped);
        if let Value::Object(fields) = &mut document {
            let r = &self.round;
            let round = json!({
                "number": r.id, "pump": self.pump.data.name, "at": r.started.text, "closed_at": r.closed_at,
                "console_spm": r.spm, "pressure_pa": r.pressure_pa, "mud_kg_m3": r.mud_kg_m3, "liner_m": r.liner_m,
                "crew": r.crew, "remarks": r.remarks,
            });
            fields.insert("round".to_owned(), round);
            let changes = serde_json::to_value(&self.changes).unwrap_or(Value::Null);
            fields.insert("changes".to_owned(), tidy_changes(changes));
            let weaker =
                self.odd.as_ref().map_or(Value::Null, |o| tidy(serde_json::to_value(o).unwrap_or(Value::Null), ""));
            fields.insert("modules_compared".to_owned(), weaker);
            fields.insert("modules_compared_reason".to_owned(), json!(self.odd_reason));
        }
        document
    }
}

/// A change is as exact as the departures that it is between.
fn tidy_changes(changes: Value) -> Value {
    let Value::Array(items) = changes else { return changes };
    items
        .into_iter()
        .map(|mut c| {
            for field in ["departure", "change"] {
                if let Some(v) = c.get_mut(field) {
                    *v = v.as_f64().map_or(Value::Null, |x| json!((x * 1000.0).round() / 1000.0));
                }
            }
            c
        })
        .collect()
}

impl Book {
    /// How many recordings have to be analysed before a round can be judged.
    ///
    /// # Errors
    /// What the database says.
    pub fn n_to_analyse(&self, round: &RoundRow) -> Result<usize, BookError> {
        let pump = self.pump_by_id(round.pump_id)?;
        let own: Vec<Wanted> =
            self.clips(round.id)?.into_iter().map(|clip| Wanted { clip, hint_spm: round.spm }).collect();
        Ok(self.n_missing(&own)? + self.n_good_missing(&pump)?)
    }

    /// What a verdict on a round follows from, as one text: as long as it is the same, so is the verdict.
    ///
    /// # Errors
    /// What the database says.
    pub fn verdict_basis(&self, round: &RoundRow) -> Result<String, BookError> {
        let one = |sql: &str, key: i64| -> Result<String, BookError> {
            let doing = db("look for what has changed");
            let mut rows = self.conn.prepare_cached(sql).map_err(&doing)?;
            rows.query_row([key], |r| r.get::<_, Option<String>>(0)).map(Option::unwrap_or_default).map_err(&doing)
        };
        let pump = self.pump_by_id(round.pump_id)?;
        let clips = one("SELECT group_concat(id || ' ' || spot_id) FROM clip WHERE round_id = ?1", round.id)?;
        let good = one(
            "SELECT count(*) || ' ' || coalesce(max(id), 0) || ' ' || count(dropped_at) FROM good WHERE pump_id = ?1",
            round.pump_id,
        )?;
        let anew =
            one("SELECT count(*) || ' ' || coalesce(max(id), 0) FROM restart WHERE pump_id = ?1", round.pump_id)?;
        let good_clips = one(
            "SELECT count(*) || ' ' || coalesce(max(c.id), 0) FROM clip c JOIN good g ON g.round_id = c.round_id WHERE g.pump_id = ?1",
            round.pump_id,
        )?;
        // Changes since earlier rounds are part of it.
        let others = one("SELECT cast(coalesce(max(id), 0) AS TEXT) FROM verdict WHERE round_id <> ?1", round.id)?;
        Ok(format!("{METHOD}; {round:?}; {pump:?}; {clips}; {good}; {anew}; {good_clips}; {others}"))
    }

    /// Judges a round and keeps the result.
    ///
    /// Operating points outside what the accepted rounds span come back with a warning or unjudged, as the comparison says; modules with
    /// fewer than three accepted rounds are unjudged, and are then compared with each other.
    ///
    /// # Arguments
    /// - `step`: called after each recording that had to be analysed.
    ///
    /// # Errors
    /// [`BookError::Refused`] for a round without clips, what the disk or the database says.
    pub fn judge_round(&mut self, round: &RoundRow, step: &(dyn Fn() + Sync)) -> Result<RoundVerdict, BookError> {
        let pump = self.pump_by_id(round.pump_id)?;
        let clips = self.clips(round.id)?;
        if clips.is_empty() {
            return Err(super::error::refused(format!(
                "round {} has no clips yet; bring them in with `seatsong import --round {}`",
                round.id, round.id
            )));
        }
        let wanted: Vec<Wanted> = clips.iter().map(|c| Wanted { clip: c.clone(), hint_spm: round.spm }).collect();
        let analyses = self.analyses(&wanted, step)?;
        let items: Vec<Item> = clips
            .iter()
            .zip(analyses)
            .map(|(c, analysis)| Item {
                file: c.file.clone(),
                module: Some(c.module),
                round: Some(round.id.to_string()),
                console_spm: round.spm,
                pressure: round.pressure_pa.filter(|p| *p > 0.0).map(|p| in_site_unit(p, pump.data.units)),
                analysis,
            })
            .collect();
        let mut out = RoundVerdict {
            round: round.clone(),
            baselines: Vec::new(),
            clips: items.iter().map(unjudged).collect(),
            maps: vec![None; items.len()],
            odd_good: Vec::new(),
            skipped: Vec::new(),
            changes: Vec::new(),
            odd: None,
            odd_reason: None,
            pump,
        };
        let mut by_spot: BTreeMap<String, Vec<usize>> = BTreeMap::new();
        for (i, c) in clips.iter().enumerate() {
            by_spot.entry(c.spot.to_ascii_lowercase()).or_default().push(i);
        }
        for (spot, members) in by_spot {
            self.judge_spot(&spot, &members, &items, &mut out, step)?;
        }
        self.changes(&mut out)?;
        self.keep_verdict(&out, &clips)?;
        Ok(out)
    }

    /// Judges the clips that were taken at spots of one name.
    fn judge_spot(
        &mut self,
        spot: &str,
        members: &[usize],
        items: &[Item],
        out: &mut RoundVerdict,
        step: &(dyn Fn() + Sync),
    ) -> Result<(), BookError> {
        let (goods, bad) = self.good_items(&out.pump, spot, step)?;
        // A round is not its own measure.
        let own = out.round.id.to_string();
        let goods: Vec<Item> = goods.into_iter().filter(|g| g.round.as_deref() != Some(&own)).collect();
        let enough = |m: Option<u32>| n_rounds(&goods, m) >= LEAST_ROUNDS;
        let (judged, without): (Vec<usize>, Vec<usize>) = members.iter().partition(|&&i| enough(items[i].module));
        for &i in &without {
            let n = n_rounds(&goods, items[i].module);
            if items[i].analysis.refusal().is_none() {
                let module = items[i].module.unwrap_or(0);
                let why = format!(
                    "module {module} has {n} accepted good round(s) at this spot, and a verdict needs {LEAST_ROUNDS}: accept rounds with `seatsong baseline accept`"
                );
                out.clips[i].reading = format!("No verdict. Next: {why}.");
                out.clips[i].reason = Some(why);
            }
        }
        if !judged.is_empty() {
            let nows: Vec<Item> = judged.iter().map(|&i| items[i].clone()).collect();
            let settings = JudgeSettings { order: out.pump.data.order.clone(), ..JudgeSettings::default() };
            match judge_all(&goods, &nows, &settings) {
                Ok(outcome) => {
                    out.baselines.extend(outcome.baselines);
                    out.odd_good.extend(outcome.odd);
                    for ((i, verdict), maps) in judged.into_iter().zip(outcome.clips).zip(outcome.maps) {
                        out.clips[i] = verdict;
                        out.maps[i] = maps;
                    }
                }
                Err(err) => {
                    for i in judged {
                        out.clips[i].reason = Some(err.to_string());
                    }
                }
            }
        }
        out.skipped.extend(bad.into_iter().map(|(file, why)| SkippedGood { file, why }));
        if !without.is_empty() {
            let shape = PumpShape { order: out.pump.data.order.clone() };
            let own: Vec<Item> = members.iter().map(|&i| items[i].clone()).collect();
            match odd_ones(&own, &shape) {
                Ok(odd) if out.odd.is_none() => out.odd = Some(odd),
                Ok(_) => {}
                Err(why) => out.odd_reason = Some(why.to_string()),
            }
        }
        Ok(())
    }

    /// What has changed since the round before, a week ago and since new.
    fn changes(&self, out: &mut RoundVerdict) -> Result<(), BookError> {
        let at = out.round.started.ms;
        let mut found = Vec::new();
        let mut told: Vec<u32> = Vec::new();
        for clip in &out.clips {
            let Some(module) = clip.module.filter(|m| !told.contains(m)) else { continue };
            told.push(module);
            let since = self.last_restart(out.pump.id, module)?.map_or(i64::MIN, |r| r.1);
            for (kind, low, high, newest) in [
                (Since::LastRound, since, at - 1, true),
                (Since::Week, since, at - WEEK_MS, true),
                (Since::New, since, at - 1, false),
            ] {
                if let Some((round, then, verdict, departure)) =
                    self.verdict_between(out.pump.id, module, low, high, newest)?
                {
                    let change = clip.departure.zip(departure).map(|(now, then)| now - then);
                    found.push(Change { module, since: kind, round, at: then, verdict, departure, change });
                }
            }
        }
        out.changes = found;
        Ok(())
    }

    /// Round, time, state and departure of a module's newest or oldest verdict within a span of time.
    fn verdict_between(
        &self,
        pump_id: i64,
        module: u32,
        low_ms: i64,
        high_ms: i64,
        newest: bool,
    ) -> Result<Option<Then>, BookError> {
        let doing = db("read earlier verdicts");
        let order = if newest { "DESC" } else { "ASC" };
        let mut rows = self
            .conn
            .prepare_cached(&format!(
                "SELECT r.id, r.started_at, c.state, c.departure FROM verdict_clip c
                 JOIN verdict v ON v.id = c.verdict_id JOIN round r ON r.id = v.round_id
                 WHERE c.pump_id = ?1 AND c.module = ?2 AND c.current = 1 AND c.started_ms BETWEEN ?3 AND ?4
                 ORDER BY c.started_ms {order} LIMIT 1"
            ))
            .map_err(&doing)?;
        rows.query_row(params![pump_id, module, low_ms, high_ms], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?)))
            .optional()
            .map_err(&doing)
    }

    /// Keeps a verdict; earlier ones of the round stay as history.
    fn keep_verdict(&mut self, out: &RoundVerdict, clips: &[ClipRow]) -> Result<(), BookError> {
        let document = out.document().to_string();
        let good: BTreeMap<u32, usize> = out.baselines.iter().filter_map(|b| b.module.map(|m| (m, b.clips))).collect();
        let basis = json!({"method": METHOD, "good_clips": good}).to_string();
        let round = &out.round;
        self.whole("keep the verdict", |tx| {
            let doing = db("keep the verdict");
            let before: Option<String> = tx
                .query_row("SELECT document FROM verdict WHERE round_id = ?1 AND current = 1", [round.id], |r| r.get(0))
                .optional()
                .map_err(&doing)?;
            if before.as_deref() == Some(document.as_str()) {
                return Ok(());
            }
            tx.execute(
                "UPDATE verdict_clip SET current = 0 WHERE verdict_id IN (SELECT id FROM verdict WHERE round_id = ?1)",
                [round.id],
            )
            .map_err(&doing)?;
            tx.execute("UPDATE verdict SET current = 0 WHERE round_id = ?1", [round.id]).map_err(&doing)?;
            tx.execute(
                "INSERT INTO verdict (round_id, method, basis, made_at, current, document) VALUES (?1, ?2, ?3, ?4, 1, ?5)",
                params![round.id, METHOD, basis, Stamp::now().text, document],
            )
            .map_err(&doing)?;
            let id = tx.last_insert_rowid();
            for (clip, v) in clips.iter().zip(&out.clips) {
                tx.execute(
                    "INSERT INTO verdict_clip (verdict_id, clip_id, pump_id, module, started_ms, current, state, departure,
                        false_alarm, excess_db, half, pattern, spm, level_db, hiss_sd, heard_from)
                     VALUES (?1, ?2, ?3, ?4, ?5, 1, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15)",
                    params![
                        id,
                        clip.id,
                        round.pump_id,
                        clip.module,
                        round.started.ms,
                        word(&v.verdict),
                        v.departure,
                        v.false_alarm,
                        v.excess_db,
                        word(&v.half),
                        word(&v.pattern),
                        v.spm,
                        v.level_db,
                        v.hiss_sd,
                        v.heard_from
                    ],
                )
                .map_err(&doing)?;
            }
            Ok(())
        })
    }
}

/// An enum as its contract name.
fn word(x: &impl Serialize) -> String {
    serde_json::to_value(x).ok().and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default()
}
