//! From good and present clips to verdicts in words: what the faces call.

use serde::Serialize;

use crate::baseline::Model;
use crate::clip::Finding;
use crate::score::{Angle, ChangeMaps, ClipVerdict, Item};

/// What the pump is and how to treat the good clips.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct JudgeSettings {
    /// Module numbers in firing order.
    pub order: Vec<u32>,
    /// No stroke: one level a band.
    pub rotating: bool,
    /// Leave out good clips that are outliers themselves.
    pub skip_odd: bool,
}

impl Default for JudgeSettings {
    fn default() -> Self {
        Self { order: vec![1, 2, 3], rotating: false, skip_odd: false }
    }
}

/// A baseline in the JSON contract.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BaselineInfo {
    /// Module, where known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub module: Option<u32>,
    /// Good clips used.
    pub clips: usize,
    /// Slowest and fastest good clip in strokes a minute.
    pub spm: [f64; 2],
    /// Lowest sample rate among them, Hz.
    pub sample_rate_hz: f64,
    /// Whether its angles are the module's own.
    pub angle: Angle,
    /// Findings about the baseline itself (few clips, odd clips).
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub quality: Vec<Finding>,
}

/// A good clip that does not fit the others.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OddGood {
    /// The file as it was named.
    pub file: String,
    /// Module, where known.
    pub module: Option<u32>,
    /// Its departure from the other good clips.
    pub departure: f64,
    /// Whether it was left out.
    pub left_out: bool,
}

/// Why no comparison could be made.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum JudgeError {
    /// Too few good clips.
    #[error("{got} usable good clip(s){for_module}, need at least 3; record this spot on more good days")]
    FewGood {
        /// How many.
        got: usize,
        /// ` for module N`, or empty.
        for_module: String,
    },
    /// A good clip can't be used.
    #[error("good clip {file}: {why}; leave it out, or give --skip-bad")]
    BadGood {
        /// The file as it was named.
        file: String,
        /// The finding.
        why: String,
    },
}

/// Everything a face needs.
#[derive(Debug)]
pub struct Outcome {
    /// One a module (one in all without modules).
    pub baselines: Vec<BaselineInfo>,
    /// One a now item, same order.
    pub clips: Vec<ClipVerdict>,
    /// The maps to draw, one a now item; `None` where unjudged or rotating.
    pub maps: Vec<Option<ChangeMaps>>,
    /// Which take (rhythm) of a now item was judged and its turn: phase in turns less this is the crank angle.
    pub zero_turns: Vec<Option<(usize, f64)>>,
    /// Good clips that do not fit the others.
    pub odd: Vec<OddGood>,
}

/// Judges today's clips against the good ones.
///
/// # Errors
/// [`JudgeError::FewGood`] with fewer than 3 usable good clips of a module that is asked about, [`JudgeError::BadGood`] if a good clip
/// carries a refusing finding (callers that skip bad ones leave them out beforehand).
pub fn judge_all(goods: &[Item], nows: &[Item], settings: &JudgeSettings) -> Result<Outcome, JudgeError> {
    let _ = (goods, nows, settings, std::marker::PhantomData::<Model>);
    unimplemented!("written next")
}
