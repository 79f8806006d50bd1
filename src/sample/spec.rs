//! What a clip should be: module, operating point, nuisances and fault.

use super::voice::ValveEvent;

/// What is wrong with a module.
///
/// Hiss levels are the leak's power averaged within its half of the turn, at nominal pressure, against the healthy
/// pump's power above 2.5 kHz (mean over the clip), both at the spot of the faulty module: flow, events and tones of
/// all modules, without rig noise, gain, tone colour, automatic gain and microphone noise. Power goes with pressure
/// to the power 1.5.
#[derive(Debug, Clone, Copy, PartialEq, serde::Deserialize, serde::Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Fault {
    /// Suction valve or seat leaks: hiss in the module's discharge half.
    SuctionValve {
        /// Leak level in dB, see [`Fault`].
        level_db: f64,
    },
    /// Discharge valve or seat leaks: hiss in the module's suction half.
    DischargeValve {
        /// Leak level in dB, see [`Fault`].
        level_db: f64,
    },
    /// Piston or liner leaks: hiss in the discharge half, stronger towards one end of the travel.
    Piston {
        /// Leak level in dB, see [`Fault`].
        level_db: f64,
    },
    /// A knock early in the discharge half (20-55 deg), missing on some strokes.
    Knock {
        /// Energy of one knock, in dB re the mean energy of the module's two closing events.
        level_db: f64,
    },
    /// One of the module's closing events (which, is drawn from the fault seed) comes late and harder, and the opening
    /// that follows it comes late by 0.7 of that.
    LateClosing {
        /// Delay in deg.
        deg: f64,
        /// Added strength in dB.
        harder_db: f64,
    },
    /// One event is gone.
    MissingEvent {
        /// Which one.
        which: ValveEvent,
    },
    /// A steady tone at the module.
    Tone {
        /// Frequency in Hz.
        freq_hz: f64,
        /// Power in dB re the healthy power above 2.5 kHz.
        level_db: f64,
    },
    /// A leak to the outside: the same hiss all round the turn.
    AllRoundHiss {
        /// Mean power over the turn in dB re the healthy power above 2.5 kHz.
        level_db: f64,
    },
}

impl Fault {
    /// Which half of the module's turn the fault hisses in, as its start in deg; `None`: not a gated hiss.
    #[must_use]
    pub fn half_start_deg(self) -> Option<f64> {
        match self {
            Self::SuctionValve { .. } | Self::Piston { .. } => Some(0.0),
            Self::DischargeValve { .. } => Some(180.0),
            _ => None,
        }
    }

    pub(super) fn numbers(self) -> [f64; 2] {
        match self {
            Self::SuctionValve { level_db }
            | Self::DischargeValve { level_db }
            | Self::Piston { level_db }
            | Self::Knock { level_db }
            | Self::AllRoundHiss { level_db } => [level_db, 0.0],
            Self::LateClosing { deg, harder_db } => [harder_db, deg],
            Self::Tone { freq_hz, level_db } => [level_db, freq_hz],
            Self::MissingEvent { .. } => [0.0, 0.0],
        }
    }
}

/// A second pump of the same kind beside this one.
#[derive(Debug, Clone, Copy, PartialEq, serde::Deserialize, serde::Serialize)]
#[serde(deny_unknown_fields)]
pub struct Neighbour {
    /// Its speed in strokes/min.
    pub spm: f64,
    /// Its mean power at the spot in dB re this pump's, both before the room.
    pub level_db: f64,
}

/// One clip to be made.
#[derive(Debug, Clone, PartialEq)]
pub struct ClipSpec {
    /// Module at whose spot the clip is taken, 1-based.
    pub module: u32,
    /// Mean speed in strokes/min.
    pub spm: f64,
    /// Discharge pressure relative to nominal.
    pub pressure: f64,
    /// Length in s.
    pub duration_s: f64,
    /// Sample rate in Hz.
    pub sample_rate_hz: f64,
    /// Gain of the recording in dB.
    pub gain_db: f64,
    /// Placement colour: rms over frequency (in octaves) and recordings of a smooth random tone colour, in dB.
    pub colour_db: f64,
    /// A telephone's automatic gain, with its low cut.
    pub agc: bool,
    /// Noise of the microphone, in dB rms re full scale at unit gain of an automatic gain.
    pub mic_noise_db: f64,
    /// Rig noise in dB re the room's usual.
    pub rig_noise_db: f64,
    /// A second pump.
    pub neighbour: Option<Neighbour>,
    /// Standard deviation of each neighbouring module's level from clip to clip, in dB.
    pub crosstalk_jitter_db: f64,
    /// Standard deviation of each event's strength from day to day (see `day_seed`), in dB.
    pub event_jitter_db: f64,
    /// Standard deviation of each event's angle from day to day (see `day_seed`), in deg.
    pub event_jitter_deg: f64,
    /// Largest departure of the speed from `spm` within the clip, relative.
    pub drift: f64,
    /// Single clanks a minute that keep no time with the pump.
    pub clanks_per_min: f64,
    /// What is wrong.
    pub fault: Option<Fault>,
    /// With which module, 1-based.
    pub fault_module: u32,
    /// Seed of the fault's own properties (spectrum, gate, angle); the same in all clips of one round.
    pub fault_seed: u64,
    /// The pump stands: rig noise, neighbour, clanks and microphone only.
    pub stopped: bool,
    /// Add a channel with a pulse at each 0 deg of module 1.
    pub pulse: bool,
    /// Seed of the day: what one round's clips share.
    pub day_seed: u64,
    /// Seed of this clip: where the turn starts, noise, scatter.
    pub seed: u64,
}

impl Default for ClipSpec {
    fn default() -> Self {
        Self {
            module: 1,
            spm: 70.0,
            pressure: 1.0,
            duration_s: 30.0,
            sample_rate_hz: 48_000.0,
            gain_db: 0.0,
            colour_db: 0.0,
            agc: false,
            mic_noise_db: -75.0,
            rig_noise_db: 0.0,
            neighbour: None,
            crosstalk_jitter_db: 0.0,
            event_jitter_db: 0.0,
            event_jitter_deg: 0.0,
            drift: 0.005,
            clanks_per_min: 0.0,
            fault: None,
            fault_module: 1,
            fault_seed: 0,
            stopped: false,
            pulse: false,
            day_seed: 0,
            seed: 0,
        }
    }
}

/// Why a clip, room or scenario could not be made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SampleError {
    /// A number is outside what the room can make.
    #[error("{what} is {value}; allowed are {low} to {high}")]
    OutOfRange {
        /// The setting.
        what: &'static str,
        /// What was asked for.
        value: f64,
        /// Smallest allowed.
        low: f64,
        /// Largest allowed.
        high: f64,
    },
    /// The firing order does not name each module once.
    #[error("firing order {order:?} does not name each of the modules 1 to {n} once")]
    Order {
        /// What was given.
        order: Vec<u32>,
        /// Number of modules.
        n: usize,
    },
    /// A scenario text that could not be understood.
    #[error("cannot understand the scenario {path}; compare it with samples/demo.toml")]
    Scenario {
        /// The file.
        path: String,
        /// What the TOML reader says.
        #[source]
        source: Box<toml::de::Error>,
    },
    /// A scenario whose parts do not fit each other.
    #[error("scenario {path}: {what}")]
    Unfit {
        /// The file.
        path: String,
        /// What does not fit and what to do.
        what: String,
    },
    /// Reading or writing failed.
    #[error("cannot {action} {path}")]
    File {
        /// `read` or `write`.
        action: &'static str,
        /// The file or folder.
        path: String,
        /// What the system says.
        #[source]
        source: std::io::Error,
    },
    /// The WAV writer failed.
    #[error("cannot write {path}")]
    Wav {
        /// The file.
        path: String,
        /// What the writer says.
        #[source]
        source: hound::Error,
    },
}

/// Refuses a number outside `low..=high` (and NaN).
pub(super) fn within(what: &'static str, value: f64, low: f64, high: f64) -> Result<(), SampleError> {
    if value >= low && value <= high { Ok(()) } else { Err(SampleError::OutOfRange { what, value, low, high }) }
}

impl ClipSpec {
    /// Checks every number.
    ///
    /// # Errors
    /// [`SampleError::OutOfRange`] names the first that the room cannot make.
    pub fn check(&self, n_modules: usize) -> Result<(), SampleError> {
        let n = n_modules as f64;
        within("module", f64::from(self.module), 1.0, n)?;
        within("fault_module", f64::from(self.fault_module), 1.0, n)?;
        within("spm", self.spm, 5.0, 400.0)?;
        within("pressure", self.pressure, 0.05, 5.0)?;
        within("duration_s", self.duration_s, 0.05, 3600.0)?;
        within("sample_rate_hz", self.sample_rate_hz, 4000.0, 192_000.0)?;
        for (what, db) in [
            ("gain_db", self.gain_db),
            ("colour_db", self.colour_db),
            ("rig_noise_db", self.rig_noise_db),
            ("crosstalk_jitter_db", self.crosstalk_jitter_db),
            ("event_jitter_db", self.event_jitter_db),
        ] {
            within(what, db, -90.0, 60.0)?;
        }
        within("mic_noise_db", self.mic_noise_db, -300.0, 0.0)?;
        within("event_jitter_deg", self.event_jitter_deg, 0.0, 45.0)?;
        within("drift", self.drift, 0.0, 0.5)?;
        within("clanks_per_min", self.clanks_per_min, 0.0, 600.0)?;
        if let Some(n) = self.neighbour {
            within("neighbour.spm", n.spm, 5.0, 400.0)?;
            within("neighbour.level_db", n.level_db, -90.0, 60.0)?;
        }
        if let Some(fault) = self.fault {
            let [level, other] = fault.numbers();
            within("fault level_db", level, -90.0, 60.0)?;
            let top = if matches!(fault, Fault::Tone { .. }) { self.sample_rate_hz / 2.0 } else { 90.0 };
            within("fault deg or freq_hz", other, -90.0, top)?;
        }
        Ok(())
    }
}
