//! What happened while a recording was made: lines of JSON beside it, written as it happens, so that a pulled plug leaves them.

use std::fs::{File, OpenOptions};
use std::io::Write as _;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::Format;

/// Why a recording ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ended {
    /// Enough good strokes are in.
    Strokes,
    /// A key or a signal.
    Key,
    /// The time limit.
    Limit,
    /// The source came to its end.
    End,
    /// The device went away.
    Gone,
    /// The device changed its way of delivering.
    Changed,
    /// The disk took no more.
    Disk,
    /// The program or the power went: nobody wrote an end.
    Cut,
}

impl Ended {
    /// The contract name.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Strokes => "strokes",
            Self::Key => "key",
            Self::Limit => "limit",
            Self::End => "end",
            Self::Gone => "gone",
            Self::Changed => "changed",
            Self::Disk => "disk",
            Self::Cut => "cut",
        }
    }

    /// The end of that name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        use Ended::{Changed, Cut, Disk, End, Gone, Key, Limit, Strokes};
        [Strokes, Key, Limit, End, Gone, Changed, Disk, Cut].into_iter().find(|e| e.as_str() == name)
    }

    /// In words, as in `it ended because ...`.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Strokes => "enough good strokes are in",
            Self::Key => "you stopped it",
            Self::Limit => "the time limit came",
            Self::End => "the sound came to its end",
            Self::Gone => "the sound device went away",
            Self::Changed => "the sound device changed its rate or channels",
            Self::Disk => "the disk took no more",
            Self::Cut => "the program or the power went",
        }
    }

    /// Whether it ended otherwise than meant: the clip is cut short.
    #[must_use]
    pub fn short(self) -> bool {
        matches!(self, Self::Gone | Self::Changed | Self::Disk | Self::Cut)
    }
}

/// A place where sound is missing.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Gap {
    /// Where in the recording, in seconds.
    pub at_s: f64,
    /// Frames that are missing.
    pub lost_frames: u64,
    /// Frames of silence that stand in their place.
    pub filled_frames: u64,
}

/// One line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "kebab-case")]
pub enum Line {
    /// The first one.
    Start {
        /// Name and version of the form.
        schema: String,
        /// The device as it was named.
        device: String,
        /// Frames a second.
        rate_hz: u32,
        /// Channel of the device with the sound, counted from 1.
        sound_channel: u16,
        /// When, RFC 3339.
        taken_at: String,
        /// Pulse channel of the recording, counted from 1.
        pulse: Option<u16>,
    },
    /// A tap of the user.
    Tap {
        /// When, in seconds from the start of the recording.
        at_s: f64,
    },
    /// Sound is missing.
    Gap(Gap),
    /// The system complains.
    Trouble {
        /// Overruns so far.
        overruns: u64,
        /// Other complaints so far.
        errors: u64,
        /// The last one.
        last: Option<String>,
    },
    /// The last one.
    End {
        /// Why.
        why: Ended,
    },
}

/// Name and version of the form of the lines.
pub const LOG_SCHEMA: &str = "seatsong.recording/1";
/// Lines read of a log; a device that fails all the time must not fill the memory.
const MOST_LINES: usize = 200_000;
/// Gaps that are kept one by one; of more only their number and length.
const MOST_GAPS: usize = 500;

/// The lines beside a recording, being written.
#[derive(Debug)]
pub(crate) struct Log {
    file: File,
}

/// `m1.wav` has its lines in `m1.capture.jsonl`.
#[must_use]
pub fn log_beside(wav: &Path) -> PathBuf {
    wav.with_extension("capture.jsonl")
}

impl Log {
    pub(crate) fn create(
        wav: &Path,
        device: &str,
        taken_at: &str,
        format: Format,
        sound: u16,
        pulse: bool,
    ) -> std::io::Result<Self> {
        let mut log = Self { file: OpenOptions::new().append(true).create_new(true).open(log_beside(wav))? };
        log.put(&Line::Start {
            schema: LOG_SCHEMA.into(),
            device: device.into(),
            rate_hz: format.rate_hz,
            sound_channel: sound,
            taken_at: taken_at.into(),
            pulse: pulse.then_some(2),
        })?;
        log.file.sync_data()?;
        Ok(log)
    }

    /// Adds a line; it is with the system when this returns.
    pub(crate) fn put(&mut self, line: &Line) -> std::io::Result<()> {
        let mut text = serde_json::to_vec(line)?;
        text.push(b'\n');
        self.file.write_all(&text)
    }

    pub(crate) fn sync(&self) -> std::io::Result<()> {
        self.file.sync_data()
    }
}

/// What the lines beside a recording tell.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Told {
    /// The device as it was named.
    pub device: String,
    /// When it was taken.
    pub taken_at: Option<String>,
    /// Pulse channel of the recording, counted from 1.
    pub pulse: Option<u16>,
    /// Why it ended.
    pub ended: Ended,
    /// Times that the system lost sound before it reached the program.
    pub overruns: u64,
    /// Frames missing in all.
    pub lost_frames: u64,
    /// Places where sound is missing, the first ones.
    pub gaps: Vec<Gap>,
    /// Times of taps in seconds, ascending.
    pub taps_s: Vec<f64>,
}

/// Reads the lines beside a recording. A line that a power cut has halved is left out; no lines at all is a recording without any.
#[must_use]
pub fn told(wav: &Path) -> Told {
    let text = std::fs::read_to_string(log_beside(wav)).unwrap_or_default();
    let mut out = Told {
        device: String::new(),
        taken_at: None,
        pulse: None,
        ended: Ended::Cut,
        overruns: 0,
        lost_frames: 0,
        gaps: Vec::new(),
        taps_s: Vec::new(),
    };
    for line in text.lines().take(MOST_LINES).filter_map(|l| serde_json::from_str(l).ok()) {
        match line {
            Line::Start { device, taken_at, pulse, .. } => {
                (out.device, out.taken_at, out.pulse) = (device, Some(taken_at), pulse);
            }
            Line::Tap { at_s } if at_s.is_finite() && at_s >= 0.0 => out.taps_s.push(at_s),
            Line::Tap { .. } => {}
            Line::Gap(gap) => {
                out.lost_frames += gap.lost_frames;
                if out.gaps.len() < MOST_GAPS {
                    out.gaps.push(gap);
                }
            }
            Line::Trouble { overruns, .. } => out.overruns = overruns,
            Line::End { why } => out.ended = why,
        }
    }
    out.taps_s.sort_by(f64::total_cmp);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_written_is_told_even_if_the_last_line_is_halved() {
        let dir = tempfile::tempdir().unwrap();
        let wav = dir.path().join("m1.wav");
        let format = Format { rate_hz: 48_000, channels: 2 };
        let mut log = Log::create(&wav, "wav:x", "2026-11-25T06:00Z", format, 1, true).unwrap();
        log.put(&Line::Tap { at_s: 2.5 }).unwrap();
        log.put(&Line::Tap { at_s: 1.5 }).unwrap();
        let gap = Gap { at_s: 3.0, lost_frames: 480, filled_frames: 480 };
        log.put(&Line::Gap(gap)).unwrap();
        log.put(&Line::Trouble { overruns: 3, errors: 0, last: None }).unwrap();
        assert!(Log::create(&wav, "", "", format, 1, false).is_err());
        let path = log_beside(&wav);
        let whole = std::fs::read(&path).unwrap();
        std::fs::write(&path, [&whole[..], b"{\"what\":\"ta"].concat()).unwrap();
        let t = told(&wav);
        assert_eq!((t.taps_s.as_slice(), t.overruns, t.lost_frames), (&[1.5, 2.5][..], 3, 480));
        assert_eq!((t.ended, t.pulse, t.device.as_str(), t.gaps.len()), (Ended::Cut, Some(2), "wav:x", 1));
        log.put(&Line::End { why: Ended::Strokes }).unwrap();
        std::fs::write(&path, [&whole[..], b"{\"what\":\"end\",\"why\":\"strokes\"}\n"].concat()).unwrap();
        assert_eq!(told(&wav).ended, Ended::Strokes);
        assert_eq!(told(Path::new("no/such.wav")).ended, Ended::Cut);
    }

    #[test]
    fn every_end_has_a_name_of_its_own() {
        use Ended::{Changed, Cut, Disk, End, Gone, Key, Limit, Strokes};
        for e in [Strokes, Key, Limit, End, Gone, Changed, Disk, Cut] {
            assert_eq!(Ended::named(e.as_str()), Some(e));
            assert_eq!(serde_json::to_value(e).unwrap(), e.as_str());
        }
    }
}
