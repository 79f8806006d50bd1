//! Known crank positions: a pulse channel, or taps of the user as the rod passes an end.

/// Human scatter of a tap in seconds: what a tap may be off and still belong to its stroke.
const TAP_REACH_TURNS: f64 = 0.2;
/// Taps that agree, needed for an angle.
const LEAST_TAPS: usize = 5;

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
    let apart = |a: f64, b: f64| {
        let d = (a - b).rem_euclid(1.0);
        if d > 0.5 { d - 1.0 } else { d }
    };
    let densest = fractions
        .iter()
        .max_by_key(|&&c| fractions.iter().filter(|&&f| apart(f, c).abs() <= reach).count())
        .copied()?;
    let mut near: Vec<f64> = fractions.iter().map(|&f| apart(f, densest)).filter(|d| d.abs() <= reach).collect();
    let n = near.len();
    near.sort_by(f64::total_cmp);
    // Trim a fifth at each end: a doubled tap lies at the edge of the reach.
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
    zero(marks_s, phase, first_centre_s, frame_rate_hz, 3, 0.1)
}

/// As [`zero_from_marks`] for human taps: a fifth of a turn of reach, at least five taps.
///
/// # Errors
/// As [`zero_from_marks`].
pub fn zero_from_taps(
    taps_s: &[f64],
    phase: &[f64],
    first_centre_s: f64,
    frame_rate_hz: f64,
) -> Result<f64, MarkError> {
    zero(taps_s, phase, first_centre_s, frame_rate_hz, LEAST_TAPS, TAP_REACH_TURNS)
}

fn zero(
    marks_s: &[f64],
    phase: &[f64],
    first_centre_s: f64,
    frame_rate_hz: f64,
    need: usize,
    reach: f64,
) -> Result<f64, MarkError> {
    let fractions: Vec<f64> = marks_s
        .iter()
        .filter_map(|&t| phase_at(phase, first_centre_s, frame_rate_hz, t))
        .map(|p| p.rem_euclid(1.0))
        .collect();
    if fractions.len() < need {
        return Err(MarkError::TooFew { got: fractions.len(), need });
    }
    match circular_centre(&fractions, reach) {
        Some((centre, n)) if 10 * n >= 6 * fractions.len() && n >= need => Ok(centre),
        Some((_, n)) => Err(MarkError::NoAgreement { share: 100.0 * n as f64 / fractions.len() as f64 }),
        None => Err(MarkError::TooFew { got: 0, need }),
    }
}
