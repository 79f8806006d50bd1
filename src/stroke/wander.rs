//! A rhythm that wanders too far from stroke to stroke for a stiff phase curve.

use super::feature::{Feature, N_GROUP};
use super::track::{BINS, HalfMaps, Rhythm, finish};

/// Shortest and longest stroke against the mean one that is followed.
const SHORTEST: f64 = 0.7;
const LONGEST: f64 = 1.4;
/// Cost of a stroke whose length is off by a factor `q`: this many standard deviations of the response, times `ln(q)^2`.
const TIGHT: f64 = 40.0;
/// Rounds of map and new times.
const ROUNDS: usize = 4;

/// Follows a rhythm stroke by stroke: the times at which the mean map fits best, no two further from the mean stroke than need be.
///
/// # Formula
/// With `c(t)` the response of the feature to the mean map that starts at `t`, in standard deviations: the times that maximise
/// `sum c(t_i) - TIGHT sum ln((t_i - t_(i-1)) / T)^2`, found by a dynamic programme (D. P. W. Ellis, J. New Music Research 36 (2007) 51).
#[must_use]
pub(super) fn wander(feature: &Feature, mut phase: Vec<f64>) -> Rhythm {
    for _ in 0..ROUNDS {
        let map = HalfMaps::new(&feature.x, &phase, 1.0).mean();
        let n = phase.len();
        let (Some(first), Some(last)) = (phase.first(), phase.last()) else { break };
        let turns = last - first;
        if turns < 3.0 {
            break;
        }
        let period = (n - 1) as f64 / turns;
        let Some(starts) = starts(&response(feature, &map, period), period) else { break };
        phase = phase_of(&starts, n, period);
    }
    finish(feature, phase)
}

/// How well the mean map fits when a stroke starts at each frame, in standard deviations.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "frames of a stroke")]
fn response(feature: &Feature, map: &[[f32; N_GROUP]], period: f64) -> Vec<f64> {
    let n = feature.x.len();
    let len = (period as usize).max(1);
    let template: Vec<[f32; N_GROUP]> =
        (0..len).map(|i| map[(((i as f64 + 0.5) / period * BINS as f64) as usize).min(BINS - 1)]).collect();
    let mut out: Vec<f64> = (0..n)
        .map(|t| {
            let rows = &feature.x[t..(t + len).min(n)];
            rows.iter().zip(&template).map(|(x, m)| f64::from(x.iter().zip(m).map(|(a, b)| a * b).sum::<f32>())).sum()
        })
        .collect();
    let mean = out.iter().sum::<f64>() / n as f64;
    let sd = (out.iter().map(|c| (c - mean) * (c - mean)).sum::<f64>() / n as f64).sqrt().max(1e-12);
    out.iter_mut().for_each(|c| *c = (*c - mean) / sd);
    out
}

/// Frames at which strokes start; `None` if there are fewer than four.
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "frames of a stroke")]
fn starts(response: &[f64], period: f64) -> Option<Vec<usize>> {
    let n = response.len();
    let (near, far) = ((SHORTEST * period).max(1.0) as usize, (LONGEST * period).ceil() as usize);
    let cost: Vec<f64> = (near..=far).map(|d| TIGHT * (d as f64 / period).ln().powi(2)).collect();
    let mut best = response.to_vec();
    let mut back = vec![usize::MAX; n];
    for t in near..n {
        let mut top = f64::MIN;
        let mut from = usize::MAX;
        for (c, d) in cost.iter().zip(near..=far) {
            let Some(s) = t.checked_sub(d) else { break };
            let v = best[s] - c;
            if v > top {
                (top, from) = (v, s);
            }
        }
        if from != usize::MAX && top > 0.0 {
            best[t] += top;
            back[t] = from;
        }
    }
    let tail = n.saturating_sub(far.max(1));
    let mut at = (tail..n).max_by(|&a, &b| best[a].total_cmp(&best[b]))?;
    let mut out = vec![at];
    while back[at] != usize::MAX {
        at = back[at];
        out.push(at);
    }
    out.reverse();
    (out.len() >= 4).then_some(out)
}

/// Turns at each frame: whole at each start, even in between, and at the mean rate of the nearest strokes outside.
fn phase_of(starts: &[usize], n: usize, period: f64) -> Vec<f64> {
    let (first, last) = (starts[0] as f64, starts[starts.len() - 1] as f64);
    let ahead = (first / period).ceil();
    let mut k = 0;
    (0..n)
        .map(|i| {
            let t = i as f64;
            if t <= first {
                return ahead + (t - first) / period;
            }
            if t >= last {
                return ahead + (starts.len() - 1) as f64 + (t - last) / period;
            }
            while t >= starts[k + 1] as f64 {
                k += 1;
            }
            ahead + k as f64 + (t - starts[k] as f64) / (starts[k + 1] - starts[k]) as f64
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Strokes of uneven length: a bump at the start of each, on a level floor.
    fn uneven(lengths: &[usize]) -> Vec<f32> {
        let mut out = Vec::new();
        for &len in lengths {
            out.extend((0..len).map(|i| (-(i as f32 - 8.0).powi(2) / 20.0).exp()));
        }
        out
    }

    #[test]
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "frames of a stroke")]
    fn strokes_of_uneven_length_are_counted() {
        let mut state = 7_u64;
        let lengths: Vec<usize> = (0..60)
            .map(|k| {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                100 + (8.0 * (f64::from(k) / 7.0).sin()) as usize + (state >> 60) as usize
            })
            .collect();
        let x = uneven(&lengths);
        let n = x.len();
        let feature = Feature::from_signal(&x, 100.0);
        let start: Vec<f64> = (0..n).map(|i| i as f64 * 60.0 / n as f64).collect();
        let r = wander(&feature, start);
        let turns = r.phase[n - 1] - r.phase[0];
        assert!((turns - 60.0).abs() < 0.5, "{turns}");
        assert!(r.lock > 0.95, "{}", r.lock);
    }

    #[test]
    fn little_or_nothing_is_no_trouble() {
        for x in [vec![0.0; 40], vec![0.0; 4000], uneven(&[100, 100])] {
            let n = x.len();
            let r = wander(&Feature::from_signal(&x, 100.0), (0..n).map(|i| i as f64 / 100.0).collect());
            assert_eq!(r.phase.len(), n);
        }
        assert!(wander(&Feature::from_signal(&[], 100.0), Vec::new()).phase.is_empty());
    }
}
