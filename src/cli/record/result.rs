//! What a recording gave, said at once: whether the clip will do, and the verdict where the spot has a baseline.

use std::path::Path;

use serde_json::{Value, json};

use super::aims::Aim;
use crate::book::{Book, RoundRow};
use crate::capture::recorder::{Recorded, Track, taps_beside, write_taps};
use crate::cli::Io;
use crate::clip::growing::log::{Ended, log_beside};
use crate::clip::{self, Effect, Finding, ReadSettings};
use crate::map::{AnalyseSettings, analyse};
use crate::report::json::{tidy, value_of};
use crate::report::text;
use crate::score::{ClipVerdict, State, request};
use crate::stroke::{TAPS_BEFORE_KNOWN, TapAngle};

/// One clip that was recorded.
#[derive(Debug, Clone)]
pub(super) struct Taken {
    file: String,
    module: Option<u32>,
    spot: Option<String>,
    channel: u16,
    length_s: f64,
    rate_hz: u32,
    ended: Ended,
    lost_frames: u64,
    gaps: Value,
    overruns: u64,
    taps: usize,
    tap_angle: Option<TapAngle>,
    spm: Option<f64>,
    strokes: Option<u32>,
    lock: Option<f64>,
    quality: Vec<Finding>,
    /// Only for clips of the book.
    verdict: Option<ClipVerdict>,
    /// What was said where the recording ended otherwise than meant, or could not be judged.
    why: Option<String>,
    /// Why the clip is not where it should be, or could not be looked at.
    pub(super) failed: Option<String>,
}

impl Taken {
    fn new(file: String, channel: u16, done: &Recorded) -> Self {
        Self {
            file,
            module: None,
            spot: None,
            channel,
            length_s: done.frames as f64 / f64::from(done.format.rate_hz),
            rate_hz: done.format.rate_hz,
            ended: done.ended,
            lost_frames: done.live.lost_frames,
            gaps: serde_json::to_value(&done.gaps).unwrap_or(Value::Null),
            overruns: done.live.trouble.overruns,
            taps: done.taps_s.len(),
            tap_angle: done.live.tap_angle,
            spm: None,
            strokes: None,
            lock: None,
            quality: Vec::new(),
            verdict: None,
            why: done.why.clone(),
            failed: None,
        }
    }

    /// The first finding that keeps it from carrying a verdict.
    fn refusal(&self) -> Option<&Finding> {
        self.quality.iter().find(|f| f.effect == Effect::Refuse)
    }

    fn will_do(&self) -> bool {
        self.failed.is_none() && self.refusal().is_none()
    }

    /// One line for the walk.
    pub(super) fn in_short(&self) -> String {
        let who = self.module.map_or_else(|| self.file.clone(), |m| format!("module {m}"));
        match (&self.failed, self.refusal()) {
            (Some(why), _) => format!("{who}: NOT kept as a clip: {why}"),
            (None, Some(finding)) => format!("{who}: WON'T DO: {} (r records it again)", finding.text),
            (None, None) => {
                let strokes = self.strokes.map_or_else(String::new, |n| format!(", {n} strokes"));
                format!("{who}: will do, {:.0} s{strokes}", self.length_s)
            }
        }
    }
}

/// A recording into a file: looked at as `look` does.
pub(super) fn of_file(path: &Path, pulse: bool, done: Recorded, hint_spm: Option<f64>) -> anyhow::Result<Taken> {
    let mut taken = Taken::new(path.display().to_string(), 1, &done);
    if !done.taps_s.is_empty() {
        write_taps(&taps_beside(path), &done.taps_s)?;
    }
    let settings = ReadSettings { pulse: pulse.then_some(2), ..ReadSettings::default() };
    let quiet = done.live.lost_frames == 0 && done.live.trouble.overruns == 0 && !done.ended.short();
    if quiet {
        // Nothing to tell that the file and its taps do not tell.
        let _ = std::fs::remove_file(log_beside(path));
    }
    let taps_s = (!done.taps_s.is_empty()).then(|| done.taps_s.clone());
    drop(done);
    match clip::read(path, &settings) {
        Ok(clip) => {
            let wish = AnalyseSettings { hint_spm, taps_s, ..AnalyseSettings::default() };
            let analysis = analyse(&clip, &wish);
            if let Some(take) = analysis.takes.first() {
                (taken.spm, taken.strokes, taken.lock) = (Some(take.spm), Some(take.strokes), Some(take.lock));
            }
            taken.quality = analysis.findings;
        }
        Err(err) => taken.failed = Some(request::chain(&err)),
    }
    Ok(taken)
}

/// Recordings into the book: taken into their round, then the round is judged as `verdict` does.
pub(super) fn of_book(
    book: &mut Book,
    round: &mut RoundRow,
    aims: &[Aim],
    tracks: &[Track],
    mut done: Recorded,
    io: &mut Io<'_>,
) -> anyhow::Result<Vec<Taken>> {
    let mut out = Vec::new();
    let files = std::mem::take(&mut done.files);
    for ((aim, track), held) in aims.iter().zip(tracks).zip(files) {
        let mut taken = Taken::new(track.path.display().to_string(), aim.sound, &done);
        (taken.module, taken.spot) = (Some(aim.spot.module), Some(aim.spot.name.clone()));
        match held.map(|held| book.take_recording(&track.path, held)) {
            Some(Ok(row)) => taken.file = row.file,
            Some(Err(err)) => taken.failed = Some(format!("{:#}", anyhow::Error::from(err))),
            None => {
                let later = "the disk took no more; make room: the next command takes what is there into the round";
                taken.failed = Some(later.into());
            }
        }
        out.push(taken);
    }
    if out.iter().all(|t| t.failed.is_some()) {
        return Ok(out);
    }
    *round = book.round(round.id)?;
    let bar = io.progress(book.n_to_analyse(round)?, "stroke maps");
    let judged = book.judge_round(round, &|| bar.inc(1));
    bar.finish_and_clear();
    let judged = judged?;
    for taken in out.iter_mut().filter(|t| t.failed.is_none()) {
        let Some(v) = judged.clips.iter().find(|v| v.file == taken.file) else { continue };
        (taken.spm, taken.strokes, taken.lock) = (v.spm, v.strokes, v.lock);
        taken.quality = v.quality.clone();
        taken.verdict = Some(v.clone());
    }
    Ok(out)
}

/// Everything for other programs.
pub(super) fn document(round: Option<i64>, taken: &[Taken]) -> Value {
    let clips: Vec<Value> = taken
        .iter()
        .map(|t| {
            let taps = (t.taps > 0).then(|| {
                json!({
                    "count": t.taps,
                    "within_deg": t.tap_angle.map(|a| a.within_deg),
                    "scatter_deg": t.tap_angle.map(|a| a.scatter_deg),
                    "known": t.tap_angle.is_some_and(|a| a.known()),
                })
            });
            let raw = json!({
                "file": t.file, "module": t.module, "spot": t.spot, "channel": t.channel, "length_s": t.length_s,
                "sample_rate_hz": t.rate_hz, "ended": t.ended.as_str(), "cut_short": t.ended.short(), "why": t.why,
                "lost_frames": t.lost_frames, "gaps": t.gaps, "overruns": t.overruns, "taps": taps, "will_do": t.will_do(),
                "failed": t.failed, "spm": t.spm, "strokes": t.strokes, "lock": t.lock, "quality": t.quality,
            });
            let mut value = tidy(raw, "");
            value["verdict"] = t.verdict.as_ref().map_or(Value::Null, value_of);
            value
        })
        .collect();
    json!({"schema": "seatsong.record/1", "round": round, "clips": clips})
}

/// The same in words.
pub(super) fn tell(round: Option<i64>, taken: &[Taken], io: &mut Io<'_>) -> anyhow::Result<()> {
    for t in taken {
        let strokes = match (t.strokes, t.spm) {
            (Some(n), Some(spm)) if spm > 0.0 => format!(", {n} strokes at {spm:.1} SPM"),
            _ => ", no stroke rhythm".into(),
        };
        writeln!(io.out, "{}: {:.1} s{strokes}; it ended because {}.", t.file, t.length_s, t.ended.words())?;
        let mut lines = Vec::new();
        lines.extend(t.why.clone());
        if t.lost_frames > 0 || t.overruns > 0 {
            lines.push(format!(
                "{} samples were lost and the system's buffer ran over {} time(s); silence stands in for them.",
                t.lost_frames, t.overruns
            ));
        }
        if t.taps > 0 {
            lines.push(match t.tap_angle {
                Some(a) if a.known() => {
                    format!("{} taps: the crank angle is known to +-{:.0} degrees.", t.taps, a.within_deg)
                }
                Some(a) => format!(
                    "{} taps: the crank angle is known to +-{:.0} degrees only; tap longer.",
                    t.taps, a.within_deg
                ),
                None if t.taps < TAPS_BEFORE_KNOWN => {
                    format!("{} taps are too few for an angle: it takes at least {TAPS_BEFORE_KNOWN}.", t.taps)
                }
                None => {
                    format!("{} taps: they follow no angle of the strokes; tap as the rod is at its crank end.", t.taps)
                }
            });
        }
        lines.push(match (&t.failed, t.refusal()) {
            (Some(why), _) => format!("NOT KEPT AS A CLIP: {why}"),
            (None, Some(_)) => "THIS CLIP WON'T DO. Record this spot again:".into(),
            (None, None) if t.quality.is_empty() => "This clip will do.".into(),
            (None, None) => "This clip will do, with remarks:".into(),
        });
        lines.extend(t.quality.iter().map(|f| format!("- {}: {}", f.code.as_str(), f.text)));
        for line in lines {
            for part in text::wrap(&line, io.text.width.clamp(72, 120) - 2) {
                writeln!(io.out, "  {part}")?;
            }
        }
    }
    let judged: Vec<ClipVerdict> =
        taken.iter().filter_map(|t| t.verdict.clone()).filter(|v| v.verdict != State::Unjudged).collect();
    if !judged.is_empty() {
        write!(io.out, "\n{}", text::verdicts(&judged, io.text))?;
    }
    for v in taken.iter().filter_map(|t| t.verdict.as_ref()).filter(|v| v.verdict == State::Unjudged) {
        if let (Some(module), Some(reason)) = (v.module, &v.reason) {
            writeln!(io.out, "Module {module}, no verdict: {reason}.")?;
        }
    }
    if let Some(round) = round.filter(|_| !taken.is_empty()) {
        writeln!(io.out, "In round {round}. All its modules together: seatsong verdict {round}")?;
    }
    Ok(())
}
