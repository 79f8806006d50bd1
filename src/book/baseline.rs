//! Known-good rounds: accepted by a person, proposed by the program, started anew when a part is changed.

use rusqlite::{OptionalExtension as _, params};
use serde::Serialize;

use super::cache::Wanted;
use super::clips::{CLIP, clip_row};
use super::error::{db, refused};
use super::pumps::known_module;
use super::{Book, BookError, ClipRow, PumpRow, RoundRow, Stamp};
use crate::score::{Item, JudgeSettings, LEAST_ROUNDS, OddGood, PumpShape, judge_all, n_rounds, scatter_db};
use crate::units::{UnitSystem, pa_to_bar, pa_to_psi};

/// Good rounds of a module that a verdict stands on: the newest. More cost time and no longer tighten the limit.
pub(super) const MOST_GOOD: i64 = 16;
/// Rounds looked at for a proposal.
const LOOKED_AT: i64 = 12;
/// Share by which a speed must lie outside the span for a round to widen it.
const WIDER: f64 = 0.02;

/// One module of an accepted round.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GoodRound {
    /// Round.
    pub round: i64,
    /// Module.
    pub module: u32,
    /// When it was walked.
    pub at: String,
    /// When it was accepted.
    pub accepted_at: String,
    /// Who accepted it (crew position).
    pub accepted_by: String,
    /// Console speed in strokes a minute.
    pub spm: Option<f64>,
    /// Discharge pressure in Pa.
    pub pressure_pa: Option<f64>,
}

/// A moment from which a module's baseline counts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Restart {
    /// Module.
    pub module: u32,
    /// When.
    pub at: String,
    /// Why.
    pub why: String,
}

/// A round that may be accepted, or not, and why.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Proposal {
    /// Round.
    pub round: i64,
    /// When it was walked.
    pub at: String,
    /// Whether the program would propose it.
    pub fit: bool,
    /// Why.
    pub why: Vec<String>,
}

/// What a module's baseline is worth.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Standing {
    /// Module.
    pub module: u32,
    /// The accepted rounds that count, newest first.
    pub rounds: Vec<i64>,
    /// Slowest and fastest, strokes a minute, as heard.
    pub spm: Option<[f64; 2]>,
    /// Lowest and highest pressure in Pa; `None` if some are not known.
    pub pressure_pa: Option<[f64; 2]>,
    /// How far its rounds scatter about each other, in dB.
    pub scatter_db: Option<f64>,
    /// Clips that do not fit the others.
    pub odd: Vec<OddGood>,
    /// From when its rounds count, if it was started anew.
    pub restart: Option<Restart>,
}

/// A clip of an accepted round with that round's console speed and its pressure in Pa.
type GoodClipRow = (ClipRow, Option<f64>, Option<f64>);
/// Clips as the comparison takes them, and those that can't be used, with the reason.
pub(super) type GoodItems = (Vec<Item>, Vec<(String, String)>);

impl Book {
    /// Accepts a round as known-good, as a person says.
    ///
    /// # Arguments
    /// - `modules`: empty for all that have clips.
    ///
    /// # Returns
    /// The modules that were not accepted before.
    ///
    /// # Errors
    /// [`BookError::Refused`] for a round without clips, or a module without.
    pub fn accept(&mut self, round: &RoundRow, modules: &[u32], by: &str) -> Result<Vec<u32>, BookError> {
        let mut have: Vec<u32> = self.clips(round.id)?.into_iter().map(|c| c.module).collect();
        have.dedup();
        if let Some(m) = modules.iter().find(|m| !have.contains(m)) {
            return Err(refused(format!("round {} has no clip of module {m}", round.id)));
        }
        if have.is_empty() {
            return Err(refused(format!("round {} has no clips; import them first", round.id)));
        }
        let wanted: Vec<u32> = if modules.is_empty() { have } else { modules.to_vec() };
        let now = Stamp::now().text;
        self.whole("accept the round", |tx| {
            let mut new = Vec::new();
            for module in wanted {
                let n = tx
                    .execute(
                        "INSERT INTO good (round_id, pump_id, module, started_ms, accepted_at, accepted_by)
                         VALUES (?1, ?2, ?3, ?4, ?5, ?6) ON CONFLICT DO NOTHING",
                        params![round.id, round.pump_id, module, round.started.ms, now, by],
                    )
                    .map_err(db("accept the round"))?;
                if n > 0 {
                    new.push(module);
                }
            }
            Ok(new)
        })
    }

    /// Takes a round out of the baseline; its entry stays with the reason.
    ///
    /// # Errors
    /// [`BookError::Refused`] if it was not accepted.
    pub fn drop_good(&mut self, round: &RoundRow, modules: &[u32], why: &str) -> Result<Vec<u32>, BookError> {
        let now = Stamp::now().text;
        let dropped = self.whole("drop the round", |tx| {
            let doing = db("drop the round");
            let mut rows = tx
                .prepare(
                    "UPDATE good SET dropped_at = ?2, dropped_why = ?3 WHERE round_id = ?1 AND dropped_at IS NULL
                          AND (?4 = '' OR instr(?4, ',' || module || ',') > 0) RETURNING module",
                )
                .map_err(&doing)?;
            let list: String = modules.iter().map(|m| format!(",{m},")).collect();
            let found: Vec<u32> = rows
                .query_map(params![round.id, now, why, list], |r| r.get(0))
                .and_then(Iterator::collect)
                .map_err(&doing)?;
            Ok(found)
        })?;
        if dropped.is_empty() {
            return Err(refused(format!("round {} is not among the good ones; `baseline show` lists them", round.id)));
        }
        Ok(dropped)
    }

    /// Starts a module's baseline anew: rounds walked before `at` no longer count; they stay for history.
    ///
    /// # Errors
    /// [`BookError::Refused`] for a module that the pump has not.
    pub fn restart(&mut self, pump: &PumpRow, module: u32, at: &Stamp, why: &str) -> Result<(), BookError> {
        known_module(pump, module)?;
        self.whole("start the baseline anew", |tx| {
            tx.execute(
                "INSERT INTO restart (pump_id, module, at, at_ms, why) VALUES (?1, ?2, ?3, ?4, ?5)",
                params![pump.id, module, at.text, at.ms, why],
            )
            .map_err(db("start the baseline anew"))?;
            Ok(())
        })
    }

    /// The last moment at which a module's baseline was started anew, and its number to compare times with.
    pub(super) fn last_restart(&self, pump_id: i64, module: u32) -> Result<Option<(Restart, i64)>, BookError> {
        let doing = db("read the restarts");
        let mut rows = self
            .conn
            .prepare_cached(
                "SELECT at, why, at_ms FROM restart WHERE pump_id = ?1 AND module = ?2 ORDER BY at_ms DESC LIMIT 1",
            )
            .map_err(&doing)?;
        rows.query_row(params![pump_id, module], |r| Ok((Restart { module, at: r.get(0)?, why: r.get(1)? }, r.get(2)?)))
            .optional()
            .map_err(&doing)
    }

    /// The accepted rounds of a module that count, newest first.
    ///
    /// # Errors
    /// What the database says.
    pub fn good_rounds(&self, pump: &PumpRow, module: u32) -> Result<Vec<GoodRound>, BookError> {
        let since = self.last_restart(pump.id, module)?.map_or(i64::MIN, |r| r.1);
        let doing = db("read the good rounds");
        let mut rows = self
            .conn
            .prepare_cached(
                "SELECT g.round_id, r.started_at, g.accepted_at, g.accepted_by, r.spm, r.pressure_pa
                 FROM good g JOIN round r ON r.id = g.round_id
                 WHERE g.pump_id = ?1 AND g.module = ?2 AND g.dropped_at IS NULL AND g.started_ms >= ?3
                 ORDER BY g.started_ms DESC LIMIT ?4",
            )
            .map_err(&doing)?;
        rows.query_map(params![pump.id, module, since, MOST_GOOD], |r| {
            Ok(GoodRound {
                round: r.get(0)?,
                module,
                at: r.get(1)?,
                accepted_at: r.get(2)?,
                accepted_by: r.get(3)?,
                spm: r.get(4)?,
                pressure_pa: r.get(5)?,
            })
        })
        .and_then(Iterator::collect)
        .map_err(&doing)
    }

    /// Clips of the accepted rounds that count, for one spot name, oldest first; with the rounds' readings.
    pub(super) fn good_clips(&self, pump: &PumpRow, spot: &str) -> Result<Vec<GoodClipRow>, BookError> {
        let mut out = Vec::new();
        let doing = db("read the good clips");
        let mut rows = self
            .conn
            .prepare_cached(&format!("{CLIP} WHERE c.round_id = ?1 AND s.module = ?2 AND s.name = ?3 ORDER BY c.id"))
            .map_err(&doing)?;
        for module in pump.modules() {
            for good in self.good_rounds(pump, module)?.into_iter().rev() {
                let clips: Vec<ClipRow> = rows
                    .query_map(params![good.round, module, spot], clip_row)
                    .and_then(Iterator::collect)
                    .map_err(&doing)?;
                out.extend(clips.into_iter().map(|c| (c, good.spm, good.pressure_pa)));
            }
        }
        Ok(out)
    }

    /// Good items of a pump's spot as the comparison takes them; recordings that can't carry a verdict come apart.
    pub(super) fn good_items(
        &mut self,
        pump: &PumpRow,
        spot: &str,
        step: &(dyn Fn() + Sync),
    ) -> Result<GoodItems, BookError> {
        let clips = self.good_clips(pump, spot)?;
        let wanted: Vec<Wanted> =
            clips.iter().map(|(clip, spm, _)| Wanted { clip: clip.clone(), hint_spm: *spm }).collect();
        let analyses = self.analyses(&wanted, step)?;
        let mut items = Vec::new();
        let mut bad = Vec::new();
        for ((clip, spm, pressure), analysis) in clips.into_iter().zip(analyses) {
            if let Some(why) = analysis.refusal() {
                bad.push((clip.file, why.text.clone()));
                continue;
            }
            items.push(Item {
                file: clip.file,
                module: Some(clip.module),
                round: Some(clip.round.to_string()),
                console_spm: spm,
                pressure: pressure.filter(|p| *p > 0.0).map(|p| in_site_unit(p, pump.data.units)),
                analysis,
            });
        }
        Ok((items, bad))
    }

    /// How many recordings of the good rounds have to be analysed before a verdict.
    ///
    /// # Errors
    /// What the database says.
    pub fn n_good_missing(&self, pump: &PumpRow) -> Result<usize, BookError> {
        let mut n = 0;
        for spot in self.spot_names(pump)? {
            let wanted: Vec<Wanted> = self
                .good_clips(pump, &spot)?
                .into_iter()
                .map(|(clip, hint_spm, _)| Wanted { clip, hint_spm })
                .collect();
            n += self.n_missing(&wanted)?;
        }
        Ok(n)
    }

    /// Names of a pump's spots, each once.
    pub(super) fn spot_names(&self, pump: &PumpRow) -> Result<Vec<String>, BookError> {
        let mut names: Vec<String> = Vec::new();
        for s in self.spots(pump)? {
            if !names.iter().any(|n| n.eq_ignore_ascii_case(&s.name)) {
                names.push(s.name);
            }
        }
        Ok(names)
    }

    /// What the baselines of a pump are worth, one entry a module (of the spot that every module has).
    ///
    /// # Errors
    /// What the database says.
    pub fn standings(&mut self, pump: &PumpRow, step: &(dyn Fn() + Sync)) -> Result<Vec<Standing>, BookError> {
        let (items, _) = self.good_items(pump, super::pumps::MAIN_SPOT, step)?;
        let shape = PumpShape { order: pump.data.order.clone() };
        let modules = pump.modules();
        let of = |m: u32| items.iter().filter(|i| i.module == Some(m)).cloned().collect::<Vec<Item>>();
        // The newest good clip stands in for a present one: only what is said of the good ones is used.
        let stand_ins: Vec<Item> = modules
            .iter()
            .filter(|&&m| n_rounds(&items, Some(m)) >= LEAST_ROUNDS)
            .filter_map(|&m| of(m).pop())
            .collect();
        let settings = JudgeSettings { order: pump.data.order.clone(), ..JudgeSettings::default() };
        let outcome = if stand_ins.is_empty() { None } else { judge_all(&items, &stand_ins, &settings).ok() };
        let mut out = Vec::new();
        for &module in &modules {
            let own = of(module);
            let rounds = self.good_rounds(pump, module)?;
            let pressures: Option<Vec<f64>> = rounds.iter().map(|r| r.pressure_pa).collect();
            let spm: Vec<f64> = own.iter().filter_map(|i| i.analysis.takes.first().map(|t| t.spm)).collect();
            out.push(Standing {
                module,
                rounds: rounds.iter().map(|r| r.round).collect(),
                spm: span(&spm),
                pressure_pa: pressures.as_deref().and_then(span),
                scatter_db: scatter_db(&own, &shape),
                odd: outcome.iter().flat_map(|o| &o.odd).filter(|o| o.module == Some(module)).cloned().collect(),
                restart: self.last_restart(pump.id, module)?.map(|r| r.0),
            });
        }
        Ok(out)
    }

    /// Looks at the newest rounds that are not accepted, and says which could be and why. The program never accepts one itself.
    ///
    /// # Errors
    /// What the database says.
    pub fn proposals(&mut self, pump: &PumpRow, step: &(dyn Fn() + Sync)) -> Result<Vec<Proposal>, BookError> {
        let doing = db("look for rounds to propose");
        let candidates: Vec<i64> = {
            let mut rows = self
                .conn
                .prepare_cached(
                    "SELECT id FROM round r WHERE pump_id = ?1
                     AND EXISTS (SELECT 1 FROM clip WHERE clip.round_id = r.id)
                     AND NOT EXISTS (SELECT 1 FROM good WHERE good.round_id = r.id AND dropped_at IS NULL)
                     ORDER BY started_ms DESC LIMIT ?2",
                )
                .map_err(&doing)?;
            rows.query_map(params![pump.id, LOOKED_AT], |r| r.get(0)).and_then(Iterator::collect).map_err(&doing)?
        };
        let known: Vec<f64> = pump
            .data
            .order
            .iter()
            .map(|&m| self.good_rounds(pump, m))
            .collect::<Result<Vec<_>, _>>()?
            .into_iter()
            .flatten()
            .filter_map(|g| g.spm)
            .collect();
        let known = span(&known);
        let mut out = Vec::new();
        for id in candidates {
            let round = self.round(id)?;
            out.push(self.proposal(pump, &round, known, step)?);
        }
        Ok(out)
    }

    fn proposal(
        &mut self,
        pump: &PumpRow,
        round: &RoundRow,
        known: Option<[f64; 2]>,
        step: &(dyn Fn() + Sync),
    ) -> Result<Proposal, BookError> {
        let clips = self.clips(round.id)?;
        let mut why = Vec::new();
        let mut fit = true;
        let mut missing: Vec<u32> =
            pump.data.order.iter().copied().filter(|m| clips.iter().all(|c| c.module != *m)).collect();
        missing.sort_unstable();
        if !missing.is_empty() {
            why.push(format!("no clip of module {}", list_of(&missing)));
        }
        let wanted: Vec<Wanted> = clips.iter().map(|c| Wanted { clip: c.clone(), hint_spm: round.spm }).collect();
        for (clip, analysis) in clips.iter().zip(self.analyses(&wanted, step)?) {
            if let Some(f) = analysis.refusal() {
                fit = false;
                why.push(format!("module {}: {}", clip.module, f.text));
            }
        }
        let states = self.states_of(round.id)?;
        let off: Vec<u32> = states.iter().filter(|s| s.1 == "drifting" || s.1 == "departed").map(|s| s.0).collect();
        if !off.is_empty() {
            fit = false;
            why.push(format!("its verdict has module {} off its baseline", list_of(&off)));
        } else if !states.is_empty() && states.iter().all(|s| s.1 == "steady") {
            why.push("its verdict is steady for every module".to_owned());
        } else if fit {
            why.push("its clips are usable; no verdict yet: listen before you accept".to_owned());
        }
        if let (Some([low, high]), Some(spm)) = (known, round.spm)
            && (spm < low * (1.0 - WIDER) || spm > high * (1.0 + WIDER))
        {
            why.push(format!("it would widen the baseline's speeds ({low:.0}-{high:.0} strokes a minute) to {spm:.0}"));
        }
        Ok(Proposal { round: round.id, at: round.started.text.clone(), fit, why })
    }

    /// Module and state of each clip of a round's current verdict.
    fn states_of(&self, round: i64) -> Result<Vec<(u32, String)>, BookError> {
        let doing = db("read a verdict");
        let mut rows = self
            .conn
            .prepare_cached(
                "SELECT c.module, c.state FROM verdict v JOIN verdict_clip c ON c.verdict_id = v.id
                 WHERE v.round_id = ?1 AND v.current = 1 ORDER BY c.module",
            )
            .map_err(&doing)?;
        rows.query_map([round], |r| Ok((r.get(0)?, r.get(1)?))).and_then(Iterator::collect).map_err(&doing)
    }
}

/// Lowest and highest.
fn span(values: &[f64]) -> Option<[f64; 2]> {
    let low = values.iter().copied().min_by(f64::total_cmp)?;
    let high = values.iter().copied().max_by(f64::total_cmp)?;
    Some([low, high])
}

fn list_of(modules: &[u32]) -> String {
    modules.iter().map(u32::to_string).collect::<Vec<_>>().join(", ")
}

/// A pressure as the number that a finding shows.
pub(crate) fn in_site_unit(pa: f64, units: UnitSystem) -> f64 {
    match units {
        UnitSystem::Us => pa_to_psi(pa),
        UnitSystem::Si => pa_to_bar(pa),
    }
}
