//! Which clip a series of taps belongs to, and the crank's zero that they give it.

use crate::clip::{Code, Finding};
use crate::dsp::frames::HOP_S;
use crate::map::Analysis;
use crate::stroke::{self, Mark};

/// How tightly taps gather at one angle of a clip's strongest rhythm.
///
/// # Formula
/// `|mean exp(2 pi i phase)|` over the taps: 1 when all fall at one angle, near 0 when they belong to another clip
/// (mean resultant length, K. V. Mardia and P. E. Jupp, Directional Statistics, 2000).
///
/// # Arguments
/// - `taps_s`: times in seconds from the start of the file; `start_s`: where the analysed stretch starts in it.
///
/// # Returns
/// `None` if the taps give no angle, or the phase was not kept (see [`AnalyseSettings::keep_phase`](super::AnalyseSettings)).
#[must_use]
pub fn taps_fit(analysis: &Analysis, taps_s: &[f64], start_s: f64) -> Option<f64> {
    let phase = analysis.takes.first()?.phase.as_ref()?;
    let taps: Vec<f64> = taps_s.iter().map(|t| t - start_s).collect();
    stroke::zero_from_taps(&taps, phase, analysis.first_centre_s, 1.0 / HOP_S).ok()?;
    let (mut sin, mut cos, mut n) = (0.0, 0.0, 0.0);
    for t in taps {
        let at = ((t - analysis.first_centre_s) / HOP_S).round();
        if at < 0.0 || at >= phase.len() as f64 {
            continue;
        }
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "within the frames")]
        let turn = std::f64::consts::TAU * phase[at as usize];
        sin += libm::sin(turn);
        cos += libm::cos(turn);
        n += 1.0;
    }
    (n > 0.0).then(|| libm::hypot(sin, cos) / n)
}

/// Gives a clip's rhythms the crank zero that taps say, as if they had come with the clip; a warning where they say none.
pub fn tie_taps(analysis: &mut Analysis, taps_s: &[f64], start_s: f64) {
    let taps: Vec<f64> = taps_s.iter().map(|t| t - start_s).collect();
    for take in &mut analysis.takes {
        let (None, Some(phase)) = (take.mark, &take.phase) else { continue };
        match stroke::zero_from_taps(&taps, phase, analysis.first_centre_s, 1.0 / HOP_S) {
            Ok(zero) => take.mark = Some(Mark::taps(zero)),
            Err(e) => analysis.findings.push(Finding::warn(Code::AngleUnsure, format!("taps: {e}"))),
        }
    }
}
