//! One clip from samples to stroke maps: the work that is done once a clip, and in parallel over clips.

use crate::bands::band_edges_hz;
use crate::clip::{Clip, Code, Effect, Finding};
use crate::frames::{BandFrames, FramePlan};
use crate::map::{FoldedMap, fold, fold_two};
use crate::stroke::{self, Feature, Rhythm};

/// Fewer whole strokes than this can't carry a verdict.
pub const LEAST_STROKES: u32 = 10;
/// Fewer whole strokes than this carry one, with a warning.
pub const GOOD_STROKES: u32 = 30;
/// Another rhythm is worth a map of its own if its strength is at least this share of the strongest.
const OTHER_SHARE: f64 = 0.4;
/// The second rhythm is taken out if its strength is at least this share of the first's.
const SECOND_SHARE: f64 = 0.04;
/// Shortest clip worth a look, in seconds.
const LEAST_S: f64 = 2.0;

/// How to analyse a clip.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct AnalyseSettings {
    /// Console reading in strokes a minute; the search is within 15 % of it.
    pub hint_spm: Option<f64>,
    /// Tap times in seconds from the start of the file.
    pub taps_s: Option<Vec<f64>>,
    /// No stroke is looked for: one level a band (rotating machines).
    pub rotating: bool,
    /// Keep the phase of each frame (for pictures and sounds).
    pub keep_phase: bool,
}

/// One rhythm of a clip and the stroke map it gives.
#[derive(Debug, Clone)]
pub struct Take {
    /// Mean strokes a minute.
    pub spm: f64,
    /// Whole strokes.
    pub strokes: u32,
    /// How well the clip follows this rhythm, 0 to 1.
    pub lock: f64,
    /// Map strength, see [`Rhythm::strength`].
    pub strength: f64,
    /// Crank zero as a fraction of a turn of this rhythm's phase, from marks.
    pub zero_turns: Option<f64>,
    /// Mean power over angle, from an arbitrary origin.
    pub map: FoldedMap,
    /// Rate of a second rhythm that was taken out, strokes a minute.
    pub second_spm: Option<f64>,
    /// Turns at each frame, if asked for.
    pub phase: Option<Vec<f64>>,
}

/// What one clip gave.
#[derive(Debug, Clone)]
pub struct Analysis {
    /// Rhythms found, the strongest first; one entry without a stroke for rotating machines; empty if none was found.
    pub takes: Vec<Take>,
    /// Mean level of the clip over the usable bands, dB re the clip's scale.
    pub level_db: f64,
    /// Samples a second.
    pub sample_rate_hz: f64,
    /// Time of the first frame's centre within the kept samples, in seconds.
    pub first_centre_s: f64,
    /// Findings of reading and of the stroke.
    pub findings: Vec<Finding>,
}

impl Analysis {
    /// The first finding that refuses a verdict.
    #[must_use]
    pub fn refusal(&self) -> Option<&Finding> {
        self.findings.iter().find(|f| f.effect == Effect::Refuse)
    }
}

/// Samples to stroke maps.
#[must_use]
pub fn analyse(clip: &Clip, settings: &AnalyseSettings) -> Analysis {
    let plan = FramePlan::shared(clip.sample_rate_hz);
    let frames = plan.band_frames(&clip.samples);
    let mut findings = clip.findings.clone();
    let n = frames.n_frames();
    let level_db = if n == 0 {
        -240.0
    } else {
        10.0 * (frames.power.iter().map(|&p| f64::from(p)).sum::<f64>() / n as f64).max(1e-24).log10()
    };
    let mut out = Analysis {
        takes: Vec::new(),
        level_db,
        sample_rate_hz: clip.sample_rate_hz,
        first_centre_s: frames.first_centre_s,
        findings: Vec::new(),
    };
    let length_s = clip.samples.len() as f64 / clip.sample_rate_hz;
    if frames.n_usable == 0 || length_s < LEAST_S || n < 16 {
        if !findings.iter().any(|f| f.code == Code::TooShort) {
            findings.push(Finding::refuse(
                Code::TooShort,
                format!("{length_s:.1} s of sound: record at least {LEAST_STROKES} strokes, better {GOOD_STROKES}"),
            ));
        }
        out.findings = findings;
        return out;
    }
    if findings.iter().any(|f| f.effect == Effect::Refuse) {
        out.findings = findings;
        return out;
    }
    let level = stroke::levels_db(&frames);
    if settings.rotating {
        out.takes.push(rotating_take(&frames, &level));
    } else {
        let feature = Feature::from_frames(&frames, &level);
        out.takes = takes(clip, &frames, &level, &feature, settings, &mut findings);
        judge_rhythm(&out.takes, &mut findings);
    }
    out.findings = findings;
    out
}

fn rotating_take(frames: &BandFrames, level: &[f32]) -> Take {
    let phase = vec![0.0; frames.n_frames()];
    Take {
        spm: 0.0,
        strokes: 0,
        lock: 0.0,
        strength: 0.0,
        zero_turns: None,
        map: fold(frames, level, &phase, &band_edges_hz()),
        second_spm: None,
        phase: None,
    }
}

fn takes(
    clip: &Clip,
    frames: &BandFrames,
    level: &[f32],
    feature: &Feature,
    settings: &AnalyseSettings,
    findings: &mut Vec<Finding>,
) -> Vec<Take> {
    let marks = clip.pulse.as_ref().map(|p| stroke::pulse_marks(p, clip.sample_rate_hz)).unwrap_or_default();
    let mut rhythms = match stroke::rhythm_from_marks(feature, &marks, frames.first_centre_s) {
        Some(known) => vec![known],
        None => stroke::rhythms(feature, settings.hint_spm),
    };
    let top = rhythms.first().map_or(0.0, |r| r.strength);
    rhythms.retain(|r| r.strength >= OTHER_SHARE * top && r.lock >= 0.5 * stroke::LEAST_LOCK);
    let edges = band_edges_hz();
    let mut out = Vec::new();
    for rhythm in rhythms {
        out.push(take(clip, frames, level, feature, &rhythm, &edges, settings, &marks, findings));
    }
    out
}

#[expect(clippy::too_many_arguments, reason = "the parts of one clip, all borrowed")]
fn take(
    clip: &Clip,
    frames: &BandFrames,
    level: &[f32],
    feature: &Feature,
    rhythm: &Rhythm,
    edges: &[f64],
    settings: &AnalyseSettings,
    marks: &[f64],
    findings: &mut Vec<Finding>,
) -> Take {
    let second = stroke::second_rhythm(feature, rhythm).filter(|s| s.strength >= SECOND_SHARE * rhythm.strength);
    let polished;
    let rhythm = match &second {
        Some(s) => {
            polished = stroke::polish(feature, rhythm, s);
            &polished
        }
        None => rhythm,
    };
    let plain = fold(frames, level, &rhythm.phase, edges);
    let map = match &second {
        Some(s) => fold_two(frames, level, &rhythm.phase, &s.phase, &plain, edges),
        None => plain,
    };
    let (first, last) = (rhythm.phase.first().copied().unwrap_or(0.0), rhythm.phase.last().copied().unwrap_or(0.0));
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a count of strokes, not negative")]
    let strokes = (last - first).max(0.0) as u32;
    let mut zero_turns = None;
    if !marks.is_empty() {
        match stroke::zero_from_marks(marks, &rhythm.phase, frames.first_centre_s, frames.frame_rate_hz) {
            Ok(z) => zero_turns = Some(z),
            Err(e) => findings.push(Finding::warn(Code::AngleUnsure, format!("pulse channel: {e}"))),
        }
    }
    if let (None, Some(taps)) = (zero_turns, &settings.taps_s) {
        let shifted: Vec<f64> = taps.iter().map(|t| t - clip.start_s).collect();
        match stroke::zero_from_taps(&shifted, &rhythm.phase, frames.first_centre_s, frames.frame_rate_hz) {
            Ok(z) => zero_turns = Some(z),
            Err(e) => findings.push(Finding::warn(Code::AngleUnsure, format!("taps: {e}"))),
        }
    }
    Take {
        spm: rhythm.spm,
        strokes,
        lock: rhythm.lock,
        strength: rhythm.strength,
        zero_turns,
        map,
        second_spm: second.map(|s| s.spm),
        phase: settings.keep_phase.then(|| rhythm.phase.clone()),
    }
}

fn judge_rhythm(takes: &[Take], findings: &mut Vec<Finding>) {
    match takes.first() {
        Some(t) if t.lock >= stroke::LEAST_LOCK => {
            if t.strokes < LEAST_STROKES {
                findings.push(Finding::refuse(
                    Code::TooShort,
                    format!("{} whole strokes, a verdict needs {LEAST_STROKES} and should have {GOOD_STROKES}: record longer", t.strokes),
                ));
            } else if t.strokes < GOOD_STROKES {
                findings.push(Finding::warn(
                    Code::TooShort,
                    format!("{} strokes, better {GOOD_STROKES} or more: record longer next time", t.strokes),
                ));
            }
        }
        _ => findings.push(Finding::refuse(
            Code::NoRhythm,
            "no stroke rhythm found: hold the sensor on the painted mark of a running pump, away from other noise, and record again",
        )),
    }
}
