//! What there is to see and hear of one clip: levels, stroke map, strokes in time, angle of each sample.

use ndarray::Array2;

use crate::baseline::turned_db;
use crate::clip::{Clip, Scale};
use crate::dsp::bands::{N_BAND, band_edges_hz};
use crate::dsp::frames::{FramePlan, HOP_S};
use crate::map::{N_ANGLE, N_FINE, StrokeMap, Take};
use crate::score::ChangeMaps;
use crate::units::{REFERENCE_PA, amplitude_to_db};

/// What levels in this scale refer to, in words.
#[must_use]
pub fn level_reference(scale: Scale) -> &'static str {
    match scale {
        Scale::FullScale => "full scale",
        Scale::MetrePerSecond2 => "1 m/s2",
        Scale::Pascal => "20 uPa",
    }
}

/// Added to a level re one unit of the samples, gives the level re the scale's reference, in dB.
#[must_use]
pub fn reference_offset_db(scale: Scale) -> f64 {
    match scale {
        Scale::FullScale | Scale::MetrePerSecond2 => 0.0,
        Scale::Pascal => amplitude_to_db(1.0, REFERENCE_PA),
    }
}

/// Levels of a clip in dB re its scale's reference.
#[derive(Debug, Clone, PartialEq)]
pub struct Levels {
    /// Mean level within `band_hz`; `None` if nothing was heard.
    pub level_db: Option<f64>,
    /// Lowest and highest frequency that count, Hz.
    pub band_hz: [f64; 2],
    /// Highest sample; `None` if nothing was heard.
    pub peak_db: Option<f64>,
    /// Mean level of each band and its edges in Hz.
    pub bands: Vec<([f64; 2], Option<f64>)>,
}

/// Mean levels of a clip over all of its frames.
#[must_use]
pub fn levels(clip: &Clip) -> Levels {
    let frames = FramePlan::shared(clip.sample_rate_hz).band_frames(&clip.samples);
    let edges = band_edges_hz();
    let n_frames = frames.n_frames();
    let mut sums = [0.0_f64; N_BAND];
    for row in frames.power.chunks_exact(N_BAND) {
        for (s, &p) in sums.iter_mut().zip(row) {
            *s += f64::from(p);
        }
    }
    let offset = reference_offset_db(clip.scale);
    let db = |sum: f64| (sum > 0.0 && n_frames > 0).then(|| 10.0 * (sum / n_frames as f64).log10() + offset);
    let peak = clip.samples.iter().fold(0.0_f32, |m, &x| m.max(x.abs()));
    Levels {
        level_db: db(sums.iter().sum()),
        band_hz: [edges[0], edges[frames.n_usable]],
        peak_db: (peak > 0.0).then(|| amplitude_to_db(f64::from(peak), 1.0) + offset),
        bands: (0..frames.n_usable).map(|b| ([edges[b], edges[b + 1]], db(sums[b]))).collect(),
    }
}

/// The stroke map of a clip's rhythm, dB re the scale's reference, its angle counted from `zero_turns` of the rhythm's phase.
#[must_use]
pub fn stroke_map(take: &Take, zero_turns: f64, scale: Scale) -> StrokeMap {
    let level = turned_db(&take.map, zero_turns * N_FINE as f64);
    let offset = reference_offset_db(scale);
    let n_usable = take.map.n_usable.clamp(1, N_BAND);
    #[expect(clippy::cast_possible_truncation, reason = "levels need no more digits")]
    let level_db = Array2::from_shape_fn((n_usable, N_ANGLE), |(b, a)| (level[b * N_ANGLE + a] + offset) as f32);
    StrokeMap { level_db, edges_hz: band_edges_hz()[..=n_usable].to_vec() }
}

/// The maps of a change with their levels re the scale's reference instead of one unit of the samples.
#[must_use]
pub fn in_scale(maps: &ChangeMaps, scale: Scale) -> ChangeMaps {
    #[expect(clippy::cast_possible_truncation, reason = "levels need no more digits")]
    let offset = reference_offset_db(scale) as f32;
    let mut out = maps.clone();
    out.good.level_db += offset;
    out.now.level_db += offset;
    out
}

/// Times in s from the first sample at which the strokes of a rhythm start.
///
/// # Arguments
/// - `phase`: turns at the frames' centres, [`HOP_S`] apart, the first at `first_centre_s`.
/// - `zero_turns`: phase at which a stroke starts.
#[must_use]
pub fn stroke_times_s(phase: &[f64], zero_turns: f64, first_centre_s: f64) -> Vec<f64> {
    let mut out = Vec::new();
    for (i, w) in phase.windows(2).enumerate() {
        let (from, to) = (w[0] - zero_turns, w[1] - zero_turns);
        if from.floor() < to.floor() {
            out.push(first_centre_s + (i as f64 + (to.floor() - from) / (to - from)) * HOP_S);
        }
    }
    out
}

/// Crank angle in degrees at each sample, shape `(n_samples,)`; not-a-number before the first and after the last frame.
///
/// # Arguments
/// As [`stroke_times_s`].
#[must_use]
pub fn angle_deg(
    phase: &[f64],
    zero_turns: f64,
    first_centre_s: f64,
    sample_rate_hz: f64,
    n_samples: usize,
) -> Vec<f32> {
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "checked to lie within the frames")]
    (0..n_samples)
        .map(|i| {
            let at = (i as f64 / sample_rate_hz - first_centre_s) / HOP_S;
            if at < 0.0 || at + 1.0 >= phase.len() as f64 {
                return f32::NAN;
            }
            let k = at as usize;
            let turns = phase[k] + (at - k as f64) * (phase[k + 1] - phase[k]) - zero_turns;
            // Rounding to f32 must not reach the full turn.
            ((360.0 * turns.rem_euclid(1.0)) as f32).min(359.999_97)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One turn a second, the phase 0.25 at the first frame's centre.
    fn steady() -> Vec<f64> {
        (0..1000).map(|i| 0.25 + i as f64 * HOP_S).collect()
    }

    #[test]
    fn strokes_start_where_the_phase_passes_its_zero() {
        let times = stroke_times_s(&steady(), 0.5, 0.1);
        // The phase is 0.5 a quarter of a second after the first frame.
        for (k, t) in times.iter().enumerate() {
            assert!((t - (0.35 + k as f64)).abs() < 1e-9, "{times:?}");
        }
        assert_eq!(times.len(), 5);
    }

    #[test]
    fn the_angle_of_a_sample_follows_the_phase_and_is_unknown_outside() {
        let angle = angle_deg(&steady(), 0.5, 0.1, 1000.0, 6000);
        assert!(angle[0].is_nan() && angle[99].is_nan() && angle[5999].is_nan());
        for (at, want) in [(350, 0.0), (600, 90.0), (1349, 359.64), (101, 270.36)] {
            let off = (f64::from(angle[at]) - want + 180.0).rem_euclid(360.0) - 180.0;
            assert!(off.abs() < 0.01, "{at}: {}", angle[at]);
        }
        assert!(angle.iter().all(|a| a.is_nan() || (0.0..360.0).contains(a)));
    }

    #[test]
    fn a_sine_reads_its_level_in_its_band_and_in_all() {
        let rate = 16_000.0;
        let samples: Vec<f32> =
            (0..32_000).map(|i| 0.5 * (std::f32::consts::TAU * 1000.0 * i as f32 / 16_000.0).sin()).collect();
        let mut clip = Clip::in_memory(samples, rate, None);
        // A sine of amplitude 0.5 has a mean square of 1/8: -9.03 dB; its peak is -6.02 dB.
        let heard = levels(&clip);
        assert!((heard.level_db.unwrap() + 9.03).abs() < 0.1, "{heard:?}");
        assert!((heard.peak_db.unwrap() + 6.02).abs() < 0.01);
        let loudest =
            heard.bands.iter().max_by(|a, b| a.1.unwrap_or(-999.0).total_cmp(&b.1.unwrap_or(-999.0))).unwrap();
        assert!(loudest.0[0] <= 1000.0 && loudest.0[1] >= 1000.0, "{loudest:?}");
        // The same numbers as Pa: 1 Pa is 93.98 dB re 20 uPa.
        clip.scale = Scale::Pascal;
        assert!((levels(&clip).level_db.unwrap() - 84.95).abs() < 0.1);
    }
}
