//! Which rhythm of each good clip is this pump's, and where its crank zero lies.

use std::collections::BTreeMap;

use crate::baseline::{Turnable, align, best_turn, pattern};
use crate::map::{N_FINE, Take};
use crate::score::Item;
use crate::stroke::{Mark, MarkKind};

/// How much better a clip's other rhythm must fit the other clips' map before it is taken instead.
const BETTER: f64 = 0.1;

/// Good clips by module.
fn by_module(goods: &[Item]) -> BTreeMap<Option<u32>, Vec<usize>> {
    let mut out: BTreeMap<Option<u32>, Vec<usize>> = BTreeMap::new();
    for (i, g) in goods.iter().enumerate() {
        out.entry(g.module).or_default().push(i);
    }
    out
}

/// Puts first in each good clip the rhythm that fits the other good clips' map and the console reading: where a second
/// pump runs beside this one, the louder rhythm of a single clip can be the wrong one.
pub(super) fn rhythms(goods: &mut [Item]) {
    for g in goods.iter_mut() {
        let Some(console) = g.console_spm else { continue };
        let off = |spm: f64| (spm / console - 1.0).abs();
        let takes = &mut g.analysis.takes;
        if takes.first().is_some_and(|t| off(t.spm) > 0.04)
            && let Some(k) = takes.iter().position(|t| off(t.spm) < 0.025)
        {
            takes.swap(0, k);
        }
    }
    for members in by_module(goods).values() {
        if members.iter().all(|&i| goods[i].analysis.takes.len() < 2) {
            continue;
        }
        let n_usable = members.iter().map(|&i| goods[i].analysis.takes[0].map.n_usable).min().unwrap_or(0);
        let first: Vec<Turnable> = members
            .iter()
            .map(|&i| Turnable {
                pattern: pattern(&goods[i].analysis.takes[0].map, n_usable),
                zero: None,
                tapped: None,
            })
            .collect();
        let mean = align(&first).mean;
        for &i in members {
            let fits: Vec<f64> =
                goods[i].analysis.takes.iter().map(|t| best_turn(&mean, &pattern(&t.map, n_usable), None).1).collect();
            let best = (0..fits.len()).max_by(|&a, &b| fits[a].total_cmp(&fits[b])).unwrap_or(0);
            if fits[best] > fits[0] + BETTER {
                goods[i].analysis.takes.swap(0, best);
            }
        }
    }
}

/// Lends the pulses' mark of today's clip to the good clips of its spot where none of them has one.
pub(super) fn mark_from_present(goods: &mut [Item], nows: &[Item]) {
    for (module, members) in by_module(goods) {
        if members.iter().any(|&i| pulse_of(&goods[i].analysis.takes[0]).is_some()) {
            continue;
        }
        let marked = nows
            .iter()
            .filter(|n| n.module == module && n.analysis.refusal().is_none())
            .flat_map(|n| n.analysis.takes.iter())
            .find_map(|t| pulse_of(t).map(|z| (t, z)));
        let Some((take, zero)) = marked else { continue };
        let n_usable = goods[members[0]].analysis.takes[0].map.n_usable.min(take.map.n_usable);
        let reference = pattern(&take.map, n_usable);
        let best = members
            .iter()
            .map(|&i| (i, best_turn(&reference, &pattern(&goods[i].analysis.takes[0].map, n_usable), None)))
            .max_by(|a, b| a.1.1.total_cmp(&b.1.1));
        if let Some((i, (turn, _))) = best {
            goods[i].analysis.takes[0].mark = Some(Mark::pulse((zero + turn / N_FINE as f64).rem_euclid(1.0)));
        }
    }
}

/// The crank zero that pulses give a take.
fn pulse_of(take: &Take) -> Option<f64> {
    take.mark.filter(|m| m.kind == MarkKind::Pulse).map(|m| m.zero_turns)
}
