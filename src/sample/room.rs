//! A seed in, a pump room out; a clip's wishes in, the recording and its truth out.

use super::noise::{Draw, Source, db_to_amp, db_to_power, mean_square, mean_square_above_2k5, narrow};
use super::post::{PathVoice, PhoneVoice, ReverbVoice, add_clanks, add_rig_noise, colour};
use super::sound::{EventChange, Running, add_burst, add_tones, jet, modules};
use super::spec::{ClipSpec, Fault, SampleError, within};
use super::track::Track;
use super::voice::{Burst, JetVoice, PumpVoice, RigBand, leak_pressure_power};
use crate::dsp::biquad::Biquad;

/// Level at which the loudest spot of a healthy pump at its nominal point comes out, in dB rms re full scale.
///
/// Low enough that valve knocks, single clanks and a few dB of gain seldom reach full scale.
pub const NOMINAL_LEVEL_DB: f64 = -24.0;

/// What is chosen about a room; all else is drawn from its seed.
#[derive(Debug, Clone, PartialEq)]
pub struct RoomSettings {
    /// Firing order: each module once, 1-based; each starts its discharge stroke 1/n turn after the one before.
    pub order: Vec<u32>,
    /// Speed at which the levels are set, in strokes/min.
    pub nominal_spm: f64,
}

impl Default for RoomSettings {
    fn default() -> Self {
        Self { order: vec![1, 2, 3], nominal_spm: 70.0 }
    }
}

#[cfg(not(product))]
impl RoomSettings {
    /// A triplex with a speed of 58-88 strokes/min and one of the two firing orders, as `seed` will have it.
    #[must_use]
    pub fn drawn(seed: u64) -> Self {
        let mut d = Draw::new(seed, Source::Room, 0);
        let order = if d.unit() < 0.5 { vec![1, 2, 3] } else { vec![1, 3, 2] };
        Self { order, nominal_spm: d.between(58.0, 88.0) }
    }
}

/// A pump room: everything that stays the same from clip to clip.
#[derive(Debug, Clone)]
pub struct Room {
    seed: u64,
    pump: PumpVoice,
    other: PumpVoice,
    other_path: PathVoice,
    /// `paths[spot][source]`; the own one is not used.
    paths: Vec<Vec<PathVoice>>,
    tone_gain: Vec<f64>,
    reverb: ReverbVoice,
    rig: Vec<RigBand>,
    phone: PhoneVoice,
    clank_energy: f64,
    /// Output samples per unit of the voices.
    scale: f64,
}

/// A recording and the truth about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Recorded {
    /// Sound, full scale +-1. Shape `(n_samples,)`.
    pub samples: Vec<f32>,
    /// Pulse channel: a 3 ms pulse from each 0 deg of module 1. Shape as `samples`.
    pub pulse: Option<Vec<f32>>,
    /// Samples per second per channel.
    pub sample_rate_hz: f64,
    /// True mean speed over the clip, in strokes/min; 0 if the pump stands.
    pub spm_mean: f64,
    /// Own crank angle of the recorded module at the first sample, in deg, 0..360.
    pub start_deg: f64,
    /// Times of the recorded module's 0 deg within the clip, in s.
    pub zeros_s: Vec<f64>,
}

impl Room {
    /// Draws a room.
    ///
    /// # Errors
    /// [`SampleError::Order`] if the firing order does not name each module once, [`SampleError::OutOfRange`] for a
    /// nominal speed outside 5..400 strokes/min.
    pub fn new(seed: u64, settings: &RoomSettings) -> Result<Self, SampleError> {
        let n = settings.order.len();
        let mut sorted = settings.order.clone();
        sorted.sort_unstable();
        if n == 0 || n > 16 || sorted.iter().zip(1_u32..).any(|(a, b)| *a != b) {
            return Err(SampleError::Order { order: settings.order.clone(), n });
        }
        within("nominal_spm", settings.nominal_spm, 5.0, 400.0)?;
        let pump = PumpVoice::draw(&mut Draw::new(seed, Source::Pump, 0), &settings.order, settings.nominal_spm);
        let other = PumpVoice::draw(&mut Draw::new(seed, Source::OtherPump, 0), &settings.order, settings.nominal_spm);
        let mut d = Draw::new(seed, Source::Paths, 0);
        let paths =
            (0..n).map(|spot| (0..n).map(|k| PathVoice::draw(&mut d, spot.abs_diff(k).max(1))).collect()).collect();
        let tone_gain = (0..n).map(|_| db_to_amp(2.0 * d.normal())).collect();
        let mut room = Self {
            seed,
            pump,
            other,
            other_path: PathVoice::far(&mut d),
            paths,
            tone_gain,
            reverb: ReverbVoice::draw(&mut Draw::new(seed, Source::Reverb, 0)),
            rig: Vec::new(),
            phone: PhoneVoice::draw(&mut Draw::new(seed, Source::Phone, 0)),
            clank_energy: 0.0,
            scale: 1.0,
        };
        room.set_levels(settings.nominal_spm);
        Ok(room)
    }

    /// Speed at which the levels are set, in strokes/min.
    #[must_use]
    pub fn nominal_spm(&self) -> f64 {
        self.pump.nominal_spm
    }

    /// Listens to the bare pump at its nominal point, and sets the rig's noise and the output level against it.
    fn set_levels(&mut self, nominal_spm: f64) {
        let spec = ClipSpec { spm: nominal_spm, seed: self.seed, drift: 0.0, ..ClipSpec::default() };
        let mut d = Draw::new(self.seed, Source::Calibration, 0);
        // Four turns are enough for a level.
        let track = Track::new(&mut d, nominal_spm, 0.0, 0.0, 240.0 / nominal_spm, 48_000.0, None);
        let sounds = modules(&self.pump, &track, &Running::of(&spec), None);
        let n = self.pump.modules.len() as f64;
        let (mut power, mut high, mut loudest) = (0.0, 0.0, 0.0_f64);
        for spot in 0..self.pump.modules.len() {
            let dry = self.healthy_at(spot, &sounds, &track, &spec, false);
            let wet = self.reverb.apply(&dry, 48_000.0);
            let here = mean_square(&wet);
            loudest = loudest.max(here);
            power += here / n;
            high += mean_square_above_2k5(&wet, 48_000.0) / n;
        }
        self.rig = RigBand::draw_all(&mut Draw::new(self.seed, Source::RigVoice, 0), power.sqrt(), high.sqrt());
        let closing: f64 = self.pump.modules.iter().map(|m| m.events[0].energy + m.events[2].energy).sum();
        self.clank_energy = closing / (2.0 * n);
        self.scale = db_to_amp(NOMINAL_LEVEL_DB) / loudest.sqrt();
    }

    /// All modules and the drive as heard at a spot, before the room.
    fn healthy_at(&self, spot: usize, sounds: &[Vec<f64>], track: &Track, spec: &ClipSpec, jitter: bool) -> Vec<f64> {
        let mut dry = sounds[spot].clone();
        for (k, sound) in sounds.iter().enumerate().filter(|(k, _)| *k != spot) {
            let jitter_db = if jitter { self.cross_talk_db(spec, k) } else { 0.0 };
            self.paths[spot][k].add(&mut dry, sound, jitter_db, track.sample_rate_hz);
        }
        add_tones(&mut dry, &self.pump.tones, track, self.tone_gain[spot] * spec.pressure, spec.seed);
        dry
    }

    fn cross_talk_db(&self, spec: &ClipSpec, source: usize) -> f64 {
        spec.crosstalk_jitter_db * Draw::new(spec.seed, Source::CrossTalk, source).normal()
    }

    /// Makes one recording.
    ///
    /// # Errors
    /// [`SampleError::OutOfRange`] names the first number of `spec` that the room cannot make.
    pub fn record(&self, spec: &ClipSpec) -> Result<Recorded, SampleError> {
        spec.check(self.pump.modules.len())?;
        let rate = spec.sample_rate_hz;
        let (spot, sick) = (spec.module as usize - 1, spec.fault_module as usize - 1);
        let mut d = Draw::new(spec.seed, Source::Track, 0);
        let track = Track::new(&mut d, spec.spm, spec.drift, self.pump.ripple, spec.duration_s, rate, None);
        let mut voice = Draw::new(spec.fault_seed, Source::FaultVoice, 0);
        let change = EventChange::of(spec.fault, &mut voice);
        let sounds = modules(&self.pump, &track, &Running::of(spec), Some((sick, change)));
        let mut dry = self.healthy_at(spot, &sounds, &track, spec, true);
        let pump_power = mean_square(&dry);
        if spec.stopped {
            dry.fill(0.0);
        }
        let fault = if spec.stopped { None } else { self.added_by_fault(spec, &track, &sounds, &dry, &mut voice) };
        if let Some(added) = fault {
            if sick == spot {
                dry.iter_mut().zip(&added).for_each(|(y, x)| *y += x);
            } else {
                self.paths[spot][sick].add(&mut dry, &added, self.cross_talk_db(spec, sick), rate);
            }
        }
        drop(sounds);
        self.add_neighbour(&mut dry, spec, pump_power);
        add_clanks(&mut dry, spec.clanks_per_min, self.clank_energy, rate, spec.seed);
        let mut sound = self.reverb.apply(&dry, rate);
        add_rig_noise(&mut sound, &self.rig, spec.rig_noise_db, rate, spec.seed, spec.day_seed);
        if spec.colour_db > 0.0 {
            Biquad::run_chain(&mut colour(spec.colour_db, rate, spec.seed), &mut sound);
        }
        if rate > 50_000.0 {
            // A microphone's upper end (the poles of a fourth-order Butterworth); lower rates cut there by themselves.
            let mut end = [Biquad::low_pass(20_000.0, 0.541_196_1, rate), Biquad::low_pass(20_000.0, 1.306_563, rate)];
            Biquad::run_chain(&mut end, &mut sound);
        }
        let gain = self.scale * db_to_amp(spec.gain_db);
        let mic = db_to_amp(spec.mic_noise_db);
        let mut d = Draw::new(spec.seed, Source::MicNoise, 0);
        sound.iter_mut().for_each(|v| *v = *v * gain + mic * d.white());
        if spec.agc {
            self.phone.apply(&mut sound, rate);
        }
        let behind = self.pump.behind[spot];
        let zeros_s = if spec.stopped { Vec::new() } else { zeros(&track, behind) };
        Ok(Recorded {
            samples: sound.iter().map(|v| narrow(v.clamp(-1.0, 1.0))).collect(),
            pulse: spec
                .pulse
                .then(|| pulses(&track, &if spec.stopped { Vec::new() } else { zeros(&track, 0.0) }, spec.seed)),
            sample_rate_hz: rate,
            spm_mean: if spec.stopped { 0.0 } else { track.spm_mean() },
            start_deg: (track.turns[0] - behind).rem_euclid(1.0) * 360.0,
            zeros_s,
        })
    }

    /// What the fault adds at the faulty module, before any path.
    fn added_by_fault(
        &self,
        spec: &ClipSpec,
        track: &Track,
        sounds: &[Vec<f64>],
        dry: &[f64],
        voice: &mut Draw,
    ) -> Option<Vec<f64>> {
        let fault = spec.fault?;
        let sick = spec.fault_module as usize - 1;
        let behind = self.pump.behind[sick];
        let rate = track.sample_rate_hz;
        let reference = || {
            let power = if spec.module == spec.fault_module {
                mean_square_above_2k5(dry, rate)
            } else {
                mean_square_above_2k5(&self.healthy_at(sick, sounds, track, spec, false), rate)
            };
            power * leak_pressure_power(spec.pressure)
        };
        match fault {
            Fault::SuctionValve { level_db }
            | Fault::DischargeValve { level_db }
            | Fault::Piston { level_db }
            | Fault::AllRoundHiss { level_db } => {
                let shape = JetVoice::draw(voice);
                let mut leak = jet(&shape, fault, behind, track, spec.seed);
                let k = (reference() * db_to_power(level_db)).sqrt();
                leak.iter_mut().for_each(|v| *v *= k);
                Some(leak)
            }
            Fault::Knock { level_db } => {
                let events = &self.pump.modules[sick].events;
                let energy = f64::midpoint(events[0].energy, events[2].energy);
                Some(knocks(voice, track, behind, energy * db_to_power(level_db), spec.seed))
            }
            Fault::Tone { freq_hz, level_db } => {
                let amp = (2.0 * reference() * db_to_power(level_db)).sqrt();
                let phase = voice.unit();
                let tone = |i: usize| {
                    let cycles = phase + freq_hz * i as f64 / rate;
                    amp * libm::sin(std::f64::consts::TAU * (cycles - cycles.floor()))
                };
                Some((0..track.n_samples).map(tone).collect())
            }
            Fault::LateClosing { .. } | Fault::MissingEvent { .. } => None,
        }
    }

    fn add_neighbour(&self, dry: &mut [f64], spec: &ClipSpec, pump_power: f64) {
        let Some(neighbour) = spec.neighbour else { return };
        let rate = spec.sample_rate_hz;
        let mut d = Draw::new(spec.seed, Source::OtherTrack, 0);
        let track = Track::new(&mut d, neighbour.spm, spec.drift, self.other.ripple, spec.duration_s, rate, None);
        let run = Running {
            spm: neighbour.spm,
            pressure: 1.0,
            flow_source: Source::OtherFlowNoise,
            event_source: Source::OtherEvent,
            ..Running::of(spec)
        };
        let mut sum = vec![0.0; track.n_samples];
        let mut d = Draw::new(self.seed, Source::OtherPath, 0);
        for sound in modules(&self.other, &track, &run, None) {
            let gain = db_to_amp(-d.between(0.0, 4.0));
            sum.iter_mut().zip(&sound).for_each(|(y, x)| *y += gain * x);
        }
        let mut heard = vec![0.0; track.n_samples];
        self.other_path.add(&mut heard, &sum, 0.0, rate);
        let k = (pump_power * db_to_power(neighbour.level_db) / mean_square(&heard).max(1e-30)).sqrt();
        dry.iter_mut().zip(&heard).for_each(|(y, x)| *y += k * x);
    }
}

/// Knocks early in the discharge half, missing on one stroke in seven.
fn knocks(voice: &mut Draw, track: &Track, behind: f64, energy: f64, seed: u64) -> Vec<f64> {
    let burst = Burst::draw(voice, 200.0, 5000.0, 6, (2.0, 12.0));
    let angle = voice.between(20.0, 55.0);
    let scatter_deg = voice.between(0.8, 3.0);
    let mut d = Draw::new(seed, Source::FaultNoise, 1);
    let mut out = vec![0.0; track.n_samples];
    let mut n = (track.turns[0] - behind).floor() - 1.0;
    while n <= track.end() - behind {
        let deg = angle + scatter_deg * d.normal();
        let there = if d.unit() < 1.0 / 7.0 { 0.0 } else { 1.0 };
        let amp = there * energy.sqrt() * db_to_amp(2.5 * d.normal());
        add_burst(&mut out, &burst, track.sample_at(behind + n + deg / 360.0), amp, track.sample_rate_hz, &mut d);
        n += 1.0;
    }
    out
}

/// Times in s at which a module that runs `behind` starts its discharge stroke.
fn zeros(track: &Track, behind: f64) -> Vec<f64> {
    let mut out = Vec::new();
    let mut n = (track.turns[0] - behind).ceil();
    while behind + n < track.end() {
        out.push(track.sample_at(behind + n) / track.sample_rate_hz);
        n += 1.0;
    }
    out
}

/// The pulse channel: 3 ms at half of full scale from each 0 deg of module 1, on a little noise.
fn pulses(track: &Track, zeros_s: &[f64], seed: u64) -> Vec<f32> {
    let mut d = Draw::new(seed, Source::PulseNoise, 0);
    let mut out: Vec<f32> = (0..track.n_samples).map(|_| narrow(0.0005 * d.white())).collect();
    let len = super::noise::to_index((0.003 * track.sample_rate_hz).round()).max(1);
    for zero_s in zeros_s {
        let i = super::noise::to_index((zero_s * track.sample_rate_hz).ceil());
        let end = (i + len).min(out.len());
        if let Some(part) = out.get_mut(i..end) {
            part.iter_mut().for_each(|v| *v += 0.5);
        }
    }
    out
}
