//! `seatsong record`: from a sound device into the book or a file.

mod aims;
mod keys;
mod live;
mod prompt;
mod result;

use std::path::PathBuf;
use std::process::ExitCode;
use std::str::FromStr;
use std::time::Duration;

use anyhow::Context as _;
use clap::Args;

use self::aims::{Aim, Place};
use self::keys::{Key, Keys};
use self::live::{Style, View};
use self::result::Taken;
use super::book::BookArg;
use super::options::positive;
use super::round::PointArgs;
use super::{Io, Usage};
use crate::book::Stamp;
use crate::capture::recorder::{Order, Plan, Recorded, Track, record};
use crate::capture::{self, Wish};
use crate::clip::growing::wav::Depth;

/// Record clips: into a round of the book, or into a file
///
/// Writes to the disk as it goes, so that a pulled plug costs at most a second; stops by itself when enough good strokes are in, and says
/// at once whether the clip will do.
#[derive(Debug, Clone, Args)]
#[command(after_help = "Examples:
  seatsong record --module 2                       into the pump's open round, or a new one
  seatsong record --spots 1,2,3 --spm 72           one spot after the other; space when the sensor is on its mark
  seatsong record --map 1=m1,2=m2,3=m3,4=pulse     four channels at once: three spots and a pulse
  seatsong record --out trial.wav --limit 30

Keys: space, q or Esc stop and keep what is there; t or Enter marks a turn as the rod of module 1 is at its crank end, so that the
verdict can say in which half of the stroke something changed: tap on until it says that it is enough.

--device wav:FILE plays a WAV file in place of a device, for trials without hardware.

Hearing protection; keep clear of rods, belts and the relief line; never lean over a cap or touch a running fluid end to place a sensor.")]
pub struct RecordArgs {
    /// File to make instead of a clip in the book
    #[arg(long, value_name = "FILE.wav", value_parser = wav_path, conflicts_with_all = ["round", "pump", "module", "spots", "map", "spot"])]
    out: Option<PathBuf>,
    /// Round to record into [default: the pump's open round, else a new one]
    #[arg(long, value_name = "N|open|new")]
    round: Option<String>,
    /// Pump [default: the only one, or that of --round]
    #[arg(long, value_name = "NAME")]
    pump: Option<String>,
    /// Module of the clip
    #[arg(long, value_name = "N", conflicts_with_all = ["spots", "map"])]
    module: Option<u32>,
    /// Modules to record one after another, in the order of the walk
    #[arg(long, value_name = "LIST", value_delimiter = ',', conflicts_with = "map")]
    spots: Vec<u32>,
    /// Several channels at once, such as 1=m1,2=m2,3=m3,4=pulse
    #[arg(long, value_name = "LIST", value_delimiter = ',', value_parser = Place::from_str)]
    map: Vec<Place>,
    /// Name of the spot [default: main]
    #[arg(long, value_name = "NAME")]
    spot: Option<String>,
    /// Device: a part of its name or its id, see `seatsong devices` [default: the system's own choice]
    #[arg(long, value_name = "NAME")]
    device: Option<String>,
    /// Samples a second [default: 48000, or the next that the device has itself]
    #[arg(long, value_name = "HZ", value_parser = clap::value_parser!(u32).range(1_000..=1_000_000))]
    rate: Option<u32>,
    /// Channels that the device is to deliver [default: as few as are needed]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=64))]
    channels: Option<u16>,
    /// Channel with the sensor, counted from 1
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = clap::value_parser!(u16).range(1..=64), conflicts_with = "map")]
    channel: u16,
    /// Channel with one pulse a turn at the start of module 1's discharge stroke, counted from 1
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=64), conflicts_with = "map")]
    pulse: Option<u16>,
    /// Good strokes after which it stops by itself, 0: not by strokes (a verdict needs 10, better 30)
    #[arg(long, value_name = "N", default_value_t = 40)]
    strokes: u32,
    /// Longest recording in seconds
    #[arg(long, value_name = "S", default_value = "180", value_parser = positive)]
    limit: f64,
    /// Store 32-bit float instead of 24-bit samples
    #[arg(long)]
    float: bool,
    #[command(flatten)]
    point: PointArgs,
    /// Print JSON (schema seatsong.record/1) instead of words
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    place: BookArg,
}

/// Longest recording that may be asked for: more is a watch.
const LONGEST_S: f64 = 3600.0;

fn wav_path(text: &str) -> Result<PathBuf, String> {
    let path = PathBuf::from(text);
    let wav = path.extension().is_some_and(|e| e.eq_ignore_ascii_case("wav"));
    if wav { Ok(path) } else { Err("must end in .wav".into()) }
}

/// Runs the command.
///
/// # Errors
/// Wrong usage, no device, no book, a disk that says no. What was recorded until then is kept.
pub fn run(args: &RecordArgs, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
    if args.limit > LONGEST_S {
        return Err(Usage(format!("--limit is at most {LONGEST_S:.0} s; for longer there is `seatsong watch`")).into());
    }
    let mut keys = Keys::new();
    if !args.json {
        io.say("hearing protection; keep clear of rods, belts and the relief line; never lean over a cap")?;
    }
    match &args.out {
        Some(path) => args.one_file(path, &mut keys, io),
        None => args.walk(&mut keys, io),
    }
}

impl RecordArgs {
    fn one_file(&self, path: &std::path::Path, keys: &mut Keys, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
        let track = Track { path: path.to_path_buf(), sound: self.channel, pulse: self.pulse };
        let done = self.take(vec![track], &[path.display().to_string()], self.point.spm, keys, io)?;
        let taken = result::of_file(path, self.pulse.is_some(), done, self.point.spm)?;
        self.tell(None, &[taken], io)
    }

    fn walk(&self, keys: &mut Keys, io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
        let mut book = self.place.open()?;
        let aims = Aim::all(self, &book)?;
        let (_, mut round) = aims::round(self, &mut book)?;
        let at_once = !self.map.is_empty();
        let stops: Vec<&[Aim]> = if at_once { vec![&aims] } else { aims.chunks(1).collect() };
        let walk = stops.len() > 1;
        let mut all: Vec<Taken> = Vec::new();
        let mut k = 0;
        while k < stops.len() {
            let aim = &stops[k][0];
            if walk {
                match prompt_for(aim, keys, io)? {
                    Some(Key::Space | Key::Enter) => {}
                    Some(Key::Letter('s')) => {
                        io.say(&format!("module {} left out", aim.spot.module))?;
                        k += 1;
                        continue;
                    }
                    Some(Key::Letter('r')) if k > 0 => {
                        k -= 1;
                        continue;
                    }
                    Some(Key::Letter('q') | Key::Stop) | None => break,
                    Some(_) => continue,
                }
            }
            let mut tracks = Vec::new();
            for aim in stops[k] {
                let path = book.recording_path(&round, &aim.spot)?;
                tracks.push(Track { path, sound: aim.sound, pulse: aim.pulse });
            }
            let names: Vec<String> = stops[k].iter().map(|a| format!("m{}", a.spot.module)).collect();
            let done = self.take(tracks.clone(), &names, round.spm, keys, io)?;
            let taken = result::of_book(&mut book, &mut round, stops[k], &tracks, done, io)?;
            if walk && !self.json {
                for t in &taken {
                    io.say(&t.in_short())?;
                }
            }
            let stopped = keys.signalled();
            all.extend(taken);
            k += 1;
            if stopped {
                break;
            }
        }
        if all.is_empty() {
            io.say("nothing was recorded")?;
        }
        self.tell(Some(round.id), &all, io)
    }

    /// One recording, shown while it grows.
    fn take(
        &self,
        tracks: Vec<Track>,
        names: &[String],
        hint_spm: Option<f64>,
        keys: &mut Keys,
        io: &mut Io<'_>,
    ) -> anyhow::Result<Recorded> {
        let highest = tracks.iter().flat_map(|t| [Some(t.sound), t.pulse]).flatten().max().unwrap_or(1);
        let wish = Wish { rate_hz: self.rate, channels: self.channels, least_channels: highest };
        let mut source = capture::open(self.device.as_deref(), &wish)?;
        let plan = Plan {
            tracks,
            depth: if self.float { Depth::Float32 } else { Depth::Int24 },
            strokes: (self.strokes > 0).then_some(self.strokes),
            limit: Duration::from_secs_f64(self.limit),
            hint_spm,
            device: self.device.clone().unwrap_or_else(|| "the system's own choice".into()),
            taken_at: Stamp::now().text,
        };
        let style = Style::of(io.watched, self.json);
        if style != Style::Silent {
            io.say("recording; space stops, t as module 1's rod is at its crank end")?;
        }
        let mut view = View::new(style, names, plan.strokes);
        let listening = keys.listen().context("the keyboard can't be read; give the keys through a pipe")?;
        let mut shown: std::io::Result<()> = Ok(());
        let done = record(&mut *source, &plan, &mut |figures| {
            if let Some(figures) = figures {
                let now = view.show(figures, io.err);
                // A screen that is gone does not end a recording.
                if shown.is_ok() {
                    shown = now;
                }
            }
            keys.pressed().into_iter().filter_map(order).collect()
        });
        drop(listening);
        view.end(io.err)?;
        Ok(done?)
    }

    fn tell(&self, round: Option<i64>, taken: &[Taken], io: &mut Io<'_>) -> anyhow::Result<ExitCode> {
        if self.json {
            io.json(&result::document(round, taken))?;
        } else {
            result::tell(round, taken, io)?;
        }
        let kept = !taken.is_empty() && taken.iter().all(|t| t.failed.is_none());
        Ok(if kept { ExitCode::SUCCESS } else { ExitCode::from(1) })
    }
}

/// What a key means while recording.
fn order(press: keys::Press) -> Option<Order> {
    match press.key {
        Key::Space | Key::Stop | Key::Letter('q') => Some(Order::Stop),
        Key::Enter | Key::Letter('t') => Some(Order::Tap(press.at)),
        Key::Letter(_) => None,
    }
}

/// Asks for the sensor to be put on the next mark.
fn prompt_for(aim: &Aim, keys: &mut Keys, io: &mut Io<'_>) -> anyhow::Result<Option<Key>> {
    let module = aim.spot.module;
    if io.watched {
        write!(io.err, "\n{}\n", prompt::large(&format!("MODULE {module}")))?;
    }
    let mark = if aim.spot.note.is_empty() { "paint mark" } else { &aim.spot.note };
    writeln!(io.err, "MODULE {module} - {mark} - press space   (s leaves it out, r records the last again, q ends)")?;
    if io.watched {
        write!(io.err, "\n{}\n", prompt::large("PRESS SPACE"))?;
    }
    io.err.flush()?;
    let _listening = keys.listen().context("the keyboard can't be read; give the keys through a pipe")?;
    Ok(keys.next())
}
