//! Good clips and today's clips in, verdicts out: the whole comparison without files.

use std::collections::BTreeMap;

use rayon::prelude::*;

use crate::baseline::{
    Alignment, GoodClip, MARK_REACH, Model, N_CELL, Turnable, align, best_turn, nuisance_of, pattern, turned_db,
    turned_swings,
};
use crate::dsp::bands::band_edges_hz;
use crate::map::{Analysis, N_ANGLE, N_FINE, Take};
use crate::pump::module_offset_deg;
use crate::score::bank::OMNIBUS_SHARE;
use crate::score::few::{LEAST_CLIPS, LEAST_ROUNDS, n_rounds};
use crate::score::limit::{Combined, Limit};
use crate::score::scorer::{Bank, Raw};
use crate::score::{Best, Scored, Scorer, cross_talk};
use crate::stroke::MarkKind;

/// Folds of the leave-out; with more rounds than this each fold leaves out several.
const MOST_FOLDS: usize = 12;

/// One analysed clip and what is known of it.
#[derive(Debug, Clone)]
pub struct Item {
    /// The file as it was named.
    pub file: String,
    /// Module at whose spot it was taken.
    pub module: Option<u32>,
    /// The walk it was taken on.
    pub round: Option<String>,
    /// Console reading in strokes a minute.
    pub console_spm: Option<f64>,
    /// Discharge pressure, any unit that is the same for all.
    pub pressure: Option<f64>,
    /// What the clip gave.
    pub analysis: Analysis,
}

/// Firing order and number of modules.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PumpShape {
    /// Module numbers in firing order.
    pub order: Vec<u32>,
}

impl PumpShape {
    /// Turns by which a module's own zero comes after module 1's (0 if the module is not in the order).
    #[must_use]
    pub fn offset_turns(&self, module: Option<u32>) -> f64 {
        let place = |m: u32| module_offset_deg(&self.order, m).ok();
        let own = module.and_then(place);
        own.map_or(0.0, |p| (p - place(1).unwrap_or(0.0)) / 360.0)
    }
}

/// A spot's baseline, ready to judge.
#[derive(Debug)]
pub struct Spot {
    /// Module.
    pub module: Option<u32>,
    /// Indices of the good items.
    pub goods: Vec<usize>,
    /// Rounds that these are from.
    pub rounds: usize,
    /// The model.
    pub model: Model,
    /// Filters and scales.
    pub scorer: Scorer,
    /// Common origin.
    pub alignment: Alignment,
}

/// One clip's place in the comparison.
#[derive(Debug, Clone)]
pub struct Judged {
    /// Spot index.
    pub spot: usize,
    /// Which take was used.
    pub take: usize,
    /// Levels turned to the spot's origin, dB.
    pub level_db: Vec<f64>,
    /// Residual against the model.
    pub residual: Vec<f64>,
    /// Best of each family.
    pub best: Vec<Best>,
    /// Combined.
    pub combined: Combined,
    /// Turn of the clip's map to the spot's origin, in fine bins.
    pub shift: f64,
    /// How much it hisses against its good clips, see [`crate::score::Scored::hiss_sd`].
    pub hiss_sd: Option<f64>,
    /// What the model expects of this clip, dB, and the factor by which its scatter exceeds one run's.
    pub expected: (Vec<f64>, f64),
    /// The module whose change is heard here, where that explains this clip's.
    pub heard_from: Option<Heard>,
}

/// Whose change a clip is heard to carry.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Heard {
    /// The module.
    pub module: u32,
    /// Whether that explains everything: what is left does not depart.
    pub all: bool,
}

/// Everything that a comparison found.
#[derive(Debug)]
pub struct Comparison {
    /// Spots in module order.
    pub spots: Vec<Spot>,
    /// One a now item; `None` where the clip can't be judged.
    pub judged: Vec<Option<Judged>>,
    /// Null distribution.
    pub limit: Limit,
    /// Whether pressure is one of the covariates.
    pub with_pressure: bool,
}

/// The module's own crank zero in fine bins of a take's map, as a mark of one kind gives it.
pub(super) fn zero_bins(take: &Take, kind: MarkKind, shape: &PumpShape, module: Option<u32>) -> Option<f64> {
    let mark = take.mark.filter(|m| m.kind == kind)?;
    Some((mark.zero_turns + shape.offset_turns(module)) * N_FINE as f64)
}

/// A take ready for alignment, with its marks on the module's own angle.
pub(super) fn turnable(take: &Take, n_usable: usize, shape: &PumpShape, module: Option<u32>) -> Turnable {
    let zero = |kind| zero_bins(take, kind, shape, module);
    Turnable { pattern: pattern(&take.map, n_usable), zero: zero(MarkKind::Pulse), tapped: zero(MarkKind::Taps) }
}

pub(super) fn point(item: &Item, take: &Take, with_pressure: bool) -> Vec<f64> {
    let mut p = vec![take.spm.max(1e-3).ln()];
    if with_pressure {
        p.push(item.pressure.unwrap_or(1.0).max(1e-9).ln());
    }
    p
}

/// Compares.
///
/// All spots are compared over the bands that every good clip carries, so that they have the same filters. A spot with fewer than 3 good
/// clips has no baseline, and its clips are not judged.
#[must_use]
pub fn compare(goods: &[Item], nows: &[Item], shape: &PumpShape) -> Comparison {
    let edges = band_edges_hz();
    let mut by_module: BTreeMap<Option<u32>, Vec<usize>> = BTreeMap::new();
    for (i, g) in goods.iter().enumerate().filter(|(_, g)| !g.analysis.takes.is_empty()) {
        by_module.entry(g.module).or_default().push(i);
    }
    by_module.retain(|_, members| members.len() >= LEAST_CLIPS);
    let n_usable = by_module.values().flatten().map(|&i| goods[i].analysis.takes[0].map.n_usable).min().unwrap_or(0);
    let rounds = round_ids(goods);
    let with_pressure = goods.iter().chain(nows).all(|i| i.pressure.is_some_and(|p| p > 0.0));
    let models: Vec<Prepared> = by_module
        .into_par_iter()
        .map(|(module, members)| {
            let n_rounds = n_rounds(goods, module);
            let turnables: Vec<Turnable> =
                members.iter().map(|&i| turnable(&goods[i].analysis.takes[0], n_usable, shape, module)).collect();
            let alignment = align(&turnables);
            let clips: Vec<GoodClip> = members
                .iter()
                .zip(&alignment.shift)
                .map(|(&i, &s)| {
                    let take = &goods[i].analysis.takes[0];
                    // How levels go with speed and pressure can't be told from how two rounds differ.
                    let known = n_rounds >= LEAST_ROUNDS;
                    GoodClip {
                        level_db: turned_db(&take.map, s),
                        point: if known { point(&goods[i], take, with_pressure) } else { Vec::new() },
                        swings: turned_swings(&take.map, s),
                    }
                })
                .collect();
            let model = fitted(&clips, n_usable, n_rounds);
            Prepared { module, goods: members, rounds: n_rounds, alignment, clips, model }
        })
        .collect();
    let all_absolute = models.iter().all(|m| m.alignment.absolute);
    let beside: Vec<Vec<usize>> = (0..models.len()).map(|k| beside(&models, k, all_absolute)).collect();
    let directions: Vec<&[Vec<f64>]> = models.iter().map(|m| m.model.residuals.as_slice()).collect();
    let bank = |k: usize| {
        let model: &Model = &models[k].model;
        Bank::new(model, gathered(&directions, k, &beside[k]), &edges, n_usable, all_absolute)
    };
    let (left_out, banks) = rayon::join(
        || left_out(&models, &rounds, &beside, all_absolute, &edges),
        || (0..models.len()).into_par_iter().map(bank).collect::<Vec<Bank>>(),
    );
    let spots: Vec<Spot> = models
        .into_iter()
        .zip(banks)
        .enumerate()
        .map(|(k, (p, bank))| {
            let others: Vec<&Raw> = beside[k].iter().flat_map(|&j| &left_out[j]).collect();
            let widening = (!p.known()).then(|| p.model.between_rounds());
            let scorer = Scorer::new(bank, &left_out[k], &others, widening);
            let Prepared { module, goods, rounds, model, alignment, .. } = p;
            Spot { module, goods, rounds, model, scorer, alignment }
        })
        .collect();
    let any_known = spots.iter().any(Spot::known);
    let healthy: Vec<&[Best]> = spots
        .iter()
        .filter(|s| s.known() || !any_known)
        .flat_map(|s| s.scorer.healthy.iter().map(Vec::as_slice))
        .collect();
    let shares: Vec<f64> = spots
        .first()
        .map(|s| s.scorer.bank.families.iter().map(|f| f.share).chain([OMNIBUS_SHARE]).collect())
        .unwrap_or_default();
    let limit = Limit::new(&healthy, &shares);
    let mut judged: Vec<Option<Judged>> = nows
        .par_iter()
        .map(|item| {
            let spot = spots.iter().position(|s| s.module == item.module)?;
            judge(item, spot, &spots[spot], shape, with_pressure, &limit)
        })
        .collect();
    if all_absolute {
        cross_talk::explain(nows, &mut judged, &spots, shape, &limit);
    }
    Comparison { spots, judged, limit, with_pressure }
}

/// One spot before its filters.
struct Prepared {
    module: Option<u32>,
    goods: Vec<usize>,
    rounds: usize,
    alignment: Alignment,
    clips: Vec<GoodClip>,
    model: Model,
}

impl Prepared {
    fn known(&self) -> bool {
        self.rounds >= LEAST_ROUNDS
    }
}

impl Spot {
    /// Whether its own rounds tell how far rounds lie apart; else its verdicts are provisional.
    #[must_use]
    pub fn known(&self) -> bool {
        self.rounds >= LEAST_ROUNDS
    }
}

/// The model of a spot's clips, with what only rounds can tell taken as usual where they are few.
fn fitted(clips: &[GoodClip], n_usable: usize, rounds: usize) -> Model {
    let model = Model::fit(clips, n_usable);
    if rounds < LEAST_ROUNDS { model.of_few_rounds() } else { model }
}

/// The other spots whose healthy clips tell of spot `k`: those that share the crank's angle, but not what few rounds say of many.
fn beside(models: &[Prepared], k: usize, share: bool) -> Vec<usize> {
    (0..models.len()).filter(|&j| j != k && share && (models[j].known() || !models[k].known())).collect()
}

/// Nuisance directions for spot `k`: its own healthy residuals, then those of the spots beside it.
fn gathered(residuals: &[&[Vec<f64>]], k: usize, beside: &[usize]) -> Vec<Vec<f64>> {
    let mut out = residuals[k].to_vec();
    out.extend(beside.iter().flat_map(|&j| residuals[j].iter().cloned()));
    out
}

/// In which fold each good clip is left out, per spot: the clips of one round together, of a spot of few rounds one clip at a time.
///
/// Every fold leaves every spot at least two clips to fit: of three rounds or more each in a fold of its own it does.
fn folds(models: &[Prepared], rounds: &[usize]) -> Vec<Vec<usize>> {
    let mut out = vec![Vec::new(); models.len()];
    // Apart, so that what is left out of the one does not go by what there is of the other.
    for known in [true, false] {
        let own: Vec<usize> = (0..models.len()).filter(|&k| models[k].known() == known).collect();
        let unit = |(at, &clip): (usize, &usize)| if known { rounds[clip] } else { at };
        let units = |k: usize| models[k].goods.iter().enumerate().map(unit);
        let mut all: Vec<usize> = own.iter().flat_map(|&k| units(k)).collect();
        all.sort_unstable();
        all.dedup();
        let folded =
            |k: usize, n: usize| -> Vec<usize> { units(k).map(|u| all.binary_search(&u).unwrap_or(0) % n).collect() };
        let leaves_two = |n: usize| {
            own.iter().map(|&k| folded(k, n)).all(|f| (0..n).all(|x| f.iter().filter(|&&y| y != x).count() >= 2))
        };
        let n = (all.len().min(MOST_FOLDS)..all.len()).find(|&n| leaves_two(n)).unwrap_or(all.len());
        for k in own {
            out[k] = folded(k, n);
        }
    }
    out
}

/// Every good clip scored by filters that have not seen it nor what was left out with it, per spot in the order of its good clips.
fn left_out(
    models: &[Prepared],
    rounds: &[usize],
    beside: &[Vec<usize>],
    share: bool,
    edges_hz: &[f64],
) -> Vec<Vec<Raw>> {
    let folds = folds(models, rounds);
    let n_folds = folds.iter().flatten().max().map_or(0, |most| most + 1);
    let by_fold: Vec<Vec<Vec<(usize, Raw)>>> = (0..n_folds)
        .into_par_iter()
        .map(|fold| {
            let fits: Vec<Model> = models
                .iter()
                .zip(&folds)
                .map(|(m, folds)| {
                    let kept: Vec<GoodClip> =
                        folds.iter().zip(&m.clips).filter(|(f, _)| **f != fold).map(|(_, c)| c.clone()).collect();
                    fitted(&kept, m.model.n_usable, m.rounds)
                })
                .collect();
            let residuals: Vec<&[Vec<f64>]> = fits.iter().map(|m| m.residuals.as_slice()).collect();
            models
                .iter()
                .zip(&folds)
                .enumerate()
                .map(|(k, (m, folds))| {
                    let model = &fits[k];
                    let bank = Bank::new(model, gathered(&residuals, k, &beside[k]), edges_hz, model.n_usable, share);
                    folds
                        .iter()
                        .zip(&m.clips)
                        .enumerate()
                        .filter(|(_, (f, _))| **f == fold)
                        .map(|(at, (_, c))| (at, bank.raw(&residual_of(model, &c.level_db, &c.point))))
                        .collect()
                })
                .collect()
        })
        .collect();
    (0..models.len())
        .map(|k| {
            let mut raws: Vec<(usize, Raw)> = by_fold.iter().flat_map(|f| f[k].clone()).collect();
            raws.sort_by_key(|r| r.0);
            raws.into_iter().map(|r| r.1).collect()
        })
        .collect()
}

/// Residual of a clip in units of one run's scatter.
fn residual_of(model: &Model, level_db: &[f64], point: &[f64]) -> Vec<f64> {
    less(level_db, &model.predict(point))
}

fn less(level_db: &[f64], (expected, factor): &(Vec<f64>, f64)) -> Vec<f64> {
    level_db.iter().zip(expected).map(|(y, e)| (y - e) / factor).collect()
}

fn round_ids(items: &[Item]) -> Vec<usize> {
    let mut names: BTreeMap<&str, usize> = BTreeMap::new();
    items
        .iter()
        .enumerate()
        .map(|(i, item)| match &item.round {
            Some(r) => *names.entry(r.as_str()).or_insert(i),
            None => i,
        })
        .collect()
}

fn judge(
    item: &Item,
    index: usize,
    spot: &Spot,
    shape: &PumpShape,
    with_pressure: bool,
    limit: &Limit,
) -> Option<Judged> {
    if item.analysis.refusal().is_some() {
        return None;
    }
    let (take_index, shift, _) = item
        .analysis
        .takes
        .iter()
        .enumerate()
        .filter(|(_, take)| take.map.n_usable >= spot.model.n_usable)
        .map(|(k, take)| {
            let p = pattern(&take.map, spot.model.n_usable);
            // Taps bound nothing: at a wrong angle they would turn the clip away from its own good runs.
            let pulse = zero_bins(take, MarkKind::Pulse, shape, item.module).filter(|_| spot.alignment.absolute);
            let (s, r) = best_turn(&spot.alignment.mean, &p, pulse.map(|z| (z, MARK_REACH)));
            (k, s, r)
        })
        .max_by(|a, b| a.2.total_cmp(&b.2))?;
    let take = &item.analysis.takes[take_index];
    let level_db = turned_db(&take.map, shift);
    let expected = spot.model.predict(&point(item, take, with_pressure));
    let residual = less(&level_db, &expected);
    let Scored { best, hiss_sd } = spot.scorer.score(&residual);
    let combined = limit.combine(&best);
    Some(Judged {
        spot: index,
        take: take_index,
        level_db,
        residual,
        best,
        combined,
        shift,
        hiss_sd,
        expected,
        heard_from: None,
    })
}

/// A residual less its bands' offset and floor change.
#[must_use]
pub fn cleaned(model: &Model, residual: &[f64]) -> Vec<f64> {
    let mut out = vec![0.0; N_CELL];
    for b in 0..model.n_usable {
        let at = b * N_ANGLE..(b + 1) * N_ANGLE;
        let (offset, floor) = nuisance_of(
            &residual[at.clone()],
            &model.variance[at.clone()],
            &model.quiet[at.clone()],
            model.offset_var[b],
            model.floor_var[b],
        );
        for i in at {
            out[i] = residual[i] - offset - floor * model.quiet[i];
        }
    }
    out
}
