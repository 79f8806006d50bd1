//! The four conditions of the trial: a condition, a room and a seed in, the wishes for one round's clips out.

use super::noise::{Draw, Source, mix};
use super::room::Room;
use super::spec::{ClipSpec, Fault, Neighbour};

/// Under which circumstances a round is walked.
///
/// `±` of speed, pressure, gain and console reading: even over the range. Of tone colour: rms over frequency and
/// recordings. Of cross-talk, event strength and event timing: standard deviation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, serde::Deserialize, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Condition {
    /// Same speed, pressure and gain.
    Calm,
    /// Speed ±4 strokes/min, pressure ±7 %, gain ±2 dB, placement colour ±1.2 dB.
    Daily,
    /// As daily, by a telephone: automatic gain, gain ±5 dB, 44.1 kHz, more noise.
    Phone,
    /// As daily, with a second pump 2-9 strokes/min away and 4 dB down, cross-talk ±1.5 dB from clip to clip, healthy
    /// events ±1.2 dB and ±1 deg from day to day.
    Neighbour,
}

impl Condition {
    /// All four, in the order of the trial.
    #[cfg(not(product))]
    pub const ALL: [Self; 4] = [Self::Calm, Self::Daily, Self::Phone, Self::Neighbour];

    /// Name in lower case.
    #[cfg(not(product))]
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Calm => "calm",
            Self::Daily => "daily",
            Self::Phone => "phone",
            Self::Neighbour => "neighbour",
        }
    }

    /// Draws one round: the operating point its clips share.
    #[must_use]
    pub fn round(self, seed: u64, room: &Room) -> RoundSpec {
        let mut d = Draw::new(seed, Source::Round, 0);
        let (off_spm, off_pressure) = (d.between(-4.0, 4.0), d.between(-0.07, 0.07));
        let away = d.sign() * d.between(2.0, 9.0);
        let moves = if self == Self::Calm { 0.0 } else { 1.0 };
        let spm = room.nominal_spm() + moves * off_spm;
        RoundSpec {
            condition: self,
            spm,
            pressure: 1.0 + moves * off_pressure,
            neighbour: (self == Self::Neighbour).then_some(Neighbour { spm: spm + away, level_db: -4.0 }),
            fault: None,
            fault_module: 1,
            duration_s: 30.0,
            seed,
        }
    }
}

/// One walk past the modules of a pump.
#[derive(Debug, Clone, PartialEq)]
pub struct RoundSpec {
    /// Circumstances.
    pub condition: Condition,
    /// Speed in strokes/min.
    pub spm: f64,
    /// Pressure relative to nominal.
    pub pressure: f64,
    /// The second pump, if one runs.
    pub neighbour: Option<Neighbour>,
    /// What is wrong in this round; set by the caller.
    pub fault: Option<Fault>,
    /// With which module, 1-based.
    pub fault_module: u32,
    /// Length of each clip in s.
    pub duration_s: f64,
    /// Seed of the round: all else that its clips share or draw.
    pub seed: u64,
}

impl RoundSpec {
    /// What the console shows while `module`'s clip is taken: the true speed ±1.5 strokes/min.
    #[must_use]
    pub fn console_spm(&self, module: u32) -> f64 {
        let mut d = Draw::new(self.seed, Source::ClipInRound, module as usize);
        self.spm + d.between(-1.5, 1.5)
    }

    /// Wishes for the clip at `module`'s spot.
    #[must_use]
    pub fn clip(&self, module: u32) -> ClipSpec {
        let mut d = Draw::new(self.seed, Source::ClipInRound, module as usize + 100);
        let spread = d.between(-1.0, 1.0);
        let seed = d.bits();
        // The driller's setting is shared; the pump keeps it to a few tenths of a per cent over the walk.
        let spm = self.spm * (1.0 + 0.002 * d.between(-1.0, 1.0));
        let base = ClipSpec {
            module,
            spm,
            pressure: self.pressure,
            duration_s: self.duration_s,
            neighbour: self.neighbour,
            fault: self.fault,
            fault_module: self.fault_module,
            fault_seed: mix(self.seed ^ 0xfau64),
            day_seed: mix(self.seed),
            seed,
            ..ClipSpec::default()
        };
        match self.condition {
            Condition::Calm => ClipSpec {
                drift: 0.005,
                crosstalk_jitter_db: 0.2,
                event_jitter_db: 0.2,
                event_jitter_deg: 0.15,
                clanks_per_min: 1.0,
                ..base
            },
            Condition::Daily => ClipSpec {
                gain_db: 2.0 * spread,
                colour_db: 1.2,
                drift: 0.012,
                mic_noise_db: -70.0,
                crosstalk_jitter_db: 0.4,
                event_jitter_db: 0.4,
                event_jitter_deg: 0.3,
                clanks_per_min: 2.0,
                ..base
            },
            Condition::Phone => ClipSpec {
                gain_db: 5.0 * spread,
                colour_db: 1.2,
                agc: true,
                sample_rate_hz: 44_100.0,
                drift: 0.012,
                mic_noise_db: -54.0,
                rig_noise_db: 4.0,
                crosstalk_jitter_db: 0.4,
                event_jitter_db: 0.4,
                event_jitter_deg: 0.3,
                clanks_per_min: 3.0,
                ..base
            },
            Condition::Neighbour => ClipSpec {
                gain_db: 2.0 * spread,
                colour_db: 1.2,
                drift: 0.012,
                mic_noise_db: -70.0,
                crosstalk_jitter_db: 1.5,
                event_jitter_db: 1.2,
                event_jitter_deg: 1.0,
                clanks_per_min: 2.0,
                ..base
            },
        }
    }
}
