//! Makes the clips of a room and condition and analyses them as the program does with files.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

use rayon::prelude::*;
use seatsong::clip::{self, ReadSettings};
use seatsong::map::{AnalyseSettings, analyse};
use seatsong::sample::{Condition, Room, RoomSettings, write_wav};
use seatsong::score::Item;

use crate::keep;
use crate::plan::{Job, Kind, Size, jobs};

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
        let jobs = jobs(seed, condition, &room, self.size);
        let order = settings.order;
        let kept = self.kept(seed, condition)?;
        if let (Some(path), None) = (&kept, sounds)
            && path.exists()
        {
            let (items, truth_spm) = keep::read(path)?;
            anyhow::ensure!(items.len() == jobs.len(), "{}: kept by another trial; delete it", path.display());
            return Ok(Cell { seed, condition, order, jobs, truth_spm, items });
        }
        let scratch = tempfile::tempdir()?;
        let folder = sounds.unwrap_or(scratch.path());
        let (done, all) = (AtomicUsize::new(0), jobs.len());
        let made = jobs
            .par_iter()
            .enumerate()
            .map(|(k, job)| {
                let path = folder.join(file_name(k));
                let out = self.clip(&room, job, &path);
                if sounds.is_none() {
                    let _ = std::fs::remove_file(&path);
                }
                let n = done.fetch_add(1, Ordering::Relaxed) + 1;
                if n.is_multiple_of(25) || n == all {
                    eprint!("\r  room {seed} {}: {n} of {all} clips ", condition.name());
                }
                out
            })
            .collect::<anyhow::Result<Vec<(Item, f64)>>>()?;
        eprintln!();
        let (items, truth_spm): (Vec<Item>, Vec<f64>) = made.into_iter().unzip();
        if let Some(path) = &kept {
            keep::write(path, &items, &truth_spm)?;
        }
        Ok(Cell { seed, condition, order, jobs, truth_spm, items })
    }

    /// One clip: made, written, read back and judged for quality like any file, analysed.
    fn clip(&self, room: &Room, job: &Job, path: &Path) -> anyhow::Result<(Item, f64)> {
        let mut spec = job.round.clip(job.module);
        spec.pulse = job.pulse;
        let recorded = room.record(&spec)?;
        write_wav(path, &recorded, BITS)?;
        let spm_mean = recorded.spm_mean;
        drop(recorded);
        let read = ReadSettings { channel: Some(1), pulse: Some(2), ..ReadSettings::default() };
        let clip = clip::read(path, &read)?;
        let console_spm = self.hint.then(|| job.round.console_spm(job.module));
        let analysis = analyse(&clip, &AnalyseSettings { hint_spm: console_spm, ..AnalyseSettings::default() });
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

impl Cell {
    /// Indices of the good clips that can be used, and of the clips to be judged.
    pub(crate) fn parts(&self) -> (Vec<usize>, Vec<usize>) {
        let (goods, nows): (Vec<usize>, Vec<usize>) =
            (0..self.jobs.len()).partition(|&k| self.jobs[k].kind == Kind::Good);
        (goods.into_iter().filter(|&k| self.items[k].analysis.refusal().is_none()).collect(), nows)
    }
}
