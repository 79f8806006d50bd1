//! From good and present clips to verdicts in words: what the faces call.

use serde::Serialize;

use std::collections::{BTreeMap, BTreeSet};

use crate::clip::{Code, Finding};
use crate::dsp::bands::band_edges_hz;
use crate::map::N_FINE;
use crate::score::angle::SpotAngle;
use crate::score::compare::compare;
use crate::score::few::{LEAST_CLIPS, LEAST_ROUNDS, n_rounds, provisional, tempered};
use crate::score::{Angle, ChangeMaps, ClipVerdict, Comparison, Item, PumpShape, Spot, place, rotating, settle};

/// Good rounds that make a tight limit.
const GOOD_GOOD: usize = 6;
/// Departure beyond which a good clip is called odd: chance alone gives that to about one in a thousand.
const ODD: f64 = 1.4;
/// A good clip that carries less than this share of the bands of its spot's others costs the baseline more than it gives.
const FEW_BANDS: f64 = 0.75;
/// With bands up to here no leak is heard: of 12 of +3 dB in made-up rooms none was found with bands up to 1.7 kHz, each with bands up to 3.6 kHz.
const HISS_HZ: f64 = 3_000.0;

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
    /// Rounds that these are from; a clip of which no round was told is a round of its own.
    pub rounds: usize,
    /// Whether the round of each of them was told.
    pub rounds_known: bool,
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
/// A module with fewer than 3 usable good clips is unjudged; one whose good clips are of fewer than 3 rounds is judged with a finding that
/// calls it provisional.
///
/// # Errors
/// [`JudgeError::FewGood`] if no module that is asked about has 3 usable good clips, [`JudgeError::BadGood`] if a good clip carries a refusing
/// finding (callers that skip bad ones leave them out beforehand).
pub fn judge_all(goods: &[Item], nows: &[Item], settings: &JudgeSettings) -> Result<Outcome, JudgeError> {
    for g in goods {
        if let Some(f) = g.analysis.refusal() {
            return Err(JudgeError::BadGood { file: g.file.clone(), why: f.text.clone() });
        }
    }
    let mut out = Outcome {
        baselines: Vec::new(),
        clips: nows.iter().map(unjudged).collect(),
        maps: vec![None; nows.len()],
        zero_turns: vec![None; nows.len()],
        odd: Vec::new(),
    };
    let asked: BTreeSet<Option<u32>> = nows.iter().map(|n| n.module).collect();
    let few = |m: Option<u32>| {
        let got = goods.iter().filter(|g| g.module == m).count();
        let for_module = m.map(|m| format!(" for module {m}")).unwrap_or_default();
        (got < LEAST_CLIPS).then_some(JudgeError::FewGood { got, for_module })
    };
    let lacking: BTreeMap<Option<u32>, JudgeError> = asked.iter().filter_map(|&m| Some((m, few(m)?))).collect();
    if let Some((_, err)) = lacking.first_key_value().filter(|_| lacking.len() == asked.len()) {
        return Err(err.clone());
    }
    for (clip, item) in out.clips.iter_mut().zip(nows).filter(|(_, n)| n.analysis.refusal().is_none()) {
        if let Some(err) = lacking.get(&item.module) {
            clip.reading = format!("No verdict. Next: {err}.");
            clip.reason = Some(err.to_string());
        }
    }
    // Good clips of modules nobody asks about still tell of the pump, if there are enough of them.
    let enough =
        |m: Option<u32>| if asked.contains(&m) { few(m).is_none() } else { n_rounds(goods, m) >= LEAST_ROUNDS };
    let usable: Vec<Item> = goods.iter().filter(|g| enough(g.module)).cloned().collect();
    let (mut usable, spots) = of_like_width(usable);
    if settings.rotating {
        rotating::fill(&mut out, &usable, nows, &spots);
        return Ok(out);
    }
    let shape = PumpShape { order: settings.order.clone() };
    settle::rhythms(&mut usable);
    settle::mark_from_present(&mut usable, nows);
    // Clips are judged together over the bands that they and their good clips carry.
    let mut groups: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (i, now) in nows.iter().enumerate() {
        if let Some(spot) = spots.get(&now.module) {
            let carried = now.analysis.takes.iter().map(|t| t.map.n_usable).min().unwrap_or(spot.n_band);
            groups.entry(carried.min(spot.n_band)).or_default().push(i);
        }
    }
    let mut baselines: BTreeMap<Option<u32>, BaselineInfo> = BTreeMap::new();
    let mut odd_of: BTreeMap<Option<u32>, Vec<OddGood>> = BTreeMap::new();
    // The widest group last: its baselines are the ones that are shown.
    for (n_band, members) in groups {
        let carries = |g: &&Item| spots.get(&g.module).is_some_and(|s| s.n_band >= n_band);
        let mut kept: Vec<Item> = usable.iter().filter(carries).cloned().collect();
        for take in kept.iter_mut().flat_map(|g| &mut g.analysis.takes) {
            take.map.n_usable = take.map.n_usable.min(n_band);
        }
        let now: Vec<Item> = members.iter().map(|&i| nows[i].clone()).collect();
        let mut comparison = compare(&kept, &now, &shape);
        let odd = odd_ones(&comparison, &kept, settings.skip_odd);
        if odd.iter().any(|o| o.0.left_out) {
            let dropped: Vec<usize> = odd.iter().filter(|o| o.0.left_out).map(|o| o.1).collect();
            kept = kept.into_iter().enumerate().filter(|(i, _)| !dropped.contains(i)).map(|(_, g)| g).collect();
            comparison = compare(&kept, &now, &shape);
        }
        let odd: Vec<OddGood> = odd.into_iter().map(|o| o.0).collect();
        let angles: Vec<SpotAngle> = comparison.spots.iter().map(|s| SpotAngle::of(s, &kept, nows, &shape)).collect();
        for (spot, angle) in comparison.spots.iter().zip(&angles) {
            let own: Vec<OddGood> = odd.iter().filter(|o| o.module == spot.module).cloned().collect();
            if asked.contains(&spot.module) {
                let too_narrow = spots.get(&spot.module).map_or(&[][..], |s| &s.too_narrow);
                baselines.insert(spot.module, baseline_info(spot, angle, &kept, &own, too_narrow));
            }
            odd_of.insert(spot.module, own);
        }
        for ((&i, item), judged) in members.iter().zip(&now).zip(&comparison.judged) {
            let Some(j) = judged else { continue };
            let (spot, angle) = (&comparison.spots[j.spot], &angles[j.spot]);
            let named = (spot, angle.named);
            let mut verdict = tempered(place::verdict(item, j, named, &kept, &comparison), spot.rounds);
            let wider = spots.get(&item.module).is_some_and(|s| s.n_band > n_band);
            verdict.quality.extend(narrow(spot, wider));
            verdict.quality.extend(angle.about_taps(item, j.take, j.shift, &shape));
            out.clips[i] = verdict;
            out.maps[i] = Some(place::change_maps(item, j, named, comparison.with_pressure));
            out.zero_turns[i] = Some((j.take, j.shift / N_FINE as f64 + angle.named.turn_turns()));
        }
    }
    out.baselines = baselines.into_values().collect();
    out.odd = odd_of.into_values().flatten().collect();
    out.odd.sort_by(|a, b| b.departure.total_cmp(&a.departure));
    Ok(out)
}

/// What the bands of a clip's verdict leave out, if anything worth a word.
fn narrow(spot: &Spot, wider: bool) -> Option<Finding> {
    let up_to = up_to(spot.model.n_usable);
    let deaf = band_edges_hz()[spot.model.n_usable] < HISS_HZ;
    let mut text = match (wider, deaf) {
        (false, false) => return None,
        (true, _) => format!(
            "the recording carries sound up to {up_to}, the good clips more: judged up to there; record as the good ones were"
        ),
        (false, true) => format!("this spot's recordings carry sound up to {up_to} only: judged up to there"),
    };
    if deaf {
        text += "; the hiss of a leak lies higher and is not heard: record at 16,000 samples a second or more";
    }
    Some(Finding::warn(Code::NarrowBand, text))
}

/// The upper edge of the last of so many bands, in words.
pub(super) fn up_to(n_band: usize) -> String {
    format!("{:.1} kHz", band_edges_hz()[n_band] / 1000.0)
}

/// What the good clips of a spot carry.
#[derive(Debug)]
pub(super) struct Width {
    /// Bands that all of them carry.
    pub n_band: usize,
    /// One for each good clip that was left out because it carries far fewer.
    pub too_narrow: Vec<Finding>,
}

/// Good clips without those that carry far fewer bands than their spot's others, and what is left of each spot. Where too few would be left
/// they stay.
fn of_like_width(goods: Vec<Item>) -> (Vec<Item>, BTreeMap<Option<u32>, Width>) {
    let carried = |g: &Item| g.analysis.takes.first().map_or(0, |t| t.map.n_usable);
    let mut spots = BTreeMap::new();
    let mut left_out: Vec<usize> = Vec::new();
    for module in goods.iter().map(|g| g.module).collect::<BTreeSet<_>>() {
        let mut own: Vec<usize> = (0..goods.len()).filter(|&i| goods[i].module == module).collect();
        let mut bands: Vec<usize> = own.iter().map(|&i| carried(&goods[i])).collect();
        bands.sort_unstable();
        let usual = bands[bands.len() / 2];
        let (wide, narrow): (Vec<usize>, Vec<usize>) =
            own.iter().partition(|&&i| carried(&goods[i]) as f64 >= FEW_BANDS * usual as f64);
        let rest: Vec<Item> = wide.iter().map(|&i| goods[i].clone()).collect();
        let rounds = n_rounds(&goods, module).min(LEAST_ROUNDS);
        let mut too_narrow = Vec::new();
        if wide.len() >= LEAST_CLIPS && n_rounds(&rest, module) >= rounds {
            too_narrow.extend(narrow.iter().map(|&i| {
                let (file, own, others) = (&goods[i].file, up_to(carried(&goods[i])), up_to(usual));
                Finding::warn(
                    Code::NarrowBand,
                    format!(
                        "good clip {file} carries sound up to {own} only, the others up to {others}: it was left out"
                    ),
                )
            }));
            left_out.extend(narrow);
            own = wide;
        }
        let n_band = own.iter().map(|&i| carried(&goods[i])).min().unwrap_or(0);
        spots.insert(module, Width { n_band, too_narrow });
    }
    let kept = goods.into_iter().enumerate().filter(|(i, _)| !left_out.contains(i)).map(|(_, g)| g).collect();
    (kept, spots)
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
        let most = (spot.goods.len() / 3).min(spot.rounds.saturating_sub(LEAST_ROUNDS));
        for o in of_spot.iter_mut().take(if skip { most } else { 0 }) {
            o.0.left_out = true;
        }
        out.extend(of_spot);
    }
    out
}

fn baseline_info(
    spot: &Spot,
    angle: &SpotAngle,
    goods: &[Item],
    odd: &[OddGood],
    too_narrow: &[Finding],
) -> BaselineInfo {
    let members: Vec<&Item> = spot.goods.iter().map(|&i| &goods[i]).collect();
    let spm: Vec<f64> = members.iter().map(|g| g.analysis.takes[0].spm).collect();
    let mut quality = too_narrow.to_vec();
    quality.extend(provisional(spot.rounds));
    if spot.known() && spot.rounds < GOOD_GOOD {
        quality.push(Finding::warn(
            Code::FewGood,
            format!(
                "{} good rounds: the limit is wide; add more good rounds, {GOOD_GOOD} or more make it tight",
                spot.rounds
            ),
        ));
    }
    for o in odd.iter().filter(|o| !o.left_out) {
        quality.push(Finding::warn(
            Code::OddGood,
            format!(
                "good clip {} departs {:.1} from the other good ones: listen to it, and give --skip-odd to leave it out",
                o.file, o.departure
            ),
        ));
    }
    quality.extend(angle.quality.iter().cloned());
    BaselineInfo {
        module: spot.module,
        clips: members.len(),
        rounds: spot.rounds,
        rounds_known: members.iter().all(|g| g.round.is_some()),
        spm: [spm.iter().copied().fold(f64::MAX, f64::min), spm.iter().copied().fold(f64::MIN, f64::max)],
        sample_rate_hz: members.iter().map(|g| g.analysis.sample_rate_hz).fold(f64::MAX, f64::min),
        angle: angle.named.angle(),
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
