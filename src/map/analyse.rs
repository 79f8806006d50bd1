//! One clip from samples to stroke maps: the work that is done once a clip, and in parallel over clips.

use crate::clip::{Clip, Code, Effect, Finding};
use crate::dsp::bands::{N_BAND, band_edges_hz, usable_bands};
use crate::dsp::frames::{BandFrames, FramePlan};
use crate::map::{FoldedMap, fold, fold_two};
use crate::stroke::{self, Feature, Mark, N_GROUP, Rhythm, group_edges};

/// Fewer whole strokes than this can't carry a verdict.
pub(crate) const LEAST_STROKES: u32 = 10;
/// Fewer whole strokes than this carry one, with a warning.
pub(crate) const GOOD_STROKES: u32 = 30;
/// Another rhythm is worth a map of its own if its strength is at least this share of the strongest.
const OTHER_SHARE: f64 = 0.4;
/// The second rhythm is taken out if its strength is at least this share of the first's.
const SECOND_SHARE: f64 = 0.04;
/// A rhythm near the console reading must have this share of the strongest one's strength.
const CONTRADICTS: f64 = 0.5;
/// Change of speed within a clip that is reported, relative.
const JUMP: f64 = 0.05;
/// With this lock the whole clip follows one rhythm: no jump is looked for.
const SURE_LOCK: f64 = 0.75;
/// Shortest half of a clip in which a rhythm of its own is looked for, in seconds.
const LEAST_HALF_S: f64 = 8.0;
/// Shortest clip worth a look, in seconds.
const LEAST_S: f64 = 2.0;
/// Fewer bands than this can't carry a verdict. Healthy clips of made-up rooms stay within the limit at any number; but with one or two bands 1 of 17
/// knocks and late closings was found and in 30 of 192 clips no rhythm, with three 4 of 10 and 5 of 96.
const LEAST_BANDS: usize = 3;

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
    /// Crank zero of this rhythm's phase.
    pub mark: Option<Mark>,
    /// Mean power over angle, from an arbitrary origin.
    pub map: FoldedMap,
    /// Rate of a second rhythm that was taken out, strokes a minute.
    pub second_spm: Option<f64>,
    /// Turns at each frame, if asked for.
    pub phase: Option<Vec<f64>>,
}

impl Take {
    /// Crank zero as a fraction of a turn of this rhythm's phase, from whatever mark there is.
    #[must_use]
    pub fn zero_turns(&self) -> Option<f64> {
        self.mark.map(|m| m.zero_turns)
    }
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

/// Why a recording at this sample rate can't carry a verdict whatever is in it: no sound, or too little of it, fits in.
#[must_use]
pub fn rate_too_low(sample_rate_hz: f64) -> Option<Finding> {
    let n_band = usable_bands(&band_edges_hz(), sample_rate_hz);
    too_narrow(n_band, &format!("{sample_rate_hz:.0} samples a second carry"))
}

/// The refusal of a recording of so few bands that they can't carry a verdict.
fn too_narrow(n_band: usize, what_carries: &str) -> Option<Finding> {
    let edges = band_edges_hz();
    (n_band < LEAST_BANDS).then(|| {
        let top = if n_band == 0 { "no sound of use".to_owned() } else { format!("sound up to {:.0} Hz only", edges[n_band]) };
        Finding::refuse(
            Code::NarrowBand,
            format!(
                "{what_carries} {top}; a verdict needs sound up to {:.0} Hz at least, and the hiss of a leak lies above 2 kHz: record at \
                 16,000 samples a second or more",
                edges[LEAST_BANDS]
            ),
        )
    })
}

/// Samples to stroke maps.
#[must_use]
pub fn analyse(clip: &Clip, settings: &AnalyseSettings) -> Analysis {
    let plan = FramePlan::shared(clip.sample_rate_hz);
    let mut frames = plan.band_frames(&clip.samples);
    let band_power = band_means(&frames);
    frames.n_usable = carried_bands(&band_power, frames.n_usable);
    let mut findings = clip.findings.clone();
    let n = frames.n_frames();
    let level_db = 10.0 * band_power.iter().sum::<f64>().max(1e-24).log10();
    let mut out = Analysis {
        takes: Vec::new(),
        level_db,
        sample_rate_hz: clip.sample_rate_hz,
        first_centre_s: frames.first_centre_s,
        findings: Vec::new(),
    };
    let length_s = clip.samples.len() as f64 / clip.sample_rate_hz;
    if let Some(finding) = rate_too_low(clip.sample_rate_hz) {
        findings.push(finding);
        out.findings = findings;
        return out;
    }
    if length_s < LEAST_S || n < 16 {
        if !findings.iter().any(|f| f.code == Code::TooShort) {
            findings.push(Finding::refuse(
                Code::TooShort,
                format!("{length_s:.1} s of sound: record at least {LEAST_STROKES} strokes, better {GOOD_STROKES}"),
            ));
        }
        out.findings = findings;
        return out;
    }
    if !findings.iter().any(|f| f.effect == Effect::Refuse) {
        findings.extend(too_narrow(frames.n_usable, "a filter or codec has left"));
    }
    if findings.iter().any(|f| f.effect == Effect::Refuse) {
        out.findings = findings;
        return out;
    }
    let level = stroke::levels_db(&frames);
    if settings.rotating {
        out.takes.push(rotating_take(&frames, &level));
    } else {
        let sums = stroke::group_sums(&level, frames.n_usable);
        let feature = Feature::from_frames(&frames, &sums);
        let sound = Sound { frames: &frames, level: &level, sums: &sums, feature: &feature };
        let uneven;
        (out.takes, uneven) = takes(clip, &sound, settings, &mut findings);
        if uneven && let Some(cut) = after_jump(clip, &frames, &feature, settings) {
            return cut;
        }
        judge_rhythm(&out.takes, &mut findings);
    }
    out.findings = findings;
    out
}

/// What the frames of a clip hold, in the forms that the steps need.
#[derive(Clone, Copy)]
struct Sound<'a> {
    frames: &'a BandFrames,
    /// Levels in dB, see [`stroke::levels_db`].
    level: &'a [f32],
    /// Sums over groups of bands, see [`stroke::group_sums`].
    sums: &'a [[f32; N_GROUP]],
    feature: &'a Feature,
}

/// Mean power of each band, 0 without frames.
fn band_means(frames: &BandFrames) -> [f64; N_BAND] {
    let mut sum = [0.0_f64; N_BAND];
    for row in frames.power.chunks_exact(N_BAND) {
        for (s, &p) in sum.iter_mut().zip(row) {
            *s += f64::from(p);
        }
    }
    sum.map(|s| s / frames.n_frames().max(1) as f64)
}

/// Bands that the recording really carries: a lossy codec or a filter leaves the top ones empty.
///
/// From the top down a band counts as empty while its mean lies 30 dB below that of the band two below it (no pump falls so
/// steeply) or at the level of rounding (-130 dB re full scale).
fn carried_bands(mean: &[f64; N_BAND], n_usable: usize) -> usize {
    let mut top = n_usable;
    while top > 0 && (mean[top - 1] < 1e-13 || top > 2 && mean[top - 1] < 1e-3 * mean[top - 3]) {
        top -= 1;
    }
    top
}

fn rotating_take(frames: &BandFrames, level: &[f32]) -> Take {
    let phase = vec![0.0; frames.n_frames()];
    Take {
        spm: 0.0,
        strokes: 0,
        lock: 0.0,
        strength: 0.0,
        mark: None,
        map: fold(frames, level, &phase, &band_edges_hz()),
        second_spm: None,
        phase: None,
    }
}

fn takes(clip: &Clip, sound: &Sound<'_>, settings: &AnalyseSettings, findings: &mut Vec<Finding>) -> (Vec<Take>, bool) {
    let Sound { frames, feature, .. } = *sound;
    let marks = clip.pulse.as_ref().map(|p| stroke::pulse_marks(p, clip.sample_rate_hz)).unwrap_or_default();
    let mut rhythms = match stroke::rhythm_from_marks(feature, &marks, frames.first_centre_s) {
        Some(known) => vec![known],
        None => rhythms_near(feature, settings.hint_spm, findings),
    };
    let top = rhythms.first().map_or(0.0, |r| r.strength);
    let uneven = rhythms.first().is_none_or(|r| r.lock < SURE_LOCK || stroke::uneven(feature, r));
    rhythms.retain(|r| r.strength >= OTHER_SHARE * top && r.lock >= 0.5 * stroke::LEAST_LOCK);
    let edges = band_edges_hz();
    let mut out = Vec::new();
    for rhythm in rhythms {
        out.push(take(clip, sound, &rhythm, &edges, settings, &marks, findings));
    }
    (out, uneven)
}

/// Rhythms within 15 % of a console reading, if there is one; a reading that the sound contradicts refuses the clip.
fn rhythms_near(feature: &Feature, hint_spm: Option<f64>, findings: &mut Vec<Finding>) -> Vec<Rhythm> {
    let free = stroke::rhythms(feature, None);
    let Some(hint) = hint_spm else { return free };
    let near = |r: &Rhythm| (r.spm / hint - 1.0).abs() <= stroke::HINT_SPAN;
    let top = free.first().map_or(0.0, |r| r.strength);
    let heard = free.first().map_or(0.0, |r| r.spm);
    let within: Vec<Rhythm> = free.into_iter().filter(near).collect();
    if within.iter().any(|r| r.strength >= OTHER_SHARE * top) {
        return within;
    }
    let hinted = stroke::rhythms(feature, Some(hint));
    // A fold at half or a third of the true rate explains all that the true one does: it is no agreement.
    let harmonic =
        |r: &Rhythm| stroke::RATIOS.iter().any(|&q| (q - 1.0).abs() > 0.1 && (r.spm / (q * heard) - 1.0).abs() < 0.01);
    if hinted.first().is_none_or(|r| r.strength < CONTRADICTS * top || harmonic(r)) {
        findings.push(Finding::refuse(
            Code::RateMismatch,
            format!(
                "the console reading {hint:.1} strokes a minute does not fit the sound, which runs at {heard:.1}: check the reading and the pump"
            ),
        ));
    }
    hinted
}

/// Spread of the stroke rate over a clip: the fastest over the slowest four strokes, less 1.
fn speed_range(phase: &[f64]) -> f64 {
    let (mut slowest, mut fastest) = (f64::MAX, 0.0_f64);
    let mut start = 0;
    for (i, p) in phase.iter().enumerate() {
        if p - phase[start] >= 4.0 {
            let rate = (p - phase[start]) / (i - start) as f64;
            slowest = slowest.min(rate);
            fastest = fastest.max(rate);
            start = i;
        }
    }
    if fastest > 0.0 && slowest < f64::MAX { fastest / slowest - 1.0 } else { 0.0 }
}

/// The analysis of the better half of a clip whose speed jumps.
fn after_jump(clip: &Clip, frames: &BandFrames, feature: &Feature, settings: &AnalyseSettings) -> Option<Analysis> {
    let (keep, before, after) = steadier_half(feature)?;
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "positions within the clip")]
    let at = |frame: usize| ((frames.centre_s(frame) * clip.sample_rate_hz) as usize).min(clip.samples.len());
    // A second off the middle, where the jump may lie.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "frames a second")]
    let second = frames.frame_rate_hz as usize;
    let (from, to) = if keep.start == 0 {
        (0, at(keep.end.saturating_sub(second)))
    } else {
        (at(keep.start + second), clip.samples.len())
    };
    let mut part = clip.clone();
    part.samples = clip.samples[from..to].to_vec();
    part.pulse = clip.pulse.as_ref().map(|p| p[from.min(p.len())..to.min(p.len())].to_vec());
    part.start_s += from as f64 / clip.sample_rate_hz;
    part.findings.push(Finding::warn(
        Code::RateJump,
        format!(
            "the speed changed from {before:.1} to {after:.1} strokes a minute within the clip: only {:.0} s of it are used; record at a steady speed",
            (to - from) as f64 / clip.sample_rate_hz
        ),
    ));
    Some(analyse(&part, settings))
}

/// Where the speed jumps within a clip, the half of it that is worth more; `None` if both halves run alike.
fn steadier_half(feature: &Feature) -> Option<(std::ops::Range<usize>, f64, f64)> {
    let n = feature.x.len();
    let part = |range: std::ops::Range<usize>| Feature { x: feature.x[range].to_vec(), rate_hz: feature.rate_hz };
    if feature.length_s() < 2.0 * LEAST_HALF_S {
        return None;
    }
    let first = stroke::rhythms(&part(0..n / 2), None).into_iter().next()?;
    let second = stroke::rhythms(&part(n / 2..n), None).into_iter().next()?;
    let ratio = first.spm.max(second.spm) / first.spm.min(second.spm).max(1e-9);
    // Halves in simple ratio are one rhythm folded differently, not a jump.
    if first.lock < 0.5 || second.lock < 0.5 || !(1.05..1.4).contains(&ratio) {
        return None;
    }
    let keep = if first.strength >= second.strength { 0..n / 2 } else { n / 2..n };
    Some((keep, first.spm, second.spm))
}

fn take(
    clip: &Clip,
    sound: &Sound<'_>,
    rhythm: &Rhythm,
    edges: &[f64],
    settings: &AnalyseSettings,
    marks: &[f64],
    findings: &mut Vec<Finding>,
) -> Take {
    let feature = sound.feature;
    let second = stroke::second_rhythm(feature, rhythm).filter(|s| s.strength >= SECOND_SHARE * rhythm.strength);
    let polished;
    let rhythm = match &second {
        Some(s) => {
            polished = stroke::polish(feature, rhythm, s);
            &polished
        }
        None => rhythm,
    };
    let range = speed_range(&rhythm.phase);
    if range > JUMP && !findings.iter().any(|f| f.code == Code::RateJump) {
        findings.push(Finding::warn(
            Code::RateJump,
            format!(
                "the speed changed by {:.0} % within the clip: it was followed, but record at a steady speed",
                100.0 * range
            ),
        ));
    }
    let (frames, level) = steadied(sound, &rhythm.phase);
    let (frames, level) = (&frames, level.as_slice());
    let plain = fold(frames, level, &rhythm.phase, edges);
    let map = match &second {
        Some(s) => fold_two(frames, level, &rhythm.phase, &s.phase, &plain, edges),
        None => plain,
    };
    let (first, last) = (rhythm.phase.first().copied().unwrap_or(0.0), rhythm.phase.last().copied().unwrap_or(0.0));
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a count of strokes, not negative")]
    let strokes = (last - first).max(0.0) as u32;
    let mut mark = None;
    if !marks.is_empty() {
        match stroke::zero_from_marks(marks, &rhythm.phase, frames.first_centre_s, frames.frame_rate_hz) {
            Ok(z) => mark = Some(Mark::pulse(z)),
            Err(e) => findings.push(Finding::warn(Code::AngleUnsure, format!("pulse channel: {e}"))),
        }
    }
    if let (None, Some(taps)) = (mark, &settings.taps_s) {
        let shifted: Vec<f64> = taps.iter().map(|t| t - clip.start_s).collect();
        match stroke::zero_from_taps(&shifted, &rhythm.phase, frames.first_centre_s, frames.frame_rate_hz) {
            Ok(z) => mark = Some(Mark::taps(z)),
            Err(e) => findings.push(Finding::warn(Code::AngleUnsure, format!("taps: {e}"))),
        }
    }
    Take {
        spm: rhythm.spm,
        strokes,
        lock: rhythm.lock,
        strength: rhythm.strength,
        mark,
        map,
        second_spm: second.map(|s| s.spm),
        phase: settings.keep_phase.then(|| rhythm.phase.clone()),
    }
}

/// Frames freed of what changes from turn to turn: each group of bands less its mean over one whole turn about the frame.
///
/// A mean over a whole turn holds nothing that goes with the angle, so only riding gain, slow rig noise and slow wander of
/// the flow are taken out.
fn steadied(sound: &Sound<'_>, phase: &[f64]) -> (BandFrames, Vec<f32>) {
    let Sound { frames, level, sums, .. } = *sound;
    let n = frames.n_frames();
    // First frame after, and last before, half a turn to each side.
    let mut spans = Vec::with_capacity(n);
    let (mut lo, mut hi) = (0, 0);
    for i in 0..n {
        while phase[lo] < phase[i] - 0.5 {
            lo += 1;
        }
        while hi < n && phase[hi] < phase[i] + 0.5 {
            hi += 1;
        }
        spans.push((lo, hi));
    }
    let whole = |&(lo, hi): &(usize, usize)| phase[hi - 1] - phase[lo] > 0.97;
    let first = spans.iter().position(whole).unwrap_or(0);
    let last = spans.iter().rposition(whole).unwrap_or(0);
    // The running sum of the groups' mean levels.
    let edges = group_edges(frames.n_usable);
    let share: [f32; N_GROUP] = std::array::from_fn(|g| 1.0 / (edges[g + 1] - edges[g]).max(1) as f32);
    let mut cumulative = Vec::with_capacity(n + 1);
    let mut running = [0.0_f64; N_GROUP];
    cumulative.push(running);
    for sums in sums {
        for ((r, s), c) in running.iter_mut().zip(sums).zip(share) {
            *r += f64::from(s * c);
        }
        cumulative.push(running);
    }
    let mean = running.map(|r| r / n as f64);
    let (mut power, mut out_level) = (Vec::with_capacity(n * N_BAND), Vec::with_capacity(n * N_BAND));
    // What changes, by band; 0 and 1 where a band is not usable.
    let (mut change, mut factor) = ([0.0_f32; N_BAND], [1.0_f32; N_BAND]);
    for i in 0..n {
        let (lo, hi) = spans[i.clamp(first, last)];
        for g in 0..N_GROUP {
            let bands = edges[g]..edges[g + 1];
            let about = (cumulative[hi][g] - cumulative[lo][g]) / (hi - lo) as f64;
            #[expect(clippy::cast_possible_truncation, reason = "a few dB")]
            let more = (about - mean[g]) as f32;
            change[bands.clone()].fill(more);
            factor[bands].fill((-0.1 * std::f32::consts::LOG2_10 * more).exp2());
        }
        let cells = i * N_BAND..(i + 1) * N_BAND;
        power.extend(frames.power[cells.clone()].iter().zip(&factor).map(|(p, f)| p * f));
        out_level.extend(level[cells].iter().zip(&change).map(|(l, c)| l - c));
    }
    (BandFrames { power, ..*frames }, out_level)
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
