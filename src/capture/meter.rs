//! What a person sees while recording: levels, clipping, strokes. Samples in, figures out; memory bounded.

use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::Duration;

use crate::dsp::bands::{N_BAND, band_edges_hz};
use crate::dsp::frames::{BandFrames, FramePlan, HOP_S};
use crate::stroke::{self, Feature, TapAngle};
use crate::units::{amplitude_to_db, power_to_db};

/// Sound in which the rhythm is looked for, in seconds: longer gains little, and costs at every look.
const WINDOW_S: f64 = 40.0;
/// Sound between two looks for the rhythm, in seconds.
const LOOK_EVERY_S: f64 = 2.0;
/// Shortest sound in which a rhythm is believed, in seconds.
const LEAST_LOOK_S: f64 = 6.0;
/// Sound that may come while a look is on its way before it is waited for, in seconds: only sources faster than real time get there.
const PATIENCE_S: f64 = 4.0;
/// Longest wait for a look.
const LONGEST_WAIT: Duration = Duration::from_secs(2);
/// Longest wait for the last look: a machine that is busy with other work still gets there.
const LONGEST_LAST: Duration = Duration::from_secs(20);
/// Blocks in which sound is clean or not, in seconds.
const BLOCK_S: f64 = 0.5;
/// Time over which a level is shown, in seconds.
const LEVEL_S: f64 = 0.4;
/// Time for which a peak is held, in seconds.
const HOLD_S: f64 = 2.0;
/// A sample so near full scale has hit it: the last step of 15 bits.
const FULL_SCALE: f32 = 0.999_96;
/// Samples at full scale that make a block clipped.
const LEAST_CLIPPED: u32 = 2;
/// Below this a block is silent, re full scale: -100 dB.
const SILENT_RMS: f64 = 1e-5;
/// Where leaks are heard: mostly above 2 kHz.
pub const LISTENING_HZ: f64 = 2_000.0;

/// One channel's figures.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrackLive {
    /// Level of the last moments, dB re full scale.
    pub level_db: f64,
    /// Highest sample of the last seconds, dB re full scale.
    pub peak_db: f64,
    /// Level above 2 kHz, where leaks are heard, dB re full scale.
    pub band_db: f64,
    /// Whether the last moments hit full scale.
    pub clipping: bool,
    /// Half-seconds that hit full scale so far.
    pub clipped_blocks: u32,
    /// Strokes a minute, once there is a rhythm.
    pub spm: Option<f64>,
    /// How well the sound follows it, 0 to 1.
    pub lock: f64,
    /// Strokes in sound that is neither clipped nor silent nor torn.
    pub strokes: f64,
    /// Turns that the pulse channel marks in the last seconds, if there is one.
    pub pulses: Option<usize>,
}

/// A look at the last seconds: what is asked.
struct Ask {
    frames: BandFrames,
    pulses: Option<(Vec<f32>, f64, f64)>,
    taps_s: Vec<f64>,
    hint_spm: Option<f64>,
}

/// What a look gave.
struct Seen {
    spm: Option<f64>,
    lock: f64,
    pulses: Option<usize>,
    taps: Option<TapAngle>,
}

/// Figures of one recording as it grows.
pub(super) struct Meter {
    plan: std::sync::Arc<FramePlan>,
    rate_hz: f64,
    /// Samples not yet in frames, and the place of the first of them.
    tail: Vec<f32>,
    tail_start: usize,
    next_frame: usize,
    /// Band powers of the last seconds, frame `first_frame` first.
    power: Vec<f32>,
    first_frame: usize,
    /// The pulse channel of the last seconds.
    pulse: Option<Vec<f32>>,
    pulse_start: u64,
    n: u64,
    block: Block,
    /// Whether each half-second so far is clean.
    clean: Vec<bool>,
    levels: Levels,
    clipped_blocks: u32,
    hint_spm: Option<f64>,
    looked_at: u64,
    waiting: bool,
    asks: Option<Sender<Ask>>,
    answers: Receiver<Seen>,
    spm: Option<f64>,
    lock: f64,
    pulses: Option<usize>,
    pub(super) taps: Option<TapAngle>,
}

impl std::fmt::Debug for Meter {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Meter").field("n", &self.n).field("spm", &self.spm).finish_non_exhaustive()
    }
}

#[derive(Debug, Default)]
struct Block {
    n: u32,
    sum: f64,
    clipped: u32,
    torn: bool,
}

/// Level and peak of the last moments.
#[derive(Debug, Default)]
struct Levels {
    sum: f64,
    n: u32,
    clipped: u32,
    shown_rms: f64,
    clipping: bool,
    peak: f32,
    hold: f32,
    hold_left: u32,
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "seconds times rates, all positive")]
fn times(seconds: f64, rate_hz: f64) -> usize {
    (seconds * rate_hz) as usize
}

impl Meter {
    pub(super) fn new(rate_hz: u32, pulse: bool, hint_spm: Option<f64>) -> Self {
        let (asks, asked) = channel::<Ask>();
        let (answer, answers) = channel();
        // Ends when the meter goes and with it `asks`.
        std::thread::spawn(move || {
            while let Ok(ask) = asked.recv() {
                if answer.send(look(&ask)).is_err() {
                    break;
                }
            }
        });
        let rate_hz = f64::from(rate_hz);
        Self {
            plan: FramePlan::shared(rate_hz),
            rate_hz,
            tail: Vec::new(),
            tail_start: 0,
            next_frame: 0,
            power: Vec::new(),
            first_frame: 0,
            pulse: pulse.then(Vec::new),
            pulse_start: 0,
            n: 0,
            block: Block::default(),
            clean: Vec::new(),
            levels: Levels::default(),
            clipped_blocks: 0,
            hint_spm,
            looked_at: 0,
            waiting: false,
            asks: Some(asks),
            answers,
            spm: None,
            lock: 0.0,
            pulses: None,
            taps: None,
        }
    }

    /// Takes the next samples of the sound, and of the pulse channel.
    pub(super) fn push(&mut self, samples: &[f32], pulse: &[f32], taps_s: &[f64]) {
        self.level(samples);
        self.blocks(samples);
        self.n += samples.len() as u64;
        self.tail.extend_from_slice(samples);
        let from = self.plan.frame_start(self.next_frame) - self.tail_start;
        let frames = self.plan.band_frames(self.tail.get(from..).unwrap_or_default());
        self.next_frame += frames.n_frames();
        self.power.extend_from_slice(&frames.power);
        let done = self.plan.frame_start(self.next_frame) - self.tail_start;
        self.tail.drain(..done.min(self.tail.len()));
        self.tail_start += done;
        let most = times(WINDOW_S, 1.0 / HOP_S);
        let over = (self.power.len() / N_BAND).saturating_sub(most);
        self.power.drain(..over * N_BAND);
        self.first_frame += over;
        if let Some(kept) = &mut self.pulse {
            kept.extend_from_slice(pulse);
            let over = kept.len().saturating_sub(times(WINDOW_S, self.rate_hz));
            kept.drain(..over);
            self.pulse_start += over as u64;
        }
        self.ask(taps_s);
    }

    /// Sound is missing at this place.
    pub(super) fn torn(&mut self) {
        self.block.torn = true;
    }

    fn level(&mut self, samples: &[f32]) {
        let (window, hold) = (times(LEVEL_S, self.rate_hz), times(HOLD_S, self.rate_hz));
        let l = &mut self.levels;
        for &x in samples {
            let size = x.abs();
            l.sum += f64::from(x) * f64::from(x);
            l.n += 1;
            l.clipped += u32::from(size >= FULL_SCALE);
            l.hold_left = l.hold_left.saturating_sub(1);
            if size >= l.hold || l.hold_left == 0 {
                l.hold = size.max(l.peak);
                l.peak = 0.0;
                l.hold_left = u32::try_from(hold).unwrap_or(u32::MAX);
            } else {
                // What the hold falls back to: the highest since it began.
                l.peak = l.peak.max(size);
            }
            if l.n as usize >= window {
                l.shown_rms = (l.sum / f64::from(l.n)).sqrt();
                l.clipping = l.clipped >= LEAST_CLIPPED;
                (l.sum, l.n, l.clipped) = (0.0, 0, 0);
            }
        }
    }

    fn blocks(&mut self, samples: &[f32]) {
        let len = times(BLOCK_S, self.rate_hz).max(1);
        for &x in samples {
            let b = &mut self.block;
            b.n += 1;
            b.sum += f64::from(x) * f64::from(x);
            b.clipped += u32::from(x.abs() >= FULL_SCALE);
            if b.n as usize >= len {
                let clipped = b.clipped >= LEAST_CLIPPED;
                self.clipped_blocks += u32::from(clipped);
                let silent = (b.sum / f64::from(b.n)).sqrt() < SILENT_RMS;
                self.clean.push(!clipped && !silent && !b.torn);
                self.block = Block::default();
            }
        }
    }

    /// Takes what a look gave, and asks for the next one when its time has come.
    fn ask(&mut self, taps_s: &[f64]) {
        self.hear(None);
        let since = (self.n - self.looked_at) as f64 / self.rate_hz;
        if self.waiting && since > PATIENCE_S {
            self.hear(Some(LONGEST_WAIT));
        }
        if since >= LOOK_EVERY_S {
            self.look_now(taps_s);
        }
    }

    /// Nothing more comes: has the look on its way answered, and asks for the last one. To be followed by [`Meter::closed`].
    pub(super) fn close(&mut self, taps_s: &[f64]) {
        self.answered();
        if self.n > self.looked_at {
            self.look_now(taps_s);
        }
    }

    /// Waits for the last look, so that the figures that stay are those of the whole recording, however busy the machine.
    pub(super) fn closed(&mut self) {
        self.answered();
    }

    fn answered(&mut self) {
        if self.waiting {
            self.hear(Some(LONGEST_LAST));
        }
    }

    fn look_now(&mut self, taps_s: &[f64]) {
        let there_s = (self.power.len() / N_BAND) as f64 * HOP_S;
        if self.waiting || there_s < LEAST_LOOK_S || self.plan.n_usable() == 0 {
            return;
        }
        self.looked_at = self.n;
        let half_frame = 0.5 * self.plan.frame_len() as f64;
        let frames = BandFrames {
            power: self.power.clone(),
            n_usable: self.plan.n_usable(),
            frame_rate_hz: 1.0 / HOP_S,
            first_centre_s: (self.plan.frame_start(self.first_frame) as f64 + half_frame) / self.rate_hz,
        };
        let pulses = self.pulse.as_ref().map(|p| (p.clone(), self.rate_hz, self.pulse_start as f64 / self.rate_hz));
        let ask = Ask { frames, pulses, taps_s: taps_s.to_vec(), hint_spm: self.hint_spm };
        self.waiting = self.asks.as_ref().is_some_and(|a| a.send(ask).is_ok());
    }

    fn hear(&mut self, wait: Option<Duration>) {
        let seen = match wait {
            Some(wait) => self.answers.recv_timeout(wait).ok(),
            None => self.answers.try_recv().ok(),
        };
        if let Some(seen) = seen {
            self.waiting = false;
            (self.spm, self.lock, self.pulses) = (seen.spm, seen.lock, seen.pulses);
            self.taps = seen.taps;
        }
    }

    /// The figures of now.
    pub(super) fn live(&self) -> TrackLive {
        let last = self.power.len() / N_BAND;
        let shown = times(LEVEL_S, 1.0 / HOP_S).min(last);
        let edges = band_edges_hz();
        let from = edges.iter().take(N_BAND).position(|&e| e >= LISTENING_HZ).unwrap_or(N_BAND);
        let band: f64 = self.power[(last - shown) * N_BAND..]
            .chunks_exact(N_BAND)
            .map(|row| row[from..].iter().map(|&p| f64::from(p)).sum::<f64>())
            .sum::<f64>()
            / shown.max(1) as f64;
        TrackLive {
            level_db: amplitude_to_db(self.levels.shown_rms, 1.0),
            peak_db: amplitude_to_db(self.levels.hold.into(), 1.0),
            band_db: power_to_db(band, 1.0),
            clipping: self.levels.clipping,
            clipped_blocks: self.clipped_blocks,
            spm: self.spm,
            lock: self.lock,
            strokes: self.strokes(),
            pulses: self.pulses,
        }
    }

    /// Strokes in the clean half-seconds, at the speed of the last look.
    pub(super) fn strokes(&self) -> f64 {
        let Some(spm) = self.spm else { return 0.0 };
        self.clean.iter().filter(|c| **c).count() as f64 * BLOCK_S * spm / 60.0
    }
}

/// Looks for the rhythm of the last seconds, and for what taps say of its angle.
fn look(ask: &Ask) -> Seen {
    let level = stroke::levels_db(&ask.frames);
    let feature = Feature::from_frames(&ask.frames, &stroke::group_sums(&level, ask.frames.n_usable));
    let first_centre_s = ask.frames.first_centre_s;
    let marks: Option<Vec<f64>> = ask.pulses.as_ref().map(|(samples, rate_hz, start_s)| {
        stroke::pulse_marks(samples, *rate_hz).into_iter().map(|t| t + start_s).collect()
    });
    let rhythm = marks
        .as_ref()
        .and_then(|m| stroke::rhythm_from_marks(&feature, m, first_centre_s))
        .or_else(|| stroke::rhythms(&feature, ask.hint_spm).into_iter().next())
        .filter(|r| r.lock >= stroke::LEAST_LOCK);
    let taps = rhythm
        .as_ref()
        .and_then(|r| stroke::tap_angle(&ask.taps_s, &r.phase, first_centre_s, ask.frames.frame_rate_hz).ok());
    Seen {
        spm: rhythm.as_ref().map(|r| r.spm),
        lock: rhythm.as_ref().map_or(0.0, |r| r.lock),
        pulses: marks.map(|m| m.len()),
        taps,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sample::{ClipSpec, Room, RoomSettings};

    fn pump(spm: f64, duration_s: f64) -> Vec<f32> {
        let room = Room::new(5, &RoomSettings::drawn(5)).unwrap();
        let spec = ClipSpec { duration_s, sample_rate_hz: 16_000.0, seed: 3, spm, ..ClipSpec::default() };
        room.record(&spec).unwrap().samples
    }

    fn run(samples: &[f32]) -> Meter {
        let mut meter = Meter::new(16_000, false, None);
        for block in samples.chunks(800) {
            meter.push(block, &[], &[]);
        }
        meter.close(&[]);
        meter.closed();
        meter
    }

    #[test]
    fn strokes_are_counted_in_clean_sound_only() {
        let mut samples = pump(72.0, 20.0);
        let live = run(&samples).live();
        let spm = live.spm.unwrap();
        assert!((spm - 72.0).abs() < 1.5 && live.lock > 0.6, "{live:?}");
        assert!((live.strokes - 24.0).abs() < 1.0, "{live:?}");
        for x in &mut samples[80_000..160_000] {
            *x = x.signum();
        }
        let live = run(&samples).live();
        assert_eq!(live.clipped_blocks, 10);
        assert!(live.strokes < 19.0, "{live:?}");
    }

    #[test]
    fn levels_are_those_of_the_signal() {
        // A sine of half full scale: -6 dB peak, -9 dB mean.
        #[expect(clippy::cast_possible_truncation, reason = "a test tone")]
        let tone = |hz: f64| -> Vec<f32> {
            (0..32_000).map(|i| (0.5 * (std::f64::consts::TAU * hz * f64::from(i) / 16_000.0).sin()) as f32).collect()
        };
        let live = run(&tone(3_000.0)).live();
        assert!((live.level_db + 9.03).abs() < 0.1 && (live.peak_db + 6.02).abs() < 0.1, "{live:?}");
        assert!((live.band_db - live.level_db).abs() < 0.3 && !live.clipping, "{live:?}");
        let low = run(&tone(400.0)).live();
        assert!(low.band_db < low.level_db - 40.0, "{low:?}");
        assert_eq!((live.spm, live.strokes), (None, 0.0), "a tone has no strokes");
    }

    #[test]
    fn memory_stays_bounded() {
        let mut meter = Meter::new(8_000, true, None);
        let block = vec![0.01_f32; 8_000];
        for _ in 0..200 {
            meter.push(&block, &block, &[]);
        }
        assert!(meter.power.len() <= 8_000 * N_BAND && meter.tail.len() < 8_000);
        assert_eq!(meter.pulse.as_ref().map(Vec::len), Some(320_000));
    }
}
