//! Sound for headphones: the band of a change, louder within its arc, never above a ceiling.
//!
//! One channel of sound and perhaps a pulse channel in, the same number of samples out. The band-pass is a fourth-order Butterworth high-pass
//! at its lower and a fourth-order Butterworth low-pass at its upper edge (-3 dB at both, 24 dB an octave beyond; bilinear, prewarped): no
//! linear phase, but no delay worth telling either, and what is heard keeps its place in the turn to some ms.

use std::collections::VecDeque;

use crate::dsp::biquad::Biquad;
use crate::pump::module_offset_deg;
use crate::units::{amplitude_to_db, db_to_amplitude};

/// Qualities of the two sections of a fourth-order Butterworth filter: 1 / (2 cos(pi / 8)) and 1 / (2 cos(3 pi / 8)).
const SECTIONS: [f64; 2] = [0.541_196_100_146_197, 1.306_562_964_876_376_6];
/// Upper edges above this share of the sample rate leave nothing out.
const OPEN_ABOVE: f64 = 0.45;

/// Why a sound can't be made.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum ListenError {
    /// No band for this sample rate.
    #[error(
        "a band from {low_hz:.0} to {high_hz:.0} Hz can't be heard in sound of {rate_hz:.0} Hz; give the lower edge first, 20 to {most_hz:.0} Hz"
    )]
    Band {
        /// Lower edge.
        low_hz: f64,
        /// Upper edge.
        high_hz: f64,
        /// Samples a second.
        rate_hz: f64,
        /// Highest lower edge.
        most_hz: f64,
    },
    /// No ceiling.
    #[error("a ceiling of {ceiling_dbfs} dB is not allowed: -60 to {HIGHEST_CEILING_DBFS} dB re full scale")]
    Ceiling {
        /// What was asked for.
        ceiling_dbfs: f64,
    },
}

/// A band-pass.
#[derive(Debug, Clone)]
pub struct BandFilter {
    sections: Vec<Biquad>,
}

impl BandFilter {
    /// For a band and a sample rate, both in Hz.
    ///
    /// # Errors
    /// [`ListenError::Band`] unless `20 <= low < high` and the lower edge is below 0.4 of the sample rate.
    pub fn new([low_hz, high_hz]: [f64; 2], rate_hz: f64) -> Result<Self, ListenError> {
        let most_hz = 0.4 * rate_hz;
        if !(low_hz >= 20.0 && low_hz < high_hz && low_hz <= most_hz) {
            return Err(ListenError::Band { low_hz, high_hz, rate_hz, most_hz });
        }
        let mut sections: Vec<Biquad> = SECTIONS.iter().map(|&q| Biquad::high_pass(low_hz, q, rate_hz)).collect();
        if high_hz < OPEN_ABOVE * rate_hz {
            sections.extend(SECTIONS.iter().map(|&q| Biquad::low_pass(high_hz, q, rate_hz)));
        }
        Ok(Self { sections })
    }

    /// The next sample.
    pub fn step(&mut self, x: f64) -> f64 {
        self.sections.iter_mut().fold(x, |x, s| s.step(x))
    }
}

/// Highest ceiling, in dB re full scale: headphones at the end of their scale can harm.
pub const HIGHEST_CEILING_DBFS: f64 = -10.0;
/// Usual ceiling, in dB re full scale. How loud that is depends on the headset.
pub const USUAL_CEILING_DBFS: f64 = -25.0;
/// Time by which the limiter looks ahead, in s: it has turned down before a peak comes.
const AHEAD_S: f64 = 0.005;
/// Time in which it comes back, in s.
const BACK_S: f64 = 0.3;

/// A limiter that looks ahead: no sample passes the ceiling.
#[derive(Debug, Clone)]
pub struct Limiter {
    ceiling: f64,
    ahead: usize,
    waiting: VecDeque<f64>,
    /// Gains wanted by the samples that wait, falling ones only: (place, gain), the front is the least.
    least: VecDeque<(u64, f64)>,
    /// The last `ahead` least gains and their sum: the gain falls in a straight line.
    line: VecDeque<f64>,
    sum: f64,
    back: f64,
    held: f64,
    place: u64,
}

impl Limiter {
    /// For a ceiling (linear, full scale 1) and a sample rate in Hz.
    #[must_use]
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "some ms of samples")]
    pub fn new(ceiling: f64, rate_hz: f64) -> Self {
        let ahead = ((AHEAD_S * rate_hz) as usize).max(1);
        Self {
            ceiling,
            ahead,
            waiting: VecDeque::with_capacity(ahead + 1),
            least: VecDeque::with_capacity(ahead + 1),
            line: std::iter::repeat_n(1.0, ahead).collect(),
            sum: ahead as f64,
            back: 1.0 - (-1.0 / (BACK_S * rate_hz)).exp(),
            held: 1.0,
            place: 0,
        }
    }

    /// Samples by which the output comes later than the input.
    #[must_use]
    pub fn delay(&self) -> usize {
        2 * self.ahead
    }

    /// The next sample; what is no number is silence.
    pub fn step(&mut self, x: f64) -> f64 {
        let x = if x.is_finite() { x } else { 0.0 };
        let want = if x.abs() > self.ceiling { self.ceiling / x.abs() } else { 1.0 };
        while self.least.back().is_some_and(|l| l.1 >= want) {
            self.least.pop_back();
        }
        self.least.push_back((self.place, want));
        // The least over the samples that the straight line still has to prepare for.
        let window = 2 * self.ahead as u64;
        while self.least.front().is_some_and(|l| l.0 + window < self.place) {
            self.least.pop_front();
        }
        self.place += 1;
        let least = self.least.front().map_or(1.0, |l| l.1);
        self.held = if least < self.held { least } else { (self.held + self.back * (1.0 - self.held)).min(least) };
        self.line.push_back(self.held);
        self.sum += self.held - self.line.pop_front().unwrap_or(1.0);
        self.waiting.push_back(x);
        if self.waiting.len() <= self.delay() {
            return 0.0;
        }
        let gain = (self.sum / self.ahead as f64).clamp(0.0, 1.0);
        let y = self.waiting.pop_front().unwrap_or(0.0) * gain;
        // Rounding in the running sum is all that is left to cut.
        y.clamp(-self.ceiling, self.ceiling)
    }
}

/// Outside the arc the sound is turned down by so much, in dB, not off: the rhythm stays.
const DUCK_DB: f64 = -20.0;
/// Time in which it is turned down and up, in s.
const DUCK_S: f64 = 0.01;
/// Slowest turn that pulses are believed to tell, in s: 15 strokes a minute.
const SLOWEST_TURN_S: f64 = 4.0;
/// Fastest: 240 strokes a minute.
const FASTEST_TURN_S: f64 = 0.25;
/// Time constant in which the height of the pulses is forgotten, in s.
const FORGET_S: f64 = 10.0;

/// The crank angle from pulses, as they come.
#[derive(Debug, Clone)]
pub struct PulseAngle {
    rate_hz: f64,
    quiet: f64,
    height: f64,
    forget: f64,
    armed: bool,
    since: u64,
    turn: Option<f64>,
    seen: bool,
}

impl PulseAngle {
    /// For a sample rate in Hz.
    #[must_use]
    pub fn new(rate_hz: f64) -> Self {
        let forget = 1.0 / (FORGET_S * rate_hz);
        Self { rate_hz, quiet: 0.0, height: 0.0, forget, armed: true, since: 0, turn: None, seen: false }
    }

    /// Angle of module 1 in degrees after the next sample of the pulse channel; `None` until two pulses have come one turn apart, and after
    /// they have ceased.
    pub fn step(&mut self, x: f64) -> Option<f64> {
        let off = x - self.quiet;
        // The level between pulses is slow; a pulse is over before it is drawn along.
        self.quiet += off * self.forget * 4.0;
        self.height = (self.height * (1.0 - self.forget)).max(off.abs());
        self.since += 1;
        let turn_s = self.since as f64 / self.rate_hz;
        if off.abs() < self.height / 3.0 {
            self.armed = true;
        } else if self.armed
            && off.abs() > self.height / 2.0
            && self.height > LEAST_PULSE
            && (turn_s >= FASTEST_TURN_S || !self.seen)
        {
            self.armed = false;
            self.turn = (self.seen && turn_s <= SLOWEST_TURN_S).then_some(self.since as f64);
            self.seen = true;
            self.since = 0;
        }
        let turn = self.turn?;
        // A turn that is half over its time: the pump has stopped.
        if self.since as f64 > 1.5 * turn {
            self.turn = None;
            return None;
        }
        Some((360.0 * self.since as f64 / turn).min(359.999))
    }
}

/// Pulses below this share of full scale are noise.
const LEAST_PULSE: f64 = 0.02;

/// What is to be heard.
#[derive(Debug, Clone, PartialEq)]
pub struct ListenSettings {
    /// Band in Hz.
    pub band_hz: [f64; 2],
    /// Arc in degrees of the module's own turn, the end below the start when it passes 360; `None`: all round.
    pub arc_deg: Option<[f64; 2]>,
    /// Module numbers in firing order, and the module of the arc.
    pub order: Vec<u32>,
    /// The module that is listened to.
    pub module: Option<u32>,
    /// Gain in dB; `None`: such that the band lies 12 dB below the ceiling, followed slowly.
    pub gain_db: Option<f64>,
    /// Ceiling in dB re full scale.
    pub ceiling_dbfs: f64,
}

/// How far below the ceiling the band is brought, in dB: room for its peaks.
const BELOW_DB: f64 = -12.0;
/// Time constant in which the gain follows, in s: far longer than a turn, so that gusts and knocks stay.
const FOLLOW_S: f64 = 15.0;
/// Most gain, in dB.
const MOST_GAIN_DB: f64 = 60.0;

/// Makes the sound.
#[derive(Debug, Clone)]
pub struct Listener {
    filter: BandFilter,
    limiter: Limiter,
    pulses: PulseAngle,
    arc_deg: Option<[f64; 2]>,
    offset_deg: f64,
    gain: Option<f64>,
    ceiling: f64,
    mean_square: f64,
    seen: f64,
    follow: f64,
    duck: f64,
    duck_step: f64,
    peak: f64,
    gated: u64,
    samples: u64,
}

impl Listener {
    /// For sound of this rate in Hz.
    ///
    /// # Errors
    /// [`ListenError`].
    pub fn new(settings: &ListenSettings, rate_hz: f64) -> Result<Self, ListenError> {
        let ceiling_dbfs = settings.ceiling_dbfs;
        if !(-60.0..=HIGHEST_CEILING_DBFS).contains(&ceiling_dbfs) {
            return Err(ListenError::Ceiling { ceiling_dbfs });
        }
        let ceiling = db_to_amplitude(ceiling_dbfs, 1.0);
        let place = |m: u32| module_offset_deg(&settings.order, m).ok();
        let offset_deg = settings.module.and_then(place).map_or(0.0, |own| own - place(1).unwrap_or(0.0));
        Ok(Self {
            filter: BandFilter::new(settings.band_hz, rate_hz)?,
            limiter: Limiter::new(ceiling, rate_hz),
            pulses: PulseAngle::new(rate_hz),
            arc_deg: settings.arc_deg.filter(|[from, to]| (to - from).abs() < 359.0),
            offset_deg,
            gain: settings.gain_db.map(|g| db_to_amplitude(g.min(MOST_GAIN_DB), 1.0)),
            ceiling,
            mean_square: 0.0,
            seen: 0.0,
            follow: 1.0 / (FOLLOW_S * rate_hz),
            duck: 1.0,
            duck_step: 1.0 / (DUCK_S * rate_hz),
            peak: 0.0,
            gated: 0,
            samples: 0,
        })
    }

    /// The next sample of the sound and, if there is one, of the pulse channel.
    #[expect(clippy::cast_possible_truncation, reason = "samples are handed out in single precision")]
    pub fn step(&mut self, x: f32, pulse: Option<f32>) -> f32 {
        let x = if x.is_finite() { f64::from(x) } else { 0.0 };
        let band = self.filter.step(x);
        // A mean over what has come so far, and over the last seconds once there are so many.
        self.seen = (self.seen + self.follow).min(1.0);
        self.mean_square += (band * band - self.mean_square) * (self.follow / self.seen).min(1.0);
        let gain = self.gain.unwrap_or_else(|| {
            let target = self.ceiling * db_to_amplitude(BELOW_DB, 1.0);
            (target / self.mean_square.sqrt().max(1e-9)).min(db_to_amplitude(MOST_GAIN_DB, 1.0))
        });
        let open = self.is_open(pulse);
        let step = if open { self.duck_step } else { -self.duck_step };
        self.duck = (self.duck + step).clamp(0.0, 1.0);
        let low = db_to_amplitude(DUCK_DB, 1.0);
        let y = self.limiter.step(band * gain * (low + (1.0 - low) * self.duck));
        self.peak = self.peak.max(y.abs());
        self.samples += 1;
        y as f32
    }

    /// Whether this moment lies within the arc; without pulses every moment does.
    fn is_open(&mut self, pulse: Option<f32>) -> bool {
        let Some(p) = pulse.filter(|p| p.is_finite()) else { return true };
        let (Some(angle), Some([from, to])) = (self.pulses.step(f64::from(p)), self.arc_deg) else { return true };
        self.gated += 1;
        let own = (angle - self.offset_deg).rem_euclid(360.0);
        if from <= to { (from..=to).contains(&own) } else { own >= from || own <= to }
    }

    /// Highest level that has come out, in dB re full scale.
    #[must_use]
    pub fn peak_dbfs(&self) -> f64 {
        amplitude_to_db(self.peak, 1.0)
    }

    /// Share of the time in which the angle was known, so that the arc could be heard out.
    #[must_use]
    pub fn gated_share(&self) -> f64 {
        self.gated as f64 / self.samples.max(1) as f64
    }
}

#[cfg(test)]
#[path = "listen_tests.rs"]
mod tests;
