//! Machines without strokes: one level a band, judged by its own good runs.

use std::collections::BTreeMap;

use crate::dsp::bands::{N_BAND, band_edges_hz};
use crate::map::{Analysis, N_FINE};
use crate::robust::median_mut;
use crate::score::few::{LEAST_ROUNDS, n_rounds, provisional, tempered};
use crate::score::limit::{Combined, Limit};
use crate::score::outcome::{BaselineInfo, Outcome, Width, unjudged};
use crate::score::reading::{Finds, reading};
use crate::score::{Angle, Best, ClipVerdict, Half, Item, Pattern, State};

/// Equivalent clips that the pooled variance counts for against a band's own.
const PRIOR_CLIPS: f64 = 6.0;
/// Smallest spread of a band between runs, dB.
const LEAST_DB: f64 = 0.3;
/// Spread of a band between rounds that is taken as usual where the good clips are of too few rounds to tell, dB.
const USUAL_DB: f64 = 1.5;

/// What a comparison of one clip gave.
#[derive(Debug, Clone)]
pub(super) struct Found {
    /// Combined score.
    pub combined: Combined,
    /// Kind of change.
    pub pattern: Pattern,
    /// First and one-past-last band.
    pub bands: (usize, usize),
    /// Mean change within those bands, gain taken out, dB.
    pub excess_db: f64,
    /// Gain against the baseline, dB.
    pub gain_db: f64,
}

/// Band levels of a rotating take in dB, or `None` if there is none.
fn levels(analysis: &Analysis) -> Option<(Vec<f64>, usize)> {
    let map = &analysis.takes.first()?.map;
    let mean = |b: usize| (0..N_FINE).map(|k| f64::from(map.power[k * N_BAND + b])).sum::<f64>() / N_FINE as f64;
    Some(((0..N_BAND).map(|b| 10.0 * mean(b).max(1e-24).log10()).collect(), map.n_usable))
}

/// Median, 0 of nothing.
fn median_of(x: impl Iterator<Item = f64>) -> f64 {
    median_mut(&mut x.collect::<Vec<_>>()).unwrap_or(0.0)
}

/// Mean and spread of the good clips' band levels.
struct Levels {
    mean: Vec<f64>,
    spread: Vec<f64>,
}

impl Levels {
    fn fit(rows: &[&Vec<f64>], n_band: usize) -> Self {
        let n = rows.len() as f64;
        let mean: Vec<f64> = (0..n_band).map(|b| rows.iter().map(|r| r[b]).sum::<f64>() / n).collect();
        let gains: Vec<f64> = rows.iter().map(|r| median_of((0..n_band).map(|b| r[b] - mean[b]))).collect();
        let own: Vec<f64> = (0..n_band)
            .map(|b| rows.iter().zip(&gains).map(|(r, g)| (r[b] - mean[b] - g).powi(2)).sum::<f64>())
            .collect();
        let freedom = (n - 1.0).max(1.0);
        let pool = own.iter().sum::<f64>() / (freedom * n_band as f64);
        let spread = own
            .iter()
            .map(|s| ((PRIOR_CLIPS * pool + s) / (PRIOR_CLIPS + freedom)).sqrt().max(LEAST_DB) * (1.0 + 1.0 / n).sqrt())
            .collect();
        Self { mean, spread }
    }

    fn standardised(&self, row: &[f64]) -> (Vec<f64>, f64) {
        let gain = median_of(self.mean.iter().zip(row).map(|(m, r)| r - m));
        (self.mean.iter().zip(&self.spread).zip(row).map(|((m, s), r)| (r - m - gain) / s).collect(), gain)
    }
}

/// Largest sum over a range of bands (all-round) and over one or two bands (tone), each on its own scale.
fn best(z: &[f64]) -> ([Best; 2], [(usize, usize); 2]) {
    let mut out = [Best { score: 0.0, filter: 0 }; 2];
    let mut place = [(0, z.len()); 2];
    for lo in 0..z.len() {
        let mut sum = 0.0;
        for hi in lo + 1..=z.len() {
            sum += z[hi - 1];
            let k = usize::from(hi - lo < 3);
            let score = sum / ((hi - lo) as f64).sqrt();
            if score > out[k].score {
                out[k] = Best { score, filter: lo };
                place[k] = (lo, hi);
            }
        }
    }
    (out, place)
}

/// Judges clips of a machine without strokes against its good ones, at least 3, over the first `n_band` bands. `None` for a clip that carries
/// fewer.
#[must_use]
fn judge_rotating(goods: &[&Item], nows: &[&Item], n_band: usize, rounds: usize) -> Vec<Option<Found>> {
    let rows: Vec<(Vec<f64>, Option<&str>)> = goods
        .iter()
        .filter_map(|g| Some((levels(&g.analysis)?.0, g.round.as_deref().filter(|_| rounds >= LEAST_ROUNDS))))
        .collect();
    // Left out with its round; of few rounds, and without one, alone.
    let together = |a: usize, b: usize| a == b || rows[a].1.is_some() && rows[a].1 == rows[b].1;
    let healthy: Vec<Vec<Best>> = (0..rows.len())
        .map(|c| {
            let others: Vec<&Vec<f64>> = (0..rows.len()).filter(|&i| !together(i, c)).map(|i| &rows[i].0).collect();
            best(&Levels::fit(&others, n_band).standardised(&rows[c].0).0).0.to_vec()
        })
        .collect();
    let limit = Limit::new(&healthy.iter().map(Vec::as_slice).collect::<Vec<_>>(), &[1.0, 1.0]);
    let mut all = Levels::fit(&rows.iter().map(|r| &r.0).collect::<Vec<_>>(), n_band);
    if rounds < LEAST_ROUNDS {
        all.spread.iter_mut().for_each(|s| *s = s.hypot(USUAL_DB));
    }
    nows.iter()
        .map(|now| {
            let (row, usable) = levels(&now.analysis)?;
            if usable < n_band {
                return None;
            }
            let (z, gain_db) = all.standardised(&row);
            let (found, place) = best(&z);
            let combined = limit.combine(&found);
            let bands = place[combined.family];
            let excess_db =
                (bands.0..bands.1).map(|b| row[b] - all.mean[b] - gain_db).sum::<f64>() / (bands.1 - bands.0) as f64;
            let pattern = if combined.family == 1 { Pattern::Tone } else { Pattern::AllRound };
            Some(Found { combined, pattern, bands, excess_db, gain_db })
        })
        .collect()
}

/// Fills in the outcome for machines without strokes.
///
/// # Arguments
/// - `goods`: usable good clips, of each module in `spots` at least 3.
pub(super) fn fill(out: &mut Outcome, goods: &[Item], nows: &[Item], spots: &BTreeMap<Option<u32>, Width>) {
    for (&module, width) in spots {
        let at: Vec<usize> = (0..nows.len()).filter(|&i| nows[i].module == module).collect();
        if at.is_empty() {
            continue;
        }
        let good: Vec<&Item> = goods.iter().filter(|g| g.module == module).collect();
        let rounds = n_rounds(goods, module);
        let mut quality = width.too_narrow.clone();
        quality.extend(provisional(rounds));
        out.baselines.push(BaselineInfo {
            module,
            clips: good.len(),
            rounds,
            rounds_known: good.iter().all(|g| g.round.is_some()),
            spm: [0.0, 0.0],
            sample_rate_hz: good.iter().map(|g| g.analysis.sample_rate_hz).fold(f64::MAX, f64::min),
            angle: Angle::Relative,
            quality,
        });
        let judged: Vec<usize> = at.into_iter().filter(|&i| nows[i].analysis.refusal().is_none()).collect();
        let items: Vec<&Item> = judged.iter().map(|&i| &nows[i]).collect();
        for (i, found) in judged.into_iter().zip(judge_rotating(&good, &items, width.n_band, rounds)) {
            match found {
                Some(f) => out.clips[i] = tempered(verdict(&nows[i], &f), rounds),
                None => {
                    let reason =
                        "this clip carries fewer bands than the good ones: record at the same or a higher sample rate";
                    out.clips[i].reason = Some(reason.into());
                    out.clips[i].reading = format!("No verdict. Next: {reason}.");
                }
            }
        }
    }
}

fn verdict(item: &Item, f: &Found) -> ClipVerdict {
    let departure = f.combined.departure;
    let state = match departure {
        d if d > 2.0 => State::Departed,
        d if d > 1.0 => State::Drifting,
        _ => State::Steady,
    };
    let departs = state != State::Steady;
    let edges = band_edges_hz();
    let text = reading(&Finds {
        state,
        pattern: f.pattern,
        half: Half::Both,
        angle: Angle::Absolute,
        start_deg: 0.0,
        heard_from: None,
    });
    ClipVerdict {
        verdict: state,
        departure: Some(departure),
        false_alarm: Some(f.combined.false_alarm),
        excess_db: Some(f.excess_db),
        band_hz: departs.then(|| [edges[f.bands.0], edges[f.bands.1]]),
        pattern: if departs { f.pattern } else { Pattern::Unclear },
        reading: text,
        spm: None,
        strokes: None,
        lock: None,
        level_db: Some(f.gain_db),
        reason: None,
        ..unjudged(item)
    }
}
