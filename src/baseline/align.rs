//! Stroke maps of one spot on one common angle origin.

use crate::baseline::agree::{Agreed, agree};
use crate::dsp::bands::N_BAND;
use crate::map::{FoldedMap, N_ANGLE, N_FINE};

/// Cells of a stroke map.
pub const N_CELL: usize = N_BAND * N_ANGLE;
/// How far pulses and map may disagree, in fine bins (25 degrees).
pub const MARK_REACH: usize = 10;
/// Rounds of align-to-the-mean.
const ROUNDS: usize = 3;
/// Levels count in an alignment up to this many dB about the band's mean.
const CLIP_DB: f32 = 12.0;

/// Level pattern of a folded map for alignment: dB about each band's mean, shape `(N_FINE, N_BAND)`, unusable bands 0.
#[must_use]
pub fn pattern(map: &FoldedMap, n_usable: usize) -> Vec<f32> {
    let mut out: Vec<f32> = map.power.iter().map(|&p| 10.0 * p.max(1e-24).log10()).collect();
    for b in 0..N_BAND {
        let mean = (0..N_FINE).map(|k| out[k * N_BAND + b]).sum::<f32>() / N_FINE as f32;
        for k in 0..N_FINE {
            let v = &mut out[k * N_BAND + b];
            *v = if b < n_usable { (*v - mean).clamp(-CLIP_DB, CLIP_DB) } else { 0.0 };
        }
    }
    out
}

/// Turn of `x` against `reference`: the shift in fine bins (fractional) that fits best, and the correlation there.
///
/// `x` at bin `k + shift` lies over `reference` at bin `k`.
///
/// # Arguments
/// - `near`: centre of the search in fine bins, and its reach; `None` searches the whole turn.
#[must_use]
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "bins of one turn")]
pub fn best_turn(reference: &[f32], x: &[f32], near: Option<(f64, usize)>) -> (f64, f64) {
    let (first, n) = match near {
        Some((centre, reach)) => {
            (centre.round().rem_euclid(N_FINE as f64) as usize + 2 * N_FINE - reach, 2 * reach + 1)
        }
        None => (N_FINE, N_FINE),
    };
    // One lag more on both sides, for the bend.
    let fits = fits(reference, x, (first - 1) % N_FINE, n + 2);
    let best = (1..=n).max_by(|&a, &b| fits[a].total_cmp(&fits[b])).unwrap_or(1);
    let (before, value, after) = (fits[best - 1], fits[best], fits[best + 1]);
    let bend = before - 2.0 * value + after;
    let offset = if bend < 0.0 { (0.5 * (before - after) / bend).clamp(-0.5, 0.5) } else { 0.0 };
    let energy = |v: &[f32]| v.iter().map(|&a| f64::from(a) * f64::from(a)).sum::<f64>();
    let norm = (energy(reference) * energy(x)).sqrt();
    (((first - 1 + best) % N_FINE) as f64 + offset, if norm > 0.0 { value / norm } else { 0.0 })
}

/// Lags that are tried side by side, which lets the compiler use vector registers.
const LAGS: usize = 8;
/// A band of a pattern, as often round as any lag may need.
const ROW: usize = 3 * N_FINE + LAGS;

/// How well `x` fits over `reference` at `n` lags in fine bins from `from` on: the sum of the products.
///
/// # Arguments
/// - `from`: below `N_FINE`.
/// - `n`: at most `N_FINE + 2`.
fn fits(reference: &[f32], x: &[f32], from: usize, n: usize) -> Vec<f64> {
    let mut by_band = vec![[0.0_f32; ROW]; N_BAND];
    for (b, row) in by_band.iter_mut().enumerate() {
        for (k, slot) in row.iter_mut().enumerate() {
            *slot = x[k % N_FINE * N_BAND + b];
        }
    }
    let mut out = Vec::with_capacity(n + LAGS);
    for lag in (from..from + n).step_by(LAGS) {
        let mut sums = [0.0_f64; LAGS];
        for (k, bands) in reference.chunks_exact(N_BAND).enumerate() {
            let mut products = [0.0_f32; LAGS];
            for (&r, row) in bands.iter().zip(&by_band) {
                for (p, v) in products.iter_mut().zip(&row[lag + k..lag + k + LAGS]) {
                    *p += r * v;
                }
            }
            for (s, p) in sums.iter_mut().zip(products) {
                *s += f64::from(p);
            }
        }
        out.extend(sums);
    }
    out.truncate(n);
    out
}

/// The folded map turned by `shift` fine bins (see [`best_turn`]), as levels in dB of shape `(N_BAND, N_ANGLE)`.
#[must_use]
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "bins of one turn")]
pub fn turned_db(map: &FoldedMap, shift: f64) -> Vec<f64> {
    let per = N_FINE / N_ANGLE;
    let whole = shift.floor();
    let u = shift - whole;
    let start = whole.rem_euclid(N_FINE as f64) as usize;
    let mut out = vec![0.0; N_CELL];
    for a in 0..N_ANGLE {
        for b in 0..N_BAND {
            let mut sum = 0.0;
            for k in 0..per {
                let i = (start + a * per + k) % N_FINE;
                let j = (i + 1) % N_FINE;
                sum += (1.0 - u) * f64::from(map.power[i * N_BAND + b]) + u * f64::from(map.power[j * N_BAND + b]);
            }
            out[b * N_ANGLE + a] = 10.0 * (sum / per as f64).max(1e-24).log10();
        }
    }
    out
}

/// One clip's map ready for alignment.
#[derive(Debug, Clone)]
pub struct Turnable {
    /// As from [`pattern`].
    pub pattern: Vec<f32>,
    /// Crank zero in fine bins of the map from a pulse channel, already turned to the module's own angle: it bounds the search.
    pub zero: Option<f64>,
    /// The same from taps: it is held against where the sound puts the clip, and moves no clip.
    pub tapped: Option<f64>,
}

/// What an alignment of several clips gives.
#[derive(Debug, Clone)]
pub struct Alignment {
    /// Turn of each clip in fine bins: bin `k + shift` of the clip is bin `k` of the common origin.
    pub shift: Vec<f64>,
    /// Mean pattern on the common origin.
    pub mean: Vec<f32>,
    /// Whether the origin is the module's own crank zero.
    pub absolute: bool,
    /// Where each clip's taps put the crank zero on the common origin, in fine bins, half a turn to either side.
    pub tapped: Vec<Option<f64>>,
}

/// Adds a pattern, turned, to a sum.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "bins of one turn")]
fn add_turned(sum: &mut [f32], x: &[f32], shift: f64, weight: f32) {
    let whole = shift.floor();
    let u = (shift - whole) as f32;
    let start = whole.rem_euclid(N_FINE as f64) as usize;
    for k in 0..N_FINE {
        let i = (start + k) % N_FINE;
        let j = (i + 1) % N_FINE;
        for b in 0..N_BAND {
            sum[k * N_BAND + b] += weight * ((1.0 - u) * x[i * N_BAND + b] + u * x[j * N_BAND + b]);
        }
    }
}

/// Signed distance of two angles in fine bins, within half a turn.
#[must_use]
pub fn apart(a: f64, b: f64) -> f64 {
    let n = N_FINE as f64;
    let d = (a - b).rem_euclid(n);
    if d > 0.5 * n { d - n } else { d }
}

/// Aligns all clips of one spot: each against the mean of the others, a few rounds.
///
/// Pulses bound the search where there are any, and their mean is the origin. Taps never move a clip against another; where there are no
/// pulses, taps of most tapped clips that agree with each other (see [`agree`]) turn all clips together to the crank zero.
#[must_use]
pub fn align(clips: &[Turnable]) -> Alignment {
    let n = clips.len();
    let marked: Vec<usize> = (0..n).filter(|&i| clips[i].zero.is_some()).collect();
    let first = marked.first().copied().unwrap_or(0);
    let mut shift = vec![0.0; n];
    let origin = clips.get(first).and_then(|c| c.zero).unwrap_or(0.0);
    let mut mean = vec![0.0_f32; N_FINE * N_BAND];
    if n > 0 {
        add_turned(&mut mean, &clips[first].pattern, origin, 1.0);
        shift[first] = origin;
    }
    for round in 0..ROUNDS {
        for i in 0..n {
            let near = match (clips[i].zero, marked.is_empty()) {
                (Some(z), _) => Some((z, MARK_REACH)),
                _ if round > 0 => Some((shift[i], MARK_REACH)),
                _ => None,
            };
            if round == 0 && i == first {
                continue;
            }
            let mut others = mean.clone();
            if round > 0 {
                add_turned(&mut others, &clips[i].pattern, shift[i], -1.0);
            }
            let (s, _) = best_turn(&others, &clips[i].pattern, near);
            shift[i] = s;
            mean = others;
            add_turned(&mut mean, &clips[i].pattern, s, 1.0);
        }
    }
    if !marked.is_empty() {
        let offsets: Vec<f64> = marked.iter().map(|&i| apart(clips[i].zero.unwrap_or(0.0), shift[i])).collect();
        let turn = offsets.iter().sum::<f64>() / offsets.len() as f64;
        shift.iter_mut().for_each(|s| *s += turn);
    }
    let against = |shift: &[f64]| -> Vec<Option<f64>> {
        clips.iter().zip(shift).map(|(c, &s)| c.tapped.map(|z| apart(z, s))).collect()
    };
    let mut tapped = against(&shift);
    let mut absolute = !marked.is_empty();
    if let (false, Agreed::Most(turn)) = (absolute, agree(tapped.iter().copied().flatten())) {
        shift.iter_mut().for_each(|s| *s += turn);
        tapped = against(&shift);
        absolute = true;
    }
    let mut sum = vec![0.0_f32; N_FINE * N_BAND];
    for (c, &s) in clips.iter().zip(&shift) {
        add_turned(&mut sum, &c.pattern, s, 1.0 / n.max(1) as f32);
    }
    Alignment { shift, mean: sum, absolute, tapped }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn made_up(turn: usize) -> FoldedMap {
        let mut power = vec![1e-6_f32; N_FINE * N_BAND];
        for (at, width, gain) in [(10, 4, 50.0), (40, 3, 20.0), (81, 5, 90.0), (110, 3, 10.0)] {
            for k in 0..width {
                for b in 0..N_BAND {
                    power[((at + k + turn) % N_FINE) * N_BAND + b] *= gain;
                }
            }
        }
        FoldedMap { power: power.clone(), spread_db: power, n_usable: N_BAND, swings: Vec::new() }
    }

    #[test]
    fn turned_maps_come_back_to_the_same_origin() {
        for turn in [0, 1, 17, 71, 143] {
            let (s, r) = best_turn(&pattern(&made_up(0), N_BAND), &pattern(&made_up(turn), N_BAND), None);
            assert!(apart(s, turn as f64).abs() < 1e-6 && r > 0.999, "{turn}: {s} {r}");
            let (a, b) = (turned_db(&made_up(turn), turn as f64), turned_db(&made_up(0), 0.0));
            assert!(a.iter().zip(&b).all(|(x, y)| (x - y).abs() < 1e-4));
        }
    }

    #[test]
    fn one_mark_makes_all_absolute() {
        let clips: Vec<Turnable> = [5, 60, 100, 30]
            .iter()
            .enumerate()
            .map(|(i, &t)| Turnable {
                pattern: pattern(&made_up(t), N_BAND),
                zero: (i == 2).then_some(100.0),
                tapped: None,
            })
            .collect();
        let a = align(&clips);
        assert!(a.absolute);
        for (s, t) in a.shift.iter().zip([5.0, 60.0, 100.0, 30.0]) {
            assert!(apart(*s, t).abs() < 1e-3, "{s} {t}");
        }
    }

    /// Clips turned by `turns`, of which some are tapped so many fine bins off the crank zero.
    fn tapped(taps: [Option<f64>; 5]) -> Alignment {
        let clips: Vec<Turnable> = [5, 60, 100, 30, 77]
            .iter()
            .zip(taps)
            .map(|(&t, off)| Turnable {
                pattern: pattern(&made_up(t), N_BAND),
                zero: None,
                tapped: off.map(|off| t as f64 + off),
            })
            .collect();
        align(&clips)
    }

    #[test]
    fn taps_that_disagree_move_no_clip_against_another() {
        let plain = tapped([None; 5]);
        for taps in [
            [Some(0.0), None, None, None, None],
            [Some(0.0), Some(48.0), None, None, None],
            [Some(1.0), Some(18.0), Some(-1.0), None, None],
            [Some(48.0), Some(0.0), Some(2.0), Some(-2.0), Some(18.0)],
        ] {
            let a = tapped(taps);
            for (s, p) in a.shift.iter().zip(&plain.shift) {
                let (turned, first) = (apart(*s, *p), apart(a.shift[0], plain.shift[0]));
                assert!(apart(turned, first).abs() < 1e-9, "{taps:?}: {s} {p}");
            }
        }
    }

    #[test]
    fn most_taps_that_agree_make_all_absolute_and_the_odd_one_is_seen() {
        for odd in [18.0, 48.0, -48.0] {
            let a = tapped([Some(1.0), Some(odd), Some(-1.0), None, Some(2.0)]);
            assert!(a.absolute);
            for (s, t) in a.shift.iter().zip([5.0, 60.0, 100.0, 30.0, 77.0]) {
                assert!(apart(*s, t).abs() <= 1.0, "{odd}: {s} {t}");
            }
            assert!(a.tapped[3].is_none() && (a.tapped[1].unwrap() - odd).abs() <= 1.0, "{:?}", a.tapped);
        }
        // One tapped clip, or two that do not agree, make nothing absolute.
        assert!(!tapped([Some(1.0), None, None, None, None]).absolute);
        assert!(!tapped([Some(1.0), Some(48.0), None, None, None]).absolute);
    }

    #[test]
    fn pulses_go_before_taps() {
        let clips: Vec<Turnable> = [5, 60, 100]
            .iter()
            .enumerate()
            .map(|(i, &t)| Turnable {
                pattern: pattern(&made_up(t), N_BAND),
                zero: (i == 0).then_some(t as f64),
                tapped: (i > 0).then_some(t as f64 + 48.0),
            })
            .collect();
        let a = align(&clips);
        assert!(a.absolute && apart(a.shift[1], 60.0).abs() < 1e-3);
        assert!((a.tapped[2].unwrap() - 48.0).abs() < 1e-3);
    }

    #[test]
    fn lags_side_by_side_are_what_one_by_one_gives() {
        let wave = |scale: f32| (0..N_FINE * N_BAND).map(|i| (i as f32 * scale).sin()).collect::<Vec<f32>>();
        let (a, b) = (wave(0.37), wave(0.11));
        for (from, n) in [(0, 1), (143, 146), (100, 23), (5, 8)] {
            let fits = fits(&a, &b, from, n);
            assert_eq!(fits.len(), n);
            for (lag, fit) in (from..).zip(fits) {
                let product = |k: usize, band: usize| {
                    f64::from(a[k * N_BAND + band]) * f64::from(b[(k + lag) % N_FINE * N_BAND + band])
                };
                let plain: f64 = (0..N_FINE).map(|k| (0..N_BAND).map(|band| product(k, band)).sum::<f64>()).sum();
                assert!((fit - plain).abs() < 1e-3, "{lag}: {fit} {plain}");
            }
        }
    }
}
