//! Modules against each other, for a pump that has no good rounds yet: one clip a module in, a ranking with decibels out.
//!
//! This is the weaker witness. Modules of one pump differ from each other when all is well (wear, placement, room), and nothing here
//! says by how much; so there is no limit, no chance of a false alarm and no verdict, only who stands out and by how much.

use serde::Serialize;

use crate::baseline::{N_CELL, Turnable, align, turned_db};
use crate::dsp::bands::{N_BAND, band_edges_hz};
use crate::map::{N_ANGLE, Take};
use crate::robust::median_mut;
use crate::score::compare::turnable;
use crate::score::{Angle, Item, PumpShape};

/// Modules that a comparison among them needs: of two nobody can say which is the odd one.
const LEAST_MODULES: usize = 3;
/// Share of a band's angles that lie below its quiet level, so that a hiss over half the turn does not count as quiet.
const QUIET_SHARE: f64 = 0.25;
/// Widths of the arcs looked at, in columns of 5 degrees.
const ARCS: [usize; 4] = [6, 12, 24, 36];
/// Heights of the bands looked at, in bands of the map.
const HEIGHTS: [usize; 3] = [3, 6, 12];
/// Rates of one walk's clips agree within this share.
const SAME_RATE: f64 = 0.04;

/// One module and how it stands out from the others.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OddModule {
    /// Module.
    pub module: u32,
    /// The clip as it was named.
    pub file: String,
    /// Mean of what it has more than the others within band and arc, in dB.
    pub excess_db: f64,
    /// Band in Hz.
    pub band_hz: [f64; 2],
    /// Arc in degrees, start and end, of the module's own angle where [`OddOnes::angle`] is absolute.
    pub arc_deg: [f64; 2],
    /// What the ranking goes by: `excess_db` times the root of the cells it extends over.
    #[serde(skip)]
    weight: f64,
}

/// The modules of one walk against each other.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OddOnes {
    /// The one that stands out most comes first.
    pub ranking: Vec<OddModule>,
    /// How much more the first stands out than the second, in dB.
    pub lead_db: f64,
    /// Whether angles are the modules' own.
    pub angle: Angle,
}

/// Why modules can't be compared with each other.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum OddError {
    /// Of two nobody can say which is the odd one.
    #[error("{got} module(s) with a usable clip; comparing modules with each other needs 3: record the others too")]
    FewModules {
        /// Modules with a usable clip.
        got: usize,
    },
}

/// Compares the modules of one walk with each other.
///
/// Each map is brought to its module's own crank angle: by pulses and firing order where all clips carry pulses, else by turning the maps
/// until their events lie over each other (clips taken one after the other share no clock). Of each band the quiet level is taken off, which
/// removes gain and tone colour; what is left is compared with the median of the other modules.
///
/// # Arguments
/// - `items`: clips of one walk; of a module's clips the first usable one counts.
/// - `shape`: firing order.
///
/// # Errors
/// [`OddError::FewModules`] with fewer than three modules.
pub fn odd_ones(items: &[Item], shape: &PumpShape) -> Result<OddOnes, OddError> {
    let mut chosen: Vec<(u32, &Item)> = Vec::new();
    for item in items.iter().filter(|i| i.analysis.refusal().is_none() && !i.analysis.takes.is_empty()) {
        if let Some(m) = item.module.filter(|m| chosen.iter().all(|c| c.0 != *m)) {
            chosen.push((m, item));
        }
    }
    if chosen.len() < LEAST_MODULES {
        return Err(OddError::FewModules { got: chosen.len() });
    }
    let takes = takes_of_one_rate(&chosen);
    let n_usable = takes.iter().map(|t| t.map.n_usable).min().unwrap_or(0);
    let turnables: Vec<Turnable> =
        takes.iter().zip(&chosen).map(|(t, (m, _))| turnable(t, n_usable, shape, Some(*m))).collect();
    let marked = turnables.iter().all(|t| t.zero.is_some());
    let alignment = align(&turnables);
    let contrasts: Vec<Vec<f64>> = takes
        .iter()
        .zip(turnables.iter().zip(&alignment.shift))
        .map(|(t, (turnable, &shift))| {
            contrast(turned_db(&t.map, if marked { turnable.zero.unwrap_or(shift) } else { shift }), n_usable)
        })
        .collect();
    let mut ranking: Vec<OddModule> = chosen
        .iter()
        .enumerate()
        .map(|(k, (module, item))| {
            let others: Vec<&[f64]> =
                contrasts.iter().enumerate().filter(|(j, _)| *j != k).map(|(_, c)| c.as_slice()).collect();
            let difference: Vec<f64> = (0..N_CELL)
                .map(|i| {
                    contrasts[k][i] - median_mut(&mut others.iter().map(|o| o[i]).collect::<Vec<_>>()).unwrap_or(0.0)
                })
                .collect();
            most(&difference, n_usable, *module, &item.file)
        })
        .collect();
    ranking.sort_by(|a, b| b.weight.total_cmp(&a.weight).then(a.module.cmp(&b.module)));
    let lead_db = ranking[0].excess_db - ranking[1].excess_db;
    let angle = if alignment.absolute { Angle::Absolute } else { Angle::Relative };
    Ok(OddOnes { ranking, lead_db, angle })
}

/// How far the good clips of one spot scatter about each other: the median over the map of the standard deviation over clips, in dB, each
/// band's quiet level taken off. `None` for fewer than two usable clips.
#[must_use]
pub fn scatter_db(items: &[Item], shape: &PumpShape) -> Option<f64> {
    let chosen: Vec<(u32, &Item)> = items
        .iter()
        .filter(|i| i.analysis.refusal().is_none() && !i.analysis.takes.is_empty())
        .map(|i| (i.module.unwrap_or(0), i))
        .collect();
    if chosen.len() < 2 {
        return None;
    }
    let takes: Vec<&Take> = chosen.iter().map(|(_, i)| &i.analysis.takes[0]).collect();
    let n_usable = takes.iter().map(|t| t.map.n_usable).min()?;
    let turnables: Vec<Turnable> =
        takes.iter().zip(&chosen).map(|(t, (_, i))| turnable(t, n_usable, shape, i.module)).collect();
    let alignment = align(&turnables);
    let maps: Vec<Vec<f64>> =
        takes.iter().zip(&alignment.shift).map(|(t, &s)| contrast(turned_db(&t.map, s), n_usable)).collect();
    let n = maps.len() as f64;
    let mut deviations: Vec<f64> = (0..n_usable * N_ANGLE)
        .map(|i| {
            let mean = maps.iter().map(|m| m[i]).sum::<f64>() / n;
            (maps.iter().map(|m| (m[i] - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt()
        })
        .collect();
    median_mut(&mut deviations)
}

/// Of each clip the rhythm that the walk's clips share.
fn takes_of_one_rate<'a>(chosen: &[(u32, &'a Item)]) -> Vec<&'a Take> {
    let mut rates: Vec<f64> = chosen.iter().map(|(_, i)| i.analysis.takes[0].spm).collect();
    let middle = median_mut(&mut rates).unwrap_or(0.0);
    chosen
        .iter()
        .map(|(_, i)| {
            let takes = &i.analysis.takes;
            takes.iter().find(|t| (t.spm / middle - 1.0).abs() < SAME_RATE).unwrap_or(&takes[0])
        })
        .collect()
}

/// A map less each band's quiet level; bands that are not usable are 0. Shape `(N_BAND, N_ANGLE)`.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a place within one turn")]
fn contrast(mut level_db: Vec<f64>, n_usable: usize) -> Vec<f64> {
    let at = (QUIET_SHARE * N_ANGLE as f64) as usize;
    for (b, row) in level_db.chunks_exact_mut(N_ANGLE).enumerate() {
        if b >= n_usable {
            row.fill(0.0);
            continue;
        }
        let mut sorted = row.to_vec();
        sorted.sort_by(f64::total_cmp);
        let quiet = sorted[at];
        for x in row {
            *x -= quiet;
        }
    }
    level_db
}

/// The band and arc in which a difference is largest for its extent.
fn most(difference: &[f64], n_usable: usize, module: u32, file: &str) -> OddModule {
    let edges = band_edges_hz();
    let mut best = OddModule {
        module,
        file: file.to_owned(),
        excess_db: 0.0,
        band_hz: [edges[0], edges[n_usable.min(N_BAND)]],
        arc_deg: [0.0, 360.0],
        weight: 0.0,
    };
    let column = 360.0 / N_ANGLE as f64;
    for height in HEIGHTS.into_iter().filter(|&h| h <= n_usable) {
        for band in 0..=n_usable - height {
            let sums: Vec<f64> =
                (0..N_ANGLE).map(|a| (band..band + height).map(|b| difference[b * N_ANGLE + a]).sum()).collect();
            for width in ARCS {
                for start in 0..N_ANGLE {
                    let sum: f64 = (start..start + width).map(|a| sums[a % N_ANGLE]).sum();
                    let cells = (height * width) as f64;
                    let weight = sum / cells.sqrt();
                    if weight > best.weight {
                        best.weight = weight;
                        best.excess_db = sum / cells;
                        best.band_hz = [edges[band], edges[band + height]];
                        best.arc_deg = [start as f64 * column, ((start + width) % N_ANGLE) as f64 * column];
                    }
                }
            }
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clip::Clip;
    use crate::map::{AnalyseSettings, analyse};
    use crate::sample::{Condition, Fault, Room, RoomSettings};

    fn walk(seed: u64, fault: Option<(u32, Fault)>, pulse: bool) -> (Vec<Item>, PumpShape) {
        let settings = RoomSettings::drawn(seed);
        let room = Room::new(seed, &settings).unwrap();
        let mut round = Condition::Calm.round(900 + seed, &room);
        if let Some((module, fault)) = fault {
            round.fault = Some(fault);
            round.fault_module = module;
        }
        let items = (1..=3)
            .map(|module| {
                let mut spec = round.clip(module);
                spec.pulse = pulse;
                spec.sample_rate_hz = 24_000.0;
                spec.duration_s = 20.0;
                let made = room.record(&spec).unwrap();
                let clip = Clip::in_memory(made.samples, made.sample_rate_hz, made.pulse);
                Item {
                    file: format!("m{module}.wav"),
                    module: Some(module),
                    round: Some("today".into()),
                    console_spm: None,
                    pressure: None,
                    analysis: analyse(&clip, &AnalyseSettings::default()),
                }
            })
            .collect();
        (items, PumpShape { order: settings.order })
    }

    #[test]
    fn a_strong_leak_makes_its_module_the_odd_one() {
        let mut right = 0;
        for seed in 1..=6 {
            let module = 1 + u32::try_from(seed % 3).unwrap();
            let (items, shape) = walk(seed, Some((module, Fault::DischargeValve { level_db: 8.0 })), true);
            let odd = odd_ones(&items, &shape).unwrap();
            assert_eq!(odd.angle, Angle::Absolute);
            right += usize::from(odd.ranking[0].module == module && odd.ranking[0].excess_db > 3.0);
        }
        assert!(right >= 5, "{right} of 6");
    }

    #[test]
    fn without_marks_it_is_found_too_but_angles_are_relative() {
        let (items, shape) = walk(3, Some((2, Fault::SuctionValve { level_db: 10.0 })), false);
        let odd = odd_ones(&items, &shape).unwrap();
        assert_eq!((odd.angle, odd.ranking[0].module), (Angle::Relative, 2));
        assert!(odd.ranking.windows(2).all(|w| w[0].weight >= w[1].weight));
    }

    #[test]
    fn two_modules_are_not_enough() {
        let (items, shape) = walk(4, None, false);
        assert_eq!(odd_ones(&items[..2], &shape), Err(OddError::FewModules { got: 2 }));
        assert_eq!(odd_ones(&[], &shape), Err(OddError::FewModules { got: 0 }));
    }

    #[test]
    fn the_gain_of_one_recording_changes_nothing() {
        let (mut items, shape) = walk(5, Some((1, Fault::Piston { level_db: 8.0 })), true);
        let before = odd_ones(&items, &shape).unwrap();
        for take in &mut items[2].analysis.takes {
            for p in &mut take.map.power {
                *p *= 100.0;
            }
        }
        let after = odd_ones(&items, &shape).unwrap();
        for (a, b) in before.ranking.iter().zip(&after.ranking) {
            assert_eq!(a.module, b.module);
            assert!((a.excess_db - b.excess_db).abs() < 1e-3);
        }
    }

    #[test]
    fn one_and_the_same_clip_has_no_scatter() {
        let (items, shape) = walk(2, None, false);
        let alike = vec![items[0].clone(), items[0].clone(), items[0].clone()];
        assert!(scatter_db(&alike, &shape).unwrap() < 1e-9);
        assert!(scatter_db(&items, &shape).unwrap() > 0.1);
        assert_eq!(scatter_db(&items[..1], &shape), None);
    }
}
