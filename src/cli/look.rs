//! `seatsong look`: what is in a clip, before it is compared with anything.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::Args;
use rayon::prelude::*;
use serde_json::{Value, json};

use super::files::{self, Named};
use super::options::{ReadArgs, console_spm, picture_path, taps_arg};
use super::{Io, Usage};
use crate::clip::{self, Clip, ClipError, Effect, ReadSettings};
use crate::map::{AnalyseSettings, Analysis, Take, analyse};
use crate::report::json::tidy;
use crate::report::picture::{Spectrogram, spectrogram_of};
use crate::report::view::Levels;
use crate::report::{picture, text, view, words};
use crate::score::Angle;
use crate::score::request::{self, TapsFile};

/// Look at clips: is the recording good enough, how fast ran the pump, how loud is it
#[derive(Debug, Clone, Args)]
#[command(after_help = "Example:\n  seatsong look today.wav --spm 72 --picture today.png")]
pub struct LookArgs {
    /// Clips to look at
    #[arg(value_name = "CLIP", required = true)]
    clips: Vec<PathBuf>,
    /// Strokes a minute on the console; the search is then within 15 % of it
    #[arg(long, value_name = "N", value_parser = console_spm)]
    spm: Option<f64>,
    /// Times of taps as module 1's discharge stroke starts, one time in seconds a line
    #[arg(long, value_name = "FILE", value_parser = taps_arg)]
    taps: Option<TapsFile>,
    /// Draw the spectrogram and the stroke map; with several clips OUT-1, OUT-2 ...
    #[arg(long, value_name = "OUT.png|.svg", value_parser = picture_path)]
    picture: Option<PathBuf>,
    /// Print JSON instead of words
    #[arg(long)]
    json: bool,
    /// The machine has no stroke (charge pump, gearbox): look for none
    #[arg(long)]
    rotating: bool,
    #[command(flatten)]
    recordings: ReadArgs,
}

/// What was seen of a clip; its samples are gone.
struct Seen {
    clip: Clip,
    used_s: f64,
    levels: Levels,
    analysis: Analysis,
    spectrogram: Option<Spectrogram>,
}

/// Columns of the spectrogram: as many as a page can show.
const COLUMNS: usize = 1500;

/// Runs the command.
///
/// # Errors
/// A picture that can't be written. A clip that can't be read is told, the others are shown, and the exit status is 1.
pub fn run(args: &LookArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    let named = files::expand_globs(&args.clips);
    if args.taps.is_some() && named.len() > 1 {
        return Err(Usage("--taps belongs to one clip; give one".into()).into());
    }
    let read = args.recordings.settings()?;
    let taps_s = args.taps.as_ref().map(|t| clip::taps::read(&t.path)).transpose()?;
    let wish = AnalyseSettings { hint_spm: args.spm, taps_s, rotating: args.rotating, keep_phase: true };
    let bar = io.progress(named.len(), "clips");
    let seen: Vec<Result<Seen, ClipError>> = named
        .par_iter()
        .map(|n| {
            let seen = see(&n.path, &read, &wish, args.picture.is_some());
            bar.inc(1);
            seen
        })
        .collect();
    bar.finish_and_clear();
    let mut code = ExitCode::SUCCESS;
    let mut documents = Vec::new();
    for (k, (name, seen)) in named.iter().zip(&seen).enumerate() {
        match seen {
            Ok(seen) if args.json => documents.push(document(name, seen)),
            Ok(seen) => {
                if k > 0 {
                    writeln!(io.out)?;
                }
                for line in lines(name, seen, args.spm, io.text.width.clamp(72, 120)) {
                    writeln!(io.out, "{line}")?;
                }
            }
            Err(err) => {
                code = ExitCode::from(1);
                let why = request::chain(err);
                if args.json {
                    documents.push(json!({"file": name.file, "error": why}));
                }
                io.say(&why)?;
            }
        }
        if let (Some(path), Ok(seen)) = (&args.picture, seen) {
            let path = if named.len() > 1 { super::compare::numbered(path, k + 1) } else { path.clone() };
            draw(&path, name, seen, io)?;
        }
    }
    if args.json {
        io.json(&json!({"schema": "seatsong.look/1", "clips": documents}))?;
    }
    Ok(code)
}

fn see(path: &Path, read: &ReadSettings, wish: &AnalyseSettings, drawn: bool) -> Result<Seen, ClipError> {
    let mut clip = clip::read(path, read)?;
    let analysis = analyse(&clip, wish);
    let levels = view::levels(&clip);
    let spectrogram = if drawn {
        spectrogram_of(&clip.samples, clip.sample_rate_hz, clip.scale, COLUMNS).ok().map(|mut s| {
            if let Some((take, zero)) = analysis.takes.first().map(|t| (t, t.zero_turns().unwrap_or(0.0)))
                && let Some(phase) = take.phase.as_ref().filter(|_| has_stroke(take))
            {
                s.stroke_times_s = view::stroke_times_s(phase, zero, analysis.first_centre_s);
            }
            s
        })
    } else {
        None
    };
    let used_s = clip.samples.len() as f64 / clip.sample_rate_hz;
    clip.samples = Vec::new();
    clip.pulse = None;
    Ok(Seen { clip, used_s, levels, analysis, spectrogram })
}

/// A machine without strokes has a take, but no speed.
fn has_stroke(take: &Take) -> bool {
    take.spm > 0.0
}

fn document(name: &Named, seen: &Seen) -> Value {
    let Seen { clip, levels, analysis, .. } = seen;
    let take = analysis.takes.first().filter(|t| has_stroke(t));
    let bands: Vec<Value> = levels.bands.iter().map(|(hz, db)| json!({"band_hz": hz, "level_db": db})).collect();
    let others: Vec<Value> = analysis.takes.iter().skip(1).map(|t| json!({"spm": t.spm, "lock": t.lock})).collect();
    let raw = json!({
        "file": name.file,
        "format": clip.format,
        "bits": clip.bits,
        "channels": clip.channels,
        "sample_rate_hz": clip.sample_rate_hz,
        "length_s": clip.file_s,
        "used_s": [clip.start_s, clip.start_s + seen.used_s],
        "level_db": levels.level_db,
        "peak_db": levels.peak_db,
        "level_re": view::level_reference(clip.scale),
        "band_hz": levels.band_hz,
        "bands": bands,
        "spm": take.map(|t| t.spm),
        "strokes": take.map(|t| t.strokes),
        "lock": take.map(|t| t.lock),
        "angle": take.map(angle_of),
        "second_spm": take.and_then(|t| t.second_spm),
        "other_rhythms": others,
        "quality": analysis.findings,
    });
    tidy(raw, "")
}

fn angle_of(take: &Take) -> Angle {
    if take.mark.is_some() { Angle::Absolute } else { Angle::Relative }
}

/// The facts of a clip, a line each, first the name.
fn lines(name: &Named, seen: &Seen, console_spm: Option<f64>, width: usize) -> Vec<String> {
    let mut out = vec![name.file.clone()];
    let mut put = |label: &str, text: &str| {
        for (i, line) in text::wrap(text, width - 12).iter().enumerate() {
            out.push(format!("  {:<10}{line}", if i == 0 { label } else { "" }));
        }
    };
    put("recording", &recording(seen));
    put("level", &level(seen));
    put("strokes", &strokes(&seen.analysis, console_spm));
    for finding in &seen.analysis.findings {
        let effect = if finding.effect == Effect::Refuse { " (no verdict)" } else { "" };
        put("quality", &format!("{}{effect}: {}", finding.code.as_str(), finding.text));
    }
    if seen.analysis.findings.is_empty() {
        put("quality", "nothing to remark");
    }
    out
}

fn recording(seen: &Seen) -> String {
    let clip = &seen.clip;
    let channels = if clip.channels == 1 { "1 channel".into() } else { format!("{} channels", clip.channels) };
    let mut out = format!("{}, {} kHz, {channels}, {:.1} s", clip.format, clip.sample_rate_hz / 1000.0, clip.file_s);
    if seen.used_s + 0.05 < clip.file_s {
        out += &format!("; used: {:.1} s to {:.1} s", clip.start_s, clip.start_s + seen.used_s);
    }
    out
}

fn level(seen: &Seen) -> String {
    let reference = view::level_reference(seen.clip.scale);
    let db = |x: Option<f64>| x.map_or_else(|| "none".to_owned(), |x| format!("{x:.1} dB"));
    let Levels { level_db, peak_db, band_hz, .. } = &seen.levels;
    format!("{} re {reference} ({}), peak {}", db(*level_db), words::band(*band_hz), db(*peak_db))
}

fn strokes(analysis: &Analysis, console_spm: Option<f64>) -> String {
    let Some(take) = analysis.takes.first().filter(|t| has_stroke(t)) else {
        return "no stroke rhythm".into();
    };
    let mut out = format!("{:.2} SPM, {} strokes, lock {:.2}", take.spm, take.strokes, take.lock);
    if let Some(console) = console_spm {
        out += &format!("; console {console:.1} SPM");
    }
    if angle_of(take) == Angle::Absolute {
        out += "; crank angle known";
    }
    if let Some(second) = take.second_spm {
        out += &format!("; a second rhythm of {second:.2} SPM was taken out");
    }
    let others: Vec<String> = analysis.takes.iter().skip(1).map(|t| format!("{:.2} SPM", t.spm)).collect();
    if !others.is_empty() {
        out += &format!("; also seen: {}", others.join(", "));
    }
    out
}

fn draw(path: &Path, name: &Named, seen: &Seen, io: &mut Io<'_>) -> anyhow::Result<()> {
    let Some(spectrogram) = &seen.spectrogram else {
        io.say(&format!("{}: too short for a picture", name.file))?;
        return Ok(());
    };
    let map = seen
        .analysis
        .takes
        .first()
        .filter(|t| has_stroke(t))
        .map(|take| (view::stroke_map(take, take.zero_turns().unwrap_or(0.0), seen.clip.scale), angle_of(take)));
    let facts = [strokes(&seen.analysis, None), level(seen), recording(seen)];
    picture::look_picture(path, spectrogram, map.as_ref().map(|(m, a)| (m, *a)), &name.file, &facts)?;
    io.say(&format!("{}: picture of {}", path.display(), name.file))?;
    Ok(())
}
