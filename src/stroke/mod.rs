//! Stroke rate and phase along a clip, with or without a hint, and the second rhythm beside it.

mod feature;
mod marks;
mod search;
mod track;
mod wander;

pub(crate) use feature::group_edges;
pub use feature::{Feature, N_GROUP, group_sums, levels_db};
pub use marks::{
    KNOWN_DEG, Mark, MarkError, MarkKind, TAPS_BEFORE_KNOWN, TapAngle, pulse_marks, tap_angle, zero_from_marks,
    zero_from_taps,
};
pub use search::RATE_SPAN_SPM;
use search::Times;
pub use track::{Rhythm, whittaker};

/// How far from a hint the rate is looked for, relative.
pub const HINT_SPAN: f64 = 0.15;
/// Rates that one rhythm could be mistaken for, as ratios of a candidate's rate.
pub(crate) const RATIOS: [f64; 11] = [0.2, 0.25, 1.0 / 3.0, 0.5, 2.0 / 3.0, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0];
/// A second rhythm is followed if before following it explains at least this share of what the first does.
const HOPEFUL: f64 = 0.01;
/// A faster rate that explains this share of what the best explains is the true one: a fold at half the rate explains all too.
const SAME_STRENGTH: f64 = 0.985;
/// Share of the best at half the values that a ratio needs to be weighed at all of them.
const CONTENDS: f64 = 0.85;
/// Candidates from the modulation spectrum.
const MOST_PATHS: usize = 5;
/// Candidates followed through the clip.
const MOST_FOLLOWED: usize = 3;
/// A candidate is followed if it explains at least this share of what the best does before following.
const WORTH_FOLLOWING: f64 = 0.1;
/// Lock below which there is no rhythm.
pub const LEAST_LOCK: f64 = 0.45;

/// Adding this and taking it away again rounds to a whole number: 1.5 times 2^52.
const ROUNDER: f64 = 6_755_399_441_055_744.0;
/// Binary places of a part of a turn.
const PLACES: u32 = 51;
/// A number from -0.5 to 0.5 added to this has its fraction in the lowest [`PLACES`] bits of the sum.
const FIXED: f64 = 3.0;

/// In which of `n` equal parts of a turn a phase lies, from 0 (`n` at most 8192); the first for not-a-number.
///
/// This is the innermost step of all. `floor` and casts from floating point take one value at a time on plain x86-64; these
/// additions, and the product of whole numbers if `n` is a constant, are done side by side.
#[inline(always)]
pub(crate) fn part_of_turn(turns: f64, n: usize) -> usize {
    let rest = turns - ((turns + ROUNDER) - ROUNDER);
    let fraction = (rest + FIXED).to_bits() & ((1 << PLACES) - 1);
    ((fraction * n as u64) >> PLACES) as usize
}

/// Candidate rhythms of a clip, the strongest stroke map first.
///
/// Rates come from the modulation spectrum; each is also tried at simple ratios; the choice is by map strength, and among
/// rates in simple ratio the fastest that explains as much (so never a half or a third of the truth, and never twice
/// or three times it, which explain less).
///
/// # Arguments
/// - `hint_spm`: a console reading; the search is then within 15 % of it.
#[must_use]
pub fn rhythms(feature: &Feature, hint_spm: Option<f64>) -> Vec<Rhythm> {
    let span = match hint_spm {
        Some(h) => (h * (1.0 - HINT_SPAN), h * (1.0 + HINT_SPAN)),
        None => RATE_SPAN_SPM,
    };
    rhythms_within(feature, (span.0 / 60.0, span.1 / 60.0), &[], MOST_FOLLOWED, 0.0)
}

/// The rhythm that regular marks give, one mark a turn: no search, no harmonic to mistake.
///
/// # Returns
/// `None` if there are fewer than ten marks, if they do not span four fifths of the clip, or if their spacing is not regular
/// (a tenth of the intervals more than 10 % off whole multiples of the median).
#[must_use]
pub fn rhythm_from_marks(feature: &Feature, marks_s: &[f64], first_centre_s: f64) -> Option<Rhythm> {
    let (&first, &last) = (marks_s.first()?, marks_s.last()?);
    if marks_s.len() < 10 || last - first < 0.8 * feature.length_s() {
        return None;
    }
    let mut gaps: Vec<f64> = marks_s.windows(2).map(|w| w[1] - w[0]).collect();
    gaps.sort_by(f64::total_cmp);
    let median = gaps[gaps.len() / 2];
    if !(0.2..=4.0).contains(&median) {
        return None;
    }
    let mut turns = vec![0.0];
    let mut odd = 0;
    for w in marks_s.windows(2) {
        let gap = (w[1] - w[0]) / median;
        if (gap - gap.round()).abs() > 0.1 || gap < 0.5 {
            odd += 1;
        }
        turns.push(turns[turns.len() - 1] + gap.round().max(1.0));
    }
    if 10 * odd > marks_s.len() {
        return None;
    }
    let mut k = 0;
    let phase = (0..feature.x.len())
        .map(|i| {
            let t = first_centre_s + i as f64 / feature.rate_hz;
            while k + 2 < marks_s.len() && t > marks_s[k + 1] {
                k += 1;
            }
            turns[k] + (t - marks_s[k]) / (marks_s[k + 1] - marks_s[k]) * (turns[k + 1] - turns[k])
        })
        .collect();
    Some(track::finish(feature, phase))
}

/// The strongest other rhythm in what `first` leaves, not in simple ratio to it.
#[must_use]
pub fn second_rhythm(feature: &Feature, first: &Rhythm) -> Option<Rhythm> {
    let rest = track::without(feature, first);
    let span = (RATE_SPAN_SPM.0 / 60.0, RATE_SPAN_SPM.1 / 60.0);
    let found = rhythms_within(&rest, span, &[first.spm / 60.0], 1, HOPEFUL * first.strength).into_iter().next()?;
    (found.lock >= LEAST_LOCK).then_some(found)
}

/// Whether one half of the clip follows the rhythm and the other does not: the speed may have jumped.
#[must_use]
pub fn uneven(feature: &Feature, rhythm: &Rhythm) -> bool {
    let n = feature.x.len();
    let part = |range: std::ops::Range<usize>| track::strength(&feature.x[range.clone()], &rhythm.phase[range], 1.0);
    let (a, b) = (part(0..n / 2), part(n / 2..n));
    a.min(b) < 0.5 * a.max(b)
}

/// Follows `rhythm` again on the clip's feature less the second rhythm.
#[must_use]
pub fn polish(feature: &Feature, rhythm: &Rhythm, second: &Rhythm) -> Rhythm {
    track::polish(&track::without(feature, second), rhythm.phase.clone())
}

/// At most `most` rhythms that before following explain at least `least`, the strongest first.
fn rhythms_within(feature: &Feature, span_hz: (f64, f64), not_hz: &[f64], most: usize, least: f64) -> Vec<Rhythm> {
    // Half the values are enough to choose among candidates, and for the modulation spectrum.
    let coarse = feature.halved();
    let related = |f: f64| not_hz.iter().any(|&g| RATIOS.iter().any(|&r| (f / (g * r) - 1.0).abs() < 0.008));
    let mut tried: Vec<(f64, f64, Vec<f64>)> = Vec::new();
    let paths = search::candidates(&coarse, span_hz, MOST_PATHS);
    let Some(first) = paths.first() else { return Vec::new() };
    let coarse_times = Times::new(first, coarse.x.len(), coarse.rate_hz);
    let times = Times::new(first, feature.x.len(), feature.rate_hz);
    for path in paths {
        let mean_hz = path.rate_hz.iter().sum::<f64>() / path.rate_hz.len() as f64;
        let base = path.phase(&coarse_times);
        let family: Vec<(f64, f64)> = RATIOS
            .iter()
            .filter(|&&r| r * mean_hz >= span_hz.0 * 0.999 && r * mean_hz <= span_hz.1 * 1.001)
            .filter(|&&r| !related(r * mean_hz))
            .map(|&r| (r, track::strength(&coarse.x, &base, r)))
            .collect();
        let Some(near) = family.iter().map(|f| CONTENDS * f.1).max_by(f64::total_cmp) else { continue };
        // Which of those near the top is the true one is a matter of little: that needs all the values.
        let full = path.phase(&times);
        let family: Vec<(f64, f64)> = family
            .into_iter()
            .filter(|f| f.1 >= near)
            .map(|(r, _)| (r, track::strength(&feature.x, &full, r)))
            .collect();
        let Some(best) = family.iter().map(|f| f.1).max_by(f64::total_cmp) else { continue };
        let pick = family.iter().rev().find(|f| f.1 >= SAME_STRENGTH * best);
        if let Some(&(ratio, strength)) = pick {
            tried.push((strength, ratio * mean_hz, full.iter().map(|p| p * ratio).collect()));
        }
    }
    tried.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut kept: Vec<(f64, Vec<f64>)> = Vec::new();
    let least = tried.first().map_or(0.0, |t| WORTH_FOLLOWING * t.0).max(least);
    for (strength, hz, phase) in tried {
        if kept.len() < most && strength >= least && kept.iter().all(|(other, _)| (hz / other - 1.0).abs() > 0.01) {
            kept.push((hz, phase));
        }
    }
    let mut found: Vec<Rhythm> = kept.into_iter().map(|(_, phase)| track::follow(feature, phase)).collect();
    found.sort_by(|a, b| b.strength.total_cmp(&a.strength));
    // Two starts that ended on the same rhythm are one.
    let mut out: Vec<Rhythm> = Vec::new();
    for r in found {
        if r.spm > 0.0 && out.iter().all(|o| (r.spm / o.spm - 1.0).abs() > 0.003) {
            out.push(r);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a part of a turn")]
    fn parts_of_a_turn_are_what_floor_says() {
        for n in [72_u32, 144] {
            for i in -30_000..30_000 {
                // Steps that meet no edge but 0.
                let turns = f64::from(i) * 0.012_345_678_9;
                let plain = ((turns - turns.floor()) * f64::from(n)).floor() as usize;
                assert_eq!(part_of_turn(turns, n as usize), plain, "{turns} of {n}");
            }
            for k in 0..n {
                // The middle of every part, and whole turns.
                let middle = (f64::from(k) + 0.5) / f64::from(n);
                assert_eq!(part_of_turn(5.0 + middle, n as usize), k as usize);
                assert_eq!(part_of_turn(middle - 3.0, n as usize), k as usize);
                assert_eq!(part_of_turn(f64::from(k), n as usize), 0);
            }
            assert_eq!(part_of_turn(f64::NAN, n as usize), 0);
            assert!(part_of_turn(f64::INFINITY, n as usize) < n as usize);
        }
    }
}
