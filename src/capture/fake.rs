//! A source without hardware: plays samples or a WAV file at real time or faster, and fails as scripted.

use std::path::Path;
use std::time::{Duration, Instant};

use super::{CaptureError, Format, Got, Source, SourceError, Trouble};

/// Longest block that a read gives, in seconds of its sound.
const BLOCK_S: f64 = 0.05;
/// Pause while waiting for the next block.
const PAUSE: Duration = Duration::from_millis(2);

/// How fast it plays.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Pace {
    /// So many times as fast as it would sound; 1.0 is real time.
    Times(f64),
    /// As fast as it is read: nothing is ever waited for or lost.
    Free,
}

/// What happens at a place in its sound.
#[derive(Debug, Clone, PartialEq, Eq)]
#[cfg_attr(product, expect(dead_code, reason = "most trouble is only ever wanted by tests"))]
pub enum Event {
    /// So many frames of the sound are lost, and counted as such.
    Lose(u64),
    /// The system's buffer runs over: so many frames are lost, and an overrun is counted.
    Overrun(u64),
    /// The device goes away.
    Gone,
    /// The device delivers in another way from here on.
    Change(Format),
}

/// A source without hardware.
#[derive(Debug, Clone, PartialEq)]
pub struct Fake {
    format: Format,
    samples: Vec<f32>,
    pace: Pace,
    /// Frames after which it ends; the samples are repeated up to there.
    end: u64,
    events: Vec<(u64, Event)>,
    /// Frames that wait for a slow reader before they are lost.
    room: Option<u64>,
    at: u64,
    started: Option<Instant>,
    trouble: Trouble,
    over: Option<SourceError>,
}

impl Fake {
    /// Plays interleaved samples once, as fast as they are read.
    #[must_use]
    pub fn new(samples: Vec<f32>, format: Format) -> Self {
        let frames = samples.len() / usize::from(format.channels.max(1));
        Self {
            format,
            samples,
            pace: Pace::Free,
            end: frames as u64,
            events: Vec::new(),
            room: None,
            at: 0,
            started: None,
            trouble: Trouble::default(),
            over: None,
        }
    }

    /// Plays a WAV file once, at real time. The whole file is held in memory.
    ///
    /// # Errors
    /// [`CaptureError::Pretend`] if it can't be read.
    pub fn wav(path: &Path) -> Result<Self, CaptureError> {
        let wrong = |what: String| CaptureError::Pretend { path: path.to_path_buf(), what };
        let mut reader = hound::WavReader::open(path).map_err(|e| wrong(e.to_string()))?;
        let spec = reader.spec();
        #[expect(clippy::cast_possible_truncation, reason = "24 bits of precision are plenty for sound")]
        let samples: Result<Vec<f32>, hound::Error> = match spec.sample_format {
            hound::SampleFormat::Float => reader.samples::<f32>().collect(),
            hound::SampleFormat::Int => {
                let scale = 0.5_f64.powi(i32::from(spec.bits_per_sample) - 1);
                reader.samples::<i32>().map(|s| s.map(|v| (f64::from(v) * scale) as f32)).collect()
            }
        };
        let samples = samples.map_err(|e| wrong(e.to_string()))?;
        if samples.is_empty() {
            return Err(wrong("there is no sound in it".into()));
        }
        Ok(Self::new(samples, Format { rate_hz: spec.sample_rate, channels: spec.channels }).paced(Pace::Times(1.0)))
    }

    /// The same at another pace.
    #[must_use]
    pub fn paced(mut self, pace: Pace) -> Self {
        self.pace = pace;
        self
    }

    /// The same, the samples repeated until so many frames have come.
    #[cfg(not(product))]
    #[must_use]
    pub fn lasting(mut self, frames: u64) -> Self {
        self.end = if self.samples.is_empty() { 0 } else { frames };
        self
    }

    /// The same, with something happening at a frame.
    #[cfg(not(product))]
    #[must_use]
    pub fn with(mut self, at_frame: u64, event: Event) -> Self {
        self.events.push((at_frame, event));
        self.events.sort_by_key(|e| e.0);
        self
    }

    /// The same, losing what a slow reader leaves waiting beyond so many frames. Only when paced.
    #[cfg(test)]
    fn with_room(mut self, frames: u64) -> Self {
        self.room = Some(frames);
        self
    }

    /// Frames that would have come by now.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a time times a rate, not negative")]
    fn due(&mut self) -> u64 {
        let block = ((BLOCK_S * f64::from(self.format.rate_hz)) as u64).max(1);
        match self.pace {
            Pace::Free => self.at + block,
            Pace::Times(times) => {
                let since = self.started.get_or_insert_with(Instant::now).elapsed();
                (since.as_secs_f64() * times * f64::from(self.format.rate_hz)) as u64
            }
        }
        .min(self.end)
    }

    /// Whatever happens at the place that is reached; frames lost there.
    fn happen(&mut self) -> u64 {
        let mut lost = 0;
        while let Some((at, event)) = self.events.first().cloned() {
            if at > self.at {
                break;
            }
            self.events.remove(0);
            match event {
                Event::Lose(n) => lost += n,
                Event::Overrun(n) => {
                    lost += n;
                    self.trouble.overruns += 1;
                    self.trouble.last = Some("the buffer ran over".into());
                }
                Event::Gone => self.over = Some(SourceError::Gone { what: "it was unplugged".into() }),
                Event::Change(now) => self.over = Some(SourceError::Changed { now }),
            }
        }
        self.at += lost;
        lost
    }

    /// Appends the frames from the place that is reached up to `to`.
    fn play(&mut self, to: u64, into: &mut Vec<f32>) -> usize {
        let channels = usize::from(self.format.channels.max(1));
        let n_frames = (self.samples.len() / channels) as u64;
        let from = self.at;
        while self.at < to {
            let place = usize::try_from(self.at % n_frames).unwrap_or(0);
            let run = usize::try_from((to - self.at).min(n_frames - place as u64)).unwrap_or(0);
            into.extend_from_slice(&self.samples[place * channels..(place + run) * channels]);
            self.at += run as u64;
        }
        usize::try_from(self.at - from).unwrap_or(0)
    }
}

impl Source for Fake {
    fn format(&self) -> Format {
        self.format
    }

    fn read(&mut self, into: &mut Vec<f32>, patience: Duration) -> Result<Got, SourceError> {
        let from = Instant::now();
        loop {
            let mut lost = self.happen();
            let due = self.due();
            if let Some(over) = &self.over {
                return Err(over.clone());
            }
            if let Some(room) = self.room
                && due.saturating_sub(self.at) > room
            {
                let more = due - self.at - room;
                self.at += more;
                lost += more;
            }
            if self.at >= self.end {
                return Ok(Got::End);
            }
            let next = self.events.first().map_or(u64::MAX, |e| e.0);
            let to = due.min(next).min(self.end);
            if to > self.at {
                let frames = self.play(to, into);
                return Ok(Got::Frames { frames, lost_before: lost });
            }
            // Frames lost while nothing is due are told with the next ones.
            if lost > 0 {
                self.at -= lost;
                self.events.insert(0, (self.at, Event::Lose(lost)));
            }
            if from.elapsed() >= patience {
                return Ok(Got::Nothing);
            }
            std::thread::sleep(PAUSE);
        }
    }

    fn trouble(&self) -> Trouble {
        self.trouble.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MONO: Format = Format { rate_hz: 1000, channels: 1 };

    fn all(mut fake: Fake) -> (Vec<f32>, u64, Result<Got, SourceError>) {
        let (mut out, mut lost) = (Vec::new(), 0);
        loop {
            match fake.read(&mut out, Duration::from_millis(1)) {
                Ok(Got::Frames { lost_before, .. }) => lost += lost_before,
                Ok(Got::Nothing) => {}
                end => return (out, lost, end),
            }
        }
    }

    #[test]
    fn samples_come_as_they_are_and_repeat() {
        let ramp: Vec<f32> = (0..300_u16).map(f32::from).collect();
        let (out, lost, end) = all(Fake::new(ramp.clone(), MONO).lasting(750));
        assert_eq!((out.len(), lost, end), (750, 0, Ok(Got::End)));
        assert_eq!(out[..300], ramp[..]);
        assert_eq!(out[300..600], ramp[..]);
    }

    #[test]
    fn what_is_scripted_happens_at_its_place() {
        let ramp: Vec<f32> = (0..300_u16).map(f32::from).collect();
        let fake = Fake::new(ramp, MONO).with(100, Event::Lose(7)).with(200, Event::Overrun(3)).with(250, Event::Gone);
        let (out, lost, end) = all(fake);
        assert_eq!((out.len(), lost), (240, 10));
        assert!((out[100] - 107.0).abs() < 0.1 && (out[193] - 203.0).abs() < 0.1, "{:?}", &out[190..195]);
        assert!(matches!(end, Err(SourceError::Gone { .. })));
        let now = Format { rate_hz: 44_100, channels: 2 };
        let (out, _, end) = all(Fake::new(vec![0.0; 300], MONO).with(10, Event::Change(now)));
        assert_eq!((out.len(), end), (10, Err(SourceError::Changed { now })));
    }

    #[test]
    fn a_paced_one_takes_its_time_and_loses_what_nobody_takes() {
        let start = Instant::now();
        let (out, lost, _) = all(Fake::new(vec![0.5; 2000], MONO).paced(Pace::Times(10.0)));
        assert!(start.elapsed() >= Duration::from_millis(199), "{:?}", start.elapsed());
        assert_eq!((out.len(), lost), (2000, 0));
        let mut fake = Fake::new(vec![0.5; 2000], MONO).paced(Pace::Times(10.0)).with_room(100);
        let mut out = Vec::new();
        let first = fake.read(&mut out, Duration::from_secs(1)).unwrap();
        assert!(matches!(first, Got::Frames { lost_before: 0, .. }));
        std::thread::sleep(Duration::from_millis(100));
        let Ok(Got::Frames { frames, lost_before }) = fake.read(&mut out, Duration::from_secs(1)) else { panic!() };
        assert!(frames <= 100 && lost_before >= 800, "{frames} {lost_before}");
    }
}
