//! Two clips of one spot brought to one angle origin and one gain, without a model.

use crate::baseline::{best_turn, pattern, turned_db};
use crate::dsp::bands::N_BAND;
use crate::map::{Analysis, N_ANGLE, N_FINE};
use crate::robust;

/// How a clip lies against another of the same spot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pairing {
    /// Index of the clip's rhythm that fits.
    pub take: usize,
    /// Origin of the reference clip's angle in turns of its phase: its marks, or 0.
    pub reference_zero_turns: f64,
    /// The same origin in turns of the clip's phase.
    pub zero_turns: f64,
    /// Whether the origin is a crank zero known from marks of the reference clip.
    pub marked: bool,
    /// Level of the clip above the reference in dB: the median over bands and angles, which a change of a few does not move.
    pub gain_db: f64,
    /// Correlation of the two maps, -1 to 1.
    pub agreement: f64,
}

/// Lays a clip over a reference clip of the same spot.
///
/// # Returns
/// `None` if either has no rhythm.
#[must_use]
pub fn pair(reference: &Analysis, clip: &Analysis) -> Option<Pairing> {
    let base = reference.takes.first()?;
    let n_usable = reference.takes.iter().chain(&clip.takes).map(|t| t.map.n_usable).min()?;
    let origin = base.zero_turns().unwrap_or(0.0) * N_FINE as f64;
    let base_pattern = pattern(&base.map, n_usable);
    let (take, turn, agreement) = clip
        .takes
        .iter()
        .enumerate()
        .map(|(k, t)| {
            let (turn, fit) = best_turn(&base_pattern, &pattern(&t.map, n_usable), None);
            (k, turn, fit)
        })
        .max_by(|a, b| a.2.total_cmp(&b.2))?;
    let shift = origin + turn;
    let was = turned_db(&base.map, origin);
    let is = turned_db(&clip.takes[take].map, shift);
    let usable = n_usable.min(N_BAND) * N_ANGLE;
    let differences: Vec<f64> = is.iter().zip(&was).take(usable).map(|(a, b)| a - b).collect();
    Some(Pairing {
        take,
        reference_zero_turns: origin / N_FINE as f64,
        zero_turns: shift / N_FINE as f64,
        marked: base.mark.is_some(),
        gain_db: robust::median(&differences)?,
        agreement,
    })
}
