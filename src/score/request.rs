//! Clips as asked for to a comparison: reads and analyses in parallel, judges, puts bad clips in their place.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use rayon::prelude::*;
use serde::Serialize;

use super::{BaselineInfo, ChangeMaps, ClipVerdict, Item, JudgeError, JudgeSettings, OddGood, judge_all};
use crate::clip::{self, ReadSettings, Scale};
use crate::map::{AnalyseSettings, Analysis, analyse, taps_fit, tie_taps};

/// A taps file, and the clip it belongs to if that was said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct TapsFile {
    /// Clip as typed.
    pub clip: Option<String>,
    /// Taps file.
    pub path: PathBuf,
}

/// A good clip that was left out because it can't be used.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct SkippedGood {
    /// The file as it was named.
    pub file: String,
    /// Why.
    pub why: String,
}

/// Why clips could not be compared.
#[derive(Debug, thiserror::Error)]
pub(crate) enum RequestError {
    /// A taps file that can't be read.
    #[error(transparent)]
    Taps(#[from] clip::ClipError),
    /// Taps of a clip that was not given.
    #[error("--taps {clip}={}: no readable clip of this name was given", path.display())]
    NoSuchClip { clip: String, path: PathBuf },
    /// Taps that are nobody's.
    #[error(
        "{}: these taps follow no clip's strokes; check the file, or say whose they are: --taps CLIP=FILE",
        path.display()
    )]
    FollowNone { path: PathBuf },
    /// Good clips that can't be used.
    #[error("{}", bad_goods(.0))]
    BadGoods(Vec<SkippedGood>),
    /// The comparison itself.
    #[error(transparent)]
    Judge(#[from] JudgeError),
}

fn bad_goods(bad: &[SkippedGood]) -> String {
    let whys: Vec<String> = bad.iter().map(|b| format!("\n  {}", b.why)).collect();
    let (what, them) = if bad.len() == 1 {
        ("a good clip can't be used".to_owned(), "it")
    } else {
        (format!("{} good clips can't be used", bad.len()), "them")
    };
    format!("{what}; leave {them} out, or give --skip-bad:{}", whys.concat())
}

/// One clip as asked for.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Ask {
    /// As it was named.
    pub file: String,
    /// Where it is.
    pub path: PathBuf,
    /// Module.
    pub module: Option<u32>,
    /// The walk it was taken on.
    pub round: Option<String>,
    /// Console reading in strokes a minute.
    pub spm: Option<f64>,
    /// Discharge pressure in bar.
    pub pressure: Option<f64>,
    /// Pulse channel of this clip.
    pub pulse: Option<u16>,
}

/// How to compare.
#[derive(Debug)]
pub(crate) struct Terms<'a> {
    pub read: &'a ReadSettings,
    pub judge: JudgeSettings,
    pub skip_bad: bool,
    pub taps: &'a [TapsFile],
}

/// A clip that was read and analysed.
#[derive(Debug)]
pub(crate) struct Loaded {
    pub item: Item,
    pub scale: Scale,
    /// Where the analysed stretch starts in the file, in seconds.
    pub start_s: f64,
}

/// What a comparison gave, one entry a now clip as asked.
#[derive(Debug)]
pub(crate) struct Compared {
    pub baselines: Vec<BaselineInfo>,
    pub clips: Vec<ClipVerdict>,
    pub maps: Vec<Option<ChangeMaps>>,
    pub scales: Vec<Scale>,
    pub odd: Vec<OddGood>,
    pub skipped: Vec<SkippedGood>,
    /// Remarks for the person at the terminal.
    pub remarks: Vec<String>,
}

/// Reads and analyses one clip. The samples are let go before the next clip's are read.
pub(crate) fn load(
    ask: &Ask,
    read: &ReadSettings,
    rotating: bool,
    keep_phase: bool,
) -> Result<Loaded, clip::ClipError> {
    let settings = ReadSettings { pulse: ask.pulse.or(read.pulse), ..read.clone() };
    let clip = clip::read(&ask.path, &settings)?;
    let wish = AnalyseSettings { hint_spm: ask.spm, taps_s: None, rotating, keep_phase };
    let item = Item {
        file: ask.file.clone(),
        module: ask.module,
        round: ask.round.clone(),
        console_spm: ask.spm,
        pressure: ask.pressure,
        analysis: analyse(&clip, &wish),
    };
    Ok(Loaded { item, scale: clip.scale, start_s: clip.start_s })
}

/// The chain of causes in one line.
pub(crate) fn chain(err: &clip::ClipError) -> String {
    let mut out = err.to_string();
    let mut cause = std::error::Error::source(err);
    while let Some(c) = cause {
        out += &format!(": {c}");
        cause = c.source();
    }
    out
}

/// Compares the now clips with the good ones; `step` is called after each clip.
pub(crate) fn compare(
    goods: &[Ask],
    nows: &[Ask],
    terms: &Terms<'_>,
    step: &(dyn Fn() + Sync),
) -> Result<Compared, RequestError> {
    let taps = read_taps(terms.taps)?;
    let keep_phase = !taps.is_empty();
    // One pass over all, so that the last good clips do not leave cores idle.
    let mut all: Vec<Result<Loaded, clip::ClipError>> = goods
        .par_iter()
        .chain(nows)
        .map(|ask| {
            let loaded = load(ask, terms.read, terms.judge.rotating, keep_phase);
            step();
            loaded
        })
        .collect();
    let mut remarks = tie(&taps, &mut all)?;
    let loaded_nows = all.split_off(goods.len());
    let (good_items, skipped) = usable(goods, all, terms.skip_bad)?;
    remarks.extend(mixed_scales(&good_items, &loaded_nows));
    let good_items: Vec<Item> = good_items.into_iter().map(|l| l.item).collect();

    let mut readable = Vec::new();
    let scales = loaded_nows.iter().map(|l| l.as_ref().map_or(Scale::FullScale, |l| l.scale)).collect();
    let failed: Vec<Option<String>> =
        loaded_nows.into_iter().map(|l| l.map(|l| readable.push(l.item)).map_err(|e| chain(&e)).err()).collect();
    // A module whose every clip is unreadable still gets its baseline: a good clip stands in, and its verdict is dropped.
    let asked: BTreeSet<Option<u32>> = nows.iter().map(|n| n.module).collect();
    for module in asked.into_iter().filter(|m| readable.iter().all(|r| r.module != *m)).collect::<Vec<_>>() {
        readable.extend(good_items.iter().find(|g| g.module == module).cloned());
    }
    let outcome = judge_all(&good_items, &readable, &terms.judge)?;
    let mut judged = outcome.clips.into_iter().zip(outcome.maps);
    let (clips, maps) = nows
        .iter()
        .zip(failed)
        .map(|(ask, failed)| match failed {
            Some(why) => (unjudged(ask, why), None),
            None => judged.next().unwrap_or_else(|| (unjudged(ask, "it was not judged".into()), None)),
        })
        .unzip();
    Ok(Compared { baselines: outcome.baselines, clips, maps, scales, odd: outcome.odd, skipped, remarks })
}

/// A clip that could not even be read.
fn unjudged(ask: &Ask, why: String) -> ClipVerdict {
    ClipVerdict {
        reading: "No verdict: the recording can't be used. Record this spot again.".into(),
        reason: Some(why),
        ..ClipVerdict::blank(ask.file.clone(), ask.module)
    }
}

/// The good clips that can be used. A bad one is an error unless it may be skipped.
fn usable(
    asks: &[Ask],
    loaded: Vec<Result<Loaded, clip::ClipError>>,
    skip_bad: bool,
) -> Result<(Vec<Loaded>, Vec<SkippedGood>), RequestError> {
    let mut kept = Vec::new();
    let mut bad = Vec::new();
    for (ask, result) in asks.iter().zip(loaded) {
        let why = match result {
            Err(err) => chain(&err),
            Ok(l) => match l.item.analysis.refusal() {
                None => {
                    kept.push(l);
                    continue;
                }
                Some(finding) => format!("{}: {}", ask.path.display(), finding.text),
            },
        };
        bad.push(SkippedGood { file: ask.file.clone(), why });
    }
    if bad.is_empty() || skip_bad {
        return Ok((kept, bad));
    }
    Err(RequestError::BadGoods(bad))
}

/// A remark if clips with physical units meet clips without.
fn mixed_scales(goods: &[Loaded], nows: &[Result<Loaded, clip::ClipError>]) -> Option<String> {
    let mut scales: Vec<Scale> = goods.iter().chain(nows.iter().flatten()).map(|l| l.scale).collect();
    scales.dedup();
    (scales.len() > 1).then(|| {
        "the clips have levels in different units (sound and acceleration?): a sensor is only comparable with itself".into()
    })
}

/// A taps file with its times.
type Taps<'a> = (&'a TapsFile, Vec<f64>);

fn read_taps(args: &[TapsFile]) -> Result<Vec<Taps<'_>>, RequestError> {
    args.iter().map(|arg| Ok((arg, clip::taps::read(&arg.path)?))).collect()
}

/// Gives each taps file to its clip: the one named with it, the one whose name it bears, else the one that it fits best.
fn tie(taps: &[Taps<'_>], clips: &mut [Result<Loaded, clip::ClipError>]) -> Result<Vec<String>, RequestError> {
    let mut remarks = Vec::new();
    for (arg, times) in taps {
        let shown = arg.path.display();
        let place = match &arg.clip {
            Some(name) => Some(
                clips
                    .iter()
                    .position(|c| c.as_ref().is_ok_and(|l| is_named(&l.item.file, name)))
                    .ok_or_else(|| RequestError::NoSuchClip { clip: name.clone(), path: arg.path.clone() })?,
            ),
            None => clips.iter().position(|c| c.as_ref().is_ok_and(|l| bears_name(&arg.path, &l.item.file))),
        };
        let place = match place {
            Some(p) => p,
            None => {
                let (place, file) =
                    best_fit(times, clips).ok_or_else(|| RequestError::FollowNone { path: arg.path.clone() })?;
                remarks.push(format!("{shown}: taken as the taps of {file}, whose strokes they follow best"));
                place
            }
        };
        if let Ok(l) = &mut clips[place] {
            tie_taps(&mut l.item.analysis, times, l.start_s);
        }
    }
    // The phase has served.
    for l in clips.iter_mut().flatten() {
        for take in &mut l.item.analysis.takes {
            take.phase = None;
        }
    }
    Ok(remarks)
}

/// Whether a typed name means this clip: the whole name, or its last part.
fn is_named(file: &str, name: &str) -> bool {
    file == name || Path::new(file).file_name().is_some_and(|n| n == name)
}

/// Whether a taps file is called like the clip: `mon-2.taps`, `mon-2.wav.txt` or `mon-2-taps.txt` for `mon-2.wav`.
fn bears_name(taps: &Path, file: &str) -> bool {
    let stem = |p: &Path| p.file_stem().map(|s| s.to_string_lossy().to_ascii_lowercase()).unwrap_or_default();
    let (clip_stem, name) = (stem(Path::new(file)), stem(taps));
    let rest = name.strip_prefix(&clip_stem);
    !clip_stem.is_empty() && rest.is_some_and(|r| r.is_empty() || r.starts_with('.') || r.ends_with("taps"))
}

/// A clip's taps gather at one angle at least so well, [`taps_fit`]: human scatter of 40 ms with a few stray taps gives 0.9.
const LEAST_FIT: f64 = 0.75;

fn best_fit(times: &[f64], clips: &[Result<Loaded, clip::ClipError>]) -> Option<(usize, String)> {
    let fit = |l: &Loaded, a: &Analysis| taps_fit(a, times, l.start_s);
    let fits = clips.iter().enumerate().filter_map(|(i, c)| {
        let l = c.as_ref().ok()?;
        let fit = fit(l, &l.item.analysis).filter(|f| *f >= LEAST_FIT)?;
        Some((i, l, fit))
    });
    // Of equals the first: good clips come before those of today.
    fits.reduce(|a, b| if b.2 > a.2 { b } else { a }).map(|(i, l, _)| (i, l.item.file.clone()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_taps_file_is_known_by_its_name() {
        for (taps, file, want) in [
            ("mon-2.taps", "good/mon-2.wav", true),
            ("x/mon-2.wav.txt", "mon-2.wav", true),
            ("mon-2-taps.txt", "mon-2.wav", true),
            ("mon-2_taps.txt", "mon-2.wav", true),
            ("taps.txt", "mon-2.wav", false),
            ("mon-22.txt", "mon-2.wav", false),
        ] {
            assert_eq!(bears_name(Path::new(taps), file), want, "{taps} {file}");
        }
    }
}
