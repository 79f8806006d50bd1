//! A scenario in words (TOML) in, a plan of clips and the clips themselves out.

use super::condition::Condition;
use super::noise::mix;
use super::room::{Room, RoomSettings};
use super::spec::{ClipSpec, Fault, Neighbour, SampleError, within};
use super::wav::write_wav;

use std::collections::HashSet;
use std::path::{Path, PathBuf};

/// The demo's scenario, as in `samples/demo.toml`.
pub const DEMO: &str = include_str!("../../samples/demo.toml");

/// An invented rig and the rounds walked on it.
#[derive(Debug, Clone, PartialEq, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// Name of the invented rig.
    pub rig: String,
    /// Seed of everything that has none of its own.
    pub seed: u64,
    /// How clips are taken.
    #[serde(default)]
    pub recording: Recording,
    /// The pumps.
    #[serde(rename = "pump")]
    pub pumps: Vec<Pump>,
}

/// How clips are taken unless a round says otherwise.
#[derive(Debug, Clone, PartialEq, serde::Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Recording {
    /// Circumstances: what varies from round to round and clip to clip.
    pub condition: Condition,
    /// Length of a clip in s.
    pub duration_s: f64,
    /// Sample rate in Hz; without it, the condition's.
    pub sample_rate_hz: Option<f64>,
    /// Bits a sample.
    pub bits: u16,
}

impl Default for Recording {
    fn default() -> Self {
        Self { condition: Condition::Daily, duration_s: 30.0, sample_rate_hz: None, bits: 16 }
    }
}

/// One pump of the rig.
#[derive(Debug, Clone, PartialEq, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pump {
    /// Name; its folder is called so.
    pub name: String,
    /// Seed of the pump and its room.
    pub seed: u64,
    /// Firing order, see [`RoomSettings`].
    #[serde(default = "triplex")]
    pub order: Vec<u32>,
    /// Usual speed in strokes/min.
    pub nominal_spm: f64,
    /// Usual discharge pressure in bar.
    #[serde(default = "usual_bar")]
    pub nominal_pressure: f64,
    /// Rounds in the order in which they were walked.
    #[serde(rename = "round", default)]
    pub rounds: Vec<Round>,
}

fn triplex() -> Vec<u32> {
    vec![1, 2, 3]
}

fn usual_bar() -> f64 {
    200.0
}

/// What a clip is to the comparison.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Deserialize, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Known good.
    #[default]
    Good,
    /// To be judged.
    Now,
}

/// One round.
#[derive(Debug, Clone, PartialEq, Default, serde::Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Round {
    /// Name; its folder is called so. Without it: `round-01` and so on.
    pub name: Option<String>,
    /// Known good or to be judged.
    pub role: Role,
    /// Speed in strokes/min; without it, drawn as the condition has it.
    pub spm: Option<f64>,
    /// Pressure in bar; without it, drawn as the condition has it.
    pub pressure: Option<f64>,
    /// Modules visited; without it, all.
    pub modules: Option<Vec<u32>>,
    /// Modules whose clip carries a pulse channel (the second).
    pub pulse: Vec<u32>,
    /// What is wrong.
    pub fault: Option<Fault>,
    /// With which module.
    pub fault_module: Option<u32>,
    /// What is different about this round's clips.
    pub clip: ClipWish,
}

/// Settings of [`ClipSpec`] that a round may fix instead of leaving them to the condition.
#[derive(Debug, Clone, PartialEq, Default, serde::Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ClipWish {
    /// See [`ClipSpec::duration_s`].
    pub duration_s: Option<f64>,
    /// See [`ClipSpec::sample_rate_hz`].
    pub sample_rate_hz: Option<f64>,
    /// See [`ClipSpec::gain_db`].
    pub gain_db: Option<f64>,
    /// See [`ClipSpec::colour_db`].
    pub colour_db: Option<f64>,
    /// See [`ClipSpec::agc`].
    pub agc: Option<bool>,
    /// See [`ClipSpec::mic_noise_db`].
    pub mic_noise_db: Option<f64>,
    /// See [`ClipSpec::rig_noise_db`].
    pub rig_noise_db: Option<f64>,
    /// See [`ClipSpec::drift`].
    pub drift: Option<f64>,
    /// See [`ClipSpec::clanks_per_min`].
    pub clanks_per_min: Option<f64>,
    /// See [`ClipSpec::neighbour`].
    pub neighbour: Option<Neighbour>,
    /// See [`ClipSpec::stopped`].
    pub stopped: Option<bool>,
}

impl ClipWish {
    fn apply(&self, spec: &mut ClipSpec) {
        fn set<T: Copy>(to: &mut T, wish: Option<T>) {
            if let Some(x) = wish {
                *to = x;
            }
        }
        set(&mut spec.duration_s, self.duration_s);
        set(&mut spec.sample_rate_hz, self.sample_rate_hz);
        set(&mut spec.gain_db, self.gain_db);
        set(&mut spec.colour_db, self.colour_db);
        set(&mut spec.agc, self.agc);
        set(&mut spec.mic_noise_db, self.mic_noise_db);
        set(&mut spec.rig_noise_db, self.rig_noise_db);
        set(&mut spec.drift, self.drift);
        set(&mut spec.clanks_per_min, self.clanks_per_min);
        set(&mut spec.stopped, self.stopped);
        if self.neighbour.is_some() {
            spec.neighbour = self.neighbour;
        }
    }
}

/// A clip that a scenario asks for.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedClip {
    /// Place of its pump in [`Scenario::pumps`].
    pub pump: usize,
    /// Name of its round.
    pub round: String,
    /// Known good or to be judged.
    pub role: Role,
    /// File, relative to the output folder: `pumpA/round-01/m1.wav`.
    pub file: PathBuf,
    /// What the console showed, in strokes/min.
    pub console_spm: f64,
    /// Pressure in bar.
    pub pressure: f64,
    /// Bits a sample.
    pub bits: u16,
    /// How to make it.
    pub spec: ClipSpec,
}

/// A clip that was made.
#[derive(Debug, Clone, PartialEq)]
pub struct MadeClip {
    /// What was asked for.
    pub plan: PlannedClip,
    /// True mean speed in strokes/min.
    pub spm_mean: f64,
    /// Own crank angle of the module at the first sample, in deg.
    pub start_deg: f64,
}

impl Scenario {
    /// Reads a scenario from text; `path` is for messages.
    ///
    /// # Errors
    /// [`SampleError::Scenario`] if the text is not such TOML, [`SampleError::Unfit`] if its parts do not fit.
    pub fn parse(text: &str, path: &Path) -> Result<Self, SampleError> {
        let shown = path.display().to_string();
        let scenario: Self = toml::from_str(text)
            .map_err(|source| SampleError::Scenario { path: shown.clone(), source: Box::new(source) })?;
        scenario.check().map_err(|what| SampleError::Unfit { path: shown, what })?;
        Ok(scenario)
    }

    /// Reads a scenario file.
    ///
    /// # Errors
    /// [`SampleError::File`] if it cannot be read, and what [`Scenario::parse`] finds.
    pub fn read(path: &Path) -> Result<Self, SampleError> {
        let text = std::fs::read_to_string(path).map_err(|source| SampleError::File {
            action: "read",
            path: path.display().to_string(),
            source,
        })?;
        Self::parse(&text, path)
    }

    /// Names become folders, so they must be plain and each its own; module numbers must exist.
    fn check(&self) -> Result<(), String> {
        if self.pumps.is_empty() {
            return Err("has no [[pump]]; add one".to_owned());
        }
        let mut pumps = HashSet::new();
        for pump in &self.pumps {
            plain_name(&pump.name)?;
            if !pumps.insert(&pump.name) {
                return Err(format!("two pumps are called {}; give each its own name", pump.name));
            }
            let n = u32::try_from(pump.order.len()).unwrap_or(u32::MAX);
            let mut rounds = HashSet::new();
            for (r, round) in pump.rounds.iter().enumerate() {
                let name = round.folder(r);
                plain_name(&name)?;
                if !rounds.insert(name.clone()) {
                    return Err(format!("two rounds of {} are called {name}; give each its own name", pump.name));
                }
                let named = round.modules.iter().flatten().chain(&round.pulse).chain(&round.fault_module);
                if let Some(m) = named.copied().find(|m| *m == 0 || *m > n) {
                    return Err(format!("{name} of {} names module {m}; it has 1 to {n}", pump.name));
                }
                if round.fault.is_some() != round.fault_module.is_some() {
                    return Err(format!("{name} of {} needs both fault and fault_module, or neither", pump.name));
                }
            }
        }
        Ok(())
    }

    /// The room of each pump.
    ///
    /// # Errors
    /// As [`Room::new`].
    pub fn rooms(&self) -> Result<Vec<Room>, SampleError> {
        self.pumps
            .iter()
            .map(|p| Room::new(p.seed, &RoomSettings { order: p.order.clone(), nominal_spm: p.nominal_spm }))
            .collect()
    }

    /// All clips, in the order pump, round, module; every number is checked, so that making them fails only at the disk.
    ///
    /// # Errors
    /// [`SampleError::OutOfRange`] names the first number that cannot be.
    pub fn plan(&self, rooms: &[Room]) -> Result<Vec<PlannedClip>, SampleError> {
        let mut out = Vec::new();
        within("bits", f64::from(self.recording.bits), 8.0, 32.0)?;
        for (p, (pump, room)) in self.pumps.iter().zip(rooms).enumerate() {
            within("nominal_pressure", pump.nominal_pressure, 1e-6, 1e9)?;
            for (r, round) in pump.rounds.iter().enumerate() {
                let seed = mix(mix(self.seed ^ (p as u64) << 32) ^ r as u64);
                let mut walk = self.recording.condition.round(seed, room);
                walk.duration_s = self.recording.duration_s;
                walk.spm = round.spm.unwrap_or(walk.spm);
                walk.pressure = round.pressure.map_or(walk.pressure, |x| x / pump.nominal_pressure);
                walk.fault = round.fault;
                walk.fault_module = round.fault_module.unwrap_or(1);
                let name = round.folder(r);
                let all = (1..=u32::try_from(pump.order.len()).unwrap_or(u32::MAX)).collect::<Vec<_>>();
                for &module in round.modules.as_ref().unwrap_or(&all) {
                    let mut spec = walk.clip(module);
                    if let Some(rate) = self.recording.sample_rate_hz {
                        spec.sample_rate_hz = rate;
                    }
                    round.clip.apply(&mut spec);
                    spec.pulse = round.pulse.contains(&module);
                    spec.check(pump.order.len())?;
                    out.push(PlannedClip {
                        pump: p,
                        round: name.clone(),
                        role: round.role,
                        file: Path::new(&pump.name).join(&name).join(format!("m{module}.wav")),
                        console_spm: walk.console_spm(module),
                        pressure: walk.pressure * pump.nominal_pressure,
                        bits: self.recording.bits,
                        spec,
                    });
                }
            }
        }
        Ok(out)
    }

    /// Makes all clips under `folder`, and beside each pump's rounds its `clips.csv` for `compare --list`.
    ///
    /// Works on all cores; `done` is called after each clip.
    ///
    /// # Errors
    /// What [`Scenario::rooms`], [`Scenario::plan`], [`Room::record`] and [`write_wav`] find.
    pub fn make(&self, folder: &Path, done: &(dyn Fn() + Sync)) -> Result<Vec<MadeClip>, SampleError> {
        use rayon::prelude::*;
        let rooms = self.rooms()?;
        let made: Vec<MadeClip> = self
            .plan(&rooms)?
            .into_par_iter()
            .map(|plan| {
                let recorded = rooms[plan.pump].record(&plan.spec)?;
                write_wav(&folder.join(&plan.file), &recorded, plan.bits)?;
                done();
                Ok(MadeClip { plan, spm_mean: recorded.spm_mean, start_deg: recorded.start_deg })
            })
            .collect::<Result<_, SampleError>>()?;
        for (p, pump) in self.pumps.iter().enumerate() {
            let path = folder.join(&pump.name).join("clips.csv");
            let list = list_csv(made.iter().filter(|c| c.plan.pump == p).map(|c| &c.plan), &pump.name);
            std::fs::create_dir_all(folder.join(&pump.name))
                .and_then(|()| std::fs::write(&path, list))
                .map_err(|source| SampleError::File { action: "write", path: path.display().to_string(), source })?;
        }
        Ok(made)
    }
}

impl Round {
    fn folder(&self, index: usize) -> String {
        self.name.clone().unwrap_or_else(|| format!("round-{:02}", index + 1))
    }
}

/// A name that is one folder and nothing else.
fn plain_name(name: &str) -> Result<(), String> {
    let fine = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if name.is_empty() || name.len() > 100 || !name.chars().all(fine) {
        return Err(format!("the name {name:?} cannot be a folder; use letters, digits, - and _"));
    }
    Ok(())
}

/// The list of one pump's clips as `compare --list` reads it; files are relative to the list's own folder.
fn list_csv<'a>(clips: impl Iterator<Item = &'a PlannedClip>, pump: &str) -> String {
    let mut out = String::from("file,role,round,spm,pressure,module,pulse\n");
    for clip in clips {
        let file = clip.file.strip_prefix(pump).unwrap_or(&clip.file);
        // Forward slashes on every system: the list may travel.
        let file = file.iter().map(|part| part.to_string_lossy()).collect::<Vec<_>>().join("/");
        let role = if clip.role == Role::Good { "good" } else { "now" };
        let pulse = if clip.spec.pulse { "2" } else { "" };
        out += &format!(
            "{file},{role},{},{:.1},{:.4}bar,{},{pulse}\n",
            clip.round, clip.console_spm, clip.pressure, clip.spec.module
        );
    }
    out
}
