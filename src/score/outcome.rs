//! From good and present clips to verdicts in words: what the faces call.

use serde::Serialize;

use std::collections::BTreeMap;

use crate::clip::{Code, Finding};
use crate::dsp::bands::band_edges_hz;
use crate::map::N_FINE;
use crate::score::compare::compare;
use crate::score::{Angle, ChangeMaps, ClipVerdict, Comparison, Item, PumpShape, Spot, place, rotating, settle};

/// Good clips that a baseline needs.
const LEAST_GOOD: usize = 3;
/// Good clips that make a tight limit.
const GOOD_GOOD: usize = 6;
/// Departure beyond which a good clip is called odd: chance alone gives that to about one in a thousand.
const ODD: f64 = 1.4;

/// What the pump is and how to treat the good clips.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JudgeSettings {
    /// Module numbers in firing order.
    pub order: Vec<u32>,
    /// No stroke: one level a band.
    pub rotating: bool,
    /// Leave out good clips that are outliers themselves.
    pub skip_odd: bool,
}

impl Default for JudgeSettings {
    fn default() -> Self {
        Self { order: vec![1, 2, 3], rotating: false, skip_odd: false }
    }
}

/// A baseline in the JSON contract.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BaselineInfo {
    /// Module, where known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub module: Option<u32>,
    /// Good clips used.
    pub clips: usize,
    /// Slowest and fastest good clip in strokes a minute.
    pub spm: [f64; 2],
    /// Lowest sample rate among them, Hz.
    pub sample_rate_hz: f64,
    /// Whether its angles are the module's own.
    pub angle: Angle,
    /// Findings about the baseline itself (few clips, odd clips).
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub quality: Vec<Finding>,
}

/// A good clip that does not fit the others.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OddGood {
    /// The file as it was named.
    pub file: String,
    /// Module, where known.
    pub module: Option<u32>,
    /// Its departure from the other good clips.
    pub departure: f64,
    /// Whether it was left out.
    pub left_out: bool,
}

/// Why no comparison could be made.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum JudgeError {
    /// Too few good clips.
    #[error("{got} usable good clip(s){for_module}, need at least 3; record this spot on more good days")]
    FewGood {
        /// How many.
        got: usize,
        /// ` for module N`, or empty.
        for_module: String,
    },
    /// A good clip can't be used.
    #[error("good clip {file}: {why}; leave it out, or give --skip-bad")]
    BadGood {
        /// The file as it was named.
        file: String,
        /// The finding.
        why: String,
    },
}

/// Everything a face needs.
#[derive(Debug)]
pub struct Outcome {
    /// One a module (one in all without modules).
    pub baselines: Vec<BaselineInfo>,
    /// One a now item, same order.
    pub clips: Vec<ClipVerdict>,
    /// The maps to draw, one a now item; `None` where unjudged or rotating.
    pub maps: Vec<Option<ChangeMaps>>,
    /// Which take (rhythm) of a now item was judged and its turn: phase in turns less this is the crank angle.
    pub zero_turns: Vec<Option<(usize, f64)>>,
    /// Good clips that do not fit the others.
    pub odd: Vec<OddGood>,
}

/// Judges today's clips against the good ones.
///
/// # Errors
/// [`JudgeError::FewGood`] with fewer than 3 usable good clips of a module that is asked about, [`JudgeError::BadGood`] if a good clip
/// carries a refusing finding (callers that skip bad ones leave them out beforehand).
pub fn judge_all(goods: &[Item], nows: &[Item], settings: &JudgeSettings) -> Result<Outcome, JudgeError> {
    let usable: Vec<Item> = goods.to_vec();
    for g in &usable {
        if let Some(f) = g.analysis.refusal() {
            return Err(JudgeError::BadGood { file: g.file.clone(), why: f.text.clone() });
        }
    }
    let mut modules: Vec<Option<u32>> = nows.iter().map(|n| n.module).collect();
    modules.sort_unstable();
    modules.dedup();
    for m in &modules {
        let got = usable.iter().filter(|g| g.module == *m).count();
        if got < LEAST_GOOD {
            return Err(JudgeError::FewGood {
                got,
                for_module: m.map(|m| format!(" for module {m}")).unwrap_or_default(),
            });
        }
    }
    // Good clips of modules nobody asks about still tell of the pump, if there are enough of them.
    let enough = |m: Option<u32>| usable.iter().filter(|g| g.module == m).count() >= LEAST_GOOD;
    let usable: Vec<Item> = usable.iter().filter(|g| enough(g.module)).cloned().collect();
    if settings.rotating {
        return Ok(rotating::outcome(&usable, nows));
    }
    let shape = PumpShape { order: settings.order.clone() };
    let mut usable = usable;
    settle::rhythms(&mut usable);
    settle::mark_from_present(&mut usable, nows);
    let widest = bands_of(&usable);
    let mut groups: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (i, now) in nows.iter().enumerate() {
        let carried = now.analysis.takes.iter().map(|t| t.map.n_usable).min().unwrap_or(widest);
        groups.entry(carried.min(widest)).or_default().push(i);
    }
    let mut out = Outcome {
        baselines: Vec::new(),
        clips: nows.iter().map(unjudged).collect(),
        maps: vec![None; nows.len()],
        zero_turns: vec![None; nows.len()],
        odd: Vec::new(),
    };
    // The widest group last: its baseline is the one that is shown.
    for (n_band, members) in groups {
        let mut kept = usable.clone();
        for take in kept.iter_mut().flat_map(|g| &mut g.analysis.takes) {
            take.map.n_usable = take.map.n_usable.min(n_band);
        }
        let now: Vec<Item> = members.iter().map(|&i| nows[i].clone()).collect();
        let mut comparison = compare(&kept, &now, &shape);
        let mut odd = odd_ones(&comparison, &kept, settings.skip_odd);
        if odd.iter().any(|o| o.0.left_out) {
            let dropped: Vec<usize> = odd.iter().filter(|o| o.0.left_out).map(|o| o.1).collect();
            kept = kept.into_iter().enumerate().filter(|(i, _)| !dropped.contains(i)).map(|(_, g)| g).collect();
            comparison = compare(&kept, &now, &shape);
        }
        odd.sort_by(|a, b| b.0.departure.total_cmp(&a.0.departure));
        out.odd = odd.into_iter().map(|o| o.0).collect();
        out.baselines = comparison
            .spots
            .iter()
            .filter(|s| modules.contains(&s.module))
            .map(|s| baseline_info(s, &kept, &out.odd))
            .collect();
        for ((&i, item), judged) in members.iter().zip(&now).zip(&comparison.judged) {
            let Some(j) = judged else { continue };
            let spot = &comparison.spots[j.spot];
            let mut verdict = place::verdict(item, j, spot, &kept, &comparison);
            if n_band < widest {
                verdict.quality.push(Finding::warn(
                    Code::NarrowBand,
                    format!(
                        "the recording carries sound up to {:.1} kHz, the good clips more: judged up to there; record as the good ones were",
                        band_edges_hz()[n_band] / 1000.0
                    ),
                ));
            }
            out.clips[i] = verdict;
            out.maps[i] = Some(place::change_maps(item, j, spot, comparison.with_pressure));
            out.zero_turns[i] = Some((j.take, j.shift / N_FINE as f64));
        }
    }
    Ok(out)
}

/// Bands that all good clips carry.
fn bands_of(goods: &[Item]) -> usize {
    goods.iter().flat_map(|g| g.analysis.takes.first()).map(|t| t.map.n_usable).min().unwrap_or(0)
}

/// Good clips whose departure from the others is beyond what chance gives, with their index.
fn odd_ones(comparison: &Comparison, goods: &[Item], skip: bool) -> Vec<(OddGood, usize)> {
    let mut out = Vec::new();
    for spot in &comparison.spots {
        let mut of_spot: Vec<(OddGood, usize)> = spot
            .goods
            .iter()
            .zip(&spot.scorer.healthy)
            .map(|(&i, best)| (i, comparison.limit.combine(best).departure))
            .filter(|(_, d)| *d > ODD)
            .map(|(i, departure)| {
                let odd = OddGood { file: goods[i].file.clone(), module: goods[i].module, departure, left_out: false };
                (odd, i)
            })
            .collect();
        of_spot.sort_by(|a, b| b.0.departure.total_cmp(&a.0.departure));
        // Never more than a third, and never below what a baseline needs.
        let most = (spot.goods.len() / 3).min(spot.goods.len() - LEAST_GOOD);
        for o in of_spot.iter_mut().take(if skip { most } else { 0 }) {
            o.0.left_out = true;
        }
        out.extend(of_spot);
    }
    out
}

fn baseline_info(spot: &Spot, goods: &[Item], odd: &[OddGood]) -> BaselineInfo {
    let members: Vec<&Item> = spot.goods.iter().map(|&i| &goods[i]).collect();
    let spm: Vec<f64> = members.iter().map(|g| g.analysis.takes[0].spm).collect();
    let mut quality = Vec::new();
    if members.len() < GOOD_GOOD {
        quality.push(Finding::warn(
            Code::FewGood,
            format!(
                "{} good clips: the limit is wide; add more good rounds, {GOOD_GOOD} or more make it tight",
                members.len()
            ),
        ));
    }
    for o in odd.iter().filter(|o| o.module == spot.module && !o.left_out) {
        quality.push(Finding::warn(
            Code::OddGood,
            format!(
                "good clip {} departs {:.1} from the other good ones: listen to it, and give --skip-odd to leave it out",
                o.file, o.departure
            ),
        ));
    }
    BaselineInfo {
        module: spot.module,
        clips: members.len(),
        spm: [spm.iter().copied().fold(f64::MAX, f64::min), spm.iter().copied().fold(f64::MIN, f64::max)],
        sample_rate_hz: members.iter().map(|g| g.analysis.sample_rate_hz).fold(f64::MAX, f64::min),
        angle: if spot.alignment.absolute { Angle::Absolute } else { Angle::Relative },
        quality,
    }
}

/// The verdict on a clip that can't be judged.
#[must_use]
pub fn unjudged(item: &Item) -> ClipVerdict {
    let take = item.analysis.takes.first();
    let reason = item
        .analysis
        .refusal()
        .map_or_else(|| "no good clips of this module to compare with".to_string(), |f| f.text.clone());
    ClipVerdict {
        reading: format!("No verdict. Next: {reason}."),
        spm: take.map(|t| t.spm),
        strokes: take.map(|t| t.strokes),
        lock: take.map(|t| t.lock),
        quality: item.analysis.findings.clone(),
        reason: Some(reason),
        ..ClipVerdict::blank(item.file.clone(), item.module)
    }
}
