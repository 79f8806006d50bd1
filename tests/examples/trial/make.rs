//! Makes the clips of a room and condition and analyses them as the program does with files.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;
use seatsong::inside::clip::{self, ReadSettings};
use seatsong::inside::dsp::bands::{N_BAND, band_edges_hz};
use seatsong::inside::dsp::frames::FramePlan;
use seatsong::inside::map::{AnalyseSettings, analyse};
use seatsong::inside::sample::{ClipSpec, Condition, Recorded, Room, RoomSettings, RoundSpec, write_wav};
use seatsong::inside::score::Item;

use crate::keep;
use crate::plan::{Job, Kind, Size, jobs, louder};

/// Bits a sample of the files, as a telephone or recorder writes them.
const BITS: u16 = 16;

/// A room under one condition, analysed.
pub(crate) struct Cell {
    /// Seed of the room.
    pub(crate) seed: u64,
    /// Condition.
    pub(crate) condition: Condition,
    /// Firing order.
    pub(crate) order: Vec<u32>,
    /// What each clip is.
    pub(crate) jobs: Vec<Job>,
    /// True mean speed of each clip, strokes a minute.
    pub(crate) truth_spm: Vec<f64>,
    /// The analysed clips, in the order of `jobs`.
    pub(crate) items: Vec<Item>,
}

/// How to make cells.
pub(crate) struct Maker<'a> {
    /// How much of everything.
    pub(crate) size: Size,
    /// Give the console reading as a hint.
    pub(crate) hint: bool,
    /// Keep analysed clips here, and use what is kept.
    pub(crate) keep: Option<&'a Path>,
}

/// Name of a clip's file in a folder of sounds.
pub(crate) fn file_name(k: usize) -> String {
    format!("{k:04}.wav")
}

impl Maker<'_> {
    /// Makes, or takes from what is kept.
    ///
    /// With `sounds` the clips stay there as WAV files (and nothing kept is used); without, each is deleted once it is read.
    pub(crate) fn cell(&self, seed: u64, condition: Condition, sounds: Option<&Path>) -> anyhow::Result<Cell> {
        let settings = RoomSettings::drawn(seed);
        let room = Room::new(seed, &settings)?;
        let mut jobs = jobs(seed, condition, &room, self.size);
        let order = settings.order;
        let kept = self.kept(seed, condition)?;
        if let (Some(path), None) = (&kept, sounds)
            && path.exists()
        {
            let (items, truth_spm) = keep::read(path)?;
            anyhow::ensure!(items.len() == jobs.len(), "{}: kept by another trial; delete it", path.display());
            return Ok(Cell { seed, condition, order, jobs, truth_spm, items });
        }
        self.louden(seed, condition, &room, &mut jobs);
        let (items, truth_spm) = self.all(&room, &jobs, sounds, &format!("room {seed} {}", condition.name()))?;
        if let Some(path) = &kept {
            keep::write(path, &items, &truth_spm)?;
        }
        Ok(Cell { seed, condition, order, jobs, truth_spm, items })
    }

    /// Clips of a mode of its own, kept under its name.
    pub(crate) fn named(
        &self,
        name: &str,
        seed: u64,
        condition: Condition,
        room: &Room,
        jobs: &[Job],
    ) -> anyhow::Result<Vec<Item>> {
        self.kept_or(name, seed, condition, jobs.len(), &|| {
            let mut jobs = jobs.to_vec();
            self.louden(seed, condition, room, &mut jobs);
            self.all(room, &jobs, None, &format!("room {seed} {} {name}", condition.name())).map(|made| made.0)
        })
    }

    /// What was kept under a name, or what `make` makes, kept then.
    pub(crate) fn kept_or(
        &self,
        name: &str,
        seed: u64,
        condition: Condition,
        n: usize,
        make: &dyn Fn() -> anyhow::Result<Vec<Item>>,
    ) -> anyhow::Result<Vec<Item>> {
        let path = match self.keep {
            Some(folder) => {
                std::fs::create_dir_all(folder)?;
                let hint = if self.hint { "-hint" } else { "" };
                Some(folder.join(format!("{seed}-{}-{name}{hint}.items", condition.name())))
            }
            None => None,
        };
        if let Some(path) = path.as_ref().filter(|p| p.exists()) {
            let (items, _) = keep::read(path)?;
            anyhow::ensure!(items.len() == n, "{}: kept by another trial; delete it", path.display());
            return Ok(items);
        }
        let items = make()?;
        if let Some(path) = path {
            // A trial that is stopped while it writes leaves nothing half.
            let unfinished = path.with_extension("part");
            keep::write(&unfinished, &items, &vec![f64::NAN; items.len()])?;
            std::fs::rename(unfinished, path)?;
        }
        Ok(items)
    }

    /// Sets the faults' levels against the healthy clip as it is heard.
    fn louden(&self, seed: u64, condition: Condition, room: &Room, jobs: &mut [Job]) {
        let beside = [1, 2, 3].map(|module| beside_db(room, &condition.round(seed, room), module));
        for job in jobs {
            if let Some(fault) = job.round.fault {
                job.round.fault = Some(louder(fault, beside[job.round.fault_module as usize - 1]));
            }
        }
    }

    /// Makes and analyses clips in parallel; with their true speeds.
    fn all(
        &self,
        room: &Room,
        jobs: &[Job],
        sounds: Option<&Path>,
        label: &str,
    ) -> anyhow::Result<(Vec<Item>, Vec<f64>)> {
        let scratch = tempfile::tempdir()?;
        let folder = sounds.unwrap_or(scratch.path());
        let (done, all) = (AtomicUsize::new(0), jobs.len());
        let made = jobs
            .par_iter()
            .enumerate()
            .map(|(k, job)| {
                let path = folder.join(file_name(k));
                let out = self.clip(room, job, &path);
                if sounds.is_none() {
                    let _ = std::fs::remove_file(&path);
                }
                let n = done.fetch_add(1, Ordering::Relaxed) + 1;
                if n.is_multiple_of(25) || n == all {
                    eprint!("\r  {label}: {n} of {all} clips ");
                }
                out
            })
            .collect::<anyhow::Result<Vec<(Item, f64)>>>()?;
        eprintln!();
        Ok(made.into_iter().unzip())
    }

    /// One clip: made, written, read back and judged for quality like any file, analysed.
    fn clip(&self, room: &Room, job: &Job, path: &Path) -> anyhow::Result<(Item, f64)> {
        let mut spec = job.round.clip(job.module);
        spec.pulse = job.pulse;
        self.analysed(room, job, &spec, path, false)
    }

    /// As [`Maker::clip`], of a clip with wishes of its own.
    pub(crate) fn analysed(
        &self,
        room: &Room,
        job: &Job,
        spec: &ClipSpec,
        path: &Path,
        keep_phase: bool,
    ) -> anyhow::Result<(Item, f64)> {
        let recorded = room.record(spec)?;
        write_wav(path, &recorded, BITS)?;
        let spm_mean = recorded.spm_mean;
        drop(recorded);
        let read = ReadSettings { channel: Some(1), pulse: Some(2), ..ReadSettings::default() };
        let clip = clip::read(path, &read)?;
        let console_spm = self.hint.then(|| job.round.console_spm(job.module));
        let analysis =
            analyse(&clip, &AnalyseSettings { hint_spm: console_spm, keep_phase, ..AnalyseSettings::default() });
        let item = Item {
            file: format!("{} module {}", job.walk, job.module),
            module: Some(job.module),
            round: Some(job.walk.clone()),
            console_spm,
            pressure: Some(job.round.pressure),
            analysis,
        };
        Ok((item, spm_mean))
    }

    fn kept(&self, seed: u64, condition: Condition) -> anyhow::Result<Option<PathBuf>> {
        let Some(folder) = self.keep else { return Ok(None) };
        std::fs::create_dir_all(folder)?;
        let (hint, lean) = (if self.hint { "-hint" } else { "" }, if self.size.lean { "-lean" } else { "" });
        let Size { good, healthy, repeats, .. } = self.size;
        let name = format!("{seed}-{}-{good}-{healthy}-{repeats}{hint}{lean}.cell", condition.name());
        Ok(Some(folder.join(name)))
    }
}

/// How much louder above 2.5 kHz a healthy clip at a module is than the pump's own sound in it, in dB: rig noise and a second
/// pump, without gain control and microphone noise.
///
/// The sample room sets a leak against the pump's own sound; the levels of the trial are against the healthy clip.
pub(crate) fn beside_db(room: &Room, round: &RoundSpec, module: u32) -> f64 {
    let heard = ClipSpec { agc: false, mic_noise_db: -200.0, duration_s: 12.0, ..round.clip(module) };
    let own = ClipSpec { neighbour: None, rig_noise_db: -90.0, ..heard.clone() };
    let power = |spec: &ClipSpec| room.record(spec).map(|r| above_2k5(&r)).unwrap_or(f64::NAN);
    let db = 10.0 * (power(&heard) / power(&own)).log10();
    if db.is_finite() { db.max(0.0) } else { 0.0 }
}

/// Power above 2.5 kHz, by Welch's spectrum.
fn above_2k5(recorded: &Recorded) -> f64 {
    let edges = band_edges_hz();
    let frames = FramePlan::new(recorded.sample_rate_hz).band_frames(&recorded.samples);
    let from = edges.iter().take_while(|&&e| e < 2_400.0).count();
    let above = frames.power.chunks_exact(N_BAND).flat_map(|row| &row[from..]);
    above.map(|&p| f64::from(p)).sum::<f64>() / frames.n_frames().max(1) as f64
}

impl Cell {
    /// Indices of the good clips that can be used, and of the clips to be judged.
    pub(crate) fn parts(&self) -> (Vec<usize>, Vec<usize>) {
        let (goods, nows): (Vec<usize>, Vec<usize>) =
            (0..self.jobs.len()).partition(|&k| self.jobs[k].kind == Kind::Good);
        (goods.into_iter().filter(|&k| self.items[k].analysis.refusal().is_none()).collect(), nows)
    }
}
