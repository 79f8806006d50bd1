//! The result of a comparison, field by field as other programs read it.

use serde::Serialize;

use crate::clip::Finding;
use crate::map::StrokeMap;

/// What the tool says about a clip.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum State {
    /// Departure at most 1.
    Steady,
    /// Departure above 1, at most 2.
    Drifting,
    /// Departure above 2.
    Departed,
    /// The clip or the baseline can't carry a verdict.
    Unjudged,
}

/// Which half of the module's own turn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Half {
    /// 0 to 180 degrees of the module's own crank angle.
    Discharge,
    /// 180 to 360 degrees.
    Suction,
    /// Both halves.
    Both,
    /// The angle is relative, or nothing departed.
    Unknown,
}

/// The shape of what changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Pattern {
    /// Broadband, part of the turn.
    Hiss,
    /// Short, at one angle.
    Knock,
    /// A healthy event comes early or late.
    Shifted,
    /// A healthy event is gone.
    Missing,
    /// A narrow band that stands out.
    Tone,
    /// The same all round the turn.
    AllRound,
    /// None of these fits, or nothing departed.
    Unclear,
}

/// Whether angles are the module's own crank angles or only tied to the baseline's.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Angle {
    /// Degrees of the module's own crank angle: 0 = start of its discharge stroke.
    Absolute,
    /// Degrees from an arbitrary origin that the baseline's clips share.
    Relative,
}

/// What was found for one clip (one element of `clips` in the JSON contract).
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ClipVerdict {
    /// The file as it was named.
    pub file: String,
    /// Module number, if known.
    pub module: Option<u32>,
    /// The verdict.
    pub verdict: State,
    /// How far outside the baseline; 1.0 = the limit that a healthy clip passes once in a hundred.
    pub departure: Option<f64>,
    /// Chance that a healthy clip departs this far.
    pub false_alarm: Option<f64>,
    /// How much louder (or quieter) than the baseline, in dB, within `band_hz` and `arc_deg`.
    pub excess_db: Option<f64>,
    /// Band of the change in Hz.
    pub band_hz: Option<[f64; 2]>,
    /// Arc of the change in degrees, start and end; the end is below the start when it passes 360.
    pub arc_deg: Option<[f64; 2]>,
    /// Half of the turn.
    pub half: Half,
    /// Where `half` is unknown and the taps of one single clip propose an angle: the half that it would be.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub probable_half: Option<Half>,
    /// Shape of the change.
    pub pattern: Pattern,
    /// Plain words: what it usually means and what to look at next.
    pub reading: String,
    /// Strokes a minute.
    pub spm: Option<f64>,
    /// Whole strokes used.
    pub strokes: Option<u32>,
    /// How well the clip follows one stroke rhythm, 0 to 1.
    pub lock: Option<f64>,
    /// Level of the clip re its baseline, in dB.
    pub level_db: Option<f64>,
    /// Findings about the recording.
    pub quality: Vec<Finding>,
    /// Why the clip is `unjudged`.
    pub reason: Option<String>,
    /// How much the clip hisses through one half of the turn, in standard deviations of its good clips: signed, finer than the
    /// departure and without a limit of its own; the trend watches it.
    pub hiss_sd: Option<f64>,
    /// The module whose change is probably heard here, where one of the same walk explains all or most of this clip's.
    pub heard_from: Option<u32>,
}

impl ClipVerdict {
    /// An `unjudged` clip of which nothing is known yet: what the other verdicts fill in.
    #[must_use]
    pub fn blank(file: String, module: Option<u32>) -> Self {
        Self {
            file,
            module,
            verdict: State::Unjudged,
            departure: None,
            false_alarm: None,
            excess_db: None,
            band_hz: None,
            arc_deg: None,
            half: Half::Unknown,
            probable_half: None,
            pattern: Pattern::Unclear,
            reading: String::new(),
            spm: None,
            strokes: None,
            lock: None,
            level_db: None,
            hiss_sd: None,
            heard_from: None,
            quality: Vec::new(),
            reason: None,
        }
    }
}

/// The three maps that a picture shows, on one angle origin and with the nuisance (gain, tone colour) taken out of `now`.
#[derive(Debug, Clone, PartialEq)]
pub struct ChangeMaps {
    /// The baseline at the operating point of the clip.
    pub good: StrokeMap,
    /// The clip, brought to the baseline's gain and tone colour.
    pub now: StrokeMap,
    /// `now - good`, dB.
    pub difference: StrokeMap,
    /// Whether the angles are the module's own.
    pub angle: Angle,
}
