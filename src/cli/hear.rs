//! `seatsong hear`: a sound in which the change can be heard.

use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use anyhow::{Context as _, anyhow, bail};
use clap::Args;
use rayon::prelude::*;
use serde_json::json;

use super::files::{self, Named};
use super::options::{PumpArgs, ReadArgs, console_spm};
use super::{Io, Usage};
use crate::baseline;
use crate::clip::{self, ReadSettings};
use crate::map::{AnalyseSettings, Analysis, analyse};
use crate::report::hear::{self, HearInput, HearSettings, USUAL_STROKES};
use crate::report::{json::tidy, view, words};
use crate::score::request::{self, Ask, Loaded};
use crate::score::{Item, JudgeSettings, State, judge_all};
use crate::units::{NumberError, number};

/// Make a sound in which the change can be heard
///
/// Healthy, now, healthy, now, a few strokes each, at equal gain. With 3 or more good clips the comparison says which band and which part of the turn changed; with 1 or 2 give them with
/// --band and --arc, or hear all from 2 kHz up.
#[derive(Debug, Clone, Args)]
#[command(after_help = "Example:\n  seatsong hear today.wav --against good/ --out change.wav")]
pub struct HearArgs {
    /// Clip in which the change is
    #[arg(value_name = "CLIP")]
    clip: PathBuf,
    /// Good clip of the same spot; give it again for more, or a folder, or a pattern such as 'good/*.wav'
    #[arg(long, value_name = "BASE", num_args = 1.., required = true)]
    against: Vec<PathBuf>,
    /// Sound file to write (WAV) [default: CLIP's name with -change, in the working folder]
    #[arg(long, value_name = "OUT.wav")]
    out: Option<PathBuf>,
    /// Band to hear in Hz, such as 3200-11000 [default: the changed band]
    #[arg(long, value_name = "LO-HI", value_parser = band)]
    band: Option<Span>,
    /// Part of the turn to hear in degrees, such as 20-185 or 340-40 [default: the changed part]
    #[arg(long, value_name = "FROM-TO", value_parser = arc)]
    arc: Option<Span>,
    /// Strokes a section
    #[arg(long, value_name = "N", default_value_t = USUAL_STROKES, value_parser = strokes)]
    strokes: usize,
    /// Strokes a minute on the console when CLIP was taken
    #[arg(long, value_name = "N", value_parser = console_spm)]
    spm: Option<f64>,
    /// Module at which the clips were taken
    #[arg(long, value_name = "N")]
    module: Option<u32>,
    /// Print what is where as JSON
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    pump: PumpArgs,
    #[command(flatten)]
    recordings: ReadArgs,
}

/// From and to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Span(pub(super) [f64; 2]);

/// Two numbers with a dash between them, each within `range`.
fn span(text: &str, range: &RangeInclusive<f64>, must: &str) -> Result<[f64; 2], String> {
    let end = |text: &str| match number::typed_within(text, range) {
        Ok(x) if range.contains(&x) => Ok(x),
        Err(err @ NumberError::TwoReadings { .. }) => Err(err.to_string()),
        _ => Err(must.to_owned()),
    };
    let (from, to) = text.split_once('-').ok_or(must)?;
    Ok([end(from)?, end(to)?])
}

pub(super) fn band(text: &str) -> Result<Span, String> {
    let must = "must be two frequencies in Hz, the lower first, such as 3200-11000";
    let [low, high] = span(text, &(0.0..=f64::MAX), must)?;
    if low < high { Ok(Span([low, high])) } else { Err(must.into()) }
}

pub(super) fn arc(text: &str) -> Result<Span, String> {
    span(text, &(0.0..=360.0), "must be two angles from 0 to 360, such as 20-185").map(Span)
}

fn strokes(text: &str) -> Result<usize, String> {
    text.parse().ok().filter(|n| (1..=100).contains(n)).ok_or_else(|| "must be a whole number from 1 to 100".into())
}

/// Where nothing is known of the change: what a jet through a small gap fills.
const USUAL_BAND_HZ: [f64; 2] = [2000.0, 16_000.0];
/// All round the turn.
const WHOLE_TURN: [f64; 2] = [0.0, 360.0];
/// Good clips that carry a comparison.
const ENOUGH: usize = 3;

/// How the two recordings lie on one angle and gain, and what changed.
struct Tied {
    good_take: usize,
    good_zero_turns: f64,
    good_gain_db: f64,
    now_take: usize,
    now_zero_turns: f64,
    now_gain_db: f64,
    band_hz: Option<[f64; 2]>,
    arc_deg: Option<[f64; 2]>,
    words: String,
}

/// Runs the command.
///
/// # Errors
/// Clips that can't be read or have no stroke, an output that can't be written.
pub fn run(args: &HearArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let order = args.pump.order()?;
    if let Some(m) = args.module.filter(|m| !order.contains(m)) {
        return Err(Usage(format!("--module {m} is not one of the pump's {order:?}; give --modules or --order")).into());
    }
    let out = args.out.clone().unwrap_or_else(|| usual_name(&args.clip));
    let read = args.recordings.settings()?;
    let now = Named { file: args.clip.to_string_lossy().into_owned(), path: args.clip.clone(), explicit: true };
    let bases: Vec<Named> = files::expand(&args.against)?
        .0
        .into_iter()
        .filter(|g| g.explicit || files::identity(&g.path) != files::identity(&now.path))
        .collect();
    if bases.iter().chain([&now]).any(|n| files::identity(&n.path) == files::identity(&out)) {
        bail!("{}: is one of the recordings; give another name with --out", out.display());
    }
    let (goods, now_clip) = load_all(args, &bases, &now, &read, io)?;
    let chosen = nearest_speed(&goods, &now_clip.item.analysis)
        .ok_or_else(|| anyhow!("none of the good clips can be used; give one with a clear stroke"))?;
    let tied = if goods.len() >= ENOUGH {
        judged(&goods, chosen, &now_clip.item, order)?
    } else {
        paired(&goods[chosen].item.analysis, &now_clip.item)?
    };
    let settings = HearSettings {
        band_hz: args.band.map(|s| s.0).or(tied.band_hz).unwrap_or(USUAL_BAND_HZ),
        arc_deg: args.arc.map(|s| s.0).or(tied.arc_deg).unwrap_or(WHOLE_TURN),
        strokes: args.strokes,
    };
    let good_side = Side::load(
        &ask(&bases_named(&bases, &goods[chosen]), None, args.module),
        &read,
        (tied.good_take, tied.good_zero_turns),
    )?;
    let now_side = Side::load(&ask(&now, args.spm, args.module), &read, (tied.now_take, tied.now_zero_turns))?;
    let heard = hear::hear(&good_side.input(tied.good_gain_db), &now_side.input(tied.now_gain_db), &settings)?;
    heard.write_wav(&out)?;
    let good_file = &goods[chosen].item.file;
    if args.json {
        let raw = json!({
            "schema": "seatsong.hear/1",
            "file": out.to_string_lossy(),
            "now": now.file,
            "healthy": good_file,
            "band_hz": settings.band_hz,
            "arc_deg": settings.arc_deg,
            "sections": heard.sections,
        });
        io.json(&tidy(raw, ""))?;
    } else {
        writeln!(io.out, "{}", tied.words)?;
        writeln!(io.out, "{}: {}, {}", out.display(), words::band(settings.band_hz), words::arc(settings.arc_deg))?;
        writeln!(io.out, "healthy is {good_file}, now is {}", now.file)?;
        write!(io.out, "{}", heard.description())?;
    }
    Ok(ExitCode::SUCCESS)
}

fn usual_name(clip: &Path) -> PathBuf {
    let stem = clip.file_stem().unwrap_or_default().to_string_lossy();
    PathBuf::from(format!("{stem}-change.wav"))
}

fn ask(named: &Named, spm: Option<f64>, module: Option<u32>) -> Ask {
    Ask { file: named.file.clone(), path: named.path.clone(), spm, module, ..Ask::default() }
}

fn bases_named(bases: &[Named], good: &Loaded) -> Named {
    let found = bases.iter().find(|b| b.file == good.item.file);
    found.cloned().unwrap_or_else(|| Named {
        file: good.item.file.clone(),
        path: good.item.file.clone().into(),
        explicit: true,
    })
}

/// Reads and analyses all; good clips that can't be used are told and left out.
fn load_all(
    args: &HearArgs,
    bases: &[Named],
    now: &Named,
    read: &ReadSettings,
    io: &mut Io<'_>,
) -> anyhow::Result<(Vec<Loaded>, Loaded)> {
    let bar = io.progress(bases.len() + 1, "clips");
    let asks: Vec<Ask> =
        bases.iter().map(|b| ask(b, None, args.module)).chain([ask(now, args.spm, args.module)]).collect();
    let mut loaded: Vec<Result<Loaded, clip::ClipError>> = asks
        .par_iter()
        .map(|a| {
            let l = request::load(a, read, false, false);
            bar.inc(1);
            l
        })
        .collect();
    bar.finish_and_clear();
    let now_clip = loaded.pop().context("no clip was given")??;
    if let Some(refused) = now_clip.item.analysis.refusal() {
        bail!("{}: {}", now.path.display(), refused.text);
    }
    let mut goods = Vec::new();
    for l in loaded {
        match l {
            Err(err) => io.say(&format!("good clip left out: {}", request::chain(&err)))?,
            Ok(l) => match l.item.analysis.refusal() {
                Some(refused) => io.say(&format!("good clip left out: {}: {}", l.item.file, refused.text))?,
                None => goods.push(l),
            },
        }
    }
    Ok((goods, now_clip))
}

/// The good clip whose speed is nearest: the two then keep time with each other.
fn nearest_speed(goods: &[Loaded], now: &Analysis) -> Option<usize> {
    let spm = now.takes.first()?.spm;
    let off = |l: &Loaded| l.item.analysis.takes.first().map_or(f64::INFINITY, |t| (t.spm - spm).abs());
    (0..goods.len()).min_by(|&a, &b| off(&goods[a]).total_cmp(&off(&goods[b])))
}

fn judged(goods: &[Loaded], chosen: usize, now: &Item, order: Vec<u32>) -> anyhow::Result<Tied> {
    let items: Vec<Item> = goods.iter().map(|l| l.item.clone()).collect();
    // The good clip is judged too, only to learn its angle.
    let nows = [now.clone(), items[chosen].clone()];
    let outcome = judge_all(&items, &nows, &JudgeSettings { order, ..JudgeSettings::default() })?;
    let verdict = &outcome.clips[0];
    if verdict.verdict == State::Unjudged {
        bail!("{}: {}", now.file, verdict.reason.as_deref().unwrap_or("it can't be judged"));
    }
    let zero =
        |k: usize| outcome.zero_turns[k].ok_or_else(|| anyhow!("{}: its crank angle is not known", nows[k].file));
    let ((now_take, now_zero_turns), (good_take, good_zero_turns)) = (zero(0)?, zero(1)?);
    let gain = |k: usize| -outcome.clips[k].level_db.unwrap_or(0.0);
    let changed = matches!(verdict.verdict, State::Drifting | State::Departed);
    Ok(Tied {
        good_take,
        good_zero_turns,
        good_gain_db: gain(1),
        now_take,
        now_zero_turns,
        now_gain_db: gain(0),
        band_hz: verdict.band_hz.filter(|_| changed),
        arc_deg: verdict.arc_deg.filter(|_| changed),
        words: words::headline(verdict),
    })
}

fn paired(good: &Analysis, now: &Item) -> anyhow::Result<Tied> {
    let pairing = baseline::pair(good, &now.analysis).ok_or_else(|| anyhow!("{}: no stroke rhythm found", now.file))?;
    Ok(Tied {
        good_take: 0,
        good_zero_turns: pairing.reference_zero_turns,
        good_gain_db: 0.0,
        now_take: pairing.take,
        now_zero_turns: pairing.zero_turns,
        now_gain_db: -pairing.gain_db,
        band_hz: None,
        arc_deg: None,
        words: format!("With fewer than {ENOUGH} good clips there is no verdict: this is what to listen to."),
    })
}

/// A recording with the angle of each sample.
struct Side {
    samples: Vec<f32>,
    rate_hz: f64,
    angle_deg: Vec<f32>,
}

impl Side {
    /// Reads the clip again, this time with its phase.
    fn load(ask: &Ask, read: &ReadSettings, (take, zero_turns): (usize, f64)) -> anyhow::Result<Self> {
        let clip = clip::read(&ask.path, read)?;
        let wish = AnalyseSettings { hint_spm: ask.spm, keep_phase: true, ..AnalyseSettings::default() };
        let analysis = analyse(&clip, &wish);
        let phase = analysis.takes.get(take).and_then(|t| t.phase.as_ref());
        let phase = phase.ok_or_else(|| anyhow!("{}: no stroke rhythm found", ask.path.display()))?;
        let angle_deg =
            view::angle_deg(phase, zero_turns, analysis.first_centre_s, clip.sample_rate_hz, clip.samples.len());
        Ok(Self { samples: clip.samples, rate_hz: clip.sample_rate_hz, angle_deg })
    }

    fn input(&self, gain_db: f64) -> HearInput<'_> {
        HearInput { samples: &self.samples, rate_hz: self.rate_hz, angle_deg: &self.angle_deg, gain_db }
    }
}
