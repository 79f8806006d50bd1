//! From a source to files: writes as it comes, counts what is missing, shows what a person has to know, stops when enough is in.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use super::meter::{Meter, TrackLive};
use super::{Format, Got, Source, SourceError, Trouble};
use crate::clip::growing::log::{Ended, Gap, Line, Log};
use crate::clip::growing::wav::{Depth, Writer};
use crate::stroke::TapAngle;

/// Longest wait for sound in one go: keys are looked at in between.
const PATIENCE: Duration = Duration::from_millis(20);
/// Time between two looks of the face, in seconds.
const SHOW_EVERY: Duration = Duration::from_millis(200);
/// Longest silence that is written in place of missing sound, in seconds: the clock of the recording holds across it.
const MOST_FILLED_S: f64 = 10.0;
/// Gaps that are kept one by one.
const MOST_GAPS: usize = 500;

/// One file of a recording.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Track {
    /// File to make.
    pub path: PathBuf,
    /// Channel with the sound, counted from 1.
    pub sound: u16,
    /// Channel with the pulses, counted from 1; it becomes the file's second channel.
    pub pulse: Option<u16>,
}

/// What to record.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Files, all on one clock.
    pub tracks: Vec<Track>,
    /// How samples are stored.
    pub depth: Depth,
    /// Good strokes after which it stops by itself; `None`: not by strokes.
    pub strokes: Option<u32>,
    /// Longest recording.
    pub limit: Duration,
    /// Console reading in strokes a minute.
    pub hint_spm: Option<f64>,
    /// The device as it was named, for the lines beside the recording.
    pub device: String,
    /// When it is taken, RFC 3339.
    pub taken_at: String,
}

/// What the one at the pump wants.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Order {
    /// Stop, and keep what is there.
    Stop,
    /// The rod of module 1 passed its crank end at this moment.
    Tap(Instant),
}

/// Where a recording stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Live {
    /// Seconds recorded.
    pub length_s: f64,
    /// One a track.
    pub tracks: Vec<TrackLive>,
    /// Frames missing so far.
    pub lost_frames: u64,
    /// Places where sound is missing so far.
    pub gaps: u64,
    /// What the source complains of.
    pub trouble: Trouble,
    /// Taps so far.
    pub taps: usize,
    /// What they say of the crank's zero, once they say anything.
    pub tap_angle: Option<TapAngle>,
    /// Good strokes of the track that has the fewest.
    pub strokes: f64,
    /// Seconds until enough is in, or until the limit where that comes first or no stroke is known yet.
    pub left_s: f64,
}

impl Live {
    /// Whether taps were begun and the angle is not known yet.
    #[must_use]
    pub fn keep_tapping(&self) -> bool {
        self.taps > 0 && !self.tap_angle.is_some_and(|a| a.known())
    }
}

/// A finished recording; its files are synced.
#[derive(Debug)]
pub struct Recorded {
    /// Why it ended.
    pub ended: Ended,
    /// What was said at the end, if it ended otherwise than meant.
    pub why: Option<String>,
    /// How the source delivered.
    pub format: Format,
    /// Frames in each file.
    pub frames: u64,
    /// Places where sound is missing, the first ones.
    pub gaps: Vec<Gap>,
    /// Times of taps in seconds from the start, ascending.
    pub taps_s: Vec<f64>,
    /// The last figures.
    pub live: Live,
    /// The files, still locked, one a track; `None` where the disk did not take the end.
    pub files: Vec<Option<std::fs::File>>,
}

/// Why nothing was recorded.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RecordError {
    /// A file can't be made.
    #[error("{path}: can't be made; give a name that is not taken, in a folder that you may write to")]
    Create {
        /// The file.
        path: PathBuf,
        /// What the system says.
        #[source]
        source: std::io::Error,
    },
    /// The source has no such channel.
    #[error(
        "channel {wanted} was asked for, and the device delivers {there}; see `seatsong devices`, or give --channels"
    )]
    NoChannel {
        /// Asked for, counted from 1.
        wanted: u16,
        /// Channels that come.
        there: u16,
    },
    /// There is no track.
    #[error("nothing to record: no channel was chosen")]
    NoTrack,
}

/// One file on its way.
#[derive(Debug)]
struct Lane {
    sound: usize,
    pulse: Option<usize>,
    writer: Writer,
    log: Log,
    meter: Meter,
    samples: Vec<f32>,
    pulses: Vec<f32>,
}

/// What the disk says to a line or a block.
type Disk = Result<(), std::io::Error>;

struct Running<'a> {
    plan: &'a Plan,
    format: Format,
    lanes: Vec<Lane>,
    frames: u64,
    gaps: Vec<Gap>,
    n_gaps: u64,
    lost: u64,
    taps_s: Vec<f64>,
    trouble: Trouble,
    /// Latest moment that the first frame can have come, seen from each arrival: the one that was delayed least.
    zero: Option<Instant>,
    block: Vec<f32>,
}

/// Records until it is told to stop, enough is in, or nothing more comes.
///
/// The files are whole at any moment, as of at most half a second ago. An error of the disk or the source ends the recording and keeps it.
///
/// # Arguments
/// - `face`: called every few milliseconds, with the figures five times a second; gives what the one at the pump wants.
///
/// # Errors
/// [`RecordError`]: nothing was recorded.
pub fn record(
    source: &mut dyn Source,
    plan: &Plan,
    face: &mut dyn FnMut(Option<&Live>) -> Vec<Order>,
) -> Result<Recorded, RecordError> {
    let mut run = Running::start(source.format(), plan)?;
    let mut shown: Option<Instant> = None;
    let (ended, why) = loop {
        run.block.clear();
        let mut block = std::mem::take(&mut run.block);
        let got = source.read(&mut block, PATIENCE);
        run.block = block;
        let step = match got {
            Ok(Got::Frames { frames, lost_before }) => run.take(frames, lost_before),
            Ok(Got::Nothing) => Ok(()),
            Ok(Got::End) => break (Ended::End, None),
            Err(e @ SourceError::Changed { .. }) => break (Ended::Changed, Some(e.to_string())),
            Err(e) => break (Ended::Gone, Some(e.to_string())),
        };
        let step = step.and_then(|()| run.complain(source.trouble()));
        let due = shown.is_none_or(|s| s.elapsed() >= SHOW_EVERY);
        let live = due.then(|| run.live());
        if due {
            shown = Some(Instant::now());
        }
        let mut stop = None;
        let step = step.and_then(|()| {
            for order in face(live.as_ref()) {
                match order {
                    Order::Stop => stop = Some(Ended::Key),
                    Order::Tap(at) => run.tap(at)?,
                }
            }
            Ok(())
        });
        if let Err(e) = step {
            break (Ended::Disk, Some(e.to_string()));
        }
        if let Some(ended) = stop.or_else(|| run.enough()) {
            break (ended, None);
        }
    };
    Ok(run.finish(ended, why))
}

impl<'a> Running<'a> {
    fn start(format: Format, plan: &'a Plan) -> Result<Self, RecordError> {
        if plan.tracks.is_empty() {
            return Err(RecordError::NoTrack);
        }
        let channel = |wanted: u16| match usize::from(wanted) {
            n if n >= 1 && wanted <= format.channels => Ok(n - 1),
            _ => Err(RecordError::NoChannel { wanted, there: format.channels }),
        };
        let mut lanes = Vec::new();
        for track in &plan.tracks {
            let (sound, pulse) = (channel(track.sound)?, track.pulse.map(channel).transpose()?);
            let own = Format { rate_hz: format.rate_hz, channels: if pulse.is_some() { 2 } else { 1 } };
            let failed = |source| RecordError::Create { path: track.path.clone(), source };
            let writer = Writer::create(&track.path, own, plan.depth).map_err(failed)?;
            let log = Log::create(&track.path, &plan.device, &plan.taken_at, format, track.sound, pulse.is_some())
                .map_err(failed)?;
            let meter = Meter::new(format.rate_hz, pulse.is_some(), plan.hint_spm);
            lanes.push(Lane { sound, pulse, writer, log, meter, samples: Vec::new(), pulses: Vec::new() });
        }
        Ok(Self {
            plan,
            format,
            lanes,
            frames: 0,
            gaps: Vec::new(),
            n_gaps: 0,
            lost: 0,
            taps_s: Vec::new(),
            trouble: Trouble::default(),
            zero: None,
            block: Vec::new(),
        })
    }

    fn seconds(&self, frames: u64) -> f64 {
        frames as f64 / f64::from(self.format.rate_hz)
    }

    /// A block that has come.
    fn take(&mut self, frames: usize, lost: u64) -> Disk {
        if lost > 0 {
            self.gap(lost)?;
        }
        let channels = usize::from(self.format.channels);
        for lane in &mut self.lanes {
            lane.samples.clear();
            lane.samples.extend(self.block.iter().skip(lane.sound).step_by(channels));
            lane.pulses.clear();
            if let Some(pulse) = lane.pulse {
                lane.pulses.extend(self.block.iter().skip(pulse).step_by(channels));
            }
        }
        self.put(frames as u64)?;
        let length = Duration::from_secs_f64(self.seconds(self.frames));
        if let Some(zero) = Instant::now().checked_sub(length) {
            self.zero = Some(self.zero.map_or(zero, |z| z.min(zero)));
        }
        Ok(())
    }

    /// Writes what the lanes hold, and shows it to the meters.
    fn put(&mut self, frames: u64) -> Disk {
        for lane in &mut self.lanes {
            if !lane.writer.has_room(frames) {
                return Err(std::io::Error::other("a WAV file can't be longer"));
            }
            if lane.pulse.is_some() {
                let both = lane.samples.iter().zip(&lane.pulses).flat_map(|(s, p)| [*s, *p]);
                lane.writer.write(frames, both)?;
            } else {
                lane.writer.write(frames, lane.samples.iter().copied())?;
            }
            lane.meter.push(&lane.samples, &lane.pulses, &self.taps_s);
        }
        self.frames += frames;
        Ok(())
    }

    /// Sound is missing: silence stands for it, so that the clock holds, and it is written down.
    fn gap(&mut self, lost: u64) -> Disk {
        let most = Duration::from_secs_f64(MOST_FILLED_S).as_secs() * u64::from(self.format.rate_hz);
        let filled = lost.min(most);
        let gap = Gap { at_s: self.seconds(self.frames), lost_frames: lost, filled_frames: filled };
        self.lost += lost;
        self.n_gaps += 1;
        if self.gaps.len() < MOST_GAPS {
            self.gaps.push(gap);
        }
        for lane in &mut self.lanes {
            lane.log.put(&Line::Gap(gap))?;
            lane.meter.torn();
        }
        let n = usize::try_from(filled).unwrap_or(0);
        for lane in &mut self.lanes {
            for (samples, used) in [(&mut lane.samples, true), (&mut lane.pulses, lane.pulse.is_some())] {
                samples.clear();
                samples.resize(if used { n } else { 0 }, 0.0);
            }
        }
        self.put(filled)
    }

    fn complain(&mut self, trouble: Trouble) -> Disk {
        if trouble != self.trouble {
            let line = Line::Trouble { overruns: trouble.overruns, errors: trouble.errors, last: trouble.last.clone() };
            for lane in &mut self.lanes {
                lane.log.put(&line)?;
            }
            self.trouble = trouble;
        }
        Ok(())
    }

    /// A tap, put into the recording's own time.
    fn tap(&mut self, at: Instant) -> Disk {
        let Some(at_s) = self.zero.and_then(|z| at.checked_duration_since(z)).map(|d| d.as_secs_f64()) else {
            return Ok(());
        };
        self.taps_s.push(at_s);
        for lane in &mut self.lanes {
            lane.log.put(&Line::Tap { at_s })?;
            lane.log.sync()?;
        }
        Ok(())
    }

    fn live(&self) -> Live {
        let tracks: Vec<TrackLive> = self.lanes.iter().map(|l| l.meter.live()).collect();
        let length_s = self.seconds(self.frames);
        let strokes = tracks.iter().map(|t| t.strokes).fold(f64::INFINITY, f64::min);
        let to_limit = (self.plan.limit.as_secs_f64() - length_s).max(0.0);
        let slowest = tracks.iter().filter_map(|t| t.spm).fold(f64::INFINITY, f64::min);
        let to_strokes = match self.plan.strokes {
            Some(n) if slowest.is_finite() => ((f64::from(n) - strokes) * 60.0 / slowest).max(0.0),
            _ => f64::INFINITY,
        };
        // Each track looks for itself; the best known angle is the taps' own.
        let known = |a: &TapAngle, b: &TapAngle| a.within_deg.total_cmp(&b.within_deg);
        Live {
            length_s,
            lost_frames: self.lost,
            gaps: self.n_gaps,
            trouble: self.trouble.clone(),
            taps: self.taps_s.len(),
            tap_angle: self.lanes.iter().filter_map(|l| l.meter.taps).min_by(known),
            strokes,
            left_s: to_strokes.min(to_limit),
            tracks,
        }
    }

    fn enough(&self) -> Option<Ended> {
        if self.seconds(self.frames) >= self.plan.limit.as_secs_f64() {
            return Some(Ended::Limit);
        }
        let wanted = f64::from(self.plan.strokes?);
        let fewest = self.lanes.iter().map(|l| l.meter.strokes()).fold(f64::INFINITY, f64::min);
        (fewest >= wanted && !self.live().keep_tapping()).then_some(Ended::Strokes)
    }

    fn finish(mut self, mut ended: Ended, mut why: Option<String>) -> Recorded {
        self.taps_s.sort_by(f64::total_cmp);
        // All at once, then their answers.
        for lane in &mut self.lanes {
            lane.meter.close(&self.taps_s);
        }
        for lane in &mut self.lanes {
            lane.meter.closed();
        }
        let live = self.live();
        let mut files = Vec::new();
        for mut lane in self.lanes {
            let done = lane.writer.finish();
            let said = lane.log.put(&Line::End { why: ended }).and_then(|()| lane.log.sync());
            match done {
                Ok(file) => files.push(Some(file)),
                Err(e) => {
                    files.push(None);
                    (ended, why) = (Ended::Disk, Some(e.to_string()));
                }
            }
            if let Err(e) = said {
                (ended, why) = (Ended::Disk, Some(e.to_string()));
            }
        }
        Recorded {
            ended,
            why,
            format: self.format,
            frames: self.frames,
            gaps: self.gaps,
            taps_s: self.taps_s,
            live,
            files,
        }
    }
}

/// `file.taps.txt` for `file.wav`: taps in the form that `--taps` reads.
#[must_use]
pub fn taps_beside(wav: &Path) -> PathBuf {
    wav.with_extension("taps.txt")
}

/// Writes taps in the form that `--taps` reads: one time in seconds a line.
///
/// # Errors
/// What the disk says.
pub fn write_taps(path: &Path, taps_s: &[f64]) -> std::io::Result<()> {
    let mut text =
        String::from("# seconds from the start of the recording at which the rod of module 1 was at its crank end\n");
    for t in taps_s {
        text += &format!("{t:.4}\n");
    }
    std::fs::write(path, text)
}

#[cfg(test)]
#[path = "recorder_tests.rs"]
mod tests;
