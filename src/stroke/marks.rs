//! Known crank positions: a pulse channel, or taps of the user as the rod passes an end.

use statrs::distribution::{ContinuousCDF as _, StudentsT};

/// Human scatter of a tap in seconds: what a tap may be off and still belong to its stroke.
const TAP_REACH_TURNS: f64 = 0.2;
/// Taps that agree, needed for an angle.
const LEAST_TAPS: usize = 5;
/// Robust standard deviations beyond which a tap is no tap at that place.
const STRAY: f64 = 4.0;
/// Widening of the interval for being looked at after every tap until it is narrow enough: it would else be so too early, by luck
/// (89 of 100 instead of 95 at 120 strokes a minute).
const LOOKED_AT_OFTEN: f64 = 1.15;
/// A tap so near is never stray: 4 degrees.
const LEAST_STRAY_TURNS: f64 = 4.0 / 360.0;
/// What a pulse may be off and still belong to its stroke.
const PULSE_REACH_TURNS: f64 = 0.1;
/// Pulses that agree, needed for an angle.
const LEAST_PULSES: usize = 3;

/// Where a crank zero is known from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MarkKind {
    /// A pulse channel: measured, and taken at its word.
    Pulse,
    /// Taps of a hand: held against what the sound says.
    Taps,
}

/// A crank zero, and where it is known from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mark {
    /// The crank's zero as a fraction of a turn of the rhythm's phase.
    pub zero_turns: f64,
    /// Where it is known from.
    pub kind: MarkKind,
}

impl Mark {
    /// A zero from a pulse channel.
    #[must_use]
    pub fn pulse(zero_turns: f64) -> Self {
        Self { zero_turns, kind: MarkKind::Pulse }
    }

    /// A zero from taps.
    #[must_use]
    pub fn taps(zero_turns: f64) -> Self {
        Self { zero_turns, kind: MarkKind::Taps }
    }
}

/// Why marks gave no angle.
#[derive(Debug, thiserror::Error, PartialEq)]
#[non_exhaustive]
pub enum MarkError {
    /// Too few marks.
    #[error("{got} mark(s) found, need at least {need}; record longer or tap more strokes")]
    TooFew {
        /// Marks found.
        got: usize,
        /// Marks needed.
        need: usize,
    },
    /// Marks do not follow the rhythm of the sound.
    #[error(
        "the marks do not follow the rhythm of the sound ({share:.0} % agree, need 60 %); check that they belong to this clip"
    )]
    NoAgreement {
        /// Per cent of marks that agree on one angle.
        share: f64,
    },
}

/// Times in seconds of the rising edges of a pulse channel.
///
/// The channel's quiet level and its peaks are taken from its own distribution; an edge is the crossing of half way,
/// re-armed below a third. Works for narrow and wide pulses of either sign.
#[must_use]
#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "an index into the sorted samples")]
pub fn pulse_marks(pulse: &[f32], sample_rate_hz: f64) -> Vec<f64> {
    if pulse.is_empty() {
        return Vec::new();
    }
    // A thinned copy is enough for the median; the extremes are taken from all samples.
    let mut thin: Vec<f32> = pulse.iter().copied().step_by((pulse.len() / 50_000).max(1)).collect();
    let mid = thin.len() / 2;
    let quiet = *thin.select_nth_unstable_by(mid, f32::total_cmp).1;
    let noise = {
        let mut dev: Vec<f32> = thin.iter().map(|v| (v - quiet).abs()).collect();
        let at = (dev.len() as f64 * 0.5) as usize;
        1.4826 * *dev.select_nth_unstable_by(at, f32::total_cmp).1
    };
    let (lo, hi) = pulse.iter().fold((f32::MAX, f32::MIN), |(l, h), &v| (l.min(v), h.max(v)));
    let (sign, height) = if hi - quiet >= quiet - lo { (1.0, hi - quiet) } else { (-1.0, quiet - lo) };
    if height <= 6.0 * noise || height <= 1e-6 {
        return Vec::new();
    }
    let (arm, fire) = (height / 3.0, height / 2.0);
    let mut armed = false;
    let mut before = 0.0_f32;
    let mut out = Vec::new();
    for (i, &v) in pulse.iter().enumerate() {
        let x = sign * (v - quiet);
        if x < arm {
            armed = true;
        } else if armed && x >= fire {
            // The crossing lies between this sample and the last.
            let back = if x > before { f64::from((x - fire) / (x - before)).clamp(0.0, 1.0) } else { 0.0 };
            out.push((i as f64 - back) / sample_rate_hz);
            armed = false;
        }
        before = x;
    }
    out
}

/// Phase in turns at a time, linear between the feature's frames.
fn phase_at(phase: &[f64], first_centre_s: f64, frame_rate_hz: f64, t_s: f64) -> Option<f64> {
    let at = (t_s - first_centre_s) * frame_rate_hz;
    if phase.len() < 2 || at < -1.0 || at > phase.len() as f64 {
        return None;
    }
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to the frames")]
    let i = (at.max(0.0) as usize).min(phase.len() - 2);
    let u = at - i as f64;
    Some(phase[i] + u * (phase[i + 1] - phase[i]))
}

/// Circular median-like centre of fractions of a turn: the mean of those within `reach` of the densest place.
fn circular_centre(fractions: &[f64], reach: f64) -> Option<(f64, usize)> {
    let (densest, near) = about_densest(fractions, reach)?;
    let n = near.len();
    // Trim a fifth at each end: a doubled pulse lies at the edge of the reach.
    let cut = n / 5;
    let kept = &near[cut..n - cut];
    let mean = kept.iter().sum::<f64>() / kept.len() as f64;
    Some(((densest + mean).rem_euclid(1.0), n))
}

/// The fraction of a turn (of `phase`) at which the marks lie: the crank's zero.
///
/// # Arguments
/// - `marks_s`: times in seconds from the first sample.
/// - `phase`: turns at the frames' centres; frame 0 at `first_centre_s`, `frame_rate_hz` frames a second.
///
/// # Errors
/// [`MarkError::TooFew`] below three marks within the clip; [`MarkError::NoAgreement`] if fewer than 60 % lie within a
/// tenth of a turn of one place.
pub fn zero_from_marks(
    marks_s: &[f64],
    phase: &[f64],
    first_centre_s: f64,
    frame_rate_hz: f64,
) -> Result<f64, MarkError> {
    let fractions = fractions(marks_s, phase, first_centre_s, frame_rate_hz);
    if fractions.len() < LEAST_PULSES {
        return Err(MarkError::TooFew { got: fractions.len(), need: LEAST_PULSES });
    }
    match circular_centre(&fractions, PULSE_REACH_TURNS) {
        Some((centre, n)) if 10 * n >= 6 * fractions.len() && n >= LEAST_PULSES => Ok(centre),
        Some((_, n)) => Err(MarkError::NoAgreement { share: 100.0 * n as f64 / fractions.len() as f64 }),
        None => Err(MarkError::TooFew { got: 0, need: LEAST_PULSES }),
    }
}

/// What taps say of the crank's zero.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TapAngle {
    /// The crank's zero as a fraction of a turn of the phase.
    pub zero_turns: f64,
    /// The true zero lies within so many degrees of it in 95 of 100 cases, as far as scatter goes.
    pub within_deg: f64,
    /// Standard deviation of the taps that count, in degrees.
    pub scatter_deg: f64,
    /// Taps that count.
    pub used: usize,
}

/// Half-width at which the angle counts as known, in degrees: less than two columns of a stroke map.
pub const KNOWN_DEG: f64 = 8.0;
/// Fewest taps from which an angle can be known: with fewer, a lucky few look steadier than they are.
pub const TAPS_BEFORE_KNOWN: usize = 15;

impl TapAngle {
    /// Whether no more taps are needed.
    #[must_use]
    pub fn known(&self) -> bool {
        self.used >= TAPS_BEFORE_KNOWN && self.within_deg <= KNOWN_DEG
    }
}

/// The crank's zero from human taps: at least five, within a fifth of a turn of one place.
///
/// # Formula
/// Deviations from the densest place; those beyond 4 robust standard deviations (1.4826 MAD, at least 4 degrees) of their median are
/// left out as doubled or stray; the mean of the rest, and Student's 95 % interval of a mean, widened by 15 % for
/// being looked at after every tap. The mean, not a trimmed one: with 20 taps
/// of a steady hand it is the closer by a quarter.
///
/// # Errors
/// [`MarkError::TooFew`] below five taps within the clip; [`MarkError::NoAgreement`] if fewer than 60 % lie within a fifth of a turn of
/// one place.
pub fn tap_angle(
    taps_s: &[f64],
    phase: &[f64],
    first_centre_s: f64,
    frame_rate_hz: f64,
) -> Result<TapAngle, MarkError> {
    let fractions = fractions(taps_s, phase, first_centre_s, frame_rate_hz);
    if fractions.len() < LEAST_TAPS {
        return Err(MarkError::TooFew { got: fractions.len(), need: LEAST_TAPS });
    }
    let none = MarkError::TooFew { got: 0, need: LEAST_TAPS };
    let (densest, near) = about_densest(&fractions, TAP_REACH_TURNS).ok_or(none)?;
    // The densest place is one of the taps; their median is nearer to the middle, and the reach is meant about that.
    let densest = (densest + near[near.len() / 2]).rem_euclid(1.0);
    let near = within(&fractions, densest, TAP_REACH_TURNS);
    if 10 * near.len() < 6 * fractions.len() || near.len() < LEAST_TAPS {
        return Err(MarkError::NoAgreement { share: 100.0 * near.len() as f64 / fractions.len() as f64 });
    }
    // Sorted already.
    let middle = near[near.len() / 2];
    let mut off: Vec<f64> = near.iter().map(|d| (d - middle).abs()).collect();
    off.sort_by(f64::total_cmp);
    let reach = (STRAY * 1.4826 * off[off.len() / 2]).max(LEAST_STRAY_TURNS);
    let kept: Vec<f64> = near.iter().copied().filter(|d| (d - middle).abs() <= reach).collect();
    let n = kept.len() as f64;
    let mean = kept.iter().sum::<f64>() / n;
    let variance = kept.iter().map(|d| (d - mean) * (d - mean)).sum::<f64>() / (n - 1.0).max(1.0);
    let student = StudentsT::new(0.0, 1.0, (n - 1.0).max(1.0)).map_or(f64::INFINITY, |t| t.inverse_cdf(0.975));
    let scatter_deg = 360.0 * variance.sqrt();
    Ok(TapAngle {
        zero_turns: (densest + mean).rem_euclid(1.0),
        within_deg: LOOKED_AT_OFTEN * student * scatter_deg / n.sqrt(),
        scatter_deg,
        used: kept.len(),
    })
}

/// As [`zero_from_marks`] for human taps, see [`tap_angle`].
///
/// # Errors
/// As [`tap_angle`].
pub fn zero_from_taps(
    taps_s: &[f64],
    phase: &[f64],
    first_centre_s: f64,
    frame_rate_hz: f64,
) -> Result<f64, MarkError> {
    tap_angle(taps_s, phase, first_centre_s, frame_rate_hz).map(|a| a.zero_turns)
}

/// Fractions of a turn at the marks that lie within the clip.
fn fractions(marks_s: &[f64], phase: &[f64], first_centre_s: f64, frame_rate_hz: f64) -> Vec<f64> {
    marks_s
        .iter()
        .filter_map(|&t| phase_at(phase, first_centre_s, frame_rate_hz, t))
        .map(|p| p.rem_euclid(1.0))
        .collect()
}

/// Deviations in turns of those fractions of a turn that lie within `reach` of a place, ascending.
fn within(fractions: &[f64], place: f64, reach: f64) -> Vec<f64> {
    let mut near: Vec<f64> = fractions.iter().map(|&f| apart(f, place)).filter(|d| d.abs() <= reach).collect();
    near.sort_by(f64::total_cmp);
    near
}

/// `a` less `b` on the circle, -0.5 to 0.5 turns.
fn apart(a: f64, b: f64) -> f64 {
    let d = (a - b).rem_euclid(1.0);
    if d > 0.5 { d - 1.0 } else { d }
}

/// The densest place among fractions of a turn, and the deviations from it of those within `reach`, ascending.
fn about_densest(fractions: &[f64], reach: f64) -> Option<(f64, Vec<f64>)> {
    let densest = fractions
        .iter()
        .max_by_key(|&&c| fractions.iter().filter(|&&f| apart(f, c).abs() <= reach).count())
        .copied()?;
    Some((densest, within(fractions, densest, reach)))
}

#[cfg(test)]
mod tests {
    use rand::{RngExt as _, SeedableRng as _};
    use rand_pcg::Pcg64Mcg;

    use super::*;

    /// Frames a second of the phase.
    const RATE_HZ: f64 = 200.0;

    /// What a hand does: `n` taps at one angle, one a stroke, each late or early by what `scatter_s` draws.
    fn taps(spm: f64, n: usize, true_zero: f64, mut scatter_s: impl FnMut() -> f64) -> (Vec<f64>, Vec<f64>) {
        let hz = spm / 60.0;
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a few thousand frames")]
        let n_frames = ((n as f64 + 4.0) / hz * RATE_HZ) as usize;
        let phase: Vec<f64> = (0..n_frames).map(|i| 7.3 + hz * i as f64 / RATE_HZ).collect();
        let first = (7.3_f64 + 1.0).ceil() + true_zero;
        let mut times: Vec<f64> = (0..n).map(|k| (first + k as f64 - 7.3) / hz + scatter_s()).collect();
        times.sort_by(f64::total_cmp);
        (times, phase)
    }

    fn apart_deg(a: f64, b: f64) -> f64 {
        let d = (a - b).rem_euclid(1.0);
        360.0 * d.min(1.0 - d)
    }

    fn normal(dice: &mut Pcg64Mcg) -> f64 {
        let (u, v): (f64, f64) = (dice.random(), dice.random());
        (-2.0 * (1.0 - u).ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }

    /// Share of trials in which the angle is within 8 degrees.
    fn share_within(spm: f64, n: usize, mut scatter_s: impl FnMut(&mut Pcg64Mcg) -> f64) -> f64 {
        const TRIALS: u32 = 1000;
        let mut dice = Pcg64Mcg::seed_from_u64(42);
        let good = (0..TRIALS).filter(|_| {
            let zero: f64 = dice.random();
            let (times, phase) = taps(spm, n, zero, || scatter_s(&mut dice));
            tap_angle(&times, &phase, 0.0, RATE_HZ).is_ok_and(|a| apart_deg(a.zero_turns, zero) <= 8.0)
        });
        good.count() as f64 / f64::from(TRIALS)
    }

    // Taps no more than 40 ms early or late. A bell curve with a standard deviation of 40 ms can't do it at 120 strokes a minute: it is
    // 28.8 degrees there, and no estimate from 20 of them is better than 28.8 / sqrt(20) = 6.4 degrees, which is within 8 in 79 of 100.
    #[test]
    fn twenty_taps_within_40_ms_give_the_angle_within_8_degrees() {
        for spm in [40.0, 60.0, 80.0, 100.0, 120.0] {
            let share = share_within(spm, 20, |d| d.random_range(-0.04..0.04));
            assert!(share >= 0.95, "{spm} SPM: {share}");
        }
    }

    #[test]
    fn twenty_taps_with_a_standard_deviation_of_40_ms_give_it_up_to_70_strokes_a_minute() {
        for spm in [40.0, 55.0, 70.0] {
            let share = share_within(spm, 20, |d| 0.04 * normal(d));
            assert!(share >= 0.95, "{spm} SPM: {share}");
        }
    }

    #[test]
    fn a_doubled_and_a_missed_tap_in_ten_do_no_harm() {
        let share = share_within(70.0, 24, |d| match d.random_range(0..10) {
            0 => 0.22,
            1 => 0.43,
            _ => d.random_range(-0.04..0.04),
        });
        assert!(share >= 0.95, "{share}");
    }

    // The rule of the recorder: tap on until it is known, with a bell curve of 40 ms.
    #[test]
    fn where_the_angle_is_told_to_be_known_it_is() {
        for spm in [40.0, 70.0, 120.0] {
            let mut dice = Pcg64Mcg::seed_from_u64(7);
            let (mut good, mut known, mut needed) = (0, 0, 0);
            for _ in 0..400 {
                let zero: f64 = dice.random();
                let (times, phase) = taps(spm, 120, zero, || 0.04 * normal(&mut dice));
                let found = (TAPS_BEFORE_KNOWN..=120).find_map(|n| {
                    let a = tap_angle(&times[..n], &phase, 0.0, RATE_HZ).ok()?;
                    a.known().then_some((n, a))
                });
                let Some((n, a)) = found else { continue };
                known += 1;
                needed += n;
                good += usize::from(apart_deg(a.zero_turns, zero) <= 8.0);
            }
            assert!(known >= 396, "{spm} SPM: known in {known} of 400");
            assert!(good as f64 >= 0.95 * known as f64, "{spm} SPM: {good} of {known}, {} taps", needed / known);
        }
    }

    #[test]
    fn taps_at_random_give_no_angle() {
        let mut dice = Pcg64Mcg::seed_from_u64(3);
        let mut known = 0;
        for _ in 0..200 {
            let (times, phase) = taps(60.0, 30, 0.0, || dice.random_range(-0.5..0.5));
            known += usize::from(tap_angle(&times, &phase, 0.0, RATE_HZ).is_ok_and(|a| a.known()));
        }
        assert!(known <= 4, "{known} of 200");
        assert!(matches!(tap_angle(&[1.0; 4], &[0.0; 9], 0.0, RATE_HZ), Err(MarkError::TooFew { .. })));
    }
}
